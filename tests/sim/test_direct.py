"""The mount without a line refuses, moves and fails as the one behind the driver and its words does."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from driver.faults import DeviceFault, FaultCode
from driver.protocols import Lamp, Motion, Shutter, WatchedShutter
from sim.bench import SimBench
from sim.direct import DirectMount
from station.campaign.inprocess import connect, connect_directly
from station.campaign.plan import CampaignPlan, deviations, setup_of
from station.demo import bench_maker
from station.wiring import Bench

SETUP = setup_of(CampaignPlan(benches=1, seed=3), 0)
TARGETS = ({"X": 0.4, "A": -0.3}, {"X": 0.1}, {"Y": -0.6, "B": 0.7, "X": 0.1}, {"X": 0.12})


def stood(*, line: bool) -> tuple[SimBench, Bench]:
    sim = bench_maker(SETUP, 7)(nuisances=deviations(), rendered=False)
    bench = (connect if line else connect_directly)(SETUP, sim, sim.clock)
    bench.motion.connect()
    return sim, bench


@pytest.fixture
def direct() -> tuple[SimBench, Bench]:
    return stood(line=False)


def test_it_fulfils_the_protocols(direct: tuple[SimBench, Bench]) -> None:
    mount = direct[1].motion
    assert isinstance(mount, DirectMount)
    assert isinstance(mount, Motion)
    assert isinstance(mount.shutter, Shutter)
    assert isinstance(mount.shutter, WatchedShutter)
    assert isinstance(mount.lamp, Lamp)


def test_the_axes_end_where_they_end_by_the_line() -> None:
    told, true, times = [], [], []
    for line in (True, False):
        sim, bench = stood(line=line)
        bench.motion.home()
        told.append([dict(bench.motion.move_to(targets)) for targets in TARGETS])
        true.append(sim.truth().positions)
        times.append(sim.clock.now_s())
    assert told[0] == told[1]
    assert true[0] == true[1]
    assert times[1] == pytest.approx(times[0], rel=0.1)


def test_steps_that_are_lost_stay_lost() -> None:
    true = []
    for line in (True, False):
        sim, bench = stood(line=line)
        bench.motion.home()
        sim.mount.lose_steps("X", 80.0)
        bench.motion.move_to({"X": 0.5})
        true.append(sim.truth().positions["X"])
    assert true[0] == true[1] < 0.45


Spoil = Callable[[SimBench, Bench], object]


@pytest.mark.parametrize(
    ("spoil", "targets", "code"),
    [
        (lambda sim, bench: None, {"X": 0.1}, FaultCode.NOT_HOMED),
        (lambda sim, bench: bench.motion.home(), {"X": 99.0}, FaultCode.OUT_OF_TRAVEL),
        (lambda sim, bench: bench.motion.home(), {"X": float("nan")}, FaultCode.OUT_OF_TRAVEL),
        (
            lambda sim, bench: (bench.motion.home(), sim.controller.set_interlock(closed=False)),
            {"X": 0.1},
            FaultCode.INTERLOCK_OPEN,
        ),
        (lambda sim, bench: (bench.motion.home(), sim.controller.stall()), {"X": 0.1}, FaultCode.STALLED),
        (
            lambda sim, bench: (bench.motion.home(), sim.controller.trip_limit()),
            {"X": 0.1},
            FaultCode.LIMIT_SWITCH,
        ),
        (
            lambda sim, bench: (bench.motion.home(), sim.controller.never_arrive()),
            {"X": 0.1},
            FaultCode.MOTION_TIMEOUT,
        ),
    ],
)
@pytest.mark.parametrize("line", [True, False])
def test_what_goes_wrong_is_told_by_the_same_code(
    line: bool, spoil: Spoil, targets: dict[str, float], code: FaultCode
) -> None:
    sim, bench = stood(line=line)
    spoil(sim, bench)
    with pytest.raises(DeviceFault) as told:
        bench.motion.move_to(targets)
    assert told.value.code is code


def test_nothing_moves_after_a_fault_until_homing(direct: tuple[SimBench, Bench]) -> None:
    sim, bench = direct
    bench.motion.home()
    sim.controller.stall()
    for _ in range(2):
        with pytest.raises(DeviceFault) as told:
            bench.motion.move_to({"X": 0.1})
        assert told.value.code is FaultCode.STALLED
    with pytest.raises(DeviceFault) as told:
        bench.motion.positions()
    assert told.value.code is FaultCode.STALLED
    bench.motion.home()
    assert bench.motion.move_to({"X": 0.1})["X"] == pytest.approx(0.1, abs=1e-3)


@pytest.mark.parametrize("line", [True, False])
def test_a_controller_that_has_started_anew_tells_no_positions(line: bool) -> None:
    sim, bench = stood(line=line)
    bench.motion.home()
    bench.motion.move_to({"X": 0.3})
    sim.controller.reset()
    sim.clock.sleep_s(1.0)
    with pytest.raises(DeviceFault) as told:
        bench.motion.positions()
    assert told.value.code is FaultCode.POSITION_LOST


def test_the_shutter_trusts_its_switch(direct: tuple[SimBench, Bench]) -> None:
    sim, bench = direct
    bench.shutter.open()
    assert sim.truth().shutter_open
    bench.shutter.close()
    assert not sim.truth().shutter_open
    sim.controller.stick_shutter("closed")
    with pytest.raises(DeviceFault) as told:
        bench.shutter.open()
    assert told.value.code is FaultCode.SHUTTER_MISMATCH
    sim.controller.stick_shutter(None)
    sim.controller.set_interlock(closed=False)
    with pytest.raises(DeviceFault) as told:
        bench.shutter.open()
    assert told.value.code is FaultCode.INTERLOCK_OPEN


def test_a_shutter_that_falls_is_noticed(direct: tuple[SimBench, Bench]) -> None:
    sim, bench = direct
    bench.shutter.open()
    sim.controller.set_interlock(closed=False)
    sim.clock.sleep_s(1.0)
    assert isinstance(bench.shutter, WatchedShutter)
    with pytest.raises(DeviceFault) as told:
        bench.shutter.require_open()
    assert told.value.code is FaultCode.INTERLOCK_OPEN
