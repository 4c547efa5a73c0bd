"""The scene: rays and beams to camera frames, and the truth behind them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from optics.layout import Beam, Layout
from optics.lens import Lens
from optics.trace import SpotPath
from sim.camera_geometry import CameraSetup
from sim.plate_art import TrueHole
from sim.scene_camera import SceneCamera
from sim.scene_draws import Placement, TrueBench, draw_bench
from sim.scene_nuisances import SceneNuisances
from sim.scene_spots import (
    ON_HOLE_TARGET,
    ON_REFERENCE_TARGET,
    Pose,
    TrueSpot,
    bare_spot,
    lens_spots,
)
from sim.scene_state import SceneState, SceneTruth, TrueAxis
from vision.plate import PlateSpec

_STEP_MM = 1e-5
_STEP_MRAD = 5e-5
_TICK_S = 1.0


class Scene:
    """Everything on the bench that light touches.

    Pictures depend on the seed and the state only: the same call gives the same frame, bit for bit.

    Parameters
    ----------
    lens : optics.lens.Lens
        As prescribed; the seed draws the lens as made.
    layout : optics.layout.Layout
    beam : optics.layout.Beam
        Nominal; its offset counts from the centre of the hole.
    plates : mapping of name to PlateSpec
        The plate with a hole is the hole target, the one without is the reference target.
    cameras : mapping of name to CameraSetup
    nuisances : SceneNuisances
    seed : int

    Raises
    ------
    ValueError
        If a camera looks at a plate that is not there, or a plate is listed under another name.
    """

    def __init__(
        self,
        lens: Lens,
        layout: Layout,
        beam: Beam,
        plates: Mapping[str, PlateSpec],
        cameras: Mapping[str, CameraSetup],
        nuisances: SceneNuisances,
        seed: int,
    ) -> None:
        for name, plate in plates.items():
            if plate.name != name:
                raise ValueError(f"plate {plate.name!r} is listed as {name!r}; the names must agree")
        for name, setup in cameras.items():
            if setup.plate not in plates:
                raise ValueError(
                    f"camera {name!r} looks at plate {setup.plate!r}; plates are {sorted(plates)}"
                )
        self.nuisances = nuisances
        self.plates = dict(plates)
        self._true = draw_bench(lens, layout, beam, plates, list(cameras), nuisances, seed)
        root = (seed & 0xFFFFFFFF, 99)
        self._cameras = {
            name: SceneCamera(
                name,
                setup,
                plates[setup.plate],
                self._true,
                nuisances,
                root,
            )
            for name, setup in sorted(cameras.items())
        }
        self._traced = lru_cache(maxsize=8)(self._trace)

    @property
    def camera_names(self) -> tuple[str, ...]:
        """Names of the cameras."""
        return tuple(self._cameras)

    @property
    def true_lens(self) -> Lens:
        """The lens as made."""
        return self._true.lens

    @property
    def true_layout(self) -> Layout:
        """The distances as they are."""
        return self._true.layout

    def camera(self, name: str) -> SceneCamera:
        """Return one camera with its true geometry."""
        return self._cameras[name]

    @property
    def true(self) -> TrueBench:
        """What the seed drew, or what has become of it."""
        return self._true

    def become(self, true: TrueBench) -> None:
        """Change what is truly there, from the next frame on: another lens, a beam that jumps, a knock."""
        self._true = true
        self._traced.cache_clear()
        for camera in self._cameras.values():
            camera.true = true

    def render(self, camera_name: str, state: SceneState, exposure_s: float) -> NDArray[np.uint16]:
        """Return the frame of one camera, shape (height, width).

        Raises
        ------
        KeyError
            If there is no such camera.
        ValueError
            If the exposure is not above 0 and finite.
        """
        if not (math.isfinite(exposure_s) and exposure_s > 0):
            raise ValueError(f"exposure_s is {exposure_s}; allowed is a finite number above 0")
        camera = self._cameras[camera_name]
        return camera.frame(*self._lit(camera, state), state, exposure_s)

    def mean_electrons(self, camera_name: str, state: SceneState, exposure_s: float) -> NDArray[np.float32]:
        """Return the mean photo-electrons of every pixel: the frame before noise and saturation."""
        camera = self._cameras[camera_name]
        return camera.electrons(*self._lit(camera, state), state, exposure_s)

    def true_axis(self, time_s: float = 0.0) -> TrueAxis:
        """Return the axis of the beam in the bench frame."""
        beam = self.beam_at(time_s)
        return TrueAxis(beam.offset_mm, beam.slope_mrad)

    def beam_at(self, time_s: float) -> Beam:
        """Return the true beam at a time."""
        return self._true.beam_at(time_s, self.nuisances)

    def true_hole(self, plate: str) -> TrueHole | None:
        """Return the hole as drilled, in the coordinates of the plate's print."""
        return self._true.holes[plate]

    def pose_against_beam(self, pose: Pose, time_s: float = 0.0) -> Pose:
        """Return decenter (mm) and tilt (mrad) of the lens axis against the beam at the front vertex.

        To first order in the angles, which are small.
        """
        beam = self.beam_at(time_s)
        z_mm = self._true.layout.l1_mm
        slope_x, slope_y = beam.slope_mrad
        return (
            pose[0] - (beam.offset_mm[0] + slope_x * 1e-3 * z_mm),
            pose[1] - (beam.offset_mm[1] + slope_y * 1e-3 * z_mm),
            pose[2] + slope_y,
            pose[3] - slope_x,
        )

    def aligned_pose(self, time_s: float = 0.0) -> Pose:
        """Return the pose (bench frame) of a lens whose axis lies on the beam."""
        x, y, tilt_x, tilt_y = self.pose_against_beam((0.0, 0.0, 0.0, 0.0), time_s)
        return (-x, -y, -tilt_x, -tilt_y)

    def truth(self, state: SceneState) -> SceneTruth:
        """Return what is truly there: landing points, radii, powers, axis, hole."""
        spots: dict[SpotPath, TrueSpot] = {}
        for plate in self.plates.values():
            beam = self.beam_at(state.time_s)
            for spot in self._spots_on(
                plate, state.pose, beam, state.time_s, self._light(state), ghosts=True
            ):
                spots[spot.path] = spot
        hole = next((hole for hole in self._true.holes.values() if hole is not None), None)
        against = None if state.pose is None else self.pose_against_beam(state.pose, state.time_s)
        return SceneTruth(spots, self.true_axis(state.time_s), hole, against)

    def _light(self, state: SceneState) -> float:
        """Power of the beam on the bench, relative to nominal."""
        return self._true.power_at(state.time_s, self.nuisances) if state.shutter_open else 0.0

    def _lit(self, camera: SceneCamera, state: SceneState) -> tuple[tuple[TrueSpot, ...], float]:
        """Return the spots of a beam of nominal power that a camera sees, and the beam's power.

        The beam drifts in ticks and the pose is taken to hundredths of a micrometre, both far below what a
        picture shows: frames taken one after the other, between which things only drift, are painted once.
        """
        power = self._light(state)
        if power <= 0:
            return (), 0.0
        beam = self._true.beam_at(state.time_s, self.nuisances, round(state.time_s / _TICK_S) * _TICK_S)
        pose = state.pose
        if pose is not None:
            pose = (*_rounded(pose[:2], _STEP_MM), *_rounded(pose[2:], _STEP_MRAD))
        return self._spots_on(camera.plate, pose, beam, state.time_s), power

    def _spots_on(
        self,
        plate: PlateSpec,
        pose: Pose | None,
        beam: Beam,
        time_s: float,
        power: float = 1.0,
        *,
        ghosts: bool = False,
    ) -> tuple[TrueSpot, ...]:
        """Spots on a plate, in the order of the paths, with their place on the print."""
        paths: tuple[SpotPath, ...] = ON_REFERENCE_TARGET if plate.hole_radius_mm is None else ON_HOLE_TARGET
        if not (ghosts or self.nuisances.ghosts):
            paths = tuple(path for path in paths if path.value in ("front", "back", "transmitted"))
        placement = self._true.placement_at(plate.name, time_s, self.nuisances)
        return self._traced(pose, beam, power, paths, placement)

    def _trace(
        self, pose: Pose | None, beam: Beam, power: float, paths: tuple[SpotPath, ...], placement: Placement
    ) -> tuple[TrueSpot, ...]:
        true = self._true
        spots: tuple[TrueSpot, ...] = ()
        if pose is not None:
            spots = lens_spots(true.lens, true.layout, beam, power, pose, paths)
        elif SpotPath.TRANSMITTED in paths:
            spots = (bare_spot(true.lens, true.layout, beam, power),)
        return tuple(replace(spot, center_mm=placement.to_print(spot.bench_mm)) for spot in spots)


def _rounded(values: tuple[float, ...], step: float) -> tuple[float, float]:
    x, y = (round(value / step) * step for value in values)
    return x, y
