"""Hours of holding on the simulated bench: dead band, corrections, lens drift told from beam drift."""

from __future__ import annotations

import csv
import json
import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from night_bench import PlannedPart, setup_for

from control.holding import Drift, HoldPlan
from control.messages import Outcome
from station.campaign.inprocess import MemoryRecord
from station.lot.command.hold import Held, hold, write_held

if TYPE_CHECKING:
    from conftest import Cell, MakeCell

RECIPE = "biconvex f100"


def held(cell: Cell, tmp_path: Path, plan: HoldPlan) -> Held:
    setup = setup_for(RECIPE)
    lens = setup.recipe.lens.name
    cell.night.planned = {lens: PlannedPart(lens, RECIPE, 0)}
    return hold(cell.line, setup, plan, MemoryRecord(setup), tmp_path / "hold.csv")


def with_drift(cell: Cell, um: float, arcsec: float) -> None:
    """Let the mount drift: amplitude of a wave of six hours."""
    errors = cell.night.sim.mount._errors
    amplitude = np.repeat([um / 1e3, arcsec * math.radians(1 / 3600) * 1e3], 2)
    cell.night.sim.mount._errors = replace(errors, drift_amplitude=amplitude)


def test_a_drifting_lens_is_kept_on_axis(make_cell: MakeCell, tmp_path: Path) -> None:
    cell = make_cell([PlannedPart("P0", RECIPE, 0)])
    with_drift(cell, 25.0, 60.0)
    found = held(cell, tmp_path, HoldPlan(every_s=120.0, hours=3.0))
    assert found.outcome is Outcome.ALIGNED
    assert found.figures["corrections"] >= 3
    truth = cell.night.sim.truth()
    assert truth.decenter_um is not None
    assert truth.tilt_arcsec is not None
    # Left alone it would be off by most of the wave: 25 um and 60 arcsec in each direction.
    assert math.hypot(*truth.decenter_um) < 15.0
    assert math.hypot(*truth.tilt_arcsec) < 25.0
    with (tmp_path / "hold.csv").open() as stream:
        assert len(list(csv.DictReader(stream))) == len(found.looks) == 91


def test_a_lens_within_the_dead_band_is_left_alone(make_cell: MakeCell, tmp_path: Path) -> None:
    cell = make_cell([PlannedPart("P0", RECIPE, 0)])
    with_drift(cell, 0.0, 0.0)
    found = held(cell, tmp_path, HoldPlan(every_s=300.0, hours=2.0, dead_um=30.0, dead_arcsec=40.0))
    assert found.figures["corrections"] == 0
    assert found.figures["beam"]["count"] == len(found.looks) == 25


def test_a_beam_that_moves_is_not_taken_for_the_lens(make_cell: MakeCell, tmp_path: Path) -> None:
    cell = make_cell([PlannedPart("P0", RECIPE, 0)])
    scene = replace(cell.night._base.scene, beam_step_time_s=1800.0, beam_step_mm=(0.15, -0.1))
    cell.night._base = replace(cell.night._base, scene=scene)
    cell.night.sim.nuisances = cell.night._base
    found = held(cell, tmp_path, HoldPlan(every_s=300.0, hours=1.0))
    after = [look for look in found.looks if look.time_s > 1800.0]
    assert {look.drift for look in after} == {Drift.BEAM}
    assert not any(look.corrected for look in after)
    assert found.outcome is Outcome.REJECTED
    (alarm,) = [one for one in cell.archive.alarms.open() if one.code == "beam_moved"]
    assert alarm.count == len(after)


def test_the_folder_of_a_hold(make_cell: MakeCell, tmp_path: Path) -> None:
    cell = make_cell([PlannedPart("P0", RECIPE, 0)])
    found = held(cell, tmp_path, HoldPlan(every_s=600.0, hours=0.5))
    write_held(tmp_path, found)
    told = json.loads((tmp_path / "hold.json").read_text())
    assert told["looks"] == 4
    assert told["beam"] is None  # too few looks for a figure
    assert (tmp_path / "hold.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("wrong", [{"every_s": 0.0}, {"hours": math.inf}, {"dead_um": 200.0}])
def test_a_plan_that_makes_no_sense(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"allowed|larger"):
        HoldPlan(**wrong)
