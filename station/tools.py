"""Small commands round an alignment: example files, checking both files, target sheets, plate maps."""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np

from optics.observability import observe
from optics.sensitivity import sensitivities
from station.config import BadInput, BenchTable, Setup, TomlFile, load_bench
from station.demo import BENCH_FILE, RECIPE_FILE, example_setup, example_text
from station.display import AskedPerson, Display, StandardError
from station.looking import Eyes
from station.record import new_run_folder, write_atomically
from station.stopping import StopRequest
from station.wiring import Bench, opened_bench
from vision.map_file import write_map
from vision.map_picture import residual_picture
from vision.plate_map import PlateMap
from vision.sheet import PAPERS_MM, Paper, SheetError, write_sheet

_SPOT_SIGMA_MM = 0.02


def _print(*lines: str) -> None:
    sys.stdout.write("\n".join(lines) + "\n")


def write_examples(folder: Path) -> int:
    """Write the example bench and recipe files, to be changed into one's own."""
    there = [folder / name for name in (BENCH_FILE, RECIPE_FILE) if (folder / name).exists()]
    if there:
        raise BadInput(
            "FOLDER", "", found=f"{there[0]} is there already", allowed="a folder without such files"
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in (BENCH_FILE, RECIPE_FILE):
            write_atomically(folder / name, example_text(name).encode())
            _print(str(folder / name))
    except OSError as error:
        raise BadInput(
            "FOLDER", "", found=f"{folder}: {error.strerror}", allowed="a folder that can be written"
        ) from error
    return 0


def check(setup: Setup) -> int:
    """Say that both files are good, and what the spots of this lens will tell; no device is opened."""
    lens, beam = setup.lens(), setup.beam()
    seen = observe(sensitivities(lens, setup.layout(), beam), np.full(6, _SPOT_SIGMA_MM))
    decenter, tilt = seen.decenter_sigma_um, seen.tilt_sigma_arcsec
    _print(
        f"{setup.bench_file.name}, {setup.recipe_file.name}: good",
        f"lens {lens.name}: focal length {lens.effective_focal_length_mm(beam.wavelength_nm):.1f} mm, "
        f"back focal length {lens.back_focal_length_mm(beam.wavelength_nm):.1f} mm",
        f"observability: condition {seen.condition:.0f}"
        + (
            ""
            if decenter is None or tilt is None
            else f"; one look with {1000 * _SPOT_SIGMA_MM:.0f} um per spot tells decentre to "
            f"{max(decenter):.1f} um and tilt to {max(tilt):.1f} arcsec (k = 1)"
        ),
        *(f"  {words}" for words in seen.words),
    )
    return 0


def print_sheet(bench: Path | None, plate: str, paper: Paper, out: Path) -> int:
    """Write a target at 1:1 for printing, PDF or SVG by the suffix of ``out``."""
    plates = (load_bench(bench).table if bench else example_setup().bench).plates
    spec = (plates.hole_target if plate == "hole_target" else plates.reference_target).spec()
    try:
        write_sheet(spec, out, paper)
    except SheetError as error:
        allowed = f"a .pdf or .svg file; paper {' or '.join(PAPERS_MM)}; a plate that fits it"
        raise BadInput("--out, --paper", "", found=str(error), allowed=allowed) from error
    except OSError as error:
        raise BadInput(
            "--out", "", found=f"{out}: {error.strerror}", allowed="a file that can be written"
        ) from error
    _print(f"{out}: print at 100 %, then measure the two bars on the sheet")
    return 0


def map_plates(bench_path: Path, out: Path | None, stop: StopRequest) -> int:
    """Map both plates of a bench and write the maps; the shutter stays closed and nothing moves."""
    file = load_bench(bench_path)
    display = Display(StandardError())
    display.cautions()
    with opened_bench(file, AskedPerson(display, "the lens")) as bench:
        folder = new_run_folder(out, f"{file.table.name} maps")
        maps = _map(bench, stop)
        for name, plate_map in maps.items():
            write_atomically(folder / f"{name}_map.json", write_map(plate_map).encode())
            picture = cv2.imencode(".png", residual_picture(plate_map))[1]
            write_atomically(folder / f"{name}_map.png", picture.tobytes())
            _print(_map_words(name, plate_map, file))
        _print(f"maps: {folder}")
    return 0


def _map(bench: Bench, stop: StopRequest) -> dict[str, PlateMap]:
    eyes = Eyes(bench, lambda _frame, _purpose: None)
    try:
        with stop.interruptible():
            bench.motion.connect()
            eyes.map_plates()
    finally:
        bench.shutter.close()
        if bench.lamp is not None:
            bench.lamp.off()
    return eyes.maps


def _map_words(name: str, plate_map: PlateMap, file: TomlFile[BenchTable]) -> str:
    plates = file.table.plates
    count = len((plates.hole_target if name == "hole_target" else plates.reference_target).fiducials)
    return (
        f"{name}: {len(plate_map.fiducials_used)} of {count} fiducials, "
        f"residual {plate_map.rms_um:.1f} um rms, "
        f"a mapped point is known to {1000 * plate_map.sigma_mm:.1f} um (k = 1)"
    )
