"""What a person sees while a run goes on: a live status on a terminal, one line a step elsewhere.

Everything goes to standard error, so that standard output carries the result and nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Self

from rich.console import Console, Group
from rich.live import Live
from rich.panel import Panel
from rich.spinner import Spinner
from rich.table import Table
from rich.text import Text

from control.messages import (
    Action,
    Finish,
    Home,
    HomeAgain,
    Look,
    Looked,
    MapPlates,
    Move,
    Observation,
    PutLensIn,
    RecordBareBeam,
    SwitchOutput,
    TakeLensOut,
    Wait,
)
from driver.prompt import PromptLensHandler
from station.cautions import CAUTIONS
from vision.spots import Spot, SpotName

_DOING: dict[type[Any], str] = {
    Home: "homing all axes",
    HomeAgain: "homing all axes again, to see whether steps were lost",
    MapPlates: "mapping both plates",
    TakeLensOut: "taking the lens out",
    RecordBareBeam: "recording the bare beam",
    PutLensIn: "putting the lens in",
    Finish: "stopping motion, closing the shutter",
}
_VERBS: dict[type[Any], str] = {
    Move: "moving",
    Look: "looking",
    SwitchOutput: "switching",
    Wait: "waiting",
}


def doing(action: Action) -> str:
    """Say in a few words what an action does."""
    if isinstance(action, Move | Look | SwitchOutput | Wait):
        return f"{_VERBS[type(action)]}: {action.why}"
    return _DOING[type(action)]


def seen_words(observation: Looked) -> str:
    """Say in one line where the spots were seen, in bench coordinates."""
    parts = []
    for name in SpotName:
        sighting = observation.sightings.get(name)
        if isinstance(sighting, Spot):
            x_mm, y_mm = sighting.center_mm
            parts.append(f"{name.value} ({x_mm:+.3f}, {y_mm:+.3f}) mm")
        elif sighting is not None:
            parts.append(f"{name.value} {sighting.reason.value.replace('_', ' ')}")
    return ", ".join(parts)


class StandardError(Console):
    """The terminal, or whatever standard error leads to; when nobody reads it any more it falls silent.

    The library's own answer to that is to end the program, which must not happen while an axis moves.
    """

    def __init__(self, **options: Any) -> None:
        super().__init__(**{"stderr": True, "highlight": False, **options})

    def on_broken_pipe(self) -> None:
        """Say nothing more."""
        self.quiet = True


class Display:
    """Shows cautions, progress and the result.

    Parameters
    ----------
    console : rich.console.Console
        Writes to standard error.
    """

    def __init__(self, console: Console) -> None:
        self._console = console
        self._doing = "connecting"
        self._seen = ""
        self._bench_s = 0.0
        self._looks = self._moves = 0
        self._spinner = Spinner("line")
        self._live: Live | None = None

    def __enter__(self) -> Self:
        if self._console.is_terminal:
            self._live = Live(
                get_renderable=self._status, console=self._console, refresh_per_second=8, transient=True
            )
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None

    def cautions(self) -> None:
        """Show the cautions; called before the first motion."""
        if self._console.is_terminal:
            text = "\n".join(f"- {line}" for line in CAUTIONS)
            self._console.print(Panel(text, title="Cautions", border_style="yellow"))
        else:
            for line in CAUTIONS:
                self._line(f"caution: {line}")

    def acting(self, action: Action, bench_s: float) -> None:
        """Show what is being done from now on."""
        self._doing, self._bench_s = doing(action), bench_s
        self._moves += isinstance(action, Move)
        if self._live is None:
            self._line(f"{bench_s:8.1f} s  {self._doing}")

    def noticed(self, observation: Observation, bench_s: float) -> None:
        """Show what came of it."""
        self._bench_s = bench_s
        if isinstance(observation, Looked):
            self._looks += 1
            self._seen = seen_words(observation)
            if self._live is None:
                self._line(f"{bench_s:8.1f} s  seen: {self._seen}")

    def reporting(self) -> None:
        """Show that the run has ended and its report is being written."""
        self._doing = "writing record and report"

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Take the live status off the terminal, for somebody else to write and to be answered."""
        live, self._live = self._live, None
        if live is not None:
            live.stop()
        try:
            yield
        finally:
            if live is not None:
                live.start()
                self._live = live

    def _line(self, text: str) -> None:
        self._console.print(Text(text), soft_wrap=True)

    def _status(self) -> Group:
        table = Table.grid(padding=(0, 2))
        table.add_row("bench time", f"{self._bench_s:.1f} s")
        table.add_row("looks, moves", f"{self._looks}, {self._moves}")
        table.add_row("last seen", self._seen or "nothing yet")
        self._spinner.update(text=Text(self._doing))
        return Group(self._spinner, table)


class AskedPerson:
    """The lens-in / lens-out step by a person, asked between two pictures of the display.

    Parameters
    ----------
    display : Display
    lens : str
        What to call the lens.
    """

    def __init__(self, display: Display, lens: str) -> None:
        self._display = display
        self._prompt = PromptLensHandler(lens=lens)

    def lens_in(self) -> None:
        """Return when the person says that the lens is in the mount."""
        with self._display.paused():
            self._prompt.lens_in()

    def lens_out(self) -> None:
        """Return when the person says that the beam is bare."""
        with self._display.paused():
            self._prompt.lens_out()


def result_lines(result: dict[str, Any]) -> list[str]:
    """Say a result in a few lines for a person."""
    lines = [f"{result['outcome'].replace('_', ' ').upper()}: {result['reason']}"]
    pose = result["pose"]
    if pose is not None:
        unsure, factor = pose["expanded_uncertainty"], pose["coverage_factor"]
        for key, unit, name in (("decenter_um", "um", "decentre"), ("tilt_arcsec", "arcsec", "tilt    ")):
            x, y = pose[key]
            lines.append(
                f"  {name} {math.hypot(x, y):6.1f} {unit} (x {x:+.1f}, y {y:+.1f}), "
                f"expanded uncertainty {unsure[key]:.1f} {unit} (k = {factor:.3g})"
            )
    truth = result.get("true_pose")
    if truth is not None:
        decenter, tilt = math.hypot(*truth["decenter_um"]), math.hypot(*truth["tilt_arcsec"])
        lines.append(f"  witness: true decentre {decenter:.1f} um, true tilt {tilt:.1f} arcsec")
    lines.append(
        f"  {result['looks']} looks, {result['test_moves']} test moves, {result['moves']} moves, "
        f"{result['bench_seconds']:.0f} s of bench time"
    )
    return lines
