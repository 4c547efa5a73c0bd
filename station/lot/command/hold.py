"""``coincide hold``: align one lens, then keep it on the axis for hours, with a log and figures."""

from __future__ import annotations

import csv
import io
import json
import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, TextIO

import numpy as np

from control.aligner import Aligner
from control.holding import Drift, HeldLook, Holder, HoldPlan
from control.messages import Action, Finish, Observation, Outcome
from control.still import StillLens
from station.archive import Severity
from station.config import Setup, load_setup
from station.lot.command.at_work import Options, open_archive, station_at_work
from station.lot.line import Line, StationStopError
from station.lot.one_part import Silent
from station.lot.part.runner import PartRunner
from station.lot.settings import LotTable
from station.lot.watch.alarms import Cause
from station.planning import bench_model_of, plan_of
from station.quality.studies.beam_stability import LEAST_LOOKS, beam_stability
from station.record import EXIT_STATUS, Record, new_run_folder, write_atomically
from station.runner import Decides, Keeps
from station.stopping import StopRequest

_COLUMNS = (
    *("time_s", "decenter_x_um", "decenter_y_um", "tilt_x_arcsec", "tilt_y_arcsec"),
    *("expanded_um", "expanded_arcsec", "beam_x_um", "beam_y_um", "drift", "corrected"),
)


@dataclass(frozen=True, slots=True)
class Held:
    """How a hold went: the end, its looks, its figures as plain JSON values."""

    outcome: Outcome
    reason: str
    looks: Sequence[HeldLook]
    figures: dict[str, Any]


def hold(line: Line, setup: Setup, plan: HoldPlan, record: Keeps, hold_log: Path) -> Held:
    """Align the lens, then hold it.

    Parameters
    ----------
    line : Line
    setup : Setup
    plan : HoldPlan
    record : Keeps
        Of the alignment.
    hold_log : Path
        CSV file that gets a line with every look.

    Raises
    ------
    StationStopError
        When the station cannot be made ready.
    """
    line.make_ready(setup)
    line.references.lens_is_in()
    with line.resting():
        line.handling.load(setup.recipe.lens.name, setup.recipe.name)
    aligner = Aligner(plan_of(setup), bench_model_of(setup), line.learned.memory)
    aligned = _runner(line, aligner, record).run()
    model = aligner.model
    if aligned.outcome is not Outcome.ALIGNED or model is None:
        return Held(aligned.outcome, aligned.reason, (), {})
    still = StillLens(plan_of(setup), model.bench, model.lens, model.references, aligner.remember())
    holder = Holder(plan, still, line.bench.motion.positions())
    line.log(f"aligned: {aligned.reason}; holding for {plan.hours:g} h")
    with hold_log.open("w", encoding="utf-8", newline="") as stream:
        telling = _Telling(holder, line, stream)
        finish = _runner(line, telling, _FaultsOnly(setup, line.log)).run()
    return Held(finish.outcome, finish.reason, holder.looks, figures(holder.looks))


def figures(looks: Sequence[HeldLook]) -> dict[str, Any]:
    """Return what the looks of a hold add up to.

    Drift of the lens is what was seen between corrections; beam figures are positions of the transmitted spot
    less what the returns put down to the lens, in the manner of ISO 11670 (its multiple could not be
    confirmed: plain standard deviations).
    """
    found: dict[str, Any] = {
        "looks": len(looks),
        "corrections": sum(look.corrected for look in looks),
        "beam_moved_looks": sum(look.drift is Drift.BEAM for look in looks),
    }
    if looks:
        poses = np.array([look.pose for look in looks])
        found["largest_um"] = float(np.max(np.hypot(poses[:, 0], poses[:, 1])))
        found["largest_arcsec"] = float(np.max(np.hypot(poses[:, 2], poses[:, 3])))
    seen = [look for look in looks if look.beam_um is not None]
    if len(seen) >= LEAST_LOOKS:
        places = np.array([look.beam_um for look in seen])
        times = [look.time_s for look in seen]
        found["beam"] = _sound(asdict(beam_stability(times, places[:, 0], places[:, 1])))
    else:
        found["beam"] = None
        found["beam_why_none"] = f"{len(seen)} looks with all spots, needed are {LEAST_LOOKS}"
    return found


def run_hold(
    *,
    bench: Path,
    recipe: Path,
    archive: str,
    station: str | None,
    who: str,
    out: Path | None,
    as_json: bool,
    stop: StopRequest,
    **plan: float,
) -> int:
    """Hold one lens; return the exit status."""
    setup = load_setup(bench, recipe)
    options = Options(archive, station, who)
    with (
        open_archive(options, setup.bench.name) as opened,
        station_at_work(setup, opened, LotTable(), options, stop) as line,
    ):
        folder = new_run_folder(out, f"hold {setup.recipe.lens.name}")
        try:
            held = hold(line, setup, HoldPlan(**plan), Record(folder, setup, None), folder / "hold.csv")
        except StationStopError as stopped:
            line.bell.ring(stopped.severity, stopped.cause)
            held = Held(Outcome.STOPPED, stopped.cause.words, (), {})
        finally:
            line.make_safe()
        write_held(folder, held)
        if held.outcome is not Outcome.ALIGNED:
            cause = Cause("hold_ended", held.reason, "see the log of the hold")
            line.bell.ring(Severity.WARNING, cause)
    told = {"outcome": held.outcome.value, "reason": held.reason, "run_dir": str(folder), **held.figures}
    sys.stdout.write(
        (json.dumps(told) if as_json else f"{held.outcome.value}: {held.reason}\n  {folder}") + "\n"
    )
    return EXIT_STATUS[held.outcome]


def write_held(folder: Path, held: Held) -> None:
    """Write ``hold.json`` and the drift chart ``hold.png`` into a run folder."""
    told = {"outcome": held.outcome.value, "reason": held.reason, **held.figures}
    write_atomically(folder / "hold.json", json.dumps(told, indent=1).encode())
    if held.looks:
        write_atomically(folder / "hold.png", chart_png(held.looks))


def chart_png(looks: Sequence[HeldLook]) -> bytes:
    """Return the drift chart: decentre, tilt and the beam's own movement over time, and the corrections."""
    from matplotlib.figure import Figure  # noqa: PLC0415  a second to load, and only charts need it

    hours = np.array([look.time_s - looks[0].time_s for look in looks]) / 3600.0
    poses = np.array([look.pose for look in looks])
    nothing = (math.nan, math.nan)
    beam = np.array([look.beam_um or nothing for look in looks])
    figure = Figure(figsize=(7.2, 6.0), layout="constrained")
    for place, (words, values) in enumerate(
        (("lens, decentre / µm", poses[:, :2]), ("lens, tilt / arcsec", poses[:, 2:]), ("beam / µm", beam)), 1
    ):
        axes = figure.add_subplot(3, 1, place)
        axes.plot(hours, values[:, 0], color="#0072B2", label="x")
        axes.plot(hours, values[:, 1], color="#D55E00", linestyle="--", label="y")
        for look, hour in zip(looks, hours, strict=True):
            if look.corrected and place < 3:
                axes.axvline(hour, color="#999999", linewidth=0.6)
        axes.set_ylabel(words)
        axes.legend(loc="upper right", fontsize=7)
    axes.set_xlabel("time / h; grey: corrected")
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=110)
    return stream.getvalue()


class _Telling:
    """A holder whose looks go to the log one by one, and which rings when the beam has moved."""

    def __init__(self, holder: Holder, line: Line, stream: TextIO) -> None:
        self._holder, self._line, self._stream = holder, line, stream
        self._writer = csv.writer(stream)
        self._writer.writerow(_COLUMNS)

    def next_action(self, observation: Observation) -> Action:
        before = len(self._holder.looks)
        action = self._holder.next_action(observation)
        for look in self._holder.looks[before:]:
            self._tell(look)
        return action

    def _tell(self, look: HeldLook) -> None:
        beam = ("", "") if look.beam_um is None else look.beam_um
        numbers = (look.time_s, *look.pose.tolist(), look.expanded_um, look.expanded_arcsec, *beam)
        self._writer.writerow([*numbers, look.drift.value, int(look.corrected)])
        self._stream.flush()
        if look.drift is Drift.BEAM:
            words = "the spots have moved in a way that no movement of the lens explains"
            remedy = "check laser, plates and cameras; the lens is left where it is"
            self._line.bell.ring(Severity.WARNING, Cause("beam_moved", words, remedy))


@dataclass(slots=True)
class _FaultsOnly:
    """Keeps no steps: thousands of looks are in the log of the hold, line by line."""

    setup: Setup
    tell: Callable[[str], None]
    controller: str = ""

    def add_step(self, observation: Observation, action: Action, compute_s: float) -> None:
        """Keep nothing."""

    def replace_finish(self, finish: Finish) -> None:
        """Tell it."""
        self.tell(finish.reason)

    def add_fault(self, code: str, message: str, time_s: float, during: str) -> None:
        """Tell it."""
        self.tell(f"{code} at {time_s:.0f} s, {during}: {message}")

    def save(self) -> None:
        """Do nothing."""


def _runner(line: Line, decides: Decides, record: Keeps) -> PartRunner:
    return PartRunner(
        bench=line.bench,
        aligner=decides,
        eyes=line.eyes,
        record=record,
        display=Silent(),
        stop=line.stop,
        references=line.references,
        beat=line.beat,
    )


def _sound(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _sound(one) for name, one in value.items()}
    if isinstance(value, tuple | list):
        return [_sound(one) for one in value]
    return value.item() if isinstance(value, np.generic) else value
