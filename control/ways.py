"""Where the next move goes: to the null, round it, along a test, in search; the mount's bounds kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from control.learn import LearnedModel
from control.looks import Rows
from control.messages import Move, MovePurpose
from control.mount import Mount
from control.moves import (
    blind_at_null,
    bounded_step,
    looks_round_null,
    scan,
    test_move_sizes,
    visible_null,
)
from control.plan import AlignmentPlan, BenchModel
from control.questions import TYPICAL_SPOT_MM
from control.unknowns import Vector, solve
from vision.spots import NoSpot, Reason, Sighting, SpotName

_TEST_ORDER: Final = ("decenter_x", "tilt_y", "decenter_y", "tilt_x")


def next_test(bench: BenchModel, made: Sequence[int]) -> int:
    """Return the axis of the next test move; ``made`` are those of the tests so far."""
    return next(
        index
        for main in _TEST_ORDER
        for index, axis in enumerate(bench.axes)
        if axis.moves == main and index not in made
    )


class Ways:
    """The moves of one alignment.

    Parameters
    ----------
    plan : AlignmentPlan
    bench : BenchModel
    mount : Mount
    model : LearnedModel
        As it is before the first look.
    hole_radius_mm : float

    Attributes
    ----------
    middle : ndarray, shape (4,), or None
        Axis positions that the looks round the null lie about; None begins them anew.
    """

    def __init__(
        self, plan: AlignmentPlan, bench: BenchModel, mount: Mount, model: LearnedModel, hole_radius_mm: float
    ) -> None:
        self._plan, self._bench, self._mount = plan, bench, mount
        self._hole_radius_mm = hole_radius_mm
        self.middle: Vector | None = None
        self._scan = scan(bench)
        # Several questions after one look begin with it.
        self._null_last: tuple[tuple[Rows | None, bytes, bytes], Vector] | None = None
        self._offsets = looks_round_null(plan, model, hole_radius_mm)
        self._swallowed: set[SpotName] = set(blind_at_null(model, hole_radius_mm))

    def go(self, wanted: Vector, why: str, purpose: MovePurpose) -> Move:
        """Return the move to ``wanted`` (axis units), or as far towards it as bounds and travel allow."""
        step = bounded_step(self._plan, self._bench, self._mount.axes, wanted)
        return self._mount.move_to(step.axes, why, purpose)

    def null(self, model: LearnedModel) -> Vector:
        """Return the axis positions of the null as far as the looks show it."""
        axes, sides = self._mount.axes, self._mount.sides
        key = model.rows, axes.tobytes(), sides.tobytes()
        if self._null_last is None or self._null_last[0] != key:
            self._null_last = key, visible_null(self._plan, model, axes, sides)
        return self._null_last[1]

    def towards_null(self, model: LearnedModel) -> Vector:
        """Return the way's end to the likeliest null, by all that is known."""
        wanted = model.null_axes(self._mount.sides)
        return bounded_step(self._plan, self._bench, self._mount.axes, wanted).axes

    def searching(self) -> Move:
        """Return the next move of the ordered search; it has more places than are ever looked at."""
        start = np.asarray(self._bench.null_axes, dtype=np.float64)
        return self.go(start + next(self._scan), "ordered search for the spots", MovePurpose.SEARCH)

    def test(self, model: LearnedModel, number: int) -> Move:
        """Return a test move of one axis, towards the null."""
        sizes = test_move_sizes(self._plan, self._bench, model.jacobian(), TYPICAL_SPOT_MM)
        way = self.null(model)[number] - self._mount.axes[number]
        target = self._mount.axes.copy()
        target[number] += sizes[number] if way >= 0.0 else -sizes[number]
        return self.go(target, f"test move of axis {self._bench.axis_names[number]}", MovePurpose.TEST)

    def round_null(self, model: LearnedModel, wide_pairs: int) -> Move:
        """Return the next move round the null; the first ``wide_pairs`` lean out to show the lens's power."""
        if self.middle is None:
            self.middle = self.null(model)
            self._offsets = looks_round_null(
                self._plan,
                model,
                self._hole_radius_mm,
                wide_pairs=wide_pairs,
                swallowed=frozenset(self._swallowed),
            )
        offset = solve(model.mount(), next(self._offsets))
        why = "look beside the null, so that speckle averages"
        return self.go(self.middle + offset, why, MovePurpose.VERIFY)

    def note_swallowed(self, sightings: Mapping[SpotName, Sighting]) -> None:
        """Lean the looks out farther once the hole turns out to swallow a spot."""
        gone = {
            name
            for name, seen in sightings.items()
            if isinstance(seen, NoSpot) and seen.reason is Reason.IN_THE_HOLE
        }
        if not gone <= self._swallowed:
            self._swallowed |= gone
            self.middle = None

    def parting_the_returns(self, model: LearnedModel) -> Move:
        """Decentre moves the two returns apart, tilt moves them together: only decentre can tell."""
        number = next(i for i, axis in enumerate(self._bench.axes) if axis.moves == "decenter_x")
        apart = model.jacobian()
        per_unit = float(np.hypot(*(apart[:2, number] - apart[2:4, number])))
        wanted = max(model.lens.radius_mm[:2]) / max(per_unit, 0.2)
        target = self._mount.axes.copy()
        target[number] += wanted if self.null(model)[number] >= self._mount.axes[number] else -wanted
        return self.go(target, "move the returns apart to tell front from back", MovePurpose.SEARCH)
