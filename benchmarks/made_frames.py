"""Camera frames made from known spots, for benchmarks and tests, without the simulator.

Pixel coordinates throughout; (0, 0) is the centre of the first pixel. A speckle grain of g px means a
correlation area of g^2 px (Goodman, Speckle Phenomena in Optics: the correlation area of the intensity;
from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from vision.image import Image, Sensor

Array = NDArray[np.float64]
WIDTH, HEIGHT = 1280, 1024
PITCH_MM = 0.05
HALO_WIDTH = 3.0  # of a halo over its spot's
NODE = 0.5 / np.sqrt(3.0)  # a pixel integrates over its square: Gauss-Legendre nodes, exact to third order


@dataclass(frozen=True, slots=True)
class MadeSpot:
    """A round Gaussian: centre and standard deviation in px, peak in electrons."""

    x: float
    y: float
    sigma: float
    peak_e: float

    def profile(self, x: Array, y: Array) -> Array:
        return np.exp(-0.5 * ((x - self.x) ** 2 + (y - self.y) ** 2) / self.sigma**2)


@dataclass(frozen=True, slots=True)
class Fringes:
    """Interference of the first two spots: phase kx x + ky y + q r^2 + phase about ``center``."""

    visibility: float
    q: float
    kx: float
    ky: float
    phase: float
    center: tuple[float, float] = (640.0, 512.0)

    def angle(self, x: Array, y: Array) -> Array:
        dx, dy = x - self.center[0], y - self.center[1]
        return self.kx * dx + self.ky * dy + self.q * (dx**2 + dy**2) + self.phase


@dataclass(frozen=True, slots=True)
class MadeFrame:
    """What a frame holds."""

    spots: tuple[MadeSpot, ...]
    hole: tuple[float, float, float] | None = None
    fringes: Fringes | None = None
    grain_px: float = 0.0
    contrast: float = 1.0
    light_e: tuple[float, float, float] = (20.0, 0.0, 0.0)
    halo: float = 0.0
    extra: tuple[MadeSpot, ...] = ()
    shape: tuple[int, int] = (HEIGHT, WIDTH)
    sensor: Sensor = field(default_factory=Sensor)
    albedo: Array | None = None

    def expected(self, x: Array, y: Array) -> Array:
        """Mean signal of the wanted spots, electrons, without hole, halo, extras and background."""
        profiles = [spot.peak_e * spot.profile(x, y) for spot in self.spots]
        total = np.sum(profiles, axis=0) if profiles else np.zeros(np.broadcast(x, y).shape)
        if self.fringes is not None:
            cross = 2.0 * self.fringes.visibility * np.sqrt(profiles[0] * profiles[1])
            total = total + cross * np.cos(self.fringes.angle(x, y))
        return total

    def unwanted(self, x: Array, y: Array) -> Array:
        """Halo and extra spots (ghosts), electrons."""
        total = np.zeros(np.broadcast(x, y).shape)
        for spot in self.spots if self.halo else ():
            wide = MadeSpot(spot.x, spot.y, HALO_WIDTH * spot.sigma, spot.peak_e * self.halo)
            total = total + wide.peak_e * wide.profile(x, y)
        for spot in self.extra:
            total = total + spot.peak_e * spot.profile(x, y)
        return total

    def background(self, x: Array, y: Array) -> Array:
        """Room light, electrons."""
        level, gx, gy = self.light_e
        return level + gx * (x / self.shape[1] - 0.5) + gy * (y / self.shape[0] - 0.5)


@dataclass(frozen=True, slots=True)
class AffineMap:
    """A plate map without perspective: mm = (px - origin) * pitch."""

    pitch_mm: float = PITCH_MM
    origin: tuple[float, float] = (640.0, 512.0)

    def to_mm(self, points: Array, /) -> Array:
        return (np.asarray(points, float) - self.origin) * self.pitch_mm

    def to_px(self, points: Array, /) -> Array:
        return np.asarray(points, float) / self.pitch_mm + self.origin


@dataclass(frozen=True, slots=True)
class MadeHole:
    """A hole as the map would give it."""

    center_mm: Array
    radius_mm: float
    covariance_mm2: Array = field(default_factory=lambda: np.eye(2) * 1e-8)


def speckle(shape: tuple[int, int], grain_px: float, contrast: float, rng: np.random.Generator) -> Array:
    """Speckle of mean 1, correlation area grain^2; contrast below 1: mixed with an even field."""
    fy = np.fft.fftfreq(shape[0])[:, None]
    fx = np.fft.fftfreq(shape[1])[None, :]
    # Field with a Gaussian correlation exp(-pi d^2 / (2 g^2)): that of the intensity is exp(-pi d^2 /
    # g^2), area g^2.
    spectrum = np.exp(-2.0 * np.pi * grain_px**2 * (fx**2 + fy**2))
    # White noise is white in frequency as well: one transform makes the field.
    noise = rng.standard_normal((2, *shape), np.float32)
    noise *= np.sqrt(spectrum * shape[0] * shape[1]).astype(np.float32)
    field_ = scipy.fft.ifft2(noise[0] + 1j * noise[1], overwrite_x=True)
    intensity = (field_.real**2 + field_.imag**2).astype(float)
    intensity /= intensity.mean() if max(shape) > 300 else (2.0 * spectrum.mean())
    return 1.0 + contrast * (intensity - 1.0)


def expose(
    frame: MadeFrame,
    rng: np.random.Generator,
    frames: int = 1,
    shutter_open: bool = True,
    elsewhere: Array | None = None,
) -> Image:
    """Make a camera frame (or the mean of several with independent speckle).

    ``elsewhere``: digital numbers, as `expose` made them for a frame without spots, for all pixels that no
    spot reaches; drawing them anew for every frame costs most of the time and tells nothing new.
    """
    part = (slice(0, frame.shape[0]), slice(0, frame.shape[1])) if elsewhere is None else _lit_window(frame)
    clean = _spots_light(frame) if shutter_open else None
    total = _digits(frame, rng, clean, part)
    for _ in range(frames - 1):
        total += _digits(frame, rng, clean, part)
    kind = np.uint16 if frames == 1 else np.float32
    pixels = np.empty(frame.shape, kind) if elsewhere is None else elsewhere.astype(kind)
    pixels[part] = total if frames == 1 else total / frames
    return Image(pixels, 0.01, frame.sensor, frames)


def _spots_light(frame: MadeFrame) -> Array:
    """Mean light of spots, halo and ghosts in the part of the frame that they reach, electrons."""
    rows, columns = (np.arange(s.start, s.stop, dtype=float) for s in _lit_window(frame))
    y, x = rows[:, None], columns[None, :]
    total = np.zeros((rows.size, columns.size))
    for dx in (-NODE, NODE):
        for dy in (-NODE, NODE):
            total += frame.expected(x + dx, y + dy) + frame.unwanted(x + dx, y + dy)
    return total / 4.0


def _digits(
    frame: MadeFrame, rng: np.random.Generator, clean: Array | None, part: tuple[slice, slice]
) -> Array:
    """One frame's digital numbers; ``clean``: the spots' mean light, None where the shutter is closed."""
    rows, columns = (np.arange(s.start, s.stop, dtype=float) for s in part)
    y, x = rows[:, None], columns[None, :]
    top, left = part[0].start, part[1].start
    shape = (rows.size, columns.size)
    light = np.broadcast_to(frame.background(x, y), shape).copy()
    if clean is not None:
        lit = _lit_window(frame)
        window = (
            slice(lit[0].start - top, lit[0].stop - top),
            slice(lit[1].start - left, lit[1].stop - left),
        )
        spots = clean
        if frame.grain_px and clean.size:
            spots = clean * speckle(clean.shape, frame.grain_px, frame.contrast, rng)
        light[window] += spots
    if frame.albedo is not None:
        light *= frame.albedo[part]
    if frame.hole is not None:
        cx, cy, radius = frame.hole
        near = _around(cx - left, cy - top, radius + 3, shape)
        away = np.hypot(x[:, near[1]] - cx, y[near[0]] - cy)
        light[near] *= np.clip(away - radius + 0.5, 0.0, 1.0)
    electrons = rng.poisson(light).astype(float)
    electrons += frame.sensor.read_noise_e * rng.standard_normal(shape)
    digits = np.rint(electrons / frame.sensor.gain_e_per_dn + frame.sensor.black_level_dn)
    return np.clip(digits, 0, frame.sensor.full_scale_dn)


def _around(x: float, y: float, reach: float, shape: tuple[int, int]) -> tuple[slice, slice]:
    rows = slice(max(0, int(y - reach)), min(shape[0], int(y + reach) + 1))
    return rows, slice(max(0, int(x - reach)), min(shape[1], int(x + reach) + 1))


def _lit_window(frame: MadeFrame) -> tuple[slice, slice]:
    """The part of the frame that the spots reach (5.5 sigma: 3e-7 of the peak)."""
    reach = 5.5 * (HALO_WIDTH if frame.halo else 1.0)
    boxes = [_around(s.x, s.y, reach * s.sigma, frame.shape) for s in (*frame.spots, *frame.extra)]
    if not boxes:
        return slice(0, 0), slice(0, 0)
    rows = slice(min(b[0].start for b in boxes), max(b[0].stop for b in boxes))
    return rows, slice(min(b[1].start for b in boxes), max(b[1].stop for b in boxes))


@dataclass(frozen=True, slots=True)
class ObliqueMap:
    """A pinhole camera ``distance_mm`` from the plate, turned about y; 0.05 mm per px in the middle."""

    angle_deg: float
    distance_mm: float = 200.0
    middle: tuple[float, float] = (640.0, 512.0)

    def to_px(self, points: Array, /) -> Array:
        x, y = np.asarray(points, float).T
        turn = np.deg2rad(self.angle_deg)
        depth = self.distance_mm + x * np.sin(turn)
        focal = self.distance_mm / PITCH_MM
        return np.stack([x * np.cos(turn), y], axis=1) * focal / depth[:, None] + self.middle

    def to_mm(self, points: Array, /) -> Array:
        u, v = ((np.asarray(points, float) - self.middle) * PITCH_MM / self.distance_mm).T
        turn = np.deg2rad(self.angle_deg)
        x = self.distance_mm * u / (np.cos(turn) - u * np.sin(turn))
        return np.stack([x, v * (self.distance_mm + x * np.sin(turn))], axis=1)


def expose_oblique(
    center_mm: Array,
    radius_mm: float,
    peak_e: float,
    plate_map: ObliqueMap,
    rng: np.random.Generator,
    elsewhere: Array,
) -> Image:
    """A round spot on a plate that scatters evenly (radiance as irradiance), seen by an oblique camera.

    Pixels that the spot does not reach hold what ``elsewhere`` (as `expose` makes it without spots) holds.
    """
    sensor = Sensor()
    window, light = oblique_light(center_mm, radius_mm, peak_e, plate_map)
    electrons = rng.poisson(20.0 + light) + sensor.read_noise_e * rng.standard_normal(light.shape)
    pixels = elsewhere.astype(np.uint16)
    pixels[window] = np.clip(np.rint(electrons / sensor.gain_e_per_dn), 0, sensor.full_scale_dn)
    return Image(pixels, 0.01, sensor)


def oblique_light(
    center_mm: Array, radius_mm: float, peak_e: float, plate_map: ObliqueMap
) -> tuple[tuple[slice, slice], Array]:
    """The part of the frame that a round spot reaches, and the mean light of its pixels there, electrons."""
    middle = plate_map.to_px(center_mm[None, :])[0]
    window = _around(middle[0], middle[1], 4.0 * radius_mm / PITCH_MM, (HEIGHT, WIDTH))
    y, x = np.mgrid[window].astype(float)
    light = np.zeros(x.shape)
    for dx in (-NODE, NODE):
        for dy in (-NODE, NODE):
            mm = plate_map.to_mm(np.stack([x.ravel() + dx, y.ravel() + dy], axis=1))
            r2 = ((mm - center_mm) ** 2).sum(axis=1).reshape(light.shape)
            light += peak_e * np.exp(-2.0 * r2 / radius_mm**2) / 4.0
    return window, light
