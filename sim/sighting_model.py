"""What vision would answer about the spots of a bench, without a picture.

True places, plus errors with the covariance that the picture's information allows, or the reason why there
would be no measurement. Calibrated against rendered looks (see the long test of this module).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from operator import mul
from typing import Final

import numpy as np
from numpy.typing import NDArray

from optics.trace import SpotPath
from sim.camera_geometry import CameraSetup, PlateView
from sim.plate_art import TrueHole
from sim.quick_spots import QuickSpot
from sim.scene_camera import REFERENCE_RETURN_PER_MM2
from sim.scene_draws import TrueBench
from sim.scene_nuisances import SceneNuisances
from sim.seen_plate import SeenPlate
from sim.sighting_reasons import largest_sigma, missing, owned, undecided, unseen_mm
from sim.speckle_errors import SpeckleErrors
from sim.spot_information import REACH_RADII, Bright, PictureNoise, Told, what_is_told
from sim.streams import stream
from vision.plate import PlateSpec
from vision.spots import Expectation, Flag, NoSpot, Reason, Sighting, Spot, SpotName

Array = NDArray[np.float64]
# The transmitted spot is bright and alone: its fit knows the halo, and follows the wings further.
_REACH_ALONE_RADII: Final = 1.9

PATH_OF: Final[Mapping[SpotName, SpotPath]] = {
    SpotName.FRONT: SpotPath.FRONT,
    SpotName.BACK: SpotPath.BACK,
    SpotName.TRANSMITTED: SpotPath.TRANSMITTED,
}
_NUMBER_OF: Final = {name: number for number, name in enumerate(PATH_OF)}
_STREAM: Final = 120  # of the bench's seed; the bench itself uses those below
_SEEN: Final = 6.0  # standard deviations of the power from which light counts as a spot
_USELESS: Final = 0.35  # a centre whose sigma exceeds this fraction of the radius is no measurement
# Brightness of the bright part of a speckled spot, as exposure advice takes it, over its smooth peak.
_SPECKLE_PEAK: Final = 2.1
_WHOLE: Final = frozenset({Flag.SPECKLE_LIMITED})
_CUT: Final = frozenset({Flag.SPECKLE_LIMITED, Flag.CUT_BY_HOLE})


@dataclass(frozen=True, slots=True)
class Errors:
    """How far the errors of vision go beyond what its covariances say, from rendered looks.

    Attributes
    ----------
    inflation : float
        Standard deviation of error over what the picture's information allows.
    told : tuple of float
        What is reported over the same: of returns, whose fit leaves more open, and of the transmitted spot.
    hole_sigma_mm, hole_told_mm : float
        Standard deviation of the hole's measured centre against its print, and what is reported.
    map_sigma_mm, map_told_mm : mapping of bool to float
        The same of a mapped point; key: whether the plate has a hole.
    map_bend_per_mm : float
        Standard deviation of the map's error per mm from the plate's middle.
    """

    inflation: float = 1.1
    told: tuple[float, float] = (1.12, 0.98)
    hole_sigma_mm: float = 0.0019
    hole_told_mm: float = 0.0020
    map_sigma_mm: tuple[float, float] = (0.0009, 0.0018)
    map_told_mm: tuple[float, float] = (0.0010, 0.0021)
    map_bend_per_mm: float = 8e-5


class SightingModel:
    """Answers for the measuring part of vision on one bench.

    Parameters
    ----------
    true : TrueBench
    plates : mapping of name to PlateSpec
    cameras : mapping of name to CameraSetup
    nuisances : SceneNuisances
    seed : int
    sigma_mm : float, optional
        Use this standard deviation per coordinate for every spot and look instead of what a picture tells.
    errors : Errors
    """

    def __init__(
        self,
        true: TrueBench,
        plates: Mapping[str, PlateSpec],
        cameras: Mapping[str, CameraSetup],
        nuisances: SceneNuisances,
        seed: int,
        *,
        sigma_mm: float | None = None,
        errors: Errors | None = None,
    ) -> None:
        self._nuisances, self._sigma_mm = nuisances, sigma_mm
        self._errors = errors or Errors()
        self._rng = stream(seed, _STREAM)
        self._speckle = SpeckleErrors(nuisances.speckle_move_um * 1e-3, self._rng)
        self._cameras = {
            name: self._camera(name, setup, plates[setup.plate], true, seed)
            for name, setup in sorted(cameras.items())
        }

    def _camera(
        self, name: str, setup: CameraSetup, plate: PlateSpec, true: TrueBench, seed: int
    ) -> SeenPlate:
        columns, rows = setup.width_px - 1.0, setup.height_px - 1.0
        view = PlateView(setup, plate, true.camera_errors[name])
        corners = view.to_mm(np.array([[0.0, 0.0], [columns, 0.0], [columns, rows], [0.0, rows]])).tolist()
        middle_x, middle_y = (sum(part) / len(corners) for part in zip(*corners, strict=True))
        has_hole = plate.hole_radius_mm is not None
        errors = self._errors
        return SeenPlate(
            setup=setup,
            plate=plate,
            hole=true.holes[plate.name],
            corners_mm=sorted(corners, key=lambda at: -math.atan2(at[1] - middle_y, at[0] - middle_x)),
            shift_mm=(errors.map_sigma_mm[has_hole] * self._rng.standard_normal(2)).tolist(),
            bend=(errors.map_bend_per_mm * self._rng.standard_normal((2, 2))).tolist(),
            speckle_seed=f"{seed & 0xFFFFFFFF} {plate.name}".encode(),
        )

    # --- light --------------------------------------------------------------------------------------

    def fill(self, camera: str, spots: Sequence[QuickSpot], exposure_s: float) -> float:
        """Return how far the brightest light fills the camera's range (may exceed 1); 0 without light."""
        setup = self._cameras[camera].setup
        peak = max((_irradiance(spot) for spot in spots), default=0.0)
        full_e = (setup.sensor.full_scale_dn - setup.sensor.black_level_dn) * setup.sensor.gain_e_per_dn
        return _SPECKLE_PEAK * peak * self._rate(camera) * exposure_s / full_e

    def _rate(self, camera: str) -> float:
        """Electrons per second in a pixel that sees one beam power per mm2."""
        setup = self._cameras[camera].setup
        return setup.beam_rate_e_mm2_per_s * setup.filter_transmission * self._nuisances.paper_albedo

    def _noise(self, camera: str, exposure_s: float, frames: int) -> PictureNoise:
        setup, nuisances = self._cameras[camera].setup, self._nuisances
        room = nuisances.room_level * REFERENCE_RETURN_PER_MM2 * self._rate(camera) * exposure_s
        return PictureNoise(
            pixel_mm2=self._cameras[camera].pixel_mm2,
            floor_e2=room + setup.sensor.read_noise_e**2 + nuisances.dark_offset_sigma_e**2,
            speckle_mm2=(nuisances.speckle_contrast * nuisances.speckle_grain_um * 1e-3) ** 2,
            frames=frames,
        )

    # --- what is answered -----------------------------------------------------------------------------

    def hole(self, camera: str) -> tuple[Array, Array, float]:
        """Return measured centre, reported covariance and measured radius of a camera's hole (mm)."""
        seen = self._cameras[camera]
        if seen.hole is None:
            raise ValueError(f"the plate of camera {camera!r} has no hole")
        error = self._errors.hole_sigma_mm * self._rng.standard_normal(3)
        center = np.array(seen.mapped(*seen.hole.center_mm)) + error[:2]
        told = math.hypot(self._errors.hole_told_mm, self._errors.map_told_mm[True])
        return center, told**2 * np.eye(2), seen.hole.radius_mm + float(error[2])

    def map_sigma_mm(self, camera: str) -> float:
        """Return the standard uncertainty that a camera's map reports."""
        return self._errors.map_told_mm[self._cameras[camera].hole is not None]

    def returns(
        self,
        camera: str,
        spots: Mapping[SpotPath, QuickSpot],
        expectations: Mapping[SpotName, Expectation],
        hole: tuple[Array, float],
        exposure_s: float,
        frames: int,
    ) -> dict[SpotName, Sighting]:
        """Answer for both returns.

        Parameters
        ----------
        camera : str
        spots : mapping
            The true ones; those that are not in it are dark.
        expectations : mapping
        hole : (ndarray, float)
            Centre and radius of the hole as it was measured (mm).
        exposure_s, frames : float, int
        """
        names = [name for name in (SpotName.FRONT, SpotName.BACK) if _lit(spots.get(PATH_OF[name]))]
        found = self._seen(camera, {n: spots[PATH_OF[n]] for n in names}, expectations, exposure_s, frames)
        if len(found) == 2 and undecided(found, spots, expectations):
            detail = "two lights, but the odds which is which are even; a small test move will tell"
            return dict.fromkeys((SpotName.FRONT, SpotName.BACK), NoSpot(Reason.UNDECIDED, detail))
        if len(found) == 1:
            found = owned(found, expectations)
        answers: dict[SpotName, Sighting] = dict(found)
        for name, other in ((SpotName.FRONT, SpotName.BACK), (SpotName.BACK, SpotName.FRONT)):
            if name not in found:
                seen_by, seen, expected = self._cameras[camera], found.get(other), expectations[name]
                hides_mm = unseen_mm(seen_by, expected, seen, expectations[other], hole[1], exposure_s)
                answers[name] = missing(seen_by, expected, seen, hole, hides_mm)
        return answers

    def single(
        self,
        camera: str,
        spot: QuickSpot | None,
        expectation: Expectation | None,
        exposure_s: float,
        frames: int,
    ) -> Sighting:
        """Answer for the transmitted spot, or the bare beam where nothing is expected."""
        name = SpotName.TRANSMITTED
        if spot is not None and _lit(spot):
            expected = {} if expectation is None else {name: expectation}
            found = self._seen(camera, {name: spot}, expected, exposure_s, frames)
            if name in found:
                return found[name]
        if expectation is None:
            return NoSpot(Reason.NO_LIGHT, "no light found")
        return missing(self._cameras[camera], expectation)

    # --- inside -----------------------------------------------------------------------------------------

    def _seen(
        self,
        camera: str,
        spots: Mapping[SpotName, QuickSpot],
        expectations: Mapping[SpotName, Expectation],
        exposure_s: float,
        frames: int,
    ) -> dict[SpotName, Sighting]:
        """Return what is measured of the spots that are seen at all; the weakest unseen one goes first."""
        left = dict(spots)
        while left:
            told = self._told(camera, left, expectations, exposure_s, frames)
            significance = told.significance.tolist()
            weakest = significance.index(min(significance))
            if significance[weakest] >= _SEEN:
                return self._measured(camera, left, told)
            del left[list(left)[weakest]]
        return {}

    def _told(
        self,
        camera: str,
        spots: Mapping[SpotName, QuickSpot],
        expectations: Mapping[SpotName, Expectation],
        exposure_s: float,
        frames: int,
    ) -> Told:
        seen_by = self._cameras[camera]
        rate = self._rate(camera) * exposure_s
        bright = [
            Bright(
                *spot.center_mm,
                spot.radius_mm,
                _irradiance(spot) * rate,
                max(expectations[name].radius_relative_sigma, 0.02) if name in expectations else 1.0,
            )
            for name, spot in spots.items()
        ]
        reach = _REACH_ALONE_RADII if set(spots) == {SpotName.TRANSMITTED} else REACH_RADII
        return what_is_told(bright, self._noise(camera, exposure_s, frames), seen_by.hidden, reach)

    def _measured(
        self, camera: str, spots: Mapping[SpotName, QuickSpot], told: Told
    ) -> dict[SpotName, Sighting]:
        seen_by, count = self._cameras[camera], len(spots)
        covariance, error = self._errors_of(seen_by, spots, told)
        answers: dict[SpotName, Sighting] = {}
        for k, (name, spot) in enumerate(spots.items()):
            part = slice(2 * k, 2 * k + 2)
            sigma = largest_sigma(told.covariance_mm2[part, part])
            if sigma > _USELESS * spot.radius_mm:
                reason = Reason.UNRESOLVED if count > 1 else Reason.TOO_UNCERTAIN
                detail = f"light is seen, but its centre is uncertain by {sigma:.2g} mm (k = 1)"
                answers[name] = NoSpot(reason, detail)
                continue
            rate = _irradiance(spot) * self._rate(camera) * math.pi / 2.0 * spot.radius_mm**2
            x_mm, y_mm = seen_by.mapped(*spot.center_mm)
            answers[name] = Spot(
                center_mm=np.array([x_mm + error[2 * k], y_mm + error[2 * k + 1]]),
                covariance_mm2=covariance[part, part].copy(),
                radius_mm=(spot.radius_mm, spot.radius_mm),
                power_e_per_s=rate / seen_by.pixel_mm2,
                flags=_CUT if _reaches_hole(spot, seen_by.hole) else _WHOLE,
                # What is taken from one of two that overlap is given to the other, as vision says too.
                with_other_mm2=covariance[part, 2 - 2 * k : 4 - 2 * k].copy() if count == 2 else None,
            )
        return answers

    def _errors_of(
        self, seen_by: SeenPlate, spots: Mapping[SpotName, QuickSpot], told: Told
    ) -> tuple[Array, list[float]]:
        """Return the covariance that is reported of all centres, and their errors (mm)."""
        if self._sigma_mm is not None:
            error: list[float] = (self._sigma_mm * self._rng.standard_normal(2 * len(spots))).tolist()
            return self._sigma_mm**2 * np.eye(2 * len(spots)), error
        normal: list[float] = []
        for name, spot in spots.items():
            pattern = b"%b %d" % (seen_by.speckle_seed, _NUMBER_OF[name])
            normal += self._speckle.at(pattern, *spot.center_mm)
        inflation, alone = self._errors.inflation, SpotName.TRANSMITTED in spots
        error = [inflation * sum(map(mul, row, normal)) for row in told.root_mm.tolist()]
        return self._errors.told[alone] ** 2 * told.covariance_mm2, error


def _lit(spot: QuickSpot | None) -> bool:
    return spot is not None and spot.power > 0.0


def _irradiance(spot: QuickSpot) -> float:
    """Return beam powers per mm2 at the centre of a spot (ISO 11146-1: w = 2 sigma)."""
    return 2.0 * spot.power / (math.pi * spot.radius_mm**2)


def _reaches_hole(spot: QuickSpot, hole: TrueHole | None) -> bool:
    return hole is not None and math.dist(spot.center_mm, hole.center_mm) < hole.radius_mm + spot.radius_mm
