"""The ray kernel written out: one plan, plain numbers, no calls.

For a few poses most of the kernel's time goes into calls and tuples, not into arithmetic. So the kernel is
run once per plan on symbols that write down what is done with them, and what they wrote is compiled: the same
operations in the same order, so the same numbers to the last bit, in a tenth of the time. What does not
depend on the pose is done once, what paths share is written once, and what nobody asks for is left out.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any

from optics.paths import Plan
from optics.rays import Maths, RayModel, land, lens_frame, run

Spots = Callable[[Sequence[float], Sequence[Sequence[float]]], tuple[list[list[float]], int]]
"""Takes a model's numbers and poses; returns the spots, and the number of a pose whose ray is lost or -1."""


_NAME = re.compile(r"\b[mp]\d+\b")


class _Listing:
    """Names and what they stand for, those that depend on the pose apart from those that do not."""

    def __init__(self) -> None:
        self.once: dict[str, str] = {}
        self.each: dict[str, str] = {}
        self._written: dict[str, _Symbol] = {}

    def symbol(self, text: str, *, each: bool) -> _Symbol:
        """Write down an operation; return what stands for its result, the same for the same operation."""
        if text not in self._written:
            lines = self.each if each else self.once
            name = f"{'p' if each else 'm'}{len(lines)}"
            lines[name] = text
            self._written[text] = _Symbol(self, name, each)
        return self._written[text]

    def folded(self, results: Sequence[str]) -> None:
        """Leave out what no result needs, and write what is needed once where it is needed."""
        self.each = _folded(self.each, results)
        # What is done once stays a line of its own where it is asked for by the lines of each pose.
        self.once = _folded(self.once, _NAME.findall(" ".join(self.each.values())))


def _folded(lines: dict[str, str], results: Sequence[str]) -> dict[str, str]:
    uses = Counter(results)
    for name, text in reversed(lines.items()):
        if uses[name]:
            uses.update(_NAME.findall(text))
    inside: dict[str, str] = {}
    kept: dict[str, str] = {}
    for name, text in lines.items():
        whole = _NAME.sub(lambda found: inside.get(found[0], found[0]), text)
        if name in results or uses[name] > 1:
            kept[name] = whole
        elif uses[name]:
            inside[name] = f"({whole})"
    return kept


class _Symbol:
    """Stands for a number; every operation on it is written down."""

    def __init__(self, listing: _Listing, name: str, each: bool) -> None:
        self.listing, self.name, self.each = listing, name, each

    @property
    def real(self) -> _Symbol:
        return self

    def made(self, pattern: str, other: Any = None) -> _Symbol:
        """Write down an operation: ``{0}`` stands for this number, ``{1}`` for the other one."""
        symbolic = isinstance(other, _Symbol)
        text = pattern.format(self.name, other.name if symbolic else repr(other))
        return self.listing.symbol(text, each=self.each or (symbolic and other.each))

    def __add__(self, other: Any) -> _Symbol:
        return self.made("{0} + {1}", other)

    def __radd__(self, other: Any) -> _Symbol:
        return self.made("{1} + {0}", other)

    def __sub__(self, other: Any) -> _Symbol:
        return self.made("{0} - {1}", other)

    def __rsub__(self, other: Any) -> _Symbol:
        return self.made("{1} - {0}", other)

    def __mul__(self, other: Any) -> _Symbol:
        return self.made("{0} * {1}", other)

    def __truediv__(self, other: Any) -> _Symbol:
        return self.made("{0} / {1}", other)

    def __rtruediv__(self, other: Any) -> _Symbol:
        return self.made("{1} / {0}", other)

    def __neg__(self) -> _Symbol:
        return self.made("-{0}")

    def __gt__(self, other: Any) -> _Symbol:
        return self.made("{0} > {1}", other)

    def __and__(self, other: Any) -> _Symbol:
        return self.made("{0} and {1}", other)

    def __rand__(self, other: Any) -> _Symbol:
        return self.made("{1} and {0}", other)


_SYMBOLIC = Maths(
    lambda value: value.made("sqrt(abs({0}))"),
    lambda value: value.made("sin({0})"),
    lambda value: value.made("cos({0})"),
)


def numbers_of(model: RayModel) -> list[float]:
    """Return a model's numbers in the order in which the written-out kernel takes them."""
    return [
        *model.curvatures_per_mm,
        *model.thicknesses_mm,
        *model.indices,
        model.l1_mm,
        model.l2_mm,
        model.offset_x_mm,
        model.offset_y_mm,
        model.slope_x,
        model.slope_y,
    ]


@lru_cache(maxsize=64)
def written_out(plan: Plan, surface_count: int) -> Spots:
    """Return the kernel for one plan: where each of its paths ends, x and y in mm on its plate."""
    listing = _Listing()
    names = [f"n{number}" for number in range(3 * surface_count + 6)]
    given = iter(_Symbol(listing, name, False) for name in names)
    model = RayModel(
        tuple(next(given) for _ in range(surface_count)),
        tuple(next(given) for _ in range(surface_count - 1)),
        tuple(next(given) for _ in range(surface_count + 1)),
        *given,
    )
    pose = [_Symbol(listing, name, True) for name in ("x", "y", "rx", "ry")]
    traced = run(model, plan, lens_frame(pose, _SYMBOLIC), _SYMBOLIC)
    landed = [land(model, plan, traced, end) for end in range(len(plan.ends))]
    places = [value.name for place in landed for value in (place.x_mm, place.y_mm)]
    reached = [place.reached.name for place in landed]
    listing.folded([*places, *reached])
    text = "\n".join(
        [
            "def spots(numbers, poses):",
            f"    {', '.join(names)} = numbers",
            *(f"    {name} = {text}" for name, text in listing.once.items()),
            "    found = []",
            "    for number, (x, y, rx, ry) in enumerate(poses):",
            "        try:",
            *(f"            {name} = {text}" for name, text in listing.each.items()),
            "        except ZeroDivisionError:",
            "            return found, number",
            f"        if not ({' and '.join(reached)}):",
            "            return found, number",
            f"        found.append([{', '.join(places)}])",
            "    return found, -1",
        ]
    )
    space: dict[str, Any] = {"sqrt": math.sqrt, "sin": math.sin, "cos": math.cos}
    exec(compile(text, "<ray kernel written out>", "exec"), space)  # our own text, made above
    spots: Spots = space["spots"]
    return spots
