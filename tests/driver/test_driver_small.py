"""Axes, legs, clock, prompt, faults."""

import io
import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from driver.axes import AxisSpec
from driver.clock import SystemClock
from driver.exchange import Timing
from driver.faults import REMEDIES, DeviceFault, FaultCode
from driver.legs import plan_legs
from driver.phrases import PhraseTable
from driver.prompt import PromptLensHandler
from driver.protocols import Clock, LensHandler

X = AxisSpec("X", "mm", -6.0, 6.0, 0.001, "decenter_x", 2.0, 0.002)
A = AxisSpec("A", "deg", -3.0, 3.0, 0.0005, "tilt_x", 1.0, 0.001)
WORD = PhraseTable.named()


# --- axes ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"name": ""}, "letters and digits"),
        ({"name": "1X"}, "letters and digits"),
        ({"name": "X Y"}, "letters and digits"),
        ({"unit": "rad"}, "unit 'rad'"),
        ({"moves": "focus"}, "moves 'focus'"),
        ({"approach_from": "left", "overshoot": 1.0}, "approach_from 'left'"),
        ({"step": math.nan}, "step nan is not finite"),
        ({"travel_max": math.inf}, "travel_max inf"),
        ({"travel_min": 6.0}, "must be below"),
        ({"step": 0.0}, "step 0.0 must be greater"),
        ({"speed_per_s": -1.0}, "speed_per_s"),
        ({"repeatability": -0.1}, "must not be negative"),
        ({"overshoot": -0.1}, "must not be negative"),
        ({"overshoot": 0.1}, "go together"),
        ({"approach_from": "below"}, "go together"),
        ({"approach_from": "below", "overshoot": 12.0}, "less than the travel"),
    ],
)
def test_an_impossible_axis_is_refused(changes: dict[str, Any], named: str):
    with pytest.raises(ValueError, match=named):
        replace(X, **changes)


def test_reach_and_travel():
    below = replace(X, approach_from="below", overshoot=0.5)
    above = replace(X, approach_from="above", overshoot=0.5)
    assert (X.reach_min, X.reach_max) == (-6.0, 6.0)
    assert (below.reach_min, below.reach_max) == (-5.5, 6.0)
    assert (above.reach_min, above.reach_max) == (-6.0, 5.5)
    assert below.reaches(-6.0)
    assert not below.can_end_at(-6.0)
    for value in (math.nan, math.inf, 6.1):
        assert not X.reaches(value)
        assert not X.can_end_at(value)
    assert X.tolerance == pytest.approx(0.003)


# --- legs ------------------------------------------------------------------------------------------

PLACES = st.floats(-5, 5)


@given(PLACES, PLACES, PLACES, PLACES, st.sampled_from(["below", "above", None]), st.integers(-1, 1))
def test_legs_end_at_the_target_and_no_axis_is_too_fast(
    x0: float, a0: float, x1: float, a1: float, side: Any, way: int
):
    axis = replace(X, approach_from=side, overshoot=0.05 if side else 0.0)
    axes = (axis, replace(A, travel_min=-6.0, travel_max=6.0))
    here = {"X": WORD.on_the_line(axis, x0), "A": WORD.on_the_line(axis, a0)}
    legs = plan_legs(axes, WORD, here, {"X": x1, "A": a1}, {"X": way})
    at = dict(here)
    for leg in legs:
        for each in axes:
            if each.name in leg.targets:
                distance = abs(leg.targets[each.name] - at[each.name])
                assert distance <= each.speed_per_s * leg.duration_s * (1 + 1e-9)
        assert leg.feed_per_s > 0
        last_x_way = leg.targets["X"] - at["X"] if "X" in leg.targets else None
        at |= leg.targets
    assert at == {"X": WORD.on_the_line(axis, x1), "A": WORD.on_the_line(axis, a1)}
    assert len(legs) <= (2 if side else 1)
    if side and len(legs) == 2:
        assert last_x_way == pytest.approx(0.05 if side == "below" else -0.05, abs=2e-4)


def test_a_slow_feed_on_the_line_makes_the_leg_longer():
    (leg,) = plan_legs((X, A), WORD, {"X": 0.0, "A": 0.0}, {"X": 0.0001, "A": 3.0}, {})
    # 0.0001 mm within 3 s is 0.002 mm/min.
    assert WORD.write_feed(leg.feed_per_s) == "0.0020"
    assert leg.duration_s == pytest.approx(3.0, rel=0.05)


# --- timing ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("key", ["reply_s", "stop_attempts", "poll_s", "home_s"])
def test_waits_must_be_times(key: str):
    for value in (0, -1.0, math.nan, math.inf):
        with pytest.raises(ValueError, match=f"timing: {key}"):
            Timing(**{key: value})


# --- clock -----------------------------------------------------------------------------------------


def test_the_clock_of_the_machine():
    clock = SystemClock()
    assert isinstance(clock, Clock)
    before_s = clock.now_s()
    clock.sleep_s(0.001)
    assert clock.now_s() > before_s
    for duration_s in (-1.0, math.nan, math.inf):
        with pytest.raises(ValueError, match="cannot wait"):
            clock.sleep_s(duration_s)


# --- prompt ----------------------------------------------------------------------------------------


def test_the_operator_is_asked_with_a_caution():
    said = io.StringIO()
    handler = PromptLensHandler(io.StringIO("\ndone\n"), said, lens="lens 7")
    assert isinstance(handler, LensHandler)
    handler.lens_in()
    handler.lens_out()
    assert "put lens 7 into the mount" in said.getvalue()
    assert "take lens 7 out of the mount" in said.getvalue()
    assert said.getvalue().count("shutter closed") == 2


@pytest.mark.parametrize("answer", ["stop\n", " No \n", "", "q\n"])
def test_an_operator_who_declines_or_is_not_there_is_a_fault(answer: str):
    handler = PromptLensHandler(io.StringIO(answer), io.StringIO())
    with pytest.raises(DeviceFault) as fault:
        handler.lens_in()
    assert fault.value.code is FaultCode.HANDLER_FAILED


def test_a_console_that_fails_is_a_fault():
    closed = io.StringIO()
    closed.close()
    with pytest.raises(DeviceFault, match="the console failed"):
        PromptLensHandler(io.StringIO("\n"), closed).lens_out()


def test_without_streams_the_console_is_asked(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    monkeypatch.setattr("sys.stdin", io.StringIO("\n"))
    PromptLensHandler().lens_in()
    said = capsys.readouterr()
    assert "press Enter" in said.err
    assert said.out == ""


# --- faults ----------------------------------------------------------------------------------------


def test_every_cause_has_a_remedy():
    assert set(REMEDIES) == set(FaultCode)
    assert all(REMEDIES.values())


def test_a_fault_says_everything_in_one_line():
    fault = DeviceFault(FaultCode.STALLED, state="moving", asked="move to X 1", came="STATE FAULT")
    assert str(fault) == (
        "stalled: move to X 1 while moving: STATE FAULT. Remedy: " + REMEDIES[FaultCode.STALLED]
    )
    own = DeviceFault(FaultCode.STALLED, state="s", asked="a", came="c", remedy="kick it")
    assert own.remedy == "kick it"
