"""What the bench file says about one motorised axis."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

MovesPose = Literal["decenter_x", "decenter_y", "tilt_x", "tilt_y"]
"""What an axis mainly moves; the learned mount matrix says what else it moves."""

_UNITS = ("mm", "deg")
_MOVES = ("decenter_x", "decenter_y", "tilt_x", "tilt_y")
_SIDES = (None, "below", "above")


@dataclass(frozen=True, slots=True)
class AxisSpec:
    """One axis of the mount; every length is in the axis's own ``unit``.

    Parameters
    ----------
    name : str
        Axis word on the line, for example "X"; letters and digits, a letter first.
    unit : "mm" or "deg"
        Unit of every other number here.
    travel_min, travel_max : float
        Ends of the permitted travel, absolute.
    step : float
        Smallest move, > 0.
    moves : str
        What the axis mainly moves: "decenter_x", "decenter_y", "tilt_x" or "tilt_y".
    speed_per_s : float
        Full speed, unit per second, > 0.
    repeatability : float
        Half-width within which the read-back position may differ from the target, >= 0.
    approach_from : "below", "above" or None
        Side from which the last move always comes, so that backlash is always taken up the same way.
    overshoot : float
        Distance to go past the target first when coming from the other side; > 0 with ``approach_from``.

    Raises
    ------
    ValueError
        When a number is not finite or impossible.
    """

    name: str
    unit: Literal["mm", "deg"]
    travel_min: float
    travel_max: float
    step: float
    moves: MovesPose
    speed_per_s: float
    repeatability: float
    approach_from: Literal["below", "above"] | None = None
    overshoot: float = 0.0

    def __post_init__(self) -> None:
        _require(
            self.name.isascii() and self.name.isalnum() and self.name[0].isalpha(),
            f"axis name {self.name!r} must be letters and digits with a letter first, like 'X'",
        )
        _require(self.unit in _UNITS, f"axis {self.name}: unit {self.unit!r} is not one of {_UNITS}")
        _require(self.moves in _MOVES, f"axis {self.name}: moves {self.moves!r} is not one of {_MOVES}")
        _require(
            self.approach_from in _SIDES,
            f"axis {self.name}: approach_from {self.approach_from!r} is not 'below' or 'above'",
        )
        numbers = ("travel_min", "travel_max", "step", "speed_per_s", "repeatability", "overshoot")
        for key in numbers:
            value = getattr(self, key)
            _require(math.isfinite(value), f"axis {self.name}: {key} {value} is not finite")
        _require(
            self.travel_min < self.travel_max,
            f"axis {self.name}: travel_min {self.travel_min} must be below travel_max {self.travel_max}",
        )
        for key in ("step", "speed_per_s"):
            value = getattr(self, key)
            _require(value > 0, f"axis {self.name}: {key} {value} must be greater than 0")
        for key in ("repeatability", "overshoot"):
            value = getattr(self, key)
            _require(value >= 0, f"axis {self.name}: {key} {value} must not be negative")
        _require(
            (self.approach_from is None) == (self.overshoot == 0),
            f"axis {self.name}: approach_from and overshoot > 0 go together",
        )
        _require(
            self.overshoot < self.travel_max - self.travel_min,
            f"axis {self.name}: overshoot {self.overshoot} must be less than the travel",
        )

    @property
    def tolerance(self) -> float:
        """Largest difference between target and read-back that still counts as arrived (axis unit)."""
        return self.step + self.repeatability

    @property
    def reach_min(self) -> float:
        """Lowest target; higher than the travel's end where the approach from below needs room."""
        return self.travel_min + (self.overshoot if self.approach_from == "below" else 0.0)

    @property
    def reach_max(self) -> float:
        """Highest target; lower than the travel's end where the approach from above needs room."""
        return self.travel_max - (self.overshoot if self.approach_from == "above" else 0.0)

    def reaches(self, value: float) -> bool:
        """Say whether ``value`` (axis unit) is finite and inside the travel."""
        return math.isfinite(value) and self.travel_min <= value <= self.travel_max

    def can_end_at(self, value: float) -> bool:
        """Say whether a move may end at ``value`` (axis unit): finite, and approached inside the travel."""
        return math.isfinite(value) and self.reach_min <= value <= self.reach_max


def _require(holds: bool, message: str) -> None:
    if not holds:
        raise ValueError(message)
