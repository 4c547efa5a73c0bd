"""What a person sees: on a terminal, off a terminal, and when asked to do something."""

from __future__ import annotations

import io

import numpy as np
import pytest
from rich.console import Console

from control.messages import Home, Look, Looked, Move
from driver.faults import DeviceFault
from driver.prompt import PromptLensHandler
from station.cautions import CAUTIONS
from station.display import AskedPerson, Display, result_lines
from vision.spots import NoSpot, Reason, Spot, SpotName

SEEN = Looked(
    {
        SpotName.FRONT: Spot(np.array([1.5, -0.25]), np.eye(2), (1.0, 1.0), 1.0),
        SpotName.BACK: NoSpot(Reason.OFF_THE_PLATE),
        SpotName.TRANSMITTED: NoSpot(Reason.NO_LIGHT),
    },
    {},
    1,
    3.0,
)


def display(*, terminal: bool) -> tuple[Display, io.StringIO]:
    out = io.StringIO()
    return Display(Console(file=out, force_terminal=terminal, width=100)), out


@pytest.mark.parametrize("terminal", [False, True])
def test_every_caution_is_shown(terminal: bool) -> None:
    shown, out = display(terminal=terminal)
    shown.cautions()
    words = " ".join(out.getvalue().replace("│", " ").split())
    for caution in CAUTIONS:
        assert " ".join(caution.split()[:6]) in words


def test_off_a_terminal_each_step_is_one_plain_line() -> None:
    shown, out = display(terminal=False)
    with shown:
        shown.acting(Home(), 0.0)
        shown.acting(Look(1, {}, "see [red]where[/red]"), 12.25)
        shown.noticed(SEEN, 13.0)
    rows = out.getvalue().splitlines()
    assert rows == [
        "     0.0 s  homing all axes",
        "    12.2 s  looking: see [red]where[/red]",  # nothing of it is taken as markup
        "    13.0 s  seen: front (+1.500, -0.250) mm, back off the plate, transmitted no light",
    ]


def test_on_a_terminal_the_status_is_live() -> None:
    shown, out = display(terminal=True)
    with shown:
        shown.acting(Move({"X": 1.0}, "test move of axis X"), 1.0)
        shown.noticed(SEEN, 3.0)
        shown.reporting()
    text = out.getvalue()
    assert "writing record and report" in text
    assert "front (+1.500, -0.250) mm" in text
    assert "3.0 s" in text


def test_a_person_is_asked_while_the_live_status_pauses(monkeypatch: pytest.MonkeyPatch) -> None:
    shown, out = display(terminal=True)
    questions = io.StringIO()
    person = AskedPerson(shown, "lens 7")
    handler = PromptLensHandler(io.StringIO("\n\nstop\n"), questions, lens="lens 7")
    monkeypatch.setattr(person, "_prompt", handler)
    with shown:
        person.lens_out()
        person.lens_in()
        with pytest.raises(DeviceFault, match="handler_failed"):
            person.lens_in()
        shown.acting(Home(), 5.0)
    assert questions.getvalue().count("lens 7") == 3
    assert "homing all axes" in out.getvalue()  # it went on afterwards


def test_a_result_is_told_in_a_few_lines() -> None:
    result = {
        "outcome": "timed_out",
        "reason": "80 looks were taken",
        "looks": 80,
        "test_moves": 4,
        "moves": 60,
        "bench_seconds": 400.2,
        "pose": {
            "decenter_um": [3.0, 4.0],
            "tilt_arcsec": [0.0, 6.0],
            "expanded_uncertainty": {"decenter_um": 2.0, "tilt_arcsec": 9.0},
            "coverage_factor": 2.4477,
        },
        "true_pose": {"decenter_um": [0.0, 1.0], "tilt_arcsec": [2.0, 0.0]},
    }
    text = "\n".join(result_lines(result))
    assert text.startswith("TIMED OUT: 80 looks were taken")
    assert "5.0 um (x +3.0, y +4.0), expanded uncertainty 2.0 um (k = 2.45)" in text
    assert "true decentre 1.0 um, true tilt 2.0 arcsec" in text
