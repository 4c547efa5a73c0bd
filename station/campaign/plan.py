"""What a campaign runs: which lens on which bench, and how much every bench deviates."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

from optics.families import FAMILIES
from sim.mount_errors import MountNuisances
from sim.nuisances import Nuisances
from sim.scene_nuisances import SceneNuisances
from station.campaign.inprocess import Measurement
from station.config import Setup
from station.config.loading import setup_from_texts
from station.config.problems import BadInput, nearest
from station.demo import BENCH_FILE, RECIPE_FILE, example_text

HARD: Final = ("near-concentric", "ball-like")
"""Families that hide a degree of freedom; a campaign runs them only when they are named."""

REGULAR: Final = tuple(name for name in FAMILIES if name not in HARD)

_CLOCKING_DEG: Final = 2.0
# Axes that come from one side take up their backlash by themselves, as most drivers of stages do; and the
# beam is said to lie in the hole as well as the simulator lays it.
_CHANGED: Final = {
    "beam_in_hole_sigma_um = 10.0": f"beam_in_hole_sigma_um = {SceneNuisances().beam_offset_sigma_um}",
    "repeatability = 0.002": 'repeatability = 0.002\napproach_from = "below"\novershoot = 0.05',
    "repeatability = 0.001": 'repeatability = 0.001\napproach_from = "below"\novershoot = 0.02',
}
_RECIPE: Final = """\
# Written by a campaign.
name = "{name}, 532 nm"
wavelength_nm = 532.0

[lens]
name = "{name}"
clear_aperture_mm = {aperture}
thicknesses_mm = {thicknesses}
glasses = {glasses}
{surfaces}
[tolerance]
decenter_um = 20.0
tilt_arcsec = 30.0

[look]
test_moves = "when_needed"
"""


@dataclass(frozen=True, slots=True)
class CampaignPlan:
    """One campaign; two equal plans give equal results, whoever computes them.

    Attributes
    ----------
    benches : int
    seed : int
    lens : str or None
        One lens family; None goes round the regular ones.
    measurement : {"spots", "frames"}
    spot_sigma_um : float or None
        With "spots": plain noise of this standard deviation per coordinate for every spot.
    line : bool
        With "spots": every word to the mount goes over the simulated line, as it does with "frames".
    bench_text, recipe_text : str or None
        Files of the user's own instead of the campaign's bench and lens families.
    """

    benches: int
    seed: int
    lens: str | None = None
    measurement: Measurement = "spots"
    spot_sigma_um: float | None = None
    line: bool = False
    bench_text: str | None = None
    recipe_text: str | None = None

    @property
    def chunk(self) -> int:
        """Number of benches that are computed and kept together: some seconds of work."""
        return 20 if self.measurement == "spots" else 3

    @property
    def chunks(self) -> int:
        """Number of chunks."""
        return math.ceil(self.benches / self.chunk)

    def indices(self, chunk: int) -> range:
        """Return which benches belong to a chunk."""
        return range(chunk * self.chunk, min((chunk + 1) * self.chunk, self.benches))

    def seed_of(self, index: int) -> int:
        """Return the seed of one bench; different for every bench of a campaign."""
        return (self.seed * 2_654_435_761 + index) & 0xFFFFFFFF

    def family_of(self, index: int) -> str:
        """Return the lens family of one bench."""
        if self.recipe_text is not None:
            return setup_of(self, index).recipe.lens.name
        return self.lens if self.lens is not None else REGULAR[index % len(REGULAR)]

    def data(self) -> dict[str, Any]:
        """Return the plan as plain JSON values."""
        return {name: getattr(self, name) for name in self.__slots__}


def checked_lens(name: str | None) -> str | None:
    """Return the name of a lens family.

    Raises
    ------
    BadInput
        For one that is not known.
    """
    if name is not None and name not in FAMILIES:
        raise BadInput(
            "--lens", "", found=repr(name), allowed=", ".join(FAMILIES), nearest=nearest(name, FAMILIES)
        )
    return name


@lru_cache(maxsize=1)
def deviations() -> Nuisances:
    """Return how much the benches of a campaign deviate: all that the simulated bench has, drawn per seed.

    Beyond the defaults (standard deviations): radii 1 %, L1 3 mm, L2 2 mm, clocking 2 degrees, scale 2 %. A
    lens lies within 1 mm and 1 degree of its place.
    """
    scene = SceneNuisances(radius_sigma=0.01, l1_sigma_mm=3.0, l2_sigma_mm=2.0)
    mount = MountNuisances(
        clocking_sigma_mrad=1e3 * math.radians(_CLOCKING_DEG),
        scale_sigma=0.02,
        seat_decenter_mm=1.0,
        seat_tilt_deg=1.0,
    )
    return Nuisances(scene=scene, mount=mount)


def setup_of(plan: CampaignPlan, index: int) -> Setup:
    """Return both configuration files of one bench, checked."""
    recipe = plan.recipe_text or recipe_text(plan.family_of(index))
    return _setup(plan.bench_text or bench_text(), recipe)


@lru_cache(maxsize=32)
def _setup(bench: str, recipe: str) -> Setup:
    return setup_from_texts(bench, recipe, BENCH_FILE, RECIPE_FILE)


@lru_cache(maxsize=1)
def bench_text() -> str:
    """Return the bench file of a campaign: the example's, as its benches are drawn and driven."""
    text = example_text(BENCH_FILE)
    for plain, changed in _CHANGED.items():
        if plain not in text:
            raise ValueError(f"the example bench has no {plain!r} to build on")
        text = text.replace(plain, changed)
    return text


@lru_cache(maxsize=32)
def recipe_text(family: str) -> str:
    """Return the recipe file of a lens family."""
    lens = FAMILIES[family]
    surfaces = "".join(
        f"\n[[lens.surfaces]]\nradius_mm = {_radius(surface.radius_mm)}\n" for surface in lens.surfaces
    )
    return _RECIPE.format(
        name=family,
        aperture=lens.clear_aperture_mm,
        thicknesses=[float(thickness) for thickness in lens.thicknesses_mm],
        glasses="[" + ", ".join(f'"{glass}"' for glass in lens.glasses) + "]",
        surfaces=surfaces,
    )


def _radius(radius_mm: float) -> str:
    return repr(radius_mm) if math.isfinite(radius_mm) else '"plano"'
