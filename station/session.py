"""One run from the configuration to the report: the path that demo and align share."""

from __future__ import annotations

import contextlib
import traceback
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from control.messages import Finish
from driver.faults import DeviceFault
from station.config import Setup
from station.display import AskedPerson, Display
from station.looking import Eyes, Glance, MapValidity
from station.planning import aligner_of
from station.record import History, Record, history_of, new_run_folder, result_object, write_atomically
from station.record.folder import WIRE_LOG_NAME
from station.report import write_reports
from station.report.pictures import View, convergence_png, raw_png, view_png
from station.runner import Runner, record_lost
from station.stopping import StopRequest
from station.wiring import Bench, opened_bench
from vision.background import scale_background
from vision.map_check import MapState
from vision.map_file import write_map
from vision.spots import SpotName

_RETURNS = (SpotName.FRONT, SpotName.BACK)


def align(
    setup: Setup, *, seed: int | None, out: Path | None, display: Display, stop: StopRequest
) -> dict[str, Any]:
    """Align one lens and write its run folder.

    Parameters
    ----------
    setup : Setup
        Both configuration files, checked.
    seed : int or None
        Kept in the record; a simulated bench was made with it.
    out : Path or None
        Run folder; None makes a dated one below ``runs/``.
    display : Display
    stop : StopRequest
        Entered.

    Returns
    -------
    dict
        The object that ``--json`` prints.

    Raises
    ------
    BadInput
        For a device that is not there or a folder that cannot be written; nothing has moved then, and
        nothing was written.
    """
    aligner = aligner_of(setup)
    display.cautions()
    with opened_bench(setup.bench_file, AskedPerson(display, setup.recipe.lens.name)) as bench, display:
        folder = new_run_folder(out, setup.recipe.lens.name)
        record = Record(folder, setup, seed)
        bench.wire_log.open(folder / WIRE_LOG_NAME, record.head())
        eyes = Eyes(bench, record.add_frame)
        runner = Runner(bench, aligner, eyes, record, display, stop)
        finish = runner.run()
        if bench.wire_log.problem:
            record.add_fault("wire_log_incomplete", bench.wire_log.problem, 0.0, "logging the line")
        _conclude(record, finish, runner.compute_s, _witness(bench, record))
        display.reporting()
        _illustrate(record, eyes)
    return dict(record.result or {})


def _conclude(record: Record, finish: Finish, compute_s: float, true_pose: Mapping[str, Any] | None) -> None:
    """Put the result into the record; a lens whose record cannot be written is not called aligned."""

    def result_of(end: Finish) -> dict[str, Any]:
        history = history_of(record.steps)
        return result_object(
            end, history, compute_seconds=compute_s, run_dir=record.folder, true_pose=true_pose
        )

    record.result = result_of(finish)
    try:
        record.save()
    except OSError as error:
        end = record_lost(error)
        record.replace_finish(end)
        record.result = result_of(end)


def _witness(bench: Bench, record: Record) -> Mapping[str, Any] | None:
    """Ask the independent witness, now that the verdict is made and written."""
    if bench.witness is None:
        return None
    try:
        return bench.witness.pose()
    except (DeviceFault, ValueError) as error:
        record.add_fault("no_witness", str(error), 0.0, "after the verdict")
        return None


def _illustrate(record: Record, eyes: Eyes) -> None:
    """Add pictures and report; the record is complete without them, so a failure is noted in it."""
    try:
        _keep_maps(record, eyes)
        _add_pictures(record, eyes, history_of(record.steps))
        record.save()
        write_reports(record.folder)
    except Exception:
        record.add_fault("no_report", traceback.format_exc(), 0.0, "writing the report")
        # Where even this cannot be written, the result has said so already.
        with contextlib.suppress(OSError):
            record.save()


def _keep_maps(record: Record, eyes: Eyes) -> None:
    """Keep both plate maps; with them the frames can be measured again."""
    for name, plate_map in eyes.maps.items():
        text = write_map(plate_map, _validity(eyes.validity.get(name)))
        write_atomically(record.folder / f"{name}_map.json", text.encode())


def _validity(of_map: MapValidity | None) -> dict[str, Any]:
    """Return how the checks of a map went, as the map's file tells it."""
    if of_map is None:
        return {"checks": 0, "holds": None}
    return {
        "checks": of_map.checks,
        "holds": of_map.last.state is MapState.HOLDS,
        "last_check_s": of_map.last_s,
        "moved_mm": of_map.last.worst_mm,
        "sigma_mm": of_map.last.sigma_mm,
        "detail": of_map.last.detail,
    }


def _add_pictures(record: Record, eyes: Eyes, history: History) -> None:
    if history.looks:
        _keep(record, "convergence", convergence_png(history.looks))
    if eyes.first is None or eyes.last is None:
        return
    for plate, purpose in (("hole", "returns"), ("reference", "transmitted")):
        views = {
            f"{plate}_{when}": _view(f"{plate}_{when}", glance, purpose, eyes, history)
            for when, glance in (("before", eyes.first), ("after", eyes.last))
        }
        for name, view in views.items():
            _keep(record, name, view_png(view))
            write_atomically(record.folder / f"{name}_frame.png", raw_png(view.image))


def _view(name: str, glance: Glance, purpose: str, eyes: Eyes, history: History) -> View:
    on_hole = purpose == "returns"
    eye = eyes.bench.hole if on_hole else eyes.bench.reference
    target = history.hole_center_mm if on_hole else history.bare_beam_mm
    wanted = _RETURNS if on_hole else (SpotName.TRANSMITTED,)
    plate, when = name.split("_")
    shot = glance.shots[purpose]
    return View(
        title=f"{plate} target, {when}",
        image=shot.image,
        background=scale_background(shot.background, shot.image.exposure_s),
        plate_map=eyes.maps[eye.plate.name],
        target_mm=target or (0.0, 0.0),
        hole_radius_mm=history.hole_radius_mm if on_hole else None,
        sightings={spot: seen for spot, seen in glance.sightings.items() if spot in wanted},
    )


def _keep(record: Record, name: str, png: bytes) -> None:
    write_atomically(record.folder / f"{name}.png", png)
    record.pictures[name] = f"{name}.png"
