"""``coincide lot`` and ``coincide resume``."""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Mapping
from pathlib import Path

from station.archive import Archive, Lot, LotState, RecipeForRun, RecipeState
from station.config import Setup, load_setup
from station.config.loading import load_bench
from station.config.problems import BadInput
from station.config.reading import read_model, read_text
from station.config.recipe import RecipeTable
from station.lot.command.at_work import Options, log, open_archive, station_at_work
from station.lot.line import Line
from station.lot.lot import LotEnd, LotRun
from station.lot.order import Order, create_order, open_again, recalled_order, waiting_parts
from station.lot.parts_file import PartLine, read_parts
from station.lot.recovery import recover
from station.lot.settings import LotTable, load_lot_settings
from station.stopping import StopRequest

DONE, STOPPED = 0, 3


def run_lot(
    *,
    bench: Path,
    recipes: tuple[Path, ...],
    parts: Path | None,
    name: str,
    settings: Path | None,
    unreleased: bool,
    archive: str,
    station: str | None,
    who: str,
    as_json: bool,
    targets_set: bool,
    stop: StopRequest,
) -> int:
    """Work through a new lot; return the exit status."""
    table = load_lot_settings(settings)
    setups = _named([load_setup(bench, recipe) for recipe in recipes])
    listed: tuple[PartLine, ...] = () if parts is None else read_parts(parts, list(setups))
    _check_part_is_no_other(table, settings, listed, list(setups))
    first = next(iter(setups.values()))
    options = Options(archive, station, who, feeder=parts is None)
    with open_archive(options, first.bench.name, table.frames) as opened:
        _refuse_what_is_in_hand(opened)
        usable = {key: (_recipe(opened, key, one, who, unreleased), one) for key, one in setups.items()}
        for recipe, _ in usable.values():
            log(recipe.words)
        with station_at_work(first, opened, table, options, stop) as line:
            # Devices that are not there are bad input: the lot is made only once they are open.
            if targets_set:
                line.begin_anew(first, who, "the targets were set to the beam")
            else:
                line.require_valid(first)
            order = create_order(opened, name, listed, usable, table, who)
            note_settings(opened, table, first, who=who, why=f"lot {name}")
            line.recall_beginning(first)
            line.recall_learned(first)
            end = LotRun(line, order).run()
        return _told(opened, order, end, as_json)


def run_resume(
    *,
    bench: Path,
    name: str | None,
    targets_set: bool,
    archive: str,
    station: str | None,
    who: str,
    as_json: bool,
    stop: StopRequest,
) -> int:
    """Deal with what was in hand, and go on with the lot; return the exit status."""
    bench_file = load_bench(bench)
    options = Options(archive, station, who)
    with open_archive(options, bench_file.table.name) as opened:
        opened.check_file()
        lot = _lot_to_resume(opened, name)
        if lot is None:
            log("nothing is in hand, and no lot is open or stopped")
            return DONE
        order, table = recalled_order(opened, lot, bench_file.text, str(bench))
        first = next(iter(order.recipes.values())).setup
        with station_at_work(first, opened, table, options, stop) as line:
            open_again(opened, order, who, "resumed")
            end = _resumed(line, order, first, options, targets_set=targets_set)
        return _told(opened, order, end, as_json)


def release(*, recipe: Path, why: str, archive: str, station: str, who: str) -> int:
    """Put a recipe into the archive and sign it off; return the exit status."""
    table = read_model(RecipeTable, read_text(recipe), str(recipe))
    with open_archive(Options(archive, station, who), station) as opened:
        version = opened.recipes.add(table.name, read_text(recipe), who=who, why=why)
        if version.state is RecipeState.DRAFT:
            version = opened.recipes.release(table.name, version.version, who=who, why=why)
    sys.stdout.write(f"{version.title}: {version.state.value}\n")
    return DONE


def note_settings(archive: Archive, table: LotTable, setup: Setup, *, who: str, why: str) -> None:
    """Put settings of the lot and the bench file into the trail, where they are not what they were."""
    station = archive.context.station
    found = {
        f"{group}.{key}": value
        for group, values in table.model_dump(mode="json").items()
        for key, value in values.items()
    }
    found[f"bench {setup.bench.name}"] = hashlib.sha256(setup.bench_file.text.encode()).hexdigest()
    known = archive.settings.all()
    for key, value in found.items():
        name, told = f"{station}: {key}", "none" if value is None else value
        if known.get(name) != told:
            archive.settings.change(name, told, who=who, why=why)


def _resumed(line: Line, order: Order, first: Setup, options: Options, *, targets_set: bool) -> LotEnd:
    if targets_set:
        line.begin_anew(first, options.who, "the targets were set to the beam")
    else:
        line.recall_beginning(first)
    line.recall_learned(first)
    run = LotRun(line, order)
    return run.run(recovering=lambda: recover(line, order))


def _lot_to_resume(archive: Archive, name: str | None) -> Lot | None:
    held = archive.claims.in_hand()
    if held:
        lots = {one.id: one for one in archive.lots.recent(1000)}
        return lots.get(held[0].lot_id) or archive.lots.get(held[0].lot)
    if name is not None:
        return _by_title(archive, name)
    for state in (LotState.OPEN, LotState.STOPPED):
        newest = archive.lots.recent(1, state=state)
        if newest:
            return newest[0]
    return None


def _by_title(archive: Archive, title: str) -> Lot:
    for lot in archive.lots.recent(1000):
        kept = lot.settings if isinstance(lot.settings, dict) else {}
        if title in (lot.name, kept.get("title")):
            return lot
    return archive.lots.get(title)


def _named(setups: list[Setup]) -> dict[str, Setup]:
    named: dict[str, Setup] = {}
    for setup in setups:
        if setup.recipe.name in named:
            raise setup.recipe_file.bad(
                ("name",), repr(setup.recipe.name), "a name of its own for each recipe"
            )
        named[setup.recipe.name] = setup
    return named


def _recipe(archive: Archive, name: str, setup: Setup, who: str, unreleased: bool) -> RecipeForRun:
    version = archive.recipes.add(
        name, setup.recipe_file.text, who=who, why=f"lot with {setup.recipe_file.name}"
    )
    return archive.recipes.for_run(name, version.version, unreleased_allowed=unreleased)


def _check_part_is_no_other(
    table: LotTable, settings: Path | None, listed: tuple[PartLine, ...], recipes: list[str]
) -> None:
    check = table.check_part
    if check.recipe is not None and check.recipe not in recipes:
        raise BadInput(
            str(settings), "check_part.recipe", found=repr(check.recipe), allowed=", ".join(recipes)
        )
    for part in listed:
        if part.serial == check.serial:
            found = f"{check.serial!r}, which line {part.line} of the list has too"
            raise BadInput(
                str(settings), "check_part.serial", found=found, allowed="a part that is not in the list"
            )


def _refuse_what_is_in_hand(archive: Archive) -> None:
    held = archive.claims.in_hand()
    if held:
        raise BadInput(
            "the archive",
            "",
            found=f"part {held[0].serial} of lot {held[0].lot} is in hand at this station",
            allowed="a new lot when nothing is in hand: coincide resume",
        )


def _told(archive: Archive, order: Order, end: LotEnd, as_json: bool) -> int:
    counts = _counts(archive, order)
    told: Mapping[str, object] = {
        "lot": order.title,
        "done": end.done,
        "cause": end.cause,
        "why": end.why,
        "parts": end.parts,
        **counts,
    }
    if as_json:
        sys.stdout.write(json.dumps(told) + "\n")
    else:
        words = ", ".join(f"{count} {name}" for name, count in counts.items())
        sys.stdout.write(f"{order.title}: {'done' if end.done else 'stopped'}: {end.why}\n  {words}\n")
    return DONE if end.done else STOPPED


def _counts(archive: Archive, order: Order) -> dict[str, int]:
    total: dict[str, int] = {}
    for lot_id in order.lot_ids:
        report = archive.charts.lot(lot_id)
        for name, count in (*report.outcomes.items(), ("waiting", waiting_parts(archive, lot_id))):
            total[name] = total.get(name, 0) + count
    return total
