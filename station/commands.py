"""What the commands do; the command line itself is in :mod:`station.cli`."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any

from control.characterise import CharacterisingPlan
from control.messages import Outcome
from station.campaign import command as campaign
from station.campaign.inprocess import Measurement
from station.campaign.plan import CampaignPlan, checked_lens, setup_of
from station.characterising import characterise, words
from station.config import Setup, load_setup
from station.config.problems import BadInput
from station.config.reading import read_text
from station.demo import bench_text_at, example_setup, serve, served
from station.display import Display, StandardError, result_lines
from station.record import EXIT_STATUS, read_record, write_atomically
from station.replay import replay
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


def run_characterize(
    bench: Path, recipe: Path, out: Path, rounds: int, valid_days: int, as_json: bool, stop: StopRequest
) -> int:
    """Characterise the mount of a bench; return the exit status."""
    setup, how = load_setup(bench, recipe), CharacterisingPlan(rounds=rounds)
    result = characterise(setup, out, how, valid_days, Display(StandardError()), stop)
    if as_json:
        print_json(result)
    else:
        _print("\n".join(words(result)))
    return EXIT_STATUS[Outcome(result["outcome"])]


def _run(setup: Setup, seed: int | None, out: Path | None, as_json: bool, stop: StopRequest) -> int:
    display = Display(StandardError())
    result = align(setup, seed=seed, out=out, display=display, stop=stop)
    if as_json:
        print_json(result)
    else:
        tell(result)
    return EXIT_STATUS[Outcome(result["outcome"])]


def print_json(result: dict[str, Any]) -> None:
    """Print the result as one object and nothing else."""
    _print(json.dumps(result, allow_nan=False))


def tell(result: dict[str, Any]) -> None:
    """Print the result for a person, and where the report lies."""
    run_dir = Path(result["run_dir"])
    lines = result_lines(result)
    lines += [f"  {name}: {run_dir / file}" for name, file in _FILES if (run_dir / file).is_file()]
    _print("\n".join(lines))


def _print(text: str) -> None:
    """Write to standard output; the exit status says how it ended, also when nobody reads."""
    try:
        sys.stdout.write(text + "\n")
        sys.stdout.flush()
    except BrokenPipeError:
        # What is left in the buffer must not fail again when the program ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


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


def run_campaign(
    *,
    benches: int,
    seed: int,
    lens: str | None,
    measurement: Measurement,
    spot_sigma_um: float | None,
    line: bool,
    workers: int | None,
    scheduler: str | None,
    bench: Path | None,
    recipe: Path | None,
    out: Path | None,
    as_json: bool,
    stop: StopRequest,
) -> int:
    """Run or go on with a campaign; return the exit status."""
    if workers is not None and scheduler is not None:
        raise BadInput("--workers", "", found="--scheduler as well", allowed="one of both")
    if lens is not None and recipe is not None:
        raise BadInput("--lens", "", found="--recipe as well", allowed="one of both")
    if spot_sigma_um is not None and measurement != "spots":
        raise BadInput("--spot-sigma-um", "", found="--measurement frames", allowed="--measurement spots")
    plan = CampaignPlan(
        benches=benches,
        seed=seed,
        lens=checked_lens(lens),
        measurement=measurement,
        spot_sigma_um=spot_sigma_um,
        line=line,
        bench_text=None if bench is None else read_text(bench),
        recipe_text=None if recipe is None else read_text(recipe),
    )
    setup_of(plan, 0)  # both files are right, or nothing begins
    return campaign.run_campaign(
        plan, workers=workers, address=scheduler, out=out, as_json=as_json, stop=stop
    )


def run_replay(run: Path, as_json: bool) -> int:
    """Replay a recorded run; return the exit status."""
    found = replay(read_record(run))
    if as_json:
        print_json(found.data())
    else:
        sys.stdout.write(found.text() + "\n")
    return 0 if found.identical else 1
