"""The true spots at the speed of a campaign: exact places, radii and powers as they are at the null.

Agrees with :class:`sim.scene.Scene`, which traces the beams' shapes anew for every frame; over the poses of
an alignment a spot's radius changes by less than a per cent, which no measurement of a centre notices.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from optics.errors import RayLostError
from optics.gaussian import beam_on_plate
from optics.rays import RayModel
from optics.spots import number_spot_coordinates
from optics.trace import SpotPath, power_fractions, trace
from sim.scene_draws import Placement, TrueBench
from sim.scene_nuisances import SceneNuisances
from sim.scene_spots import Pose, bare_spot
from sim.scene_state import SceneState
from vision.plate import PlateSpec

PATHS: Final = (SpotPath.FRONT, SpotPath.BACK, SpotPath.TRANSMITTED)
_SAFELY_INSIDE: Final = 0.7
_REMEMBERED: Final = 4
_ALL_LIT: Final = (True, True, True)


class QuickSpot(NamedTuple):
    """One true spot.

    Attributes
    ----------
    center_mm : tuple of float
        In the coordinates of the plate's print: what a measurement should find.
    radius_mm : float
        1/e^2 intensity radius (w = 2 sigma), geometric mean of both directions, at the null.
    power : float
        Relative to the nominal beam; 0 when no light comes this way.
    """

    center_mm: tuple[float, float]
    radius_mm: float
    power: float


class QuickSpots:
    """Where the spots of one bench truly are.

    Parameters
    ----------
    true : TrueBench
    plates : mapping of name to PlateSpec
    nuisances : SceneNuisances
    """

    def __init__(self, true: TrueBench, plates: Mapping[str, PlateSpec], nuisances: SceneNuisances) -> None:
        self._true, self._nuisances = true, nuisances
        self._plates = {
            path: next(
                name
                for name, plate in plates.items()
                if (plate.hole_radius_mm is None) == (path is SpotPath.TRANSMITTED)
            )
            for path in PATHS
        }
        self._shapes: dict[SpotPath, tuple[float, float]] | None = None
        self._base: tuple[float, NDArray[np.float64]] | None = None
        self._known: deque[tuple[SceneState, Mapping[SpotPath, QuickSpot]]] = deque(maxlen=_REMEMBERED)

    def at(self, state: SceneState) -> Mapping[SpotPath, QuickSpot]:
        """Return the three spots, the bare beam as TRANSMITTED with the lens out."""
        for known, spots in self._known:
            if known is state:
                return spots
        self._known.append((state, self._at(state)))
        return self._known[-1][1]

    def _at(self, state: SceneState) -> dict[SpotPath, QuickSpot]:
        true, nuisances = self._true, self._nuisances
        light = true.power_at(state.time_s, nuisances) if state.shutter_open else 0.0
        if state.pose is None:
            beam = true.beam_at(state.time_s, nuisances)
            bare = bare_spot(true.lens, true.layout, beam, light)
            x_mm, y_mm = bare.bench_mm.tolist()
            at = self._placement(SpotPath.TRANSMITTED, state).point_to_print(x_mm, y_mm)
            return {SpotPath.TRANSMITTED: QuickSpot(at, bare.radii_mm[0], light)}
        at_mm, lit = self._landings(state, state.pose)
        returned = self._placement(SpotPath.FRONT, state)
        there = returned, returned, self._placement(SpotPath.TRANSMITTED, state)
        found: dict[SpotPath, QuickSpot] = {}
        for k, (path, (radius_mm, power)) in enumerate(self._shapes_at_null().items()):
            at = there[k].point_to_print(at_mm[2 * k], at_mm[2 * k + 1])
            found[path] = QuickSpot(at, radius_mm, power * light * lit[k])
        return found

    def _landings(self, state: SceneState, pose: Pose) -> tuple[Sequence[float], Sequence[bool]]:
        """Return x and y of the three spots (mm, bench frame), and whether light comes there."""
        true, numbers = self._true, self._numbers(state.time_s)
        beam_x_mm, beam_y_mm = numbers[-4:-2].tolist()
        reach_mm = math.hypot(pose[0] - beam_x_mm, pose[1] - beam_y_mm)
        if reach_mm <= _SAFELY_INSIDE * true.lens.clear_aperture_mm / 2:
            try:
                return number_spot_coordinates(numbers, np.array([pose]))[0].tolist(), _ALL_LIT
            except RayLostError:
                pass  # then the whole trace says which
        beam = true.beam_at(state.time_s, self._nuisances)
        traced = trace(true.lens, true.layout, beam, pose, PATHS)
        landings = [traced[path] for path in PATHS]
        at_mm = [value for landing in landings for value in landing.landing_mm[0].tolist()]
        return at_mm, [bool(landing.lit[0]) for landing in landings]

    def _numbers(self, time_s: float) -> NDArray[np.float64]:
        """Return :attr:`optics.rays.RayModel.numbers` of the bench; only the beam differs between frames."""
        true = self._true
        wavelength_nm = true.wavelength_nm_at(time_s, self._nuisances)
        if self._base is None or self._base[0] != wavelength_nm:
            beam = replace(true.beam, wavelength_nm=wavelength_nm)
            self._base = wavelength_nm, np.array(RayModel.of(true.lens, true.layout, beam).numbers)
        numbers = self._base[1].copy()
        (x_mm, y_mm), (slope_x_mrad, slope_y_mrad) = true.aim_at(time_s, self._nuisances)
        numbers[-4:] = x_mm, y_mm, slope_x_mrad * 1e-3, slope_y_mrad * 1e-3
        return numbers

    def _placement(self, path: SpotPath, state: SceneState) -> Placement:
        return self._true.placement_at(self._plates[path], state.time_s, self._nuisances)

    def _shapes_at_null(self) -> dict[SpotPath, tuple[float, float]]:
        """Return radius and power fraction of each spot with the lens on the beam."""
        if self._shapes is None:
            true = self._true
            bench, null = (true.lens, true.layout, true.beam), (*true.beam.offset_mm, 0.0, 0.0)
            self._shapes = {}
            for path, power in zip(PATHS, power_fractions(*bench, null, PATHS), strict=True):
                (xx, xy), (_, yy) = beam_on_plate(*bench, null, path).radius_matrix[0].tolist()
                self._shapes[path] = (xx * yy - xy * xy) ** 0.25, power
        return self._shapes
