"""What vision would answer about the spots of a bench, without a picture.

True places, plus errors with the covariance that the picture's information allows, or the reason why there
would be no measurement. Calibrated against rendered looks (see the long test of this module).
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import chndtr

from optics.trace import SpotPath
from sim.camera_geometry import CameraSetup, PlateView
from sim.plate_art import TrueHole
from sim.quick_spots import QuickSpot
from sim.scene_camera import REFERENCE_RETURN_PER_MM2
from sim.scene_draws import TrueBench
from sim.scene_nuisances import SceneNuisances
from sim.seen_plate import SeenPlate
from sim.spot_information import REACH_RADII, Bright, PictureNoise, Told, what_is_told
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
_DECIDED: Final = 20.0  # difference of twice the log likelihood from which it is clear which return is which
_IMPLAUSIBLE: Final = 30.0  # squared distance from every expectation above which a light is nobody's
_LOG_RATIO_SIGMA: Final = 0.35
_FRESH: Final = 0.2  # share of the error (root of its variance) that is not speckle and new in every look
_FRACTION_SEEN: Final = 1e-3


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
        self._rng = np.random.default_rng([seed & 0xFFFFFFFF, _STREAM])
        self._nodes: dict[tuple[bytes, int, int, int], tuple[float, float]] = {}
        self._cameras = {
            name: self._camera(name, setup, plates[setup.plate], true, seed)
            for name, setup in sorted(cameras.items())
        }

    def _camera(
        self, name: str, setup: CameraSetup, plate: PlateSpec, true: TrueBench, seed: int
    ) -> SeenPlate:
        columns, rows = setup.width_px - 1.0, setup.height_px - 1.0
        view = PlateView(setup, plate, true.camera_errors[name])
        corners = view.to_mm(np.array([[0.0, 0.0], [columns, 0.0], [columns, rows], [0.0, rows]]))
        middle = corners.mean(axis=0)
        turn = np.arctan2(corners[:, 1] - middle[1], corners[:, 0] - middle[0])
        has_hole = plate.hole_radius_mm is not None
        errors = self._errors
        return SeenPlate(
            setup=setup,
            plate=plate,
            hole=true.holes[plate.name],
            corners_mm=corners[np.argsort(-turn)],
            shift_mm=errors.map_sigma_mm[has_hole] * self._rng.standard_normal(2),
            bend=errors.map_bend_per_mm * self._rng.standard_normal((2, 2)),
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
        center = seen.mapped(np.asarray(seen.hole.center_mm)) + error[:2]
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
        if len(found) == 2 and self._undecided(found, spots, expectations):
            detail = "two lights, but the odds which is which are even; a small test move will tell"
            return dict.fromkeys((SpotName.FRONT, SpotName.BACK), NoSpot(Reason.UNDECIDED, detail))
        if len(found) == 1:
            found = _owned(found, expectations)
        answers: dict[SpotName, Sighting] = dict(found)
        for name, other in ((SpotName.FRONT, SpotName.BACK), (SpotName.BACK, SpotName.FRONT)):
            if name not in found:
                answers[name] = self._missing(
                    camera, expectations[name], found.get(other), expectations[other], hole, exposure_s
                )
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
        return self._missing(camera, expectation, None, None, None, exposure_s)

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
            weakest = min(range(len(left)), key=told.significance.__getitem__)
            if told.significance[weakest] >= _SEEN:
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
                spot.center_mm,
                spot.radius_mm,
                _irradiance(spot) * rate,
                max(expectations[name].radius_relative_sigma, 0.02) if name in expectations else 1.0,
            )
            for name, spot in spots.items()
        ]
        reach = _REACH_ALONE_RADII if set(spots) == {SpotName.TRANSMITTED} else REACH_RADII
        seen = seen_by.hides(list(spots.values()), reach)
        return what_is_told(bright, self._noise(camera, exposure_s, frames), seen, reach)

    def _measured(
        self, camera: str, spots: Mapping[SpotName, QuickSpot], told: Told
    ) -> dict[SpotName, Sighting]:
        seen_by, count = self._cameras[camera], len(spots)
        if self._sigma_mm is not None:
            covariance = self._sigma_mm**2 * np.eye(2 * count)
            error = self._sigma_mm * self._rng.standard_normal(2 * count)
        else:
            alone = SpotName.TRANSMITTED in spots
            covariance = self._errors.told[alone] ** 2 * told.covariance_mm2
            normal = [part for name, spot in spots.items() for part in self._speckle(seen_by, name, spot)]
            error = self._errors.inflation * (np.linalg.cholesky(told.covariance_mm2) @ normal)
        answers: dict[SpotName, Sighting] = {}
        for k, (name, spot) in enumerate(spots.items()):
            part = slice(2 * k, 2 * k + 2)
            own = covariance[part, part]
            sigma = _largest_sigma(told.covariance_mm2[part, part])
            if sigma > _USELESS * spot.radius_mm:
                reason = Reason.UNRESOLVED if count > 1 else Reason.TOO_UNCERTAIN
                detail = f"light is seen, but its centre is uncertain by {sigma:.2g} mm (k = 1)"
                answers[name] = NoSpot(reason, detail)
                continue
            rate = _irradiance(spot) * self._rate(camera) * math.pi / 2.0 * spot.radius_mm**2
            answers[name] = Spot(
                center_mm=seen_by.mapped(np.asarray(spot.center_mm)) + error[part],
                covariance_mm2=np.array(own),
                radius_mm=(spot.radius_mm, spot.radius_mm),
                power_e_per_s=rate / seen_by.pixel_mm2,
                flags=_flags(spot, seen_by.hole),
                # What is taken from one of two that overlap is given to the other, as vision says too.
                with_other_mm2=covariance[part, 2 - 2 * k : 4 - 2 * k].copy() if count == 2 else None,
            )
        return answers

    def _speckle(self, seen_by: SeenPlate, name: SpotName, spot: QuickSpot) -> tuple[float, float]:
        """Return two standard normal numbers that change smoothly as the spot moves, as its speckle does.

        The same mixture over a lattice of spot positions as :class:`sim.speckle.SpeckleMap`.
        """
        move_mm = self._nuisances.speckle_move_um * 1e-3
        number = _NUMBER_OF[name]
        x, y = spot.center_mm[0] / move_mm, spot.center_mm[1] / move_mm
        column, row = math.floor(x), math.floor(y)
        wx, wy = (x - column) * (math.pi / 2), (y - row) * (math.pi / 2)
        total_x = total_y = 0.0
        for step_x, weight_x in ((0, math.cos(wx)), (1, math.sin(wx))):
            for step_y, weight_y in ((0, math.cos(wy)), (1, math.sin(wy))):
                own_x, own_y = self._node(seen_by.speckle_seed, number, column + step_x, row + step_y)
                total_x += weight_x * weight_y * own_x
                total_y += weight_x * weight_y * own_y
        fresh_x, fresh_y = self._rng.standard_normal(2).tolist()
        still = math.sqrt(1.0 - _FRESH**2)
        return still * total_x + _FRESH * fresh_x, still * total_y + _FRESH * fresh_y

    def _node(self, seed: bytes, number: int, column: int, row: int) -> tuple[float, float]:
        key = (seed, number, column, row)
        if key not in self._nodes:
            text = b"%b %d %d %d" % key
            digest = hashlib.blake2b(text, digest_size=16).digest()
            # Box-Muller; 53 bits each, never 0.
            one = ((int.from_bytes(digest[:8], "little") >> 11) + 1) * 2.0**-53
            two = (int.from_bytes(digest[8:], "little") >> 11) * 2.0**-53
            length, angle = math.sqrt(-2.0 * math.log(one)), 2.0 * math.pi * two
            self._nodes[key] = length * math.cos(angle), length * math.sin(angle)
        return self._nodes[key]

    def _undecided(
        self,
        found: Mapping[SpotName, Sighting],
        spots: Mapping[SpotPath, QuickSpot],
        expectations: Mapping[SpotName, Expectation],
    ) -> bool:
        """Tell whether exchanging the names of the two lights would explain them nearly as well."""
        front, back = found[SpotName.FRONT], found[SpotName.BACK]
        if not (isinstance(front, Spot) and isinstance(back, Spot)):
            return False
        expected = expectations[SpotName.FRONT], expectations[SpotName.BACK]
        true = spots[SpotPath.FRONT], spots[SpotPath.BACK]
        widths = math.log(true[0].radius_mm / true[1].radius_mm) ** 2
        gain = sum(widths / max(one.radius_relative_sigma, 0.02) ** 2 for one in expected)
        awaited = math.log(expected[0].relative_power / expected[1].relative_power)
        gain += (2.0 * awaited / _LOG_RATIO_SIGMA) ** 2
        gain += _misfit(front, expected[1]) + _misfit(back, expected[0])
        gain -= _misfit(front, expected[0]) + _misfit(back, expected[1])
        apart = front.center_mm - back.center_mm
        spread = front.covariance_mm2 + back.covariance_mm2
        return gain < _DECIDED and _square(apart, spread) > 9.0

    def _missing(
        self,
        camera: str,
        expected: Expectation,
        other: Sighting | None,
        other_expected: Expectation | None,
        hole: tuple[Array, float] | None,
        exposure_s: float,
    ) -> NoSpot:
        """Say why a spot was not seen, as vision does."""
        seen_by = self._cameras[camera]
        center = np.asarray(expected.center_mm, float)
        sigma = _largest_sigma(np.asarray(expected.covariance_mm2))
        if hole is not None:
            bound = self._unseen_mm(camera, expected, other, other_expected, hole[1], exposure_s)
            if bound > 0.0 and math.hypot(*(center - hole[0])) < bound + 2.0 * sigma:
                detail = (
                    f"no light outside the hole; the centre lies within {bound:.2f} mm of the hole's centre"
                )
                return NoSpot(Reason.IN_THE_HOLE, detail, bound)
        if not seen_by.holds(center, 0.0):
            detail = "the expected place lies outside what the camera sees"
            return NoSpot(Reason.OFF_THE_PLATE, detail)
        if isinstance(other, Spot) and not seen_by.holds(center, 2.0 * sigma + expected.radius_mm):
            detail = "not on the part of the plate that the camera sees"
            return NoSpot(Reason.OFF_THE_PLATE, detail)
        return NoSpot(Reason.NO_LIGHT, "no light found where the spot could be")

    def _unseen_mm(
        self,
        camera: str,
        expected: Expectation,
        other: Sighting | None,
        other_expected: Expectation | None,
        hole_mm: float,
        exposure_s: float,
    ) -> float:
        """Return how far from the hole's centre a spot could lie unseen; 0 when it could not hide there."""
        share = _FRACTION_SEEN
        if isinstance(other, Spot) and other_expected is not None:
            setup = self._cameras[camera].setup
            power = other.power_e_per_s * exposure_s * expected.relative_power / other_expected.relative_power
            area_mm2 = 2.0 * math.pi * (hole_mm + expected.radius_mm) * expected.radius_mm
            pixels = area_mm2 / self._noise(camera, exposure_s, 1).pixel_mm2
            noise = setup.sensor.read_noise_e**2 * pixels
            share = min(max(10.0 * math.sqrt(noise + 25.0) / max(power, 1.0), 1e-5), 0.2)
        s = expected.radius_mm / 2.0
        distance = np.linspace(0.0, hole_mm, 21)
        # Outside a circle of a Gaussian beside its middle: the noncentral chi-square of two degrees.
        outside = 1.0 - chndtr((hole_mm / s) ** 2, 2.0, (distance / s) ** 2)
        hidden = np.flatnonzero(outside > share)
        count = int(hidden[0]) if hidden.size else len(distance)
        return 0.0 if count == 0 else max(float(distance[count - 1]), 0.05 * hole_mm)


_SPECKLE_PEAK: Final = 2.1
"""Brightness of the bright part of a speckled spot, as exposure advice takes it, over its smooth peak."""


def _lit(spot: QuickSpot | None) -> bool:
    return spot is not None and spot.power > 0.0


def _irradiance(spot: QuickSpot) -> float:
    """Return beam powers per mm2 at the centre of a spot (ISO 11146-1: w = 2 sigma)."""
    return 2.0 * spot.power / (math.pi * spot.radius_mm**2)


def _misfit(seen: Spot, expected: Expectation) -> float:
    return _square(seen.center_mm - expected.center_mm, expected.covariance_mm2 + seen.covariance_mm2)


def _square(offset: Array, covariance: Array) -> float:
    """Return the squared distance of an offset, shape (2,), in units of a covariance."""
    (x, y), ((xx, xy), (_, yy)) = offset.tolist(), covariance.tolist()
    return float((yy * x * x - 2.0 * xy * x * y + xx * y * y) / (xx * yy - xy * xy))


def _largest_sigma(covariance: Array) -> float:
    """Return the standard deviation along the worst direction of a 2 x 2 covariance."""
    (xx, xy), (_, yy) = covariance.tolist()
    return math.sqrt((xx + yy) / 2.0 + math.hypot((xx - yy) / 2.0, xy))


def _owned(
    found: Mapping[SpotName, Sighting], expectations: Mapping[SpotName, Expectation]
) -> dict[SpotName, Sighting]:
    """Give the only light that is seen to the return that it fits, as vision does; it need not be its own."""
    (seen,) = found.values()
    if not isinstance(seen, Spot):
        return dict(found)
    misfits = {}
    for name in (SpotName.FRONT, SpotName.BACK):
        expected = expectations[name]
        wider = math.log(seen.radius_mm[0] / expected.radius_mm) / max(expected.radius_relative_sigma, 0.01)
        misfits[name] = wider**2 + _misfit(seen, expected)
    owner = min(misfits, key=misfits.__getitem__)
    gap = abs(misfits[SpotName.FRONT] - misfits[SpotName.BACK])
    if misfits[owner] > _IMPLAUSIBLE:
        detail = "light is seen, but neither its size nor its place fits a return"
        return dict.fromkeys(misfits, NoSpot(Reason.UNRESOLVED, detail))
    if gap < _DECIDED:
        return dict.fromkeys(
            misfits, NoSpot(Reason.UNDECIDED, "one light is seen, and it may be either return")
        )
    return {owner: seen}


def _flags(spot: QuickSpot, hole: TrueHole | None) -> frozenset[Flag]:
    flags = {Flag.SPECKLE_LIMITED}
    if hole is not None:
        dx, dy = spot.center_mm[0] - hole.center_mm[0], spot.center_mm[1] - hole.center_mm[1]
        if math.hypot(dx, dy) < hole.radius_mm + spot.radius_mm:
            flags.add(Flag.CUT_BY_HOLE)
    return frozenset(flags)
