"""Stop, from everywhere and whatever the line does."""

import threading
from collections.abc import Callable
from typing import Any

import pytest
from driver_help import code_of, during_motion

from driver.exchange import Timing
from driver.faults import DeviceFault, FaultCode
from driver.motion import SerialMotion
from driver.phrases import Activity, PhraseTable
from driver.port import open_port


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
