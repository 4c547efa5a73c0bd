import math
from typing import Any

import pytest
from driver_help import TABLES, code_of

from driver.axes import AxisSpec
from driver.faults import DeviceFault, FaultCode
from driver.motion import SerialMotion
from driver.phrases import PhraseTable, PhraseTableError
from driver.port import open_port
from driver.protocols import Lamp, Motion, Shutter

# --- the usual way ---------------------------------------------------------------------------------


@pytest.mark.parametrize("table", TABLES)
@pytest.mark.parametrize("kind", ["socket", "pty"])
def test_a_session_over_a_real_stream(
    kind: str, table: str, axes: Any, clock: Any, controllers: Any, far_end: Any
):
    controller = controllers[table]()
    end = far_end(controller, kind)
    motion = SerialMotion(lambda: open_port(end.name), PhraseTable.named(table), axes, clock)
    assert isinstance(motion, Motion)
    assert isinstance(motion.shutter, Shutter)
    assert isinstance(motion.lamp, Lamp)
    assert motion.axis_names == ("X", "Y", "A", "B")
    identity = motion.connect()
    assert identity in ("TEST CONTROLLER", PhraseTable.named(table).title)
    motion.home()
    there = motion.move_to({"X": 1.5, "A": -0.25})
    assert there == {"X": 1.5, "Y": 0.0, "A": -0.25, "B": 0.0}
    assert list(there) == list(motion.axis_names)
    assert motion.move_to({"Y": -2.0}) == {"X": 1.5, "Y": -2.0, "A": -0.25, "B": 0.0}
    assert motion.positions() == controller.mechanics.at
    motion.shutter.open()
    assert controller.mechanics.shutter
    motion.shutter.close()
    assert not controller.mechanics.shutter
    motion.stop()
    motion.close()
    motion.close()
    assert motion.counts.retried == motion.counts.garbled == motion.counts.late == 0


def test_set_up_phrases_go_out_on_connecting(make_rig: Any):
    rig = make_rig(ready=False)
    assert rig.motion.connect() == "TEST CONTROLLER"
    assert rig.controller.heard == ["Q2", "G21", "G90", "Q3"]


def test_a_move_is_written_with_the_feed_that_no_axis_exceeds(rig: Any):
    rig.motion.move_to({"X": 3.0, "Y": -4.0, "A": 0.5})
    # Y takes 2 s at 2 mm/s; the line is 5 mm long: 2.5 mm/s = 150 mm/min.
    assert rig.controller.motions() == ["G01 X3.0000 Y-4.0000 A0.5000 F150.0000"]
    rig.motion.move_to({"A": -0.5})
    assert rig.controller.motions()[1:] == ["G01 A-0.5000 F60.0000"]


def test_an_axis_that_is_there_already_does_not_move(rig: Any):
    rig.motion.move_to({"X": 1.0})
    assert rig.motion.move_to({"X": 1.0, "Y": 0.00001}) == rig.mechanics.at
    assert rig.motion.move_to({}) == rig.mechanics.at
    assert len(rig.controller.motions()) == 1


@pytest.mark.parametrize("table", TABLES)
def test_replies_may_come_byte_by_byte(make_rig: Any, table: str):
    rig = make_rig(table)
    rig.port.piecewise = True
    assert rig.motion.move_to({"X": 1.0})["X"] == 1.0


def test_old_states_left_on_the_line_are_not_believed(make_rig: Any):
    rig = make_rig("comma_steps", ready=False)
    rig.port.piecewise = True
    rig.port.waiting = b"*\r" * 20
    rig.motion.connect()
    assert "halt" not in rig.controller.heard


def test_a_motion_that_goes_on_when_connecting_is_stopped(make_rig: Any):
    rig = make_rig(ready=False)
    rig.mechanics.begin("MOVING", {"X": 1.0})
    rig.mechanics.looks_left = 1000
    rig.motion.connect()
    assert "M00" in rig.controller.heard
    assert rig.mechanics.state == "STOPPED"
    rig.motion.home()
    assert rig.motion.move_to({"X": 1.0})["X"] == 1.0


# --- refused before a byte is sent -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("targets", "code"),
    [
        ({"X": 6.001}, FaultCode.OUT_OF_TRAVEL),
        ({"Y": 0.0, "B": -3.0006}, FaultCode.OUT_OF_TRAVEL),
        ({"X": math.nan}, FaultCode.OUT_OF_TRAVEL),
        ({"X": math.inf}, FaultCode.OUT_OF_TRAVEL),
    ],
)
def test_out_of_reach_is_refused_and_nothing_is_sent(rig: Any, targets: dict[str, float], code: FaultCode):
    before = rig.port.writes
    with pytest.raises(DeviceFault) as fault:
        rig.motion.move_to(targets)
    assert fault.value.code is code
    assert rig.port.writes == before
    # A refusal is no fault: the next move goes.
    assert rig.motion.fault is None
    assert rig.motion.move_to({"X": 6.0})["X"] == 6.0


def test_a_refusal_names_state_limit_and_value(rig: Any):
    with pytest.raises(DeviceFault) as fault:
        rig.motion.move_to({"X": 7.5})
    assert fault.value.state == "ready"
    assert "X 7.5 mm is outside -6 to 6 mm" in fault.value.came
    assert "move to X 7.5" in fault.value.asked


def test_rounding_to_the_line_does_not_carry_over_the_end(make_rig: Any):
    axis = AxisSpec("X", "mm", -6.0, 5.99996, 0.001, "decenter_x", 2.0, 0.002)
    rig = make_rig(axes=(axis,))
    assert code_of(lambda: rig.motion.move_to({"X": 5.99996})) is FaultCode.OUT_OF_TRAVEL
    assert rig.controller.motions() == []


def test_an_unknown_axis_is_a_mistake_in_the_call(rig: Any):
    with pytest.raises(ValueError, match="no axis 'x'; there are X, Y, A, B"):
        rig.motion.move_to({"x": 1.0})
    with pytest.raises(ValueError, match="nearest: A"):
        rig.motion.move_to({"A1": 1.0})


def test_nothing_moves_before_homing(make_rig: Any):
    rig = make_rig(ready=False)
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) is FaultCode.LINE_LOST
    assert code_of(rig.motion.home) is FaultCode.LINE_LOST
    assert rig.port.writes == 0
    rig.mechanics.homed = True
    rig.motion.connect()
    before = rig.port.writes
    # Homed before this connection is not homed: somebody may have turned the screws by hand.
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) is FaultCode.NOT_HOMED
    assert rig.port.writes == before


@pytest.mark.parametrize("table", TABLES)
def test_nothing_moves_while_the_interlock_is_open(make_rig: Any, table: str):
    rig = make_rig(table)
    rig.mechanics.interlock = False
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) is FaultCode.INTERLOCK_OPEN
    assert code_of(rig.motion.home) is FaultCode.INTERLOCK_OPEN
    assert rig.controller.motions() == []
    assert not rig.motion.interlock.is_closed()
    rig.mechanics.interlock = True
    assert rig.motion.interlock.is_closed()
    rig.motion.home()
    rig.motion.move_to({"X": 1.0})


def test_a_table_must_fit_the_axes(clock: Any):
    fine = AxisSpec("X", "mm", -1.0, 1.0, 1e-6, "decenter_x", 1.0, 0.0)
    with pytest.raises(PhraseTableError, match="step of 1e-06"):
        SerialMotion(lambda: open_port("loop://"), PhraseTable.named(), (fine,), clock)


# --- backlash --------------------------------------------------------------------------------------


def backlash_rig(make_rig: Any, side: str) -> Any:
    axis = AxisSpec("X", "mm", -6.0, 6.0, 0.001, "decenter_x", 2.0, 0.002, side, 0.05)
    other = AxisSpec("A", "deg", -3.0, 3.0, 0.0005, "tilt_x", 1.0, 0.001)
    return make_rig(axes=(axis, other))


@pytest.mark.parametrize(("side", "sign"), [("below", 1), ("above", -1)])
def test_the_last_move_always_comes_from_the_same_side(make_rig: Any, side: str, sign: int):
    rig = backlash_rig(make_rig, side)

    def xs(target: float) -> list[float]:
        rig.controller.heard.clear()
        rig.motion.move_to({"X": sign * target, "A": 0.1 * target})
        return [sign * float(words.split()[1][1:]) for words in rig.controller.motions()]

    assert xs(0.02) == [-0.03, 0.02]  # after homing nobody knows from where it came
    assert xs(0.03) == [0.03]  # on in the same way
    assert xs(1.0) == [1.0]
    assert xs(0.5) == [0.45, 0.5]
    assert xs(0.5) == []  # there, and come to from the right side
    assert xs(2.0) == [2.0]
    rig.motion.home()
    assert xs(0.02) == [-0.03, 0.02]  # homing came from where it liked


def test_a_long_way_from_the_right_side_takes_the_backlash_up_by_itself(make_rig: Any):
    rig = backlash_rig(make_rig, "below")
    rig.motion.move_to({"X": 1.0})
    assert rig.controller.motions() == ["G01 X1.0000 F120.0000"]


def test_a_target_that_is_there_but_from_nobody_knows_where_is_come_to_again(make_rig: Any):
    rig = backlash_rig(make_rig, "below")
    rig.motion.move_to({"X": 0.0, "A": 1.0})
    assert [words.split(" F")[0] for words in rig.controller.motions()] == [
        "G01 X-0.0500 A1.0000",
        "G01 X0.0000",
    ]


def test_the_room_for_the_approach_must_be_inside_the_travel(make_rig: Any):
    rig = backlash_rig(make_rig, "below")
    assert code_of(lambda: rig.motion.move_to({"X": -5.96})) is FaultCode.OUT_OF_TRAVEL
    rig.motion.move_to({"X": -5.95})
    assert rig.mechanics.at["X"] == -5.95
