from typing import Any

import pytest
from driver_help import code_of

from driver.exchange import Timing
from driver.faults import DeviceFault, FaultCode
from driver.phrases import PhraseTable

TABLES = ("word_address", "comma_steps")


def without(*requests: str, interlock: str = "reported") -> PhraseTable:
    mapping = PhraseTable.named().model_dump(exclude_none=True)
    for request in requests:
        del mapping["requests"][request]
    mapping["interlock"] = interlock
    if interlock != "reported":
        state = mapping["states"][0]
        state["reply"] = state["reply"].replace("?P<interlock>", "?:")
    return PhraseTable.from_mapping(mapping)


@pytest.mark.parametrize("table", TABLES)
def test_the_shutter_opens_and_closes(make_rig: Any, table: str):
    rig = make_rig(table)
    rig.motion.shutter.open()
    assert rig.motion.shutter.is_open()
    rig.motion.shutter.close()
    rig.motion.shutter.close()
    assert not rig.motion.shutter.is_open()


@pytest.mark.parametrize("table", TABLES)
def test_it_is_not_even_told_to_open_while_the_interlock_is_open(make_rig: Any, table: str):
    rig = make_rig(table)
    rig.mechanics.interlock = False
    assert code_of(rig.motion.shutter.open) is FaultCode.INTERLOCK_OPEN
    assert not any(words in ("M21", "beam,open") for words in rig.controller.heard)
    # Refused, not failed.
    assert rig.motion.fault is None


def test_an_interlock_that_opens_just_then_is_a_fault_and_the_shutter_is_closed(rig: Any):
    def open_door(words: str, reply: bytes) -> bytes:
        if words == "M21":
            rig.mechanics.interlock = rig.mechanics.shutter = False
        return reply

    rig.controller.spoil = open_door
    assert code_of(rig.motion.shutter.open) is FaultCode.INTERLOCK_OPEN
    assert "M22" in rig.controller.heard


def test_a_controller_that_refuses_to_open_because_of_the_interlock(rig: Any):
    looks: list[int] = []

    def after_the_look(m: Any) -> None:
        looks.append(1)

    rig.mechanics.on_look = after_the_look
    rig.controller.spoil = lambda words, reply: (setattr(rig.mechanics, "interlock", False), reply)[1]
    assert code_of(rig.motion.shutter.open) is FaultCode.INTERLOCK_OPEN
    assert rig.controller.heard[:2] == ["Q2", "M21"]


@pytest.mark.parametrize("table", TABLES)
def test_a_shutter_stuck_closed_is_told_to_close_again(make_rig: Any, table: str):
    rig = make_rig(table)
    rig.mechanics.shutter_stuck = False
    start_s = rig.clock.time_s
    assert code_of(rig.motion.shutter.open) is FaultCode.SHUTTER_MISMATCH
    assert rig.clock.time_s - start_s < Timing().shutter_s + 0.3
    assert not rig.mechanics.shutter
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) is FaultCode.SHUTTER_MISMATCH


def test_a_shutter_stuck_open_says_to_switch_the_laser_off(rig: Any):
    rig.mechanics.shutter_stuck = True
    with pytest.raises(DeviceFault) as fault:
        rig.motion.shutter.close()
    assert fault.value.code is FaultCode.SHUTTER_MISMATCH
    assert "switch the laser off" in fault.value.remedy
    assert "SHUTTER 1" in fault.value.came


def test_a_blade_that_takes_its_time(rig: Any):
    rig.mechanics.shutter_stuck = False
    looks: list[int] = []

    def swing(m: Any) -> None:
        looks.append(1)
        if len(looks) == 5:
            m.shutter_stuck = None

    rig.mechanics.on_look = swing
    rig.motion.shutter.open()
    assert rig.mechanics.shutter


def test_close_is_sent_until_it_is_acknowledged(rig: Any):
    rig.motion.shutter.open()
    rig.controller.heard.clear()
    answers = [b"", b"ga\x00rbage\n"]
    rig.controller.spoil = lambda words, reply: answers.pop(0) if words == "M22" and answers else reply
    rig.port.waiting = b"old garbage"
    rig.motion.shutter.close()
    assert rig.controller.heard.count("M22") == 3
    assert not rig.mechanics.shutter


def test_close_works_after_a_fault_and_in_mid_motion(rig: Any):
    rig.motion.shutter.open()
    rig.mechanics.on_look = lambda m: setattr(m, "state", "FAULT")
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) is FaultCode.STALLED
    rig.motion.shutter.close()
    assert not rig.mechanics.shutter


def test_close_on_a_dead_line_is_bounded_and_says_so(rig: Any):
    rig.motion.shutter.open()
    rig.controller.spoil = lambda words, reply: b""
    start_s = rig.clock.time_s
    assert code_of(rig.motion.shutter.close) is FaultCode.NO_REPLY
    assert rig.clock.time_s - start_s < Timing().stop_attempts * Timing().stop_reply_s + 0.1


def test_close_opens_a_lost_line_once_more(rig: Any):
    rig.motion.shutter.open()
    rig.motion._controller.line.close()
    rig.motion.shutter.close()
    assert not rig.mechanics.shutter


def test_close_before_the_line_was_ever_open_cannot_promise_anything(make_rig: Any):
    rig = make_rig(ready=False)
    with pytest.raises(DeviceFault, match="never opened") as fault:
        rig.motion.shutter.close()
    assert "switch the laser off" in fault.value.remedy


def test_a_failed_open_whose_close_fails_too_tells_both(rig: Any):
    rig.controller.spoil = lambda words, reply: b"" if words in ("M21", "M22") else reply
    with pytest.raises(DeviceFault) as fault:
        rig.motion.shutter.open()
    assert fault.value.code is FaultCode.NO_REPLY
    assert any("close the shutter" in note for note in fault.value.__notes__)


def test_an_interrupt_while_it_opens_closes_it(rig: Any):
    def interrupt() -> None:
        rig.clock.on_sleep = lambda: None
        raise KeyboardInterrupt

    rig.mechanics.shutter_stuck = False
    rig.clock.on_sleep = interrupt
    with pytest.raises(KeyboardInterrupt):
        rig.motion.shutter.open()
    assert "M22" in rig.controller.heard


def test_an_interlock_that_is_not_on_this_line_is_left_to_the_hardware(make_rig: Any):
    rig = make_rig(without(interlock="not_on_this_line"))
    rig.mechanics.interlock = True
    rig.motion.shutter.open()
    assert rig.mechanics.shutter
    # But nobody is told that it is closed.
    assert not rig.motion.interlock.is_closed()


def test_a_table_without_shutter_or_lamp_says_so(make_rig: Any):
    rig = make_rig(without("shutter_open", "shutter_closed", "lamp_on", "lamp_off"))
    before = rig.port.writes
    for call in (rig.motion.shutter.open, rig.motion.shutter.close, rig.motion.lamp.on, rig.motion.lamp.off):
        with pytest.raises(DeviceFault, match=r"has no (shutter|lamp)") as fault:
            call()
        assert fault.value.code is FaultCode.REFUSED_BY_CONTROLLER
    assert rig.port.writes == before
    rig.controller.spoil = lambda words, reply: b""
    assert code_of(rig.motion.stop) is FaultCode.NO_REPLY
    assert set(rig.controller.heard) == {"M00"}


def test_the_lamp(rig: Any):
    rig.motion.lamp.on()
    assert rig.mechanics.lamp
    rig.motion.lamp.off()
    assert not rig.mechanics.lamp
    rig.mechanics.lamp_works = False
    assert code_of(rig.motion.lamp.on) is FaultCode.LAMP_MISMATCH


def test_a_lamp_that_the_state_does_not_tell_is_believed(make_rig: Any):
    mapping = PhraseTable.named().model_dump(exclude_none=True)
    mapping["states"][0]["reply"] = mapping["states"][0]["reply"].replace("?P<lamp>", "?:")
    rig = make_rig(PhraseTable.from_mapping(mapping))
    rig.mechanics.lamp_works = False
    rig.motion.lamp.on()


def test_a_shutter_that_closes_by_itself_while_it_is_needed_open(rig: Any):
    rig.motion.shutter.open()
    rig.motion.shutter.require_open()
    rig.mechanics.shutter = False
    assert code_of(rig.motion.shutter.require_open) is FaultCode.SHUTTER_MISMATCH
    assert code_of(rig.motion.shutter.open) is FaultCode.SHUTTER_MISMATCH


def test_stop_and_close_work_on_a_controller_that_lost_its_home(rig: Any):
    rig.motion.shutter.open()
    rig.mechanics.reset()
    rig.motion.shutter.close()
    rig.motion.stop()
    assert not rig.mechanics.shutter
    # But it is noticed.
    assert code_of(lambda: rig.motion.move_to({"X": 1.0})) is FaultCode.POSITION_LOST
