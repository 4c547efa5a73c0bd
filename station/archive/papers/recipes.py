"""Recipes in versions: a draft is signed off to be released, and a released one may be withdrawn."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from enum import Enum
from typing import Any

from sqlalchemy import Connection, RowMapping, func, insert, select, update

from station.archive.context import Context
from station.archive.errors import Problem
from station.archive.store.tables import recipe
from station.archive.trail import Change


class RecipeState(Enum):
    """Where a version stands."""

    DRAFT = "draft"
    RELEASED = "released"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True)
class RecipeVersion:
    """One version of a recipe; its text never changes.

    Attributes
    ----------
    id : int
    name : str
    version : int
        Counts from 1 for each name.
    text : str
        RECIPE.toml as it was given.
    sha256 : str
        Of the text.
    state : RecipeState
    made_by, made_utc, why
        Who put it in, when, what for.
    released_by, released_utc
        Who signed it off; None before.
    withdrawn_by, withdrawn_utc, withdrawn_why
        None unless withdrawn.
    """

    id: int
    name: str
    version: int
    text: str
    sha256: str
    state: RecipeState
    made_by: str
    made_utc: datetime
    why: str
    released_by: str | None
    released_utc: datetime | None
    withdrawn_by: str | None
    withdrawn_utc: datetime | None
    withdrawn_why: str | None

    @property
    def title(self) -> str:
        """Name and version as a person says them."""
        return f"{self.name}, version {self.version}"


@dataclass(frozen=True, slots=True)
class RecipeForRun:
    """A recipe that a run may use, and the words that say on what grounds; show them."""

    recipe: RecipeVersion
    words: str

    @property
    def unreleased(self) -> bool:
        """True for a run that uses what was not released, because it was told to."""
        return self.recipe.state is not RecipeState.RELEASED


@dataclass(frozen=True, slots=True)
class Recipes:
    """The recipes of an archive."""

    context: Context

    def add(self, name: str, text: str, *, who: str, why: str) -> RecipeVersion:
        """Put a text in as the next version, a draft.

        A text that is the same as the newest version's is that version: adding it again changes nothing.
        """
        asked = f"add a version of recipe {name!r}"
        self.context.require_words(asked, name=name, text=text, who=who, why=why)
        sha256, now = hashlib.sha256(text.encode()).hexdigest(), self.context.now()
        operation = self.context.operation()

        def work(connection: Connection) -> RowMapping:
            newest = self._newest(connection, name)
            if newest is not None and newest["sha256"] == sha256:
                return newest
            version = 1 if newest is None else newest["version"] + 1
            row = {"name": name, "version": version, "text": text, "sha256": sha256, "state": "draft"}
            row |= {"made_by": who, "made_utc": now, "why": why}
            made = connection.execute(insert(recipe).values(row).returning(recipe)).mappings().one()
            self._note(connection, operation, made, None, who, why)
            return made

        return _version(self.context.database.write(asked, work))

    def release(self, name: str, version: int, *, who: str, why: str) -> RecipeVersion:
        """Sign a draft off: runs may use it from now on."""
        signed = {"released_by": who, "released_utc": self.context.now()}
        return self._change(name, version, RecipeState.RELEASED, signed, who, why)

    def withdraw(self, name: str, version: int, *, who: str, why: str) -> RecipeVersion:
        """Take a version out of use; parts that were started with it keep it, no new run gets it."""
        signed = {"withdrawn_by": who, "withdrawn_utc": self.context.now(), "withdrawn_why": why}
        return self._change(name, version, RecipeState.WITHDRAWN, signed, who, why)

    def get(self, name: str, version: int | None = None) -> RecipeVersion:
        """Return a version; without a number the newest one, whatever its state."""
        asked = f"find recipe {name!r}"
        row = self.context.database.read(asked, lambda connection: self._find(connection, name, version))
        if row is None:
            raise self._unknown(asked, name, version)
        return _version(row)

    def by_id(self, recipe_id: int) -> RecipeVersion:
        """Return the version that a part or a lot names."""
        query = select(recipe).where(recipe.c.id == recipe_id)
        row = self.context.database.first(f"find recipe number {recipe_id}", query)
        if row is None:
            raise self.context.refused(Problem.UNKNOWN, "find a recipe", f"there is no number {recipe_id}")
        return _version(row)

    def versions(self, name: str | None = None) -> tuple[RecipeVersion, ...]:
        """Return all versions of a recipe, or of all recipes, the oldest first."""
        query = select(recipe).order_by(recipe.c.name, recipe.c.version)
        if name is not None:
            query = query.where(recipe.c.name == name)
        rows = self.context.database.rows("list recipes", query)
        return tuple(_version(row) for row in rows)

    def for_run(
        self, name: str, version: int | None = None, *, unreleased_allowed: bool = False
    ) -> RecipeForRun:
        """Return the recipe that a run is to use: the newest released version, or the one that is named.

        Raises
        ------
        Refused
            ``NOT_RELEASED`` when it is a draft or withdrawn and the run was not told that it may use one;
            ``UNKNOWN`` when there is none.
        """
        if version is None and not unreleased_allowed:
            found = self._newest_released(name)
            return RecipeForRun(found, f"recipe {found.title}, {_signature(found)}")
        found = self.get(name, version)
        if found.state is RecipeState.RELEASED:
            return RecipeForRun(found, f"recipe {found.title}, {_signature(found)}")
        if not unreleased_allowed:
            words = f"{found.title} is {_state_words(found)}"
            raise self.context.refused(Problem.NOT_RELEASED, f"run recipe {name!r}", words)
        words = f"recipe {found.title} is {_state_words(found)}; used because the run was told that it may"
        return RecipeForRun(found, words)

    def _newest_released(self, name: str) -> RecipeVersion:
        versions = self.versions(name)
        released = [found for found in versions if found.state is RecipeState.RELEASED]
        if released:
            return released[-1]
        asked = f"run recipe {name!r}"
        if not versions:
            raise self._unknown(asked, name, None)
        states = "; ".join(f"version {found.version} is {_state_words(found)}" for found in versions)
        raise self.context.refused(Problem.NOT_RELEASED, asked, states)

    def _change(
        self, name: str, version: int, to: RecipeState, signed: dict[str, Any], who: str, why: str
    ) -> RecipeVersion:
        asked = f"make version {version} of recipe {name!r} {to.value}"
        self.context.require_words(asked, who=who, why=why)
        operation = self.context.operation()
        allowed = {RecipeState.RELEASED: ("draft",), RecipeState.WITHDRAWN: ("draft", "released")}[to]

        def work(connection: Connection) -> RowMapping:
            row = self._find(connection, name, version, lock=True)
            if row is None:
                raise self._unknown(asked, name, version)
            if self.context.trail.is_done(connection, operation):
                return row
            if row["state"] not in allowed:
                words = f"it is {_state_words(_version(row))}"
                remedy = "add the text as a new version"
                raise self.context.refused(Problem.CONTRADICTION, asked, words, remedy)
            change = update(recipe).where(recipe.c.id == row["id"]).values(state=to.value, **signed)
            changed = connection.execute(change.returning(recipe)).mappings().one()
            self._note(connection, operation, changed, row["state"], who, why)
            return changed

        return _version(self.context.database.write(asked, work))

    def _note(
        self, connection: Connection, operation: str, row: RowMapping, old: str | None, who: str, why: str
    ) -> None:
        before = None if old is None else {"state": old, "version": row["version"]}
        after = {"state": row["state"], "version": row["version"], "sha256": row["sha256"]}
        change = Change(who, "recipe", row["name"], before, after, why)
        self.context.trail.append(connection, change, utc=self.context.now(), operation=operation)

    def _newest(self, connection: Connection, name: str) -> RowMapping | None:
        return self._find(connection, name, None, lock=True)

    @staticmethod
    def _find(
        connection: Connection, name: str, version: int | None, *, lock: bool = False
    ) -> RowMapping | None:
        query = select(recipe).where(recipe.c.name == name)
        if version is not None:
            query = query.where(recipe.c.version == version)
        query = query.order_by(recipe.c.version.desc()).limit(1)
        return connection.execute(query.with_for_update() if lock else query).mappings().first()

    def _unknown(self, asked: str, name: str, version: int | None) -> Exception:
        query = select(func.distinct(recipe.c.name)).order_by(recipe.c.name)
        names = self.context.database.scalars(asked, query)
        what = f"there is no recipe {name!r}" if version is None else f"{name!r} has no version {version}"
        return self.context.refused(Problem.UNKNOWN, asked, f"{what}; known are {', '.join(names) or 'none'}")


def _version(row: RowMapping) -> RecipeVersion:
    return RecipeVersion(**{**row, "state": RecipeState(row["state"])})


def _signature(found: RecipeVersion) -> str:
    day = "" if found.released_utc is None else found.released_utc.date().isoformat()
    return f"released by {found.released_by} on {day}"


def _state_words(found: RecipeVersion) -> str:
    if found.state is RecipeState.DRAFT:
        return "a draft that nobody has signed off"
    if found.state is RecipeState.WITHDRAWN:
        return f"withdrawn by {found.withdrawn_by}: {found.withdrawn_why}"
    return _signature(found)
