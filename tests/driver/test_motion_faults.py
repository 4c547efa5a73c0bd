"""Faults in the middle of a motion, and motions whose end is acknowledged late or never."""

from typing import Any

import pytest
from driver_help import code_of, during_motion, never_arrives, variant

from driver.exchange import Timing
from driver.faults import DeviceFault, FaultCode


def limit(m: Any) -> None:
    m.state, m.limit = "FAULT", True


def limit_while_moving(m: Any) -> None:
    m.limit = True


def stall(m: Any) -> None:
    m.state = "FAULT"


def open_door(m: Any) -> None:
    m.interlock = False


def reset(m: Any) -> None:
    m.reset()


def stopped_by_hand(m: Any) -> None:
    m.state = "STOPPED"


def slip(m: Any) -> None:
    m.lost = {"X": 0.01}


def slip_of_another(m: Any) -> None:
    m.lost = {"Y": 0.01}


MOTION_FAULTS = [
    (limit, FaultCode.LIMIT_SWITCH),
    (limit_while_moving, FaultCode.LIMIT_SWITCH),
    (stall, FaultCode.STALLED),
    (open_door, FaultCode.INTERLOCK_OPEN),
    (reset, FaultCode.POSITION_LOST),
    (stopped_by_hand, FaultCode.MOTION_STOPPED),
    (never_arrives, FaultCode.MOTION_TIMEOUT),
    (slip, FaultCode.POSITION_MISMATCH),
    (slip_of_another, FaultCode.POSITION_MISMATCH),
]


@pytest.mark.parametrize(("change", "code"), MOTION_FAULTS)
def test_a_fault_in_motion_stops_latches_and_needs_homing(rig: Any, change: Any, code: FaultCode):
    rig.mechanics.on_look = during_motion(change)
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) is code
    assert "M00" in rig.controller.heard
    assert rig.mechanics.state != "MOVING"
    rig.mechanics.on_look = lambda m: None
    # Latched: the same cause is told again and not a byte is sent.
    before = rig.port.writes
    with pytest.raises(DeviceFault) as again:
        rig.motion.move_to({"X": 0.5})
    assert again.value.state == f"at rest, stopped by {code.value}"
    assert again.value.code is code
    assert "earlier fault" in again.value.came
    assert rig.port.writes == before
    assert rig.motion.fault is not None
    # Homing ends it.
    rig.mechanics.interlock, rig.mechanics.lost = True, {}
    rig.mechanics.limit = False
    rig.motion.home()
    assert rig.motion.fault is None
    assert rig.motion.move_to({"X": 0.5})["X"] == 0.5


@pytest.mark.parametrize(
    ("change", "code"),
    [
        (limit, FaultCode.LIMIT_SWITCH),
        (stall, FaultCode.STALLED),
        (open_door, FaultCode.INTERLOCK_OPEN),
        (reset, FaultCode.NOT_HOMED),
        (stopped_by_hand, FaultCode.MOTION_STOPPED),
        (never_arrives, FaultCode.MOTION_TIMEOUT),
    ],
)
def test_a_fault_in_homing(rig: Any, change: Any, code: FaultCode):
    rig.mechanics.on_look = during_motion(change)
    assert code_of(rig.motion.home) is code
    assert "M00" in rig.controller.heard
    before = len(rig.controller.motions())
    assert code_of(lambda: rig.motion.move_to({"X": 0.5})) is code
    assert len(rig.controller.motions()) == before


def test_a_limit_switch_pressed_after_homing(rig: Any):
    rig.mechanics.on_look = lambda m: setattr(m, "limit", m.state == "IDLE" and m.homed)
    assert code_of(rig.motion.home) is FaultCode.LIMIT_SWITCH


def test_deadlines_follow_distance_and_speed(rig: Any):
    rig.mechanics.on_look = during_motion(never_arrives)
    start_s = rig.clock.time_s
    code_of(lambda: rig.motion.move_to({"X": 4.0}))
    timing = Timing()
    # 4 mm at 2 mm/s.
    assert rig.clock.time_s - start_s == pytest.approx(2.0 * timing.margin + timing.constant_s, abs=0.2)


def test_a_move_may_have_a_bound_of_its_own(make_rig: Any):
    rig = make_rig(timing=Timing(move_s=0.5, home_s=9.0))
    rig.mechanics.on_look = during_motion(never_arrives)
    start_s = rig.clock.time_s
    code_of(lambda: rig.motion.move_to({"X": 4.0}))
    assert rig.clock.time_s - start_s == pytest.approx(0.5, abs=0.2)
    start_s = rig.clock.time_s
    code_of(rig.motion.home)
    assert rig.clock.time_s - start_s == pytest.approx(9.0, abs=0.2)


def test_a_clock_that_stands_still_cannot_keep_a_move(rig: Any):
    rig.mechanics.on_look = during_motion(never_arrives)
    at_s = rig.clock.time_s
    rig.clock.on_sleep = lambda: setattr(rig.clock, "time_s", at_s)
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) is FaultCode.MOTION_TIMEOUT


def test_looks_that_take_long_count_too(rig: Any):
    start_s = rig.clock.time_s

    def slow_look(m: Any) -> None:
        rig.clock.time_s += 0.5
        m.looks_left = 10**9

    rig.mechanics.on_look = slow_look
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) is FaultCode.MOTION_TIMEOUT
    assert rig.clock.time_s - start_s < 1.5 * (0.5 * Timing().margin + Timing().constant_s) + 2


def test_a_controller_that_forgot_its_home_between_moves(rig: Any):
    rig.motion.move_to({"X": 1.0})
    rig.mechanics.reset()
    assert code_of(lambda: rig.motion.move_to({"X": 0.5})) is FaultCode.POSITION_LOST
    assert len(rig.controller.motions()) == 1


def test_before_homing_any_position_is_told(make_rig: Any):
    rig = make_rig(ready=False)
    rig.motion.connect()
    rig.mechanics.at["X"] = 0.5
    assert rig.motion.positions()["X"] == 0.5


def test_positions_of_a_controller_that_has_started_anew_are_not_told(rig: Any):
    rig.motion.move_to({"X": 1.0})
    rig.mechanics.reset()
    assert code_of(rig.motion.positions) is FaultCode.POSITION_LOST
    assert code_of(rig.motion.positions) is FaultCode.POSITION_LOST  # and after the fault nor either
    rig.motion.home()
    assert rig.motion.positions() == dict.fromkeys("XYAB", 0.0)


def test_a_controller_that_refuses_because_it_forgot_its_home(rig: Any):
    def spoil(words: str, reply: bytes) -> bytes:
        return rig.controller.seal("N" + words_number(rig) + " ERR03 NOT HOMED") if "G01" in words else reply

    rig.controller.spoil = spoil
    assert code_of(lambda: rig.motion.move_to({"X": 0.5})) is FaultCode.POSITION_LOST


def words_number(rig: Any) -> str:
    return str(rig.motion.counts.requests)


@pytest.mark.parametrize(
    ("words", "code"),
    [
        ("ERR04 OUT OF TRAVEL", FaultCode.OUT_OF_TRAVEL),
        ("ERR05 BUSY", FaultCode.REFUSED_BY_CONTROLLER),
        ("ERR06 INTERLOCK OPEN", FaultCode.INTERLOCK_OPEN),
        ("ERR07 LIMIT", FaultCode.LIMIT_SWITCH),
        ("ERR08 STALLED", FaultCode.STALLED),
        ("ERR01 CHECK", FaultCode.REPLY_GARBLED),
        ("ERR02 WHAT", FaultCode.REFUSED_BY_CONTROLLER),
        ("ERR77 NO", FaultCode.REFUSED_BY_CONTROLLER),
    ],
)
def test_a_refusal_of_the_controller_has_its_code(rig: Any, words: str, code: FaultCode):
    def spoil(asked: str, reply: bytes) -> bytes:
        return rig.controller.seal(f"N{words_number(rig)} {words}") if "G01" in asked else reply

    rig.controller.spoil = spoil
    with pytest.raises(DeviceFault) as fault:
        rig.motion.move_to({"X": 0.5})
    assert fault.value.code is code
    assert words in fault.value.came


def test_an_axis_moved_by_hand_is_noticed_before_the_next_move(make_rig: Any):
    # This tongue has no word for "homed"; the positions give a restart away.
    rig = make_rig("comma_steps")
    rig.motion.move_to({"X": 1.0})
    rig.mechanics.at["X"] = 0.0
    assert code_of(lambda: rig.motion.move_to({"Y": 0.5})) is FaultCode.POSITION_LOST
    assert len(rig.controller.motions()) == 1


def test_a_busy_controller_is_not_told_to_move(rig: Any):
    rig.mechanics.begin("MOVING", {"X": 1.0})
    rig.mechanics.looks_left = 100
    assert code_of(lambda: rig.motion.move_to({"X": 0.5})) is FaultCode.REFUSED_BY_CONTROLLER
    assert rig.controller.motions() == []


def test_a_mount_that_settles_late_has_arrived(rig: Any):
    rig.mechanics.lost = {"X": 0.01}
    looks: list[int] = []

    def settle(m: Any) -> None:
        if m.at["X"] == 1.01:
            looks.append(1)
            if len(looks) == 3:
                m.at["X"] = 1.0

    rig.mechanics.on_look = settle
    assert rig.motion.move_to({"X": 1.0})["X"] == 1.0


def test_homing_may_be_confirmed_a_little_late(rig: Any):
    looks: list[int] = []

    def late(m: Any) -> None:
        if m.state == "IDLE" and len(looks) < 3:
            looks.append(1)
            m.homed = len(looks) == 3

    rig.motion.move_to({"X": 1.0})
    rig.mechanics.on_look = during_motion(lambda m: setattr(rig.mechanics, "on_look", late))
    rig.motion.home()
    rig.motion.move_to({"X": 1.0})


# --- acknowledgement at the end, or none -----------------------------------------------------------


class LateAnswers:
    """Holds back the answers to motions until the motion has ended."""

    def __init__(self, rig: Any, after_reads: int) -> None:
        self.rig, self.after_reads = rig, after_reads
        self.held: list[bytes] = []
        rig.controller.spoil = self.hold
        rig.port.before = self.count

    def hold(self, words: str, reply: bytes) -> bytes:
        if words.startswith(("G28", "G01", "go", "find")):
            self.held = [reply]
            return b""
        return reply

    def count(self, call: str) -> None:
        if call == "read" and self.held:
            self.after_reads -= 1
            if self.after_reads == 0:
                self.rig.port.waiting += self.held.pop()
                self.rig.mechanics.arrive()


def test_a_move_that_is_acknowledged_at_its_end(make_rig: Any):
    table = variant(motion={"acknowledged_at": "end", "homing_acknowledged_at": "end"})
    rig = make_rig(table, ready=False)
    rig.motion.connect()
    LateAnswers(rig, 12)
    rig.motion.home()
    LateAnswers(rig, 12)
    assert rig.motion.move_to({"X": 1.0})["X"] == 1.0
    assert rig.clock.sleeps > 10


def test_an_end_that_is_never_acknowledged(make_rig: Any):
    table = variant(motion={"acknowledged_at": "end"})
    rig = make_rig(table)
    LateAnswers(rig, 10**9)
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) is FaultCode.NO_REPLY
    assert "M00" in rig.controller.heard


def test_a_controller_that_acknowledges_nothing(make_rig: Any):
    table = variant("comma_steps", replies={"acknowledge": None}, motion={"homing_acknowledged_at": "start"})
    rig = make_rig(table, ready=False)
    rig.controller.spoil = lambda words, reply: b"" if reply == b"ok\r" else reply
    rig.motion.connect()
    rig.motion.home()
    assert rig.motion.move_to({"X": 1.0})["X"] == 1.0
    rig.motion.shutter.open()
    rig.motion.shutter.close()
    rig.motion.stop()
    assert rig.controller.heard.count("halt") == 1
