"""Everything that makes a simulated bench like a real one, in one object with realistic defaults."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from sim.fixing import FixingNuisances
from sim.line import LineNuisances
from sim.mount_errors import MountNuisances
from sim.scene_nuisances import SceneNuisances


@dataclass(frozen=True, slots=True)
class Nuisances:
    """Nuisances of a whole bench.

    Attributes
    ----------
    scene : SceneNuisances
        Light, plates, cameras.
    mount : MountNuisances
        Motors, screws, stages, how lenses are seated.
    line : LineNuisances
        Times of the line, the controller and the shutter.
    fixing : FixingNuisances
        How locking and bonding shift a lens.
    readout_s : float
        Time from the end of an exposure until the camera hands out the frame.
    handling_s : float
        Time that it takes to put a lens in or to take it out.
    """

    scene: SceneNuisances = field(default_factory=SceneNuisances)
    mount: MountNuisances = field(default_factory=MountNuisances)
    line: LineNuisances = field(default_factory=LineNuisances)
    fixing: FixingNuisances = field(default_factory=FixingNuisances)
    readout_s: float = 0.02
    handling_s: float = 5.0

    def __post_init__(self) -> None:
        for key in ("readout_s", "handling_s"):
            value = getattr(self, key)
            if not (math.isfinite(value) and value >= 0):
                raise ValueError(f"nuisance {key} is {value}; it must be finite and not negative")

    @classmethod
    def none(cls) -> Nuisances:
        """Return a bench without errors; lenses still seat at random, frames keep shot and read noise."""
        return cls(scene=SceneNuisances.none(), mount=MountNuisances.none(), fixing=FixingNuisances.none())
