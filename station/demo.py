"""The simulated bench for `coincide demo` and `coincide simulate`; the only module here that knows `sim`.

It serves a bench in a child process and puts its addresses into a copy of the bench file. What aligns is the
same program that aligns a real bench: it opens a line and cameras and never learns what is behind them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from importlib import resources
from pathlib import Path

from driver.axes import AxisSpec
from sim.bench import SimBench
from sim.camera_geometry import CameraSetup
from sim.scene_example import example_cameras
from sim.serve import Addresses, ServedBench, serve_bench, start_served_bench
from station.config import Setup
from station.config.loading import setup_from_texts
from station.config.reading import read_text
from station.wiring import axis_spec
from vision.image import Sensor
from vision.plate import PlateSpec

BENCH_FILE, RECIPE_FILE = "BENCH.toml", "RECIPE.toml"
Ready = Callable[[Addresses], None]


def example_text(name: str) -> str:
    """Return one of the example files that come with the package."""
    return (resources.files("station") / "examples" / name).read_text(encoding="utf-8")


def example_setup(bench: Path | None = None, recipe: Path | None = None) -> Setup:
    """Return the setup of both files; the example stands in for one that is not given."""
    return setup_from_texts(
        read_text(bench) if bench else example_text(BENCH_FILE),
        read_text(recipe) if recipe else example_text(RECIPE_FILE),
        str(bench or BENCH_FILE),
        str(recipe or RECIPE_FILE),
    )


def bench_text_at(setup: Setup, addresses: Addresses | ServedBench) -> str:
    """Return the bench file with the addresses of a bench that is being served in the place of its own."""
    text = setup.bench_file.text
    if setup.bench.motion.port:
        text = text.replace(setup.bench.motion.port, addresses.line_url)
    old = setup.bench.clock.options.get("address")
    return text.replace(old, addresses.bench_address) if isinstance(old, str) else text


def bench_maker(setup: Setup, seed: int) -> partial[SimBench]:
    """Return what makes the bench of both files; it can be handed to another process."""
    cameras, axes = _devices(setup)
    return partial(
        SimBench, setup.lens(), setup.layout(), setup.beam(), plates_of(setup), cameras, axes, seed=seed
    )


@lru_cache(maxsize=32)
def plates_of(setup: Setup) -> Mapping[str, PlateSpec]:
    """Return both plates as vision knows them, by name."""
    table = setup.bench.plates
    plates = table.hole_target.spec(), table.reference_target.spec()
    return {plate.name: plate for plate in plates}


@lru_cache(maxsize=32)
def _devices(setup: Setup) -> tuple[Mapping[str, CameraSetup], tuple[AxisSpec, ...]]:
    return _cameras(setup), tuple(axis_spec(axis) for axis in setup.bench.motion.axes)


def _cameras(setup: Setup) -> dict[str, CameraSetup]:
    """Return the cameras of the bench file, standing where those of the simulator's example stand."""
    standing = {camera.plate: camera for camera in example_cameras().values()}
    return {
        table.name: replace(
            standing[table.plate], side=table.side, sensor=Sensor(**table.sensor.model_dump())
        )
        for table in setup.bench.cameras
    }


def serve(setup: Setup, seed: int, line_port: int, bench_port: int, ready: Ready) -> None:
    """Serve the bench of both files in this process, for ever; ``ready`` is told the addresses."""
    serve_bench(bench_maker(setup, seed)(), line_port=line_port, bench_port=bench_port, ready=ready)


@dataclass(frozen=True, slots=True)
class Served:
    """A simulated bench that is being served, and the setup that aligns on it.

    Attributes
    ----------
    setup : Setup
    child : ServedBench
        Its process and addresses.
    """

    setup: Setup
    child: ServedBench


@contextmanager
def served(seed: int) -> Iterator[Served]:
    """Serve the example bench in a child process for the time of a ``with`` block."""
    example = example_setup()
    with start_served_bench(bench_maker(example, seed)) as child:
        text = bench_text_at(example, child)
        yield Served(setup_from_texts(text, example.recipe_file.text, BENCH_FILE, RECIPE_FILE), child)
