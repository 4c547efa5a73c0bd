"""Which parts a lot has, in which order, and with which recipes; kept in the archive."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from station.archive import Archive, Lot, LotState, PartKind, RecipeForRun, RecipeVersion
from station.config import Setup
from station.config.loading import setup_from_texts
from station.lot.parts_file import PartLine
from station.lot.settings import LotTable


@dataclass(frozen=True, slots=True)
class RecipeOfLot:
    """One recipe of a lot: its lot in the archive, and both files as one setup."""

    name: str
    lot: Lot
    setup: Setup


@dataclass(slots=True)
class Order:
    """A lot of one or several recipes; the archive knows one lot for each recipe.

    Attributes
    ----------
    title : str
        Name of the lot as the person gave it.
    recipes : mapping of str to RecipeOfLot
    stretches : list of (recipe, parts)
        Parts of one recipe that follow each other, in the order of the list; empty where a feeder decides.
    """

    title: str
    recipes: dict[str, RecipeOfLot]
    stretches: list[tuple[str, int]] = field(default_factory=list)

    def next_recipe(self, archive: Archive) -> str | None:
        """Return the recipe of the next part that waits; None when none does."""
        waiting = {name: waiting_parts(archive, one.lot.id) for name, one in self.recipes.items()}
        if not any(waiting.values()):
            return None
        total = {name: sum(n for recipe, n in self.stretches if recipe == name) for name in self.recipes}
        gone = {name: total[name] - waiting[name] for name in self.recipes}
        for name, parts in self.stretches:
            if gone[name] < parts and waiting[name]:
                return name
            gone[name] -= parts
        return next(name for name, count in waiting.items() if count)

    @property
    def lot_ids(self) -> tuple[int, ...]:
        """Numbers of its lots in the archive."""
        return tuple(one.lot.id for one in self.recipes.values())


def create_order(
    archive: Archive,
    title: str,
    parts: Sequence[PartLine],
    recipes: Mapping[str, tuple[RecipeForRun, Setup]],
    settings: LotTable,
    who: str,
) -> Order:
    """Put a lot into the archive; refused where there is one of that name.

    A list with several recipes becomes one lot for each, all made before the first part is claimed.
    """
    stretches = [(name, len(list(group))) for name, group in itertools.groupby(part.recipe for part in parts)]
    kept: dict[str, Any] = {"title": title, "stretches": [list(one) for one in stretches]}
    kept |= {"recipes": list(recipes), "settings": settings.model_dump()}
    made = {}
    for name, (recipe, setup) in recipes.items():
        serials = [part.serial for part in parts if part.recipe == name]
        lot = archive.lots.create(lot_name(title, name, recipes), serials, recipe, who=who, settings=kept)
        made[name] = RecipeOfLot(name, lot, setup)
    return Order(title, made, stretches)


def waiting_parts(archive: Archive, lot_id: int) -> int:
    """Return how many parts of a lot wait; check parts are no parts of the list."""
    return archive.lots.counts(lot_id, kind=PartKind.PRODUCT)["waiting"]


def lot_name(title: str, recipe: str, recipes: Mapping[str, object] | Sequence[str]) -> str:
    """Return the archive's name of the lot of one recipe."""
    return title if len(recipes) == 1 else f"{title} / {recipe}"


def recalled_order(archive: Archive, lot: Lot, bench_text: str, bench_name: str) -> tuple[Order, LotTable]:
    """Return a lot that is in the archive, and the settings that it was started with.

    Parameters
    ----------
    lot : Lot
        Any of its lots in the archive.
    """
    kept: dict[str, Any] = lot.settings if isinstance(lot.settings, dict) else {}
    title, names = str(kept.get("title", lot.name)), [str(name) for name in kept.get("recipes", [])]
    recipes = {}
    for name in names:
        one = archive.lots.get(lot_name(title, name, names))
        recipes[name] = RecipeOfLot(
            name, one, setup_of(archive.recipes.by_id(one.recipe_id), bench_text, bench_name)
        )
    stretches = [(str(name), int(count)) for name, count in kept.get("stretches", [])]
    return Order(title, recipes, stretches), LotTable.model_validate(kept.get("settings", {}))


def setup_of(recipe: RecipeVersion, bench_text: str, bench_name: str) -> Setup:
    """Return both files of a recipe that is in the archive."""
    return setup_from_texts(bench_text, recipe.text, bench_name, f"recipe {recipe.title}")


def open_again(archive: Archive, order: Order, who: str, why: str) -> None:
    """Let a stopped lot go on."""
    for one in order.recipes.values():
        if archive.lots.get(one.lot.name).state is LotState.STOPPED:
            archive.lots.reopen(one.lot.id, who=who, why=why)
