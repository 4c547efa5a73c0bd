"""A mount is characterised through the whole station, written down, and read back by alignments."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from control.characterise import CharacterisingPlan
from control.messages import Outcome
from sim.mount_geometry import place_lens
from station.campaign.inprocess import InProcess, Measurement
from station.campaign.plan import CampaignPlan, deviations, setup_of
from station.characterising import table_of, words
from station.config import BadInput, Setup
from station.config.characterisation import CharacterisationTable
from station.config.loading import setup_from_texts
from station.config.reading import read_model
from station.planning import bench_model_of, characteriser_of

SETUP = setup_of(CampaignPlan(benches=8, seed=3), 1)


def characterised(seed: int, measurement: Measurement = "spots") -> tuple[CharacterisationTable, InProcess]:
    decides = characteriser_of(SETUP, CharacterisingPlan())
    nuisances = deviations()
    scene = replace(nuisances.scene, radius_sigma=0.002)
    made = InProcess(
        SETUP, seed, nuisances=replace(nuisances, scene=scene), measurement=measurement, aligner=decides
    )
    end = made.run()
    assert end.finish.outcome is Outcome.ALIGNED, end.finish.reason
    assert decides.result is not None
    return table_of(SETUP, decides.result, 90), made


@pytest.fixture(scope="module")
def table() -> CharacterisationTable:
    return characterised(4)[0]


def true_matrix(made: InProcess) -> np.ndarray:
    """Pose per axis unit of the simulator's mount, by moving its carriages alone."""
    errors = made.sim.mount._errors
    scale = 1.0 + np.array([drive.scale_error for drive in errors.drives])
    columns = []
    for number in range(4):
        low, high = (
            place_lens(errors.geometry, made.sim.mount.axes, scale * sign * np.eye(4)[number], np.zeros(4))[0]
            for sign in (-0.5, 0.5)
        )
        columns.append(np.subtract(high, low))
    return np.array(columns).T


def away(table: CharacterisationTable, made: InProcess) -> np.ndarray:
    """Errors of the matrix in standard uncertainties."""
    sigma = np.sqrt(np.diag(np.array(table.covariance)))[:16].reshape(4, 4)
    found: np.ndarray = (np.array(table.mount_matrix) - true_matrix(made)) / sigma
    return found


def test_the_matrix_is_the_simulators_within_its_uncertainty() -> None:
    """Spots with the errors that vision makes; 64 deviates, correlated within a bench."""
    deviates = np.array([away(*characterised(seed)) for seed in (4, 5, 6, 7)])
    assert np.max(np.abs(deviates)) < 4.0
    assert np.mean(deviates**2) < 1.8


@pytest.mark.long
def test_rendered_frames_give_the_same() -> None:
    deviates = away(*characterised(4, "frames"))
    assert np.max(np.abs(deviates)) < 4.0


def test_the_file_is_read_back_as_it_was_written(table: CharacterisationTable) -> None:
    assert read_model(CharacterisationTable, table.text(), "MOUNT.toml") == table


def with_mount(table: CharacterisationTable, folder: Path, text: str | None = None) -> Setup:
    (folder / "MOUNT.toml").write_text(text or table.text(), encoding="utf-8")
    bench = SETUP.bench_file.text.replace("[mount]", '[mount]\ncharacterisation = "MOUNT.toml"')
    return setup_from_texts(bench, SETUP.recipe_file.text, str(folder / "BENCH.toml"), "RECIPE.toml")


def test_alignments_start_from_it(table: CharacterisationTable, tmp_path: Path) -> None:
    setup = with_mount(table, tmp_path)
    model = bench_model_of(setup)
    assert model.known is not None
    learned = model.matrix() + model.known.mean[:16].reshape(4, 4)
    assert learned == pytest.approx(np.array(table.mount_matrix))
    made = InProcess(setup, 4, nuisances=deviations())
    assert made.run().finish.outcome is Outcome.ALIGNED


def test_a_file_whose_time_is_over_is_refused(table: CharacterisationTable, tmp_path: Path) -> None:
    old = table.model_copy(update={"made": table.made - timedelta(days=91)})
    with pytest.raises(BadInput, match="still valid"):
        with_mount(old, tmp_path)


def test_a_file_of_another_bench_is_refused(table: CharacterisationTable, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="this bench's name"):
        with_mount(table.model_copy(update={"bench": "another"}), tmp_path)


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ("valid_days = 90", "valid_days = 0", "valid_days"),
        ("[repeatability_um]", "[repeatability]", "repeatability"),
        ("mount_matrix = [\n", "mount_matrix = [\n    [1.0],\n", "mount_matrix"),
        ("covariance = [\n    [", "covariance = [\n    [-", "covariance"),
    ],
)
def test_a_spoilt_file_is_bad_input(
    table: CharacterisationTable, tmp_path: Path, old: str, new: str, word: str
) -> None:
    assert old in table.text()
    with pytest.raises(BadInput, match=word):
        with_mount(table, tmp_path, table.text().replace(old, new))


def test_a_missing_file_is_bad_input(tmp_path: Path) -> None:
    bench = SETUP.bench_file.text.replace("[mount]", '[mount]\ncharacterisation = "GONE.toml"')
    with pytest.raises(BadInput, match="no such file"):
        setup_from_texts(bench, SETUP.recipe_file.text, str(tmp_path / "BENCH.toml"), "RECIPE.toml")


def test_a_person_is_told_every_quantity(table: CharacterisationTable) -> None:
    result = {"outcome": "aligned", "reason": "done", "file": "MOUNT.toml", "run_dir": "runs/1"}
    result |= {"quantities": [said.model_dump() for said in table.quantities]}
    told = "\n".join(words(result))
    for word in ("X: scale", "squareness of the linear axes", "pivot behind the vertex, tilt x", "k = 2"):
        assert word in told
    assert json.dumps(result)
