"""How parts come and go: announced one by one or listed, loaded, taken out, set aside."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from driver.protocols import LensHandler
from station.config.problems import BadInput
from station.lot.parts_file import odd_serial


@dataclass(frozen=True, slots=True)
class Announced:
    """A part that a feeder has for the station."""

    serial: str
    recipe: str


@runtime_checkable
class Handling(Protocol):
    """What a lot needs of whoever brings the parts."""

    def load(self, serial: str, recipe: str) -> None:
        """Return when this lens is in the mount; waits for it. DeviceFault when it does not come."""
        ...

    def unload(self, serial: str, *, aside: bool) -> None:
        """Return when the mount is empty; ``aside``: the part does not go on."""
        ...


@runtime_checkable
class Feeder(Handling, Protocol):
    """Handling that announces parts by itself."""

    def announced(self) -> Announced | None:
        """Return the next part; None when no further one will come. Waits for it."""
        ...


@dataclass(slots=True)
class ByHandler:
    """Parts that are put in and taken out by the bench's lens handler: a person, a robot.

    Parameters
    ----------
    handler : LensHandler
    tell : callable
        Says which part is wanted, and where it goes.
    """

    handler: LensHandler
    tell: Callable[[str], None]

    def load(self, serial: str, recipe: str) -> None:
        """Return when the handler has put the lens in."""
        self.tell(f"put in part {serial} ({recipe})")
        self.handler.lens_in()

    def unload(self, serial: str, *, aside: bool) -> None:
        """Return when the handler has taken the lens out."""
        self.tell(f"part {serial}: {'SET ASIDE' if aside else 'take out, it is done'}")
        self.handler.lens_out()


@dataclass(slots=True)
class ByLines:
    """A feeder that announces parts as lines of text: ``serial`` or ``serial,recipe``.

    Parameters
    ----------
    lines : iterator of str
        Standard input, a pipe; its end is the end of the lot.
    by_hand : ByHandler
    recipe : str
        Where a line names none.
    """

    lines: Iterator[str]
    by_hand: ByHandler
    recipe: str

    def announced(self) -> Announced | None:
        """Return the part of the next line that is not empty; BadInput for an odd one."""
        for number, line in enumerate(self.lines, 1):
            serial, _, recipe = line.strip().partition(",")
            if not line.strip():
                continue
            odd = odd_serial(serial)
            if odd:
                raise BadInput(
                    "announcement",
                    "serial",
                    line=number,
                    found=f"{serial!r}, {odd}",
                    allowed="a serial number",
                )
            return Announced(serial, recipe or self.recipe)
        return None

    def load(self, serial: str, recipe: str) -> None:
        """Return when the lens is in."""
        self.by_hand.load(serial, recipe)

    def unload(self, serial: str, *, aside: bool) -> None:
        """Return when the lens is out."""
        self.by_hand.unload(serial, aside=aside)
