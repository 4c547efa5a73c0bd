import math
import threading
from collections.abc import Callable
from typing import Any

import pytest

from driver.axes import AxisSpec
from driver.exchange import Timing
from driver.faults import DeviceFault, FaultCode
from driver.motion import SerialMotion
from driver.phrases import Activity, PhraseTable, PhraseTableError
from driver.port import open_port
from driver.protocols import Lamp, Motion, Shutter

TABLES = ("word_address", "comma_steps")


def code_of(call: Callable[[], object]) -> FaultCode:
    with pytest.raises(DeviceFault) as fault:
        call()
    return fault.value.code


def variant(name: str = "word_address", **parts: dict[str, Any]) -> PhraseTable:
    """A table with some keys changed."""
    table = PhraseTable.named(name).model_dump(exclude_none=True)
    for part, changes in parts.items():
        for key, value in changes.items():
            if value is None:
                table[part].pop(key)
            else:
                table[part][key] = value
    return PhraseTable.from_mapping(table)


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
    axis = AxisSpec("X", "mm", -6.0, 6.0, 0.001, "decenter_x", 2.0, 0.002, side, 0.05)  # type: ignore[arg-type]  # a str
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


# --- faults of a motion ----------------------------------------------------------------------------


def during_motion(change: Callable[[Any], None]) -> Callable[[Any], None]:
    """What the far end does at the second look at a motion."""

    def on_look(mechanics: Any) -> None:
        if mechanics.state in ("MOVING", "HOMING") and mechanics.looks_left == 1:
            change(mechanics)

    return on_look


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


def never_arrives(m: Any) -> None:
    m.looks_left = 10**9


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


# --- stop ------------------------------------------------------------------------------------------


def test_stop_at_rest_needs_no_new_homing(rig: Any):
    rig.motion.stop()
    rig.motion.stop()
    assert rig.motion.move_to({"X": 1.0})["X"] == 1.0


def test_stop_before_the_line_was_open_and_after_close_does_nothing(make_rig: Any):
    rig = make_rig(ready=False)
    rig.motion.stop()
    rig.motion.connect()
    rig.motion.close()
    before = rig.port.writes
    rig.motion.stop()
    assert rig.port.writes == before
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) is FaultCode.LINE_LOST


def test_stop_from_elsewhere_ends_a_move(rig: Any):
    rig.mechanics.on_look = during_motion(lambda m: setattr(rig.clock, "on_sleep", rig.motion.stop))
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) is FaultCode.MOTION_STOPPED
    rig.clock.on_sleep = rig.mechanics.on_look = lambda *_: None
    assert rig.mechanics.state == "STOPPED"
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) is FaultCode.MOTION_STOPPED
    rig.motion.home()
    rig.motion.move_to({"X": 1.0})


def test_stop_from_another_thread_just_before_the_move_goes_out_keeps_it_in(rig: Any):
    asked = rig.motion._stops
    stopper = threading.Thread(target=rig.motion.stop)

    def stop_meanwhile(words: str, reply: bytes) -> bytes:
        if words == "Q1" and not stopper.ident:
            stopper.start()
            # It waits for the line from here on; that it was asked for must be seen all the same.
            for _ in range(1000):
                if rig.motion._stops != asked:
                    break
                stopper.join(0.005)
        return reply

    rig.controller.spoil = stop_meanwhile
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) is FaultCode.MOTION_STOPPED
    stopper.join()
    assert rig.controller.motions() == []
    assert "M00" in rig.controller.heard


def test_an_interrupt_stops_the_motion_and_goes_on(rig: Any):
    def interrupt() -> None:
        raise KeyboardInterrupt

    rig.clock.on_sleep = interrupt
    rig.mechanics.looks_per_motion = 5
    sleep = rig.clock.on_sleep
    with pytest.raises(KeyboardInterrupt):
        rig.motion.move_to({"X": 1.0})
    assert sleep is interrupt
    assert "M00" in rig.controller.heard
    assert rig.mechanics.state == "STOPPED"
    rig.clock.on_sleep = lambda: None
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) is FaultCode.MOTION_STOPPED


def test_close_in_motion_stops_first(rig: Any):
    rig.motion._controller.in_motion = True
    rig.motion.close()
    assert rig.controller.heard[0] == "M00"
    assert rig.port.closed == 1


def test_stop_is_sent_again_until_it_is_acknowledged(rig: Any):
    answers = [b"", b"garbage\n", b"ok\n"]
    rig.controller.spoil = lambda words, reply: answers.pop(0) if words == "M00" and answers else reply
    rig.port.waiting = b"old garbage without an end"
    rig.motion.stop()
    assert rig.controller.heard.count("M00") == 4


def test_a_stop_that_nobody_answers_closes_the_port_as_second_path(make_rig: Any):
    cut: list[str] = []
    rig = make_rig(second_stop=lambda: cut.append("power"))
    rig.controller.spoil = lambda words, reply: b""
    start_s = rig.clock.time_s
    with pytest.raises(DeviceFault) as fault:
        rig.motion.stop()
    assert fault.value.code is FaultCode.NO_REPLY
    assert "not known that motion has stopped" in fault.value.came
    assert "emergency stop" in fault.value.remedy
    assert cut == ["power"]
    assert rig.port.closed == 1
    assert rig.clock.time_s - start_s < Timing().stop_attempts * Timing().stop_reply_s + 0.1
    # The last words: stop and shutter closed, though nobody answers.
    assert rig.controller.heard[-2:] == ["M00", "M22"]


def test_a_line_that_breaks_at_the_last_words_is_no_further_trouble(rig: Any):
    rig.controller.spoil = lambda words, reply: b""

    def break_at_the_end(call: str) -> None:
        if rig.controller.heard.count("M00") == Timing().stop_attempts and call == "write":
            raise DeviceFault(FaultCode.LINE_LOST, state="open", asked=call, came="unplugged")

    rig.port.before = break_at_the_end
    with pytest.raises(DeviceFault) as fault:
        rig.motion.stop()
    assert fault.value.code is FaultCode.NO_REPLY
    assert rig.port.closed == 1


def test_a_controller_that_acknowledges_stop_and_goes_on(rig: Any):
    rig.mechanics.begin("MOVING", {"X": 1.0})
    rig.mechanics.looks_left = 10**9
    rig.mechanics.stop = lambda: None
    with pytest.raises(DeviceFault) as fault:
        rig.motion.stop()
    assert fault.value.code is FaultCode.MOTION_TIMEOUT
    assert rig.port.closed == 1


def test_a_fault_whose_stop_fails_too_tells_both(rig: Any):
    rig.mechanics.on_look = during_motion(
        lambda m: setattr(rig.controller, "spoil", lambda words, reply: b"")
    )
    with pytest.raises(DeviceFault) as fault:
        rig.motion.move_to({"X": 1.0})
    assert fault.value.code is FaultCode.NO_REPLY
    assert any("not known that motion has stopped" in note for note in fault.value.__notes__)
    # Whoever asks again is told again.
    assert code_of(rig.motion.stop) is FaultCode.NO_REPLY


def dead_from(rig: Any, calls: int) -> Callable[[str], None]:
    left = [calls]

    def before(call: str) -> None:
        left[0] -= 1
        if left[0] < 0:
            raise DeviceFault(FaultCode.LINE_LOST, state="open", asked=call, came="unplugged")

    return before


def test_a_line_that_dies_at_any_call_ends_every_motion_with_its_name(make_rig: Any):
    rig, seen = make_rig(), list[str]()
    rig.port.before = seen.append
    rig.motion.move_to({"X": 1.0})
    assert len(seen) > 15
    for calls in range(len(seen)):
        rig = make_rig(reopens=False)
        rig.port.before = dead_from(rig, calls)
        assert code_of(lambda rig=rig: rig.motion.move_to({"X": 1.0})) is FaultCode.LINE_LOST
        assert code_of(rig.motion.stop) is FaultCode.LINE_LOST
        assert code_of(rig.motion.home) is FaultCode.LINE_LOST
        assert code_of(rig.motion.connect) is FaultCode.LINE_LOST


def test_a_line_that_comes_back_is_opened_again_for_the_stop(rig: Any):
    def once(call: str) -> None:
        rig.port.before = lambda call: None
        raise DeviceFault(FaultCode.LINE_LOST, state="open", asked=call, came="unplugged")

    rig.mechanics.on_look = during_motion(lambda m: setattr(rig.port, "before", once))
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) is FaultCode.LINE_LOST
    rig.mechanics.on_look = lambda m: None
    assert rig.port.closed == 1  # what failed is not taken for a live line
    assert rig.mechanics.state == "STOPPED"
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) is FaultCode.LINE_LOST
    rig.motion.connect()
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) is FaultCode.LINE_LOST
    rig.motion.home()
    assert rig.motion.move_to({"X": 1.0})["X"] == 1.0


@pytest.mark.parametrize("kind", ["socket", "pty"])
def test_a_far_end_that_hangs_up_in_mid_motion(
    kind: str, axes: Any, clock: Any, controllers: Any, far_end: Any
):
    controller = controllers["word_address"]()
    end = far_end(controller, kind)
    port = open_port(end.name)
    timing = Timing(reply_s=0.2, stop_reply_s=0.05, attempts=2)
    motion = SerialMotion(port, PhraseTable.named(), axes, clock, timing=timing)
    motion.connect()
    motion.home()
    controller.mechanics.looks_per_motion = 10**9
    controller.mechanics.on_look = lambda m: end.hang_up() if m.state == "MOVING" else None
    fault = code_of(lambda: motion.move_to({"X": 1.0}))
    # A pty may fall silent before it is seen to be gone.
    assert fault in (FaultCode.LINE_LOST, FaultCode.NO_REPLY)
    assert code_of(motion.stop) in (FaultCode.LINE_LOST, FaultCode.NO_REPLY)
    motion.close()


def test_states_are_told_as_they_are(rig: Any):
    assert rig.motion.state().activity is Activity.IDLE
