"""Whole lots on the simulated bench: the loop, its reasons to go on and to stop, and what is recorded."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest
from night_bench import PlannedPart

from sim.tap import LineFaultKind
from station.archive import LookStep, LotState, Severity
from station.lot.part.references import References
from station.lot.settings import ChecksTable, FaultsTable, LimitsTable, LotTable

if TYPE_CHECKING:
    from conftest import MakeCell

PLAIN, LOCK, BOND = "biconvex f200", "biconvex f100", "plano-convex, convex first"


def parts(count: int, recipe: str = PLAIN, **more: object) -> list[PlannedPart]:
    return [PlannedPart(f"P{number}", recipe, number, **more) for number in range(count)]


def test_a_lot_of_three_recipes_in_the_order_of_its_list(make_cell: MakeCell) -> None:
    recipes = [PLAIN, PLAIN, LOCK, PLAIN, BOND]
    planned = [PlannedPart(f"P{n}", recipe, n) for n, recipe in enumerate(recipes)]
    cell = make_cell(planned)
    end = cell.run()
    assert end.done
    assert cell.outcomes() == {f"P{n}": "aligned" for n in range(5)}
    done = [line.split(":")[0] for line in cell.told if ": aligned" in line]
    assert done == [f"P{n}" for n in range(5)]
    for serial, truth in cell.night.truths.items():
        assert truth.decenter_um is not None
        assert truth.tilt_arcsec is not None
        assert math.hypot(*truth.decenter_um) <= 20.0, serial
        assert math.hypot(*truth.tilt_arcsec) <= 30.0, serial
    assert cell.archive.audit().clean


def test_homing_and_maps_are_kept_from_part_to_part(make_cell: MakeCell) -> None:
    cell = make_cell(parts(4), settings=LotTable(checks=ChecksTable(bare_beam_every=2)))
    homed: list[float] = []
    real = cell.night.bench.motion.home

    class Counting:
        def __getattr__(self, name: str) -> object:
            return getattr(cell_motion, name)

        def home(self) -> None:
            homed.append(cell.night.sim.clock.now_s())
            real()

    cell_motion = cell.night.bench.motion
    cell.night.bench.motion = Counting()
    cell.run()
    assert len(homed) == 1
    subject = "simulated bench at cell/bare_beam/beam"
    checks = cell.archive.trail.entries(kind="calibration", subject=subject)
    assert len(checks) == 2  # before the first part and before the third


def test_a_bad_lens_is_set_aside_and_the_lot_goes_on(make_cell: MakeCell) -> None:
    planned = parts(3)
    planned[1] = replace(planned[1], bad="radii 8 % too long")
    cell = make_cell(planned)
    assert cell.run().done
    assert cell.outcomes() == {"P0": "aligned", "P1": "rejected", "P2": "aligned"}


def test_rejects_in_a_row_stop_the_lot(make_cell: MakeCell) -> None:
    # The first lens teaches the bench: on one that nobody knows, 8 % of radius could as well be the bench.
    bad = "radii 8 % too short"
    cell = make_cell([replace(part, bad=bad if part.number else "") for part in parts(6)])
    end = cell.run()
    assert (end.done, end.cause) == (False, "too_many_rejects")
    assert list(cell.outcomes().values()) == ["aligned"] + ["rejected"] * 3
    assert cell.archive.lots.get("lot").state is LotState.STOPPED
    (alarm,) = [one for one in cell.archive.alarms.open() if one.severity is Severity.STOP]
    assert alarm.code == "too_many_rejects"


@pytest.mark.parametrize(
    "fault", [LineFaultKind.RESET, LineFaultKind.CUT, LineFaultKind.STEPS_LOST, "frame black", "camera lost"]
)
def test_faults_that_pass_are_gone_on_from(make_cell: MakeCell, fault: LineFaultKind | str) -> None:
    planned = parts(2)
    planned[0] = replace(planned[0], fault=fault)
    cell = make_cell(planned)
    assert cell.run().done
    assert set(cell.outcomes().values()) == {"aligned"}


@pytest.mark.parametrize("fault", [LineFaultKind.INTERLOCK_OPEN, LineFaultKind.SHUTTER_STUCK_OPEN])
def test_faults_that_need_a_person_stop_the_lot_with_the_part_in_hand(
    make_cell: MakeCell, fault: LineFaultKind
) -> None:
    cell = make_cell(parts(2, fault=fault))
    end = cell.run()
    assert not end.done
    assert end.cause in ("interlock_open", "shutter_mismatch")
    assert not cell.outcomes()
    (held,) = cell.archive.claims.in_hand()
    assert held.serial == "P0"
    cell.night.repair()
    cell.night.struck["P1"] = fault  # only the first part is hit
    assert cell.resume().done
    assert cell.outcomes() == {"P0": "aligned", "P1": "aligned"}


def test_a_knocked_camera_keeps_a_verdict_from_counting(
    make_cell: MakeCell, monkeypatch: pytest.MonkeyPatch
) -> None:
    cell = make_cell(parts(1), settings=LotTable(faults=FaultsTable(tries=1)))
    sim, measures, check = cell.night.sim, cell.night.measures, References.check_plates

    def knock_first(references: References) -> None:
        measures.knock_at = (sim.clock.now_s(), sim.camera_names[0], np.array([0.1, -0.08]))
        check(references)

    monkeypatch.setattr(References, "check_plates", knock_first)
    cell.run()
    assert cell.outcomes() == {"P0": "stopped"}
    assert any("knocked" in line for line in cell.told)


def test_a_beam_that_has_moved_stops_the_lot(make_cell: MakeCell) -> None:
    cell = make_cell(parts(3, fault="beam knocked"), settings=LotTable(checks=ChecksTable(bare_beam_every=1)))
    end = cell.run()
    assert (end.done, end.cause) == (False, "targets_moved")


def test_quiet_hours_are_waited_out(make_cell: MakeCell) -> None:
    cell = make_cell(parts(1), settings=LotTable(limits=LimitsTable(quiet_hours=["18:00-19:30"])))
    assert cell.run().done
    (started,) = [part.final.started_utc for part in cell.archive.parts.find("P0") if part.final]
    assert started - datetime(2026, 1, 15, 19, 30, tzinfo=started.tzinfo) < timedelta(minutes=2)
    assert started.hour >= 19


def test_quiet_hours_can_stop_the_lot(make_cell: MakeCell) -> None:
    limits = LimitsTable(quiet_hours=["18:00-06:00"], in_quiet_hours="stop")
    cell = make_cell(parts(1), settings=LotTable(limits=limits))
    assert cell.run().cause == "quiet_hours"


def test_the_lot_has_a_time(make_cell: MakeCell) -> None:
    cell = make_cell(parts(3), settings=LotTable(limits=LimitsTable(lot_seconds=1.0)))
    end = cell.run()
    assert (end.cause, end.parts) == ("lot_time", 1)
    assert cell.archive.lots.counts(cell.order.lot_ids[0])["waiting"] == 2


def test_a_part_has_a_time(make_cell: MakeCell) -> None:
    cell = make_cell(parts(1), settings=LotTable(limits=LimitsTable(part_seconds=5.0)))
    assert cell.run().done
    assert cell.outcomes() == {"P0": "timed_out"}


def test_a_person_stops_and_resumes(make_cell: MakeCell) -> None:
    cell = make_cell(parts(3))
    cell.night.on_unload = lambda serial: cell.stop.request()
    assert cell.run().cause == "operator"
    assert cell.outcomes() == {"P0": "aligned"}
    cell.stop.requested, cell.night.on_unload = False, None
    assert cell.resume().done
    assert len(cell.outcomes()) == 3


def test_fixing_is_recorded_and_learned(make_cell: MakeCell) -> None:
    cell = make_cell(parts(5, LOCK))
    cell.run()
    shifts = [part.final for part in cell.archive.parts.of_lot(cell.order.lot_ids[0]) if part.final]
    for final in shifts:
        # The simulator's lock shifts by (5, -4) um, (7, 5) arcsec; scatter and speckle beside.
        assert final.shift_decenter_x_um == pytest.approx(5.0, abs=6.0)
        assert final.shift_decenter_y_um == pytest.approx(-4.0, abs=6.0)
    usual = cell.line.learned.usual_shift(LOCK)
    assert usual is not None
    assert usual[:2] * 1e3 == pytest.approx([5.0, -4.0], abs=3.0)
    last = cell.archive.parts.find("P4")[0]
    steps = cell.archive.parts.steps(last.part_id, 1)
    whys = [step.why for step in steps]
    assert "set off by the shift of earlier parts" in whys
    verify = max(step.number for step in steps if isinstance(step, LookStep))
    assert verify > whys.index("lock the lens")


def test_the_bond_is_watched_while_it_cures(make_cell: MakeCell) -> None:
    cell = make_cell(parts(1, BOND))
    cell.run()
    found = cell.archive.parts.find("P0")[0]
    watched = [s for s in cell.archive.parts.steps(found.part_id, 1) if s.why == "watch while it bonds"]
    # Each look also asks whether the shutter stayed open: four fit into the dwell.
    assert len([step for step in watched if isinstance(step, LookStep)]) >= 4
    assert not cell.night.bench.outputs["curing lamp"].is_on()


def test_no_part_is_called_aligned_on_what_was_known_before_fixing(make_cell: MakeCell) -> None:
    """A lock that shifts far more than the tolerance: rejected, although the lens was aligned before."""
    cell = make_cell(parts(1, LOCK))
    fixing = replace(cell.night.sim.nuisances.fixing, lock_arcsec=(200.0, 0.0))
    cell.night.sim.nuisances = replace(cell.night.sim.nuisances, fixing=fixing)
    cell.run()
    assert cell.outcomes() == {"P0": "rejected"}
