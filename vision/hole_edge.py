"""Profiles across the edge of a hole, and where along each of them the edge lies."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.fiducials import sample
from vision.map_model import MapModel
from vision.plate import PlateSpec

SECTORS = 72
_PROFILES = 5
_SAMPLES = 81


@dataclass(frozen=True, slots=True, eq=False)
class Profiles:
    """Brightness along the radius in S sectors, N samples each.

    Attributes
    ----------
    values : ndarray, shape (S, N)
        From inside to outside.
    across_mm : ndarray, shape (N,)
        Distance from the circle that guided the sampling.
    ray : ndarray, shape (S, 2)
        Unit vectors on the plate.
    px_per_mm : ndarray, shape (S,)
        Pixels per mm along each ray.
    whole : ndarray of bool, shape (S,)
        Sectors that lie in the frame altogether.
    """

    values: NDArray[np.float64]
    across_mm: NDArray[np.float64]
    ray: NDArray[np.float64]
    px_per_mm: NDArray[np.float64]
    whole: NDArray[np.bool_]

    @property
    def pixel_mm(self) -> float:
        """Typical size of a pixel on the plate."""
        return float(1 / np.median(self.px_per_mm))


def take_profiles(
    pixels: NDArray[np.float32],
    plate: PlateSpec,
    model: MapModel,
    center_mm: NDArray[np.float64],
    radius_mm: float,
    reach_mm: float,
) -> Profiles:
    """Sample a frame across a circle on the plate; printed rings are kept out."""
    slope = model.jacobian(model.to_px(center_mm[None]))[0]
    angle = 2 * np.pi * np.arange(SECTORS * _PROFILES) / (SECTORS * _PROFILES)
    rays = np.column_stack([np.cos(angle), np.sin(angle)])
    px_per_mm = np.linalg.norm(np.linalg.solve(slope, rays.T), axis=0)
    reach = max(reach_mm, 4 / float(np.median(px_per_mm)))
    nearest_ring = min((ring - plate.line_width_mm for ring in plate.ring_radii_mm), default=np.inf)
    across = np.linspace(-min(reach, 0.8 * radius_mm), min(reach, 0.8 * (nearest_ring - radius_mm)), _SAMPLES)
    grid = center_mm + (radius_mm + across)[None, :, None] * rays[:, None, :]
    values, inside = sample(pixels, model.to_px(grid.reshape(-1, 2)).reshape(grid.shape))
    middle = np.s_[_PROFILES // 2 :: _PROFILES]
    return Profiles(
        np.median(values.reshape(SECTORS, _PROFILES, _SAMPLES), axis=1),
        across,
        rays[middle],
        px_per_mm[middle],
        np.asarray(inside.reshape(SECTORS, -1).all(axis=1)),
    )


def edge_offsets(profiles: Profiles, edge: str) -> NDArray[np.float64]:
    """Return where each sector has its edge ("dark") or its bright line ("rim"), mm; infinite for none."""
    across = profiles.across_mm
    smooth = max(1.0, 0.6 * profiles.pixel_mm / (across[1] - across[0]))
    smoothed = np.asarray(
        cv2.GaussianBlur(
            profiles.values, (0, 0), sigmaX=smooth, sigmaY=1e-3, borderType=cv2.BORDER_REPLICATE
        ),
        np.float64,
    )
    dark = edge == "dark"
    offset = _step_from_outside(smoothed, across, profiles.pixel_mm) if dark else _rim_peak(smoothed, across)
    return np.where(profiles.whole, offset, np.inf)


def _step_from_outside(
    profiles: NDArray[np.float64], across: NDArray[np.float64], pixel_mm: float
) -> NDArray[np.float64]:
    """Where each profile, coming from outside, first steps down; infinite where it does not.

    The half level is taken between the plate and what lies just inside the step, be it the dark hole or its
    lit wall. Profiles with a glint brighter than the plate are left out: the half level means nothing there.
    """
    pixel = pixel_mm / (across[1] - across[0])
    slope = np.gradient(cv2.GaussianBlur(profiles, (0, 0), sigmaX=pixel, sigmaY=1e-3), axis=1)
    far = slice(-len(across) // 4, None)
    outer = np.median(profiles[:, far], axis=1)
    noise = 1.4826 * float(np.median(np.abs(slope[:, far])))
    steep = np.maximum(0.3 * slope.max(axis=1), 4 * noise)
    peak = (
        (slope > steep[:, None])
        & (slope >= np.roll(slope, 1, axis=1))
        & (slope >= np.roll(slope, -1, axis=1))
    )
    place = len(across) - 1 - np.argmax(peak[:, ::-1], axis=1)
    inner = _window_mean(profiles, place - 4 * pixel, place - 2.5 * pixel)
    step = outer - inner
    scatter = 1.4826 * float(np.median(np.abs(profiles[:, far] - outer[:, None])))
    plate = float(np.median(outer))
    usable = (
        peak.any(axis=1)
        & (step > 5 * scatter)
        & (np.abs(outer - plate) < np.maximum(0.25 * step, 5 * scatter))
    )
    usable &= profiles.max(axis=1) < outer + np.maximum(0.15 * step, 5 * scatter)
    found, crossed = _crossing(profiles, across, outer - step / 2, (place - 2 * pixel, place + 2 * pixel))
    return np.where(usable & crossed, found, np.inf)


def _window_mean(
    profiles: NDArray[np.float64], start: NDArray[np.float64], end: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Mean of each profile between its own two indices, cut at the profile's ends."""
    index = np.arange(profiles.shape[1])
    window = (index >= start[:, None]) & (index <= np.maximum(end, 1)[:, None])
    return np.asarray((profiles * window).sum(axis=1) / np.maximum(window.sum(axis=1), 1))


def _crossing(
    profiles: NDArray[np.float64],
    across: NDArray[np.float64],
    level: NDArray[np.float64],
    window: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Where each profile crosses its level, the outermost place within its window, and whether it does."""
    index = np.arange(len(across) - 1)
    low, high = profiles[:, :-1], profiles[:, 1:]
    crosses = (low < level[:, None]) & (high >= level[:, None])
    crosses &= (index >= window[0][:, None]) & (index <= window[1][:, None])
    last = len(index) - 1 - np.argmax(crosses[:, ::-1], axis=1)
    rows = np.arange(len(profiles))
    below, above = low[rows, last], high[rows, last]
    share = (level - below) / np.where(above > below, above - below, 1.0)
    found = across[last] + np.clip(share, 0, 1) * (across[1] - across[0])
    return found, np.asarray(crosses.any(axis=1))


def _rim_peak(profiles: NDArray[np.float64], across: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where each profile has its bright line; infinite where it has none."""
    outer = np.median(profiles[:, -len(across) // 4 :], axis=1)
    inner = np.median(profiles[:, : len(across) // 4], axis=1)
    base = np.maximum(outer, inner)
    peak = profiles.max(axis=1) - base
    contrast = float(np.median(peak))
    scatter = float(np.median(np.abs(profiles[:, -len(across) // 4 :] - outer[:, None])))
    weight = np.clip(profiles - (base + 0.5 * peak)[:, None], 0, None)
    total = weight.sum(axis=1)
    usable = (peak > 0.4 * contrast) & (peak > 6 * scatter) & (peak > 0.15 * np.abs(base)) & (total > 0)
    found = (weight * across).sum(axis=1) / np.where(total > 0, total, 1.0)
    return np.where(usable, found, np.inf)
