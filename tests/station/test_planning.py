"""What control sets out from is what the files say."""

from __future__ import annotations

import numpy as np
import pytest

from control.plan import Prescription, TestMoves
from station.config import BadInput, Setup
from station.config.loading import setup_from_texts
from station.demo import BENCH_FILE, RECIPE_FILE, example_setup, example_text
from station.planning import aligner_of, bench_model_of, plan_of


def changed(*swaps: tuple[str, str]) -> Setup:
    texts = [example_text(BENCH_FILE), example_text(RECIPE_FILE)]
    for old, new in swaps:
        assert any(old in text for text in texts), old
        texts = [text.replace(old, new) for text in texts]
    return setup_from_texts(*texts, BENCH_FILE, RECIPE_FILE)


def test_the_plan_follows_the_recipe() -> None:
    plan = plan_of(
        changed(
            ("decenter_um = 10.0", "decenter_um = 7.0"),
            ("coverage = 0.95", "coverage = 0.99"),
            ("bench_seconds = 900.0", "bench_seconds = 123.0"),
            ("looks = 80", "looks = 33"),
            ('test_moves = "always"', 'test_moves = "when_needed"'),
            ("clear_aperture_mm", 'prescription = "unknown"\nclear_aperture_mm'),
        )
    )
    assert (plan.tolerance_decenter_um, plan.tolerance_tilt_arcsec, plan.coverage) == (7.0, 20.0, 0.99)
    assert (plan.max_seconds, plan.max_looks, plan.max_moves) == (123.0, 33, 80)
    assert plan.test_moves is TestMoves.WHEN_NEEDED
    assert plan.prescription is Prescription.UNKNOWN


def test_the_model_follows_the_bench_file() -> None:
    model = bench_model_of(changed(("pivot_behind_mm = 20.0", "pivot_behind_mm = -35.0")))
    assert model.axis_names == ("X", "Y", "A", "B")
    matrix = np.asarray(model.mount_matrix)
    # One degree of the axis that tilts about y carries the vertex by -pivot x angle: +0.61 mm.
    assert matrix[0, 3] == pytest.approx(35.0 * np.radians(1.0))
    assert matrix[3, 3] == pytest.approx(1000.0 * np.radians(1.0))
    assert model.beam_in_hole_sigma_um == 10.0


def test_every_value_of_mount_and_reference_reaches_the_model() -> None:
    bench = example_setup().bench
    model = bench_model_of(example_setup())
    for table in (bench.mount, bench.reference):
        for name, value in table.model_dump().items():
            if name not in ("pivot_behind_mm", "characterisation"):
                assert getattr(model, name) == value


def test_what_control_cannot_work_with_is_bad_input(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuses(_: Setup) -> None:
        raise ValueError("coverage is 2, allowed is 0.5 to below 1")

    monkeypatch.setattr("station.planning.plan_of", refuses)
    with pytest.raises(BadInput, match="coverage is 2") as caught:
        aligner_of(example_setup())
    assert caught.value.file == RECIPE_FILE
