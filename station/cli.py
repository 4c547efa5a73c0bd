"""The command line. It loads the rest only when a command runs, so that Ctrl-C is caught from the start."""

from __future__ import annotations

import sys
import traceback
from pathlib import Path
from typing import Any

import click

from station.stopping import OperatorStop, StopRequest

BAD_INPUT, STOPPED = 2, 3

_FOLDER = click.Path(file_okay=False, path_type=Path)
_FILE = click.Path(path_type=Path)
_POSITIVE = click.FloatRange(0, min_open=True)
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
@click.option("--bench", type=_FILE, required=True, help="BENCH.toml: what belongs to the bench.")
@click.option("--recipe", type=_FILE, required=True, help="RECIPE.toml of the lens to measure with.")
@click.option("--out", type=_FILE, required=True, help="File to write; a bench file can name it.")
@click.option("--rounds", type=click.IntRange(1), default=2, show_default=True, help="Times round all axes.")
@click.option(
    "--valid-days", type=click.IntRange(1), default=90, show_default=True, help="How long it holds."
)
@_json
@click.pass_obj
def characterize(stop: StopRequest, /, **options: Any) -> int:
    """Measure the mount by itself, with one lens.

    Scale, squareness, pivot, backlash, repeatability.

    Exit status: 0 written, 1 the lens is rejected, 2 bad input, 3 stopped, 4 timed out.
    """
    return int(_commands().run_characterize(stop=stop, **options))


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


@cli.command()
@click.argument("folder", type=_FOLDER)
def example(folder: Path) -> int:
    """Write example files into FOLDER, to start from."""
    return int(_tools().write_examples(folder))


@cli.command()
@click.option("--bench", type=_FILE, required=True, help="BENCH.toml: what belongs to the bench.")
@click.option("--recipe", type=_FILE, required=True, help="RECIPE.toml: what belongs to the part.")
def check(bench: Path, recipe: Path) -> int:
    """Check both files without opening a device.

    Says what the spots of this lens can tell.
    """
    return int(_tools().check(_commands().load_setup(bench, recipe)))


@cli.command()
@click.option("--bench", type=_FILE, help="BENCH.toml with the plates. Default: the example.")
@click.option("--plate", type=click.Choice(["hole_target", "reference_target"]), required=True)
@click.option("--paper", type=click.Choice(["A4", "Letter"]), default="A4", show_default=True)
@click.option("--out", type=_FILE, required=True, help="File to write, .pdf or .svg.")
def sheet(bench: Path | None, plate: str, paper: str, out: Path) -> int:
    """Write a target at 1:1 for printing."""
    return int(_tools().print_sheet(bench, plate, paper, out))


@cli.command("map")
@click.option("--bench", type=_FILE, required=True, help="BENCH.toml: what belongs to the bench.")
@_out
@click.pass_obj
def map_command(stop: StopRequest, bench: Path, out: Path | None) -> int:
    """Map both plates from their fiducials.

    The shutter stays closed and nothing moves.
    """
    return int(_tools().map_plates(bench, out, stop))


def _tools() -> Any:
    from station import tools  # noqa: PLC0415  as in _commands

    return tools


@cli.command()
@click.option("--benches", type=click.IntRange(1), required=True, help="How many benches.")
@click.option("--seed", type=click.IntRange(0), default=0, show_default=True, help="Repeats everything.")
@click.option("--lens", help="One lens family. Default: all regular ones in turn.")
@click.option(
    "--measurement",
    type=click.Choice(["spots", "frames"]),
    default="spots",
    show_default=True,
    help="The errors that vision makes on spots, or rendered frames and vision itself.",
)
@click.option(
    "--spot-sigma-um", type=click.FloatRange(0, min_open=True), help="Plain noise for spots instead."
)
@click.option("--line", is_flag=True, help="With spots: all words to the mount over the simulated line.")
@click.option("--workers", type=click.IntRange(1), help="Processes on this machine. Default: one per core.")
@click.option("--scheduler", metavar="ADDRESS", help="A dask scheduler whose workers compute instead.")
@click.option("--bench", type=_FILE, help="BENCH.toml to simulate. Default: the campaign's own.")
@click.option("--recipe", type=_FILE, help="RECIPE.toml of the lens instead of a family.")
@click.option("--out", type=_FOLDER, help="Folder; an unfinished campaign in it is gone on with.")
@_json
@click.pass_obj
def campaign(stop: StopRequest, /, **options: Any) -> int:
    """Align on simulated benches by the thousand.

    Exit status: 0 done, 1 false accepts, 2 bad input, 3 stopped (the same command goes on).
    """
    return int(_commands().run_campaign(stop=stop, **options))


_archive = click.option(
    "--archive", default="runs/archive.sqlite", show_default=True, help="File, or postgresql:// address."
)
_station = click.option("--station", help="Name of this station. Default: the bench's name.")
_targets_set = click.option(
    "--targets-set", is_flag=True, help="The targets were set to the beam: the bare beam begins anew."
)
_who = click.option("--who", default="operator", show_default=True, help="Who does this; the trail keeps it.")


@cli.command()
@click.option("--bench", type=_FILE, required=True, help="BENCH.toml: what belongs to the bench.")
@click.option(
    "--recipe", "recipes", type=_FILE, required=True, multiple=True, help="RECIPE.toml; may be repeated."
)
@click.option("--parts", type=_FILE, help="PARTS.csv: serial, recipe. Without: announced on standard input.")
@click.option("--name", required=True, help="Name of the lot.")
@click.option("--settings", type=_FILE, help="LOT.toml: limits, checks, alarms.")
@click.option("--unreleased", is_flag=True, help="Use recipes that nobody has released.")
@_targets_set
@_archive
@_station
@_who
@_json
@click.pass_obj
def lot(stop: StopRequest, /, **options: Any) -> int:
    """Work through a list of parts.

    Exit status: 0 every part is done, 2 bad input, 3 stopped (coincide resume goes on).
    """
    return int(_lots().run_lot(stop=stop, **options))


@cli.command()
@click.option("--bench", type=_FILE, required=True, help="BENCH.toml: what belongs to the bench.")
@click.option("--name", help="Name of the lot. Default: the one of the part in hand, else the newest.")
@_targets_set
@_archive
@_station
@_who
@_json
@click.pass_obj
def resume(stop: StopRequest, /, **options: Any) -> int:
    """Go on with a lot after a stop or a crash.

    Home, verify, then the rest.

    Exit status: 0 every part is done, 2 bad input, 3 stopped.
    """
    return int(_lots().run_resume(stop=stop, **options))


@cli.command()
@click.option("--bench", type=_FILE, required=True, help="BENCH.toml: what belongs to the bench.")
@click.option("--recipe", type=_FILE, required=True, help="RECIPE.toml: what belongs to the part.")
@click.option("--hours", type=_POSITIVE, default=8.0, show_default=True, help="How long.")
@click.option("--every-s", type=_POSITIVE, default=60.0, show_default=True, help="Interval of looks.")
@click.option("--dead-um", type=_POSITIVE, default=5.0, show_default=True, help="Decentre that is let be.")
@click.option("--dead-arcsec", type=_POSITIVE, default=8.0, show_default=True, help="Tilt that is let be.")
@_out
@_archive
@_station
@_who
@_json
@click.pass_obj
def hold(stop: StopRequest, /, **options: Any) -> int:
    """Align one lens and keep it on the axis for hours."""
    from station.lot.command.hold import run_hold  # noqa: PLC0415  as in _commands

    return int(run_hold(stop=stop, **options))


@cli.command()
@click.option("--recipe", type=_FILE, required=True, help="RECIPE.toml to put in and sign off.")
@click.option("--why", required=True, help="On what grounds; the trail keeps it.")
@_archive
@click.option("--station", default="desk", show_default=True, help="Where this is done.")
@click.option("--who", required=True, help="Who signs.")
def release(**options: Any) -> int:
    """Release a recipe for lots, into the archive."""
    return int(_lots().release(**options))


_desk_station = click.option("--station", default="desk", show_default=True, help="Where this is done.")
_why = click.option("--why", help="On what grounds; the trail keeps it.")


@cli.command()
@click.option("--recipe", required=True, help="Name of the recipe.")
@click.option("--version", type=click.IntRange(1), required=True, help="Its version.")
@click.option("--why", required=True, help="On what grounds; the trail keeps it.")
@_archive
@_desk_station
@click.option("--who", required=True, help="Who signs.")
def withdraw(**options: Any) -> int:
    """Take a version of a recipe out of use.

    No lot starts with it any more.
    """
    return int(_desk().run_withdraw(**options))


@cli.command()
@click.option("--acknowledge", type=click.IntRange(1), multiple=True, help="Number of an alarm; repeatable.")
@_why
@_archive
@_desk_station
@_who
@_json
def alarms(**options: Any) -> int:
    """List open alarms, or acknowledge some."""
    return int(_desk().run_alarms(**options))


@cli.command()
@click.option("--clear", type=click.IntRange(1), multiple=True, help="Number of a doubt; repeatable.")
@_why
@_archive
@_desk_station
@_who
@_json
def doubts(**options: Any) -> int:
    """List parts in doubt, or clear some.

    In doubt are those that a failed check part vouches for no longer.
    """
    return int(_desk().run_doubts(**options))


@cli.command()
@_archive
@click.option("--lot", help="Name of a lot.")
@click.option("--part", help="A serial number.")
@click.option("--from", "begin", type=click.DateTime(), help="Begin of a period, local time.")
@click.option("--to", "end", type=click.DateTime(), help="Its end. Default: now.")
@click.option("--out", type=_FOLDER, required=True, help="Folder for report.html, report.pdf, CSV and JSON.")
def report(**options: Any) -> int:
    """Report a lot, a period or a part.

    The archive is only read.
    """
    from station.lot.command.reports import run_report  # noqa: PLC0415  as in _commands

    for name in ("begin", "end"):
        options[name] = options[name].astimezone() if options[name] else None
    return int(run_report(**options))


@cli.command()
@click.argument("run", type=_FOLDER)
@_json
def replay(run: Path, as_json: bool) -> int:
    """Decide a recorded run again, and compare.

    Exit status: 0 identical, 1 the decisions differ, 2 bad input.
    """
    return int(_commands().run_replay(run, as_json))


def _commands() -> Any:
    # Loading takes about a second; a Ctrl-C meanwhile has to be caught like any other.
    from station import commands  # noqa: PLC0415  as said above

    return commands


def _desk() -> Any:
    from station.lot.command import desk  # noqa: PLC0415  as in _commands

    return desk


def _lots() -> Any:
    from station.lot.command import lots  # noqa: PLC0415  as in _commands

    return lots


def main() -> None:
    """Run the command line and exit with its status.

    A mistake of the program is told with its traceback and ends as stopped: Python's own status for it, 1,
    would say that the part was rejected.
    """
    with StopRequest() as stop:
        try:
            status = run(sys.argv[1:], stop)
        except Exception:
            traceback.print_exc()
            status = STOPPED
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
        status = _status_of(error)
        if status is None:
            raise
        click.echo(str(error), err=True)
        return status


def _status_of(error: Exception) -> int | None:
    """Return the status of an error that is told in its own words; None for a mistake of the program."""
    from driver.faults import DeviceFault  # noqa: PLC0415  as in _commands
    from station.config.problems import BadInput  # noqa: PLC0415  as in _commands
    from station.looking import PlateNotMapped  # noqa: PLC0415  as in _commands

    if isinstance(error, BadInput):
        return BAD_INPUT
    if "station.archive" in sys.modules:
        from station.archive import ArchiveError, Refused  # noqa: PLC0415  only where it is in use

        if isinstance(error, ArchiveError):
            return BAD_INPUT if isinstance(error, Refused) else STOPPED
    return STOPPED if isinstance(error, DeviceFault | PlateNotMapped) else None
