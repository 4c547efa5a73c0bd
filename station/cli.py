"""The command line. It loads the rest only when a command runs, so that Ctrl-C is caught from the start."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from station.stopping import OperatorStop, StopRequest

BAD_INPUT, STOPPED = 2, 3

_FOLDER = click.Path(file_okay=False, path_type=Path)
_FILE = click.Path(path_type=Path)
_out = click.option("--out", type=_FOLDER, help="Run folder; new or empty. Default: a dated one in runs/.")
_json = click.option("--json", "as_json", is_flag=True, help="Print the result as one JSON object.")


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="coincide")
def cli() -> None:
    """Put lenses onto a laser beam, and prove it.

    Exit status: 0 aligned, 1 part rejected, 2 bad input, 3 stopped by a fault or a person, 4 timed out.
    """


@cli.command()
@click.option("--seed", type=click.IntRange(0), default=0, show_default=True, help="Repeats everything.")
@_out
@_json
@click.pass_obj
def demo(stop: StopRequest, seed: int, out: Path | None, as_json: bool) -> int:
    """Align one lens on a simulated bench."""
    return int(_commands().run_demo(seed, out, as_json, stop))


@cli.command()
@click.option("--bench", type=_FILE, required=True, help="BENCH.toml: what belongs to the bench.")
@click.option("--recipe", type=_FILE, required=True, help="RECIPE.toml: what belongs to the part.")
@click.option("--seed", type=click.IntRange(0), default=None, help="Kept in the record.")
@_out
@_json
@click.pass_obj
def align(
    stop: StopRequest, bench: Path, recipe: Path, seed: int | None, out: Path | None, as_json: bool
) -> int:
    """Align one lens on the bench that two files describe."""
    return int(_commands().run_align(bench, recipe, seed, out, as_json, stop))


@cli.command()
@click.option("--bench", type=_FILE, help="BENCH.toml to simulate. Default: the example.")
@click.option("--recipe", type=_FILE, help="RECIPE.toml of the lens. Default: the example.")
@click.option("--seed", type=click.IntRange(0), default=0, show_default=True, help="Repeats everything.")
@click.option("--line-port", type=click.IntRange(0, 65535), default=47001, show_default=True, help="0: any.")
@click.option("--bench-port", type=click.IntRange(0, 65535), default=47002, show_default=True, help="0: any.")
@click.option("--write-bench", type=_FILE, help="Write a bench file with the addresses.")
@click.pass_obj
def simulate(
    stop: StopRequest,
    bench: Path | None,
    recipe: Path | None,
    seed: int,
    line_port: int,
    bench_port: int,
    write_bench: Path | None,
) -> int:
    """Serve a simulated bench until Ctrl-C."""
    files, ports = (bench, recipe), (line_port, bench_port)
    return int(_commands().run_simulate(files, seed, ports, write_bench, stop))


def _commands() -> Any:
    # Loading takes about a second; a Ctrl-C meanwhile has to be caught like any other.
    from station import commands  # noqa: PLC0415

    return commands


def main() -> None:
    """Run the command line and exit with its status."""
    with StopRequest() as stop:
        status = run(sys.argv[1:], stop)
    sys.exit(status)


def run(arguments: list[str], stop: StopRequest) -> int:
    """Run one command; return its exit status. Bad input is one message, never a traceback."""
    try:
        return int(cli.main(args=arguments, prog_name="coincide", standalone_mode=False, obj=stop) or 0)
    except click.ClickException as error:
        error.show()
        return BAD_INPUT
    except (click.Abort, OperatorStop):
        return STOPPED
    except Exception as error:
        if type(error).__name__ != "BadInput":
            raise
        click.echo(str(error), err=True)
        return BAD_INPUT
