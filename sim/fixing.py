"""What fixing does to a lens: locking shifts it, adhesive pulls it while it cures.

The outputs of the bench that fix are "lock" (a clamp: the lens stands where it was locked, shifted, until it
is released) and "bond" (a curing lamp: the lens is pulled more and more, and follows the mount until the
adhesive has set). A shift has a share that all lenses of a bench have in common, which can be learned, and a
share of its own.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

Vector = NDArray[np.float64]
_MRAD_PER_ARCSEC = math.radians(1 / 3600) * 1e3


@dataclass(frozen=True, slots=True)
class FixingNuisances:
    """How much fixing shifts a lens. Defaults: common practice for small holders, no source.

    Attributes
    ----------
    lock_um, lock_arcsec, bond_um, bond_arcsec : tuple of float
        Shift that all parts share: decenter x, y and tilt x, y.
    lock_scatter_um, lock_scatter_arcsec, bond_scatter_um, bond_scatter_arcsec : float
        Standard deviation of a part's own shift, per component.
    lock_s : float
        How long the clamp takes.
    cure_s, set_s : float
        Time constant of the pull, and how long the lamp has to burn until the adhesive has set.
    """

    lock_um: tuple[float, float] = (5.0, -4.0)
    lock_arcsec: tuple[float, float] = (7.0, 5.0)
    lock_scatter_um: float = 0.8
    lock_scatter_arcsec: float = 1.5
    lock_s: float = 0.3
    bond_um: tuple[float, float] = (-4.0, 5.0)
    bond_arcsec: tuple[float, float] = (6.0, -8.0)
    bond_scatter_um: float = 0.8
    bond_scatter_arcsec: float = 1.5
    cure_s: float = 8.0
    set_s: float = 25.0

    def __post_init__(self) -> None:
        for field in fields(self):
            values = np.atleast_1d(getattr(self, field.name))
            shared = field.name in ("lock_um", "lock_arcsec", "bond_um", "bond_arcsec")
            if not np.isfinite(values).all() or (not shared and (values < 0).any()):
                raise ValueError(f"fixing nuisance {field.name} is {getattr(self, field.name)}")
        if self.cure_s == 0 or self.lock_s == 0:
            raise ValueError("fixing takes time: lock_s and cure_s must be greater than 0")

    @classmethod
    def none(cls) -> FixingNuisances:
        """Return fixing that shifts nothing."""
        nothing = (0.0, 0.0)
        return cls(nothing, nothing, 0.0, 0.0, 0.3, nothing, nothing, 0.0, 0.0)

    def shift(self, kind: str, rng: np.random.Generator) -> Vector:
        """Draw the shift of one fixing, shape (4,): mm, mm, mrad, mrad."""
        shared = np.array([*getattr(self, f"{kind}_um"), *getattr(self, f"{kind}_arcsec")])
        scatter = np.repeat([getattr(self, f"{kind}_scatter_um"), getattr(self, f"{kind}_scatter_arcsec")], 2)
        drawn: Vector = shared + scatter * rng.standard_normal(4)
        return drawn * [1e-3, 1e-3, _MRAD_PER_ARCSEC, _MRAD_PER_ARCSEC]


class Fixing:
    """State of clamp and adhesive of one bench.

    Parameters
    ----------
    nuisances : callable
        Returns the nuisances in force.
    rng : numpy.random.Generator
    """

    def __init__(self, nuisances: Callable[[], FixingNuisances], rng: np.random.Generator) -> None:
        self._nuisances, self._rng = nuisances, rng
        self._on_since: dict[str, float] = {}
        self._shift = {"lock": np.zeros(4), "bond": np.zeros(4)}
        self._cured_s = 0.0
        self._held: Vector | None = None

    def is_on(self, kind: str) -> bool:
        """Tell whether an output is on."""
        return kind in self._on_since

    def switch(self, kind: str, time_s: float, pose: Vector | None, *, on: bool) -> None:
        """Switch an output; ``pose`` is where the mount holds the lens, None without a lens."""
        if on == self.is_on(kind):
            return
        if on:
            self._on_since[kind] = time_s
            if pose is not None and not (kind == "bond" and self._cured_s):
                self._shift[kind] = self._nuisances().shift(kind, self._rng)
            if kind == "lock" and self._held is None:
                self._held = None if pose is None else pose.copy()
            return
        since = self._on_since.pop(kind)
        if kind == "bond":
            self._cured_s += time_s - since
        elif self._cured_s < self._nuisances().set_s:
            self._held = None

    def lens_out(self) -> None:
        """Forget the lens; outputs stay as they are."""
        self._cured_s, self._held = 0.0, None
        self._shift = {"lock": np.zeros(4), "bond": np.zeros(4)}

    @property
    def holds(self) -> bool:
        """Tell whether clamp or adhesive have a say in where the lens is."""
        return bool(self._on_since or self._cured_s)

    def placed(self, time_s: float, pose: Vector) -> Vector:
        """Return where the lens is whose mount holds it at ``pose``."""
        if not self.holds:
            return pose
        nuisances = self._nuisances()
        cured_s = self._cured_s + max(0.0, time_s - self._on_since.get("bond", time_s))
        if cured_s >= nuisances.set_s and self._held is None:
            # The first time that anybody looks after it has set.
            self._held = pose.copy()
        place = pose if self._held is None else self._held
        locked_s = time_s - self._on_since["lock"] if "lock" in self._on_since else 0.0
        clamped = min(1.0, locked_s / nuisances.lock_s)
        pulled = 1.0 - math.exp(-cured_s / nuisances.cure_s)
        return place + clamped * self._shift["lock"] + pulled * self._shift["bond"]


class SimOutput:
    """An output that fixes; fulfils :class:`driver.protocols.Output`."""

    def __init__(
        self, fixing: Fixing, kind: str, now_and_pose: Callable[[], tuple[float, Vector | None]]
    ) -> None:
        self._fixing, self._kind, self._now_and_pose = fixing, kind, now_and_pose

    def on(self) -> None:
        """Switch on."""
        self._fixing.switch(self._kind, *self._now_and_pose(), on=True)

    def off(self) -> None:
        """Switch off."""
        self._fixing.switch(self._kind, *self._now_and_pose(), on=False)

    def is_on(self) -> bool:
        """Tell whether it is on."""
        return self._fixing.is_on(self._kind)
