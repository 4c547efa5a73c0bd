"""What the commands do; the command line itself is in :mod:`station.cli`."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from rich.console import Console

from control.messages import Outcome
from station.config import Setup, load_setup
from station.config.problems import BadInput
from station.demo import bench_text_at, example_setup, serve, served
from station.display import Display, result_lines
from station.record import EXIT_STATUS, write_atomically
from station.session import align
from station.stopping import OperatorStop, StopRequest


def run_demo(seed: int, out: Path | None, as_json: bool, stop: StopRequest) -> int:
    """Align one lens on the simulated bench; return the exit status."""
    with served(seed) as bench:
        return _run(bench.setup, seed, out, as_json, stop)


def run_align(
    bench: Path, recipe: Path, seed: int | None, out: Path | None, as_json: bool, stop: StopRequest
) -> int:
    """Align one lens on the bench of two files; return the exit status."""
    return _run(load_setup(bench, recipe), seed, out, as_json, stop)


def _run(setup: Setup, seed: int | None, out: Path | None, as_json: bool, stop: StopRequest) -> int:
    display = Display(Console(stderr=True, highlight=False))
    result = align(setup, seed=seed, out=out, display=display, stop=stop)
    if as_json:
        print_json(result)
    else:
        tell(result)
    return EXIT_STATUS[Outcome(result["outcome"])]


def print_json(result: dict[str, Any]) -> None:
    """Print the result as one object and nothing else."""
    sys.stdout.write(json.dumps(result, allow_nan=False) + "\n")


def tell(result: dict[str, Any]) -> None:
    """Print the result for a person, and where the report lies."""
    run_dir = Path(result["run_dir"])
    lines = result_lines(result)
    lines += [f"  {name}: {run_dir / file}" for name, file in _FILES if (run_dir / file).is_file()]
    sys.stdout.write("\n".join(lines) + "\n")


_FILES = (("report", "report.html"), ("report", "report.pdf"), ("record", "record.json"))


def run_simulate(
    files: tuple[Path | None, Path | None],
    seed: int,
    ports: tuple[int, int],
    write_bench: Path | None,
    stop: StopRequest,
) -> int:
    """Serve a simulated bench until Ctrl-C; return the exit status."""
    setup = example_setup(*files)

    def ready(addresses: Any) -> None:
        lines = [f"line:  {addresses.line_url}", f"bench: {addresses.bench_address}"]
        if addresses.pty_path:
            lines.append(f"pty:   {addresses.pty_path}")
        if write_bench:
            write_atomically(write_bench, bench_text_at(setup, addresses).encode())
            lines.append(f"file:  {write_bench}")
        sys.stdout.write("\n".join([*lines, "Ctrl-C ends it."]) + "\n")
        sys.stdout.flush()

    try:
        with stop.interruptible():
            serve(setup, seed, *ports, ready)
    except OperatorStop:
        return 0
    except OSError as error:
        raise BadInput(
            "--line-port, --bench-port",
            "",
            found=f"{ports[0]}, {ports[1]}: {error.strerror}",
            allowed="free TCP ports, 0 for any",
        ) from error
    return 0
