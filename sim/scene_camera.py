"""One camera of the scene: what it sees of its plate, and how that becomes a frame."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from optics.compiled import compiled
from sim.camera_geometry import CameraSetup, PlateView, PoseError
from sim.drawing import Map
from sim.plate_art import TrueHole, albedo_map
from sim.scene_draws import Placement, TrueBench
from sim.scene_light import SpotPainter, Texture
from sim.scene_nuisances import SceneNuisances
from sim.scene_spots import TrueSpot
from sim.scene_state import SceneState
from sim.sensor import FixedPattern, Steps, expose, total
from sim.speckle import SpeckleMap, seen_grain
from vision.plate import PlateSpec

# Irradiance (beam powers per mm2) at the brightest point of the reference case's returns: front and back
# spots of 4.25 % and 3.90 % with radii 3.166 and 4.823 mm. Room and lamp light are given relative to it.
REFERENCE_RETURN_PER_MM2 = 2 / math.pi * (0.0425 / 3.166**2 + 0.0390 / 4.823**2)
_BEHIND_BLUR_PX = 1.5
_BEHIND_TRANSMISSION = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class _Setting:
    """All maps of one camera that stay the same until something is knocked.

    ``response`` is albedo, vignetting and pixel gain; ``room`` and ``lamp`` are it times the light's profile.
    """

    view: PlateView
    painter: SpotPainter
    speckle: SpeckleMap
    contrast: float
    response: Map
    room: Map
    lamp: Map


@dataclass(frozen=True, slots=True, eq=False)
class _Painted:
    """The light of the beam that was painted last, and what it was painted from."""

    spots: tuple[TrueSpot, ...]
    setting: _Setting
    light: Map


class SceneCamera:
    """A camera with its true pose, its sensor and the plate that it sees.

    Parameters
    ----------
    name : str
    setup : CameraSetup
    plate : PlateSpec
    true : TrueBench
    nuisances : SceneNuisances
    root : tuple of int
        Root of the scene's seeds; camera and plate take their own branches by name.

    Attributes
    ----------
    true : TrueBench
        May be set: what is seen from the next frame on.
    """

    def __init__(
        self,
        name: str,
        setup: CameraSetup,
        plate: PlateSpec,
        true: TrueBench,
        nuisances: SceneNuisances,
        root: tuple[int, int],
    ) -> None:
        self.name, self.setup, self.plate = name, setup, plate
        self.true, self._nuisances = true, nuisances
        self._sensor_seed = _branch(root, "sensor", name)
        self._plate_seed = _branch(root, "plate", plate.name)
        self._pattern: FixedPattern | None = None
        self._settings: dict[tuple[PoseError, Placement, TrueHole | None], _Setting] = {}
        self._painted: _Painted | None = None

    def view(self, time_s: float = 0.0) -> PlateView:
        """Return the true mapping between the bench frame on the plate and pixels."""
        return PlateView(
            self.setup, self.plate, self.true.camera_error_at(self.name, time_s, self._nuisances)
        )

    def placement(self, time_s: float = 0.0) -> Placement:
        """Return how the plate's print stands in the bench frame."""
        return self.true.placement_at(self.plate.name, time_s, self._nuisances)

    def print_to_px(self, points_mm: NDArray[np.float64], time_s: float = 0.0) -> NDArray[np.float64]:
        """Return the true image points, shape (N, 2) px, of points of the print, shape (N, 2) mm."""
        placement = self.placement(time_s)
        bench = np.asarray(points_mm, float) @ placement.rotation().T + placement.shift_mm
        return self.view(time_s).to_px(bench)

    def electrons(
        self, spots: tuple[TrueSpot, ...], power: float, state: SceneState, exposure_s: float
    ) -> NDArray[np.float32]:
        """Return the mean photo-electrons of every pixel; ``spots`` and ``power`` as for :meth:`frame`."""
        return total(self._layers(spots, power, state, exposure_s))

    def frame(
        self, spots: tuple[TrueSpot, ...], power: float, state: SceneState, exposure_s: float
    ) -> NDArray[np.uint16]:
        """Return the frame that the sensor reads out.

        Parameters
        ----------
        spots : tuple of TrueSpot
            Of a beam of nominal power. The same tuple once more spares painting it anew.
        power : float
            Of the beam, relative to nominal.
        state : SceneState
        exposure_s : float
        """
        light = self._layers(spots, power, state, exposure_s)
        if self._pattern is None:
            raise RuntimeError("the sensor's pattern is drawn with the first setting")
        (time_bits,) = struct.unpack("<Q", struct.pack("<d", state.time_s))
        key = [self._sensor_seed, state.frame_number & 0xFFFFFFFF, time_bits & 0xFFFFFFFF, time_bits >> 32]
        seed = int(np.random.SeedSequence(key).generate_state(1)[0])
        return expose(light, self._pattern, self.setup.sensor, self._nuisances.full_well_e, exposure_s, seed)

    def _layers(
        self, spots: tuple[TrueSpot, ...], power: float, state: SceneState, exposure_s: float
    ) -> list[tuple[Map, float]]:
        """Return maps and factors whose sum is the mean photo-electrons."""
        setting, nuisances = self._setting(state.time_s), self._nuisances
        scale = self.setup.beam_rate_e_mm2_per_s * self.setup.filter_transmission * exposure_s
        scale *= _BEHIND_TRANSMISSION if self.setup.side == "behind" else 1.0
        unit = REFERENCE_RETURN_PER_MM2 * scale
        layers = [(setting.room, unit * nuisances.room_level * self._flicker(state.time_s, exposure_s))]
        if power > 0:
            layers.append((self._beam_light(setting, spots, state.time_s), power * scale))
        if state.lamp_on:
            layers.append((setting.lamp, unit * nuisances.lamp_brightness))
        return layers

    def _beam_light(self, setting: _Setting, spots: tuple[TrueSpot, ...], time_s: float) -> Map:
        """Return the light of a beam of nominal power; painted once for frames taken at one place."""
        held = self._painted
        if held is not None and held.spots is spots and held.setting is setting:
            return held.light
        # Painted over what was painted last: nobody holds it, and new memory costs as much as a spot.
        light = np.empty_like(setting.response) if held is None else held.light
        texture, stray = self._texture(setting, time_s), self._nuisances.stray_per_mm2
        setting.painter.paint(light, spots, texture, stray, setting.response)
        self._painted = _Painted(spots, setting, light)
        return light

    def _flicker(self, time_s: float, exposure_s: float) -> float:
        """Mean of the room light over the exposure, relative to its mean over all time."""
        turns = self._nuisances.flicker_hz * exposure_s
        averaged = float(np.sinc(turns))
        return 1 + self._nuisances.flicker * averaged * math.cos(
            2 * math.pi * self._nuisances.flicker_hz * time_s
        )

    def _texture(self, setting: _Setting, time_s: float) -> Texture:
        nuisances = self._nuisances
        return Texture(
            speckle=setting.speckle,
            speckle_contrast=setting.contrast,
            fringe_visibility=nuisances.fringe_visibility,
            halo_fraction=nuisances.halo_fraction,
            halo_width=nuisances.halo_width,
            wave_number_per_mm=2 * math.pi / (self.true.beam_at(time_s, nuisances).wavelength_nm * 1e-6),
        )

    def _setting(self, time_s: float) -> _Setting:
        """Return the maps that hold at a time; made when first needed."""
        key = (
            self.true.camera_error_at(self.name, time_s, self._nuisances),
            self.true.placement_at(self.plate.name, time_s, self._nuisances),
            self.true.holes[self.plate.name],
        )
        if key not in self._settings:
            self._settings[key] = self._prepare(*key)
        return self._settings[key]

    def _prepare(self, error: PoseError, placement: Placement, hole: TrueHole | None) -> _Setting:
        setup, nuisances = self.setup, self._nuisances
        if self._pattern is None:
            shape = (setup.height_px, setup.width_px)
            self._pattern = FixedPattern.draw(shape, nuisances, np.random.default_rng(self._sensor_seed))
        view = PlateView(setup, self.plate, error)
        pixel_mm = view.pixel_mm
        rng = np.random.default_rng(self._plate_seed)
        places = view.maps_mm(placement.to_print(view.samples_mm))
        albedo = albedo_map(self.plate, hole, *places, pixel_mm, nuisances, rng)
        if placement != Placement():
            del places  # the bench's take its memory: new memory costs more than the maps
            places = view.maps_mm()
        x, y = places
        response = _blurred(albedo, setup)
        room, lamp = albedo, np.empty_like(albedo)  # of the albedo itself nothing is left
        reach = max(self.plate.width_mm, self.plate.height_mm) / 2
        pattern = self._pattern
        numbers = (
            1 / setup.focal_px,
            1 / reach,
            nuisances.lamp_falloff,
            nuisances.room_gradient,
            pattern.gain_step,
        )
        _light(response, room, lamp, pattern.gain_steps, x, y, np.array(numbers, np.float32))
        grain, contrast = seen_grain(nuisances.speckle_grain_um * 1e-3, nuisances.speckle_contrast, pixel_mm)
        move = nuisances.speckle_move_um * 1e-3
        speckle = SpeckleMap.of_plate(x, y, grain, move, self._plate_seed, placement)
        return _Setting(view, SpotPainter(view, x, y), speckle, contrast, response, room, lamp)


def _branch(root: tuple[int, int], kind: str, name: str) -> int:
    """Return a seed that belongs to a name, whatever else is on the bench."""
    words = [*root, *kind.encode(), 0, *name.encode()]
    return int(np.random.SeedSequence(words).generate_state(1)[0])


def _blurred(response: Map, setup: CameraSetup) -> Map:
    """Return another map: the response as the camera's optics blur it."""
    blur = setup.blur_px + (_BEHIND_BLUR_PX if setup.side == "behind" else 0.0)
    if blur <= 0:
        return response.copy()
    return np.asarray(cv2.GaussianBlur(response, (0, 0), blur, borderType=cv2.BORDER_REPLICATE), np.float32)


@compiled(any_order=True)
def _light(response: Map, room: Map, lamp: Map, gain: Steps, x_mm: Map, y_mm: Map, numbers: Map) -> None:
    """Multiply the response by vignetting and gain; fill what room light and lamp make of it.

    Vignetting is the cos^4 law of illumination (handbook optics). The lamp is bright near the upper left and
    falls off with the square of the distance from there; room light grows towards one side of the room.
    ``numbers`` are 1 / focal length (px), 1 / half the plate (mm), the lamp's falloff, the room's gradient,
    and the step of the gain.
    """
    rows, columns = response.shape
    per_focal, per_reach, falloff = numbers[0], numbers[1], numbers[2]
    slope_x, slope_y = np.float32(0.8) * numbers[3] * per_reach, np.float32(0.6) * numbers[3] * per_reach
    zero, one, gain_step = np.float32(0.0), np.float32(1.0), numbers[4]
    lamp_x, lamp_y = np.float32(0.3), np.float32(-0.2)
    squares = np.empty(columns, np.float32)
    for column in range(columns):
        squares[column] = (np.float32(column - (columns - 1) / 2) * per_focal) ** 2
    for row in range(rows):
        height = one + (np.float32(row - (rows - 1) / 2) * per_focal) ** 2
        for at in range(columns):
            x, y, part = x_mm[row, at], y_mm[row, at], height + squares[at]
            seen = response[row, at] * (one + np.float32(gain[row, at]) * gain_step) / (part * part)
            response[row, at] = seen
            dx, dy = x * per_reach + lamp_x, y * per_reach + lamp_y
            lamp[row, at] = seen / (one + falloff * (dx * dx + dy * dy))
            room[row, at] = seen * max(one + slope_x * x + slope_y * y, zero)
