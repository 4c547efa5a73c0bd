"""Pictures for the run folder and the report: frames with overlays, and the course of the convergence.

Frames are shown straightened to the plate, in millimetres, at the same scale before and after. Every spot has
a colour and a shape of its own; the colours are those that colour-blind people can tell apart (Okabe and Ito,
Color Universal Design, 2008; values from memory).
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import cv2
import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Circle
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from station.record.history import LookPoint, Offset
from vision.image import Image
from vision.spots import Sighting, Spot, SpotName

mpl.use("Agg")

COLOURS: Mapping[SpotName, str] = {
    SpotName.FRONT: "#E69F00",
    SpotName.BACK: "#56B4E9",
    SpotName.TRANSMITTED: "#009E73",
}
MARKERS: Mapping[SpotName, str] = {SpotName.FRONT: "^", SpotName.BACK: "s", SpotName.TRANSMITTED: "o"}
LABELS: Mapping[SpotName, str] = {
    SpotName.FRONT: "front return",
    SpotName.BACK: "back return",
    SpotName.TRANSMITTED: "transmitted spot",
}
_TARGET_COLOUR = "#D55E00"
_GRID_PX = 640
_DPI = 150


class MapsPlate(Protocol):
    """What a picture needs of a plate map."""

    def to_px(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return image points in px, shape (N, 2), of bench x, y on the plate, shape (N, 2)."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """One frame and what was measured on it.

    Attributes
    ----------
    title : str
    image, background : Image, Image or None
        The background is taken off for showing.
    plate_map : MapsPlate
    target_mm : tuple of float
        Where the spots should be: the hole's centre, or where the bare beam landed.
    hole_radius_mm : float or None
    sightings : mapping of SpotName to Sighting
    """

    title: str
    image: Image
    background: Image | None
    plate_map: MapsPlate
    target_mm: Offset
    hole_radius_mm: float | None
    sightings: Mapping[SpotName, Sighting]

    def reach_mm(self) -> float:
        """Return how far from the target anything measured reaches."""
        reaches = [
            math.dist(spot.center_mm, self.target_mm) + 0.8 * spot.radius_mm[0]
            for spot in self.sightings.values()
            if isinstance(spot, Spot)
        ]
        return max(reaches, default=0.0)


def half_width_mm(views: Iterable[View]) -> float:
    """Return a half width that shows the spots of all views, rounded up to a whole millimetre."""
    return min(25.0, float(math.ceil(max([1.5, *(view.reach_mm() for view in views)]))))


def view_png(view: View, half_mm: float) -> bytes:
    """Return one frame with its overlays as a PNG file."""
    figure = Figure(figsize=(4.2, 4.2), dpi=_DPI, layout="constrained")
    axes = figure.add_subplot()
    _show_frame(axes, view, half_mm)
    _mark_target(axes, view)
    for name, sighting in view.sightings.items():
        if isinstance(sighting, Spot):
            _mark_spot(axes, name, sighting)
    missing = [
        f"{LABELS[name]}: {sighting.reason.value.replace('_', ' ')}"
        for name, sighting in view.sightings.items()
        if not isinstance(sighting, Spot)
    ]
    if missing:
        axes.text(
            0.02, 0.02, "\n".join(missing), transform=axes.transAxes, color="white", fontsize=8, va="bottom"
        )
    axes.set_title(view.title, fontsize=10)
    axes.set_xlabel("x / mm", fontsize=9)
    axes.set_ylabel("y / mm", fontsize=9)
    axes.tick_params(labelsize=8)
    if any(isinstance(sighting, Spot) for sighting in view.sightings.values()):
        axes.legend(fontsize=7.5, loc="upper right", framealpha=0.85)
    return _png(figure)


def _show_frame(axes: Any, view: View, half_mm: float) -> None:
    x0, y0 = view.target_mm
    line = np.linspace(-half_mm, half_mm, _GRID_PX)
    grid_mm = np.stack(np.meshgrid(x0 + line, y0 - line), axis=-1).reshape(-1, 2)
    where = view.plate_map.to_px(grid_mm).astype(np.float32).reshape(_GRID_PX, _GRID_PX, 2)
    pixels = np.asarray(view.image.pixels, np.float32)
    if view.background is not None:
        pixels = pixels - np.asarray(view.background.pixels, np.float32)
    straight = cv2.remap(
        np.ascontiguousarray(pixels), where[..., 0], where[..., 1], cv2.INTER_LINEAR, borderValue=0.0
    )
    top = max(float(np.percentile(straight, 99.8)), 1.0)
    shown = np.sqrt(np.clip(straight / top, 0.0, 1.0))
    axes.imshow(
        shown, cmap="gray", vmin=0, vmax=1, extent=(x0 - half_mm, x0 + half_mm, y0 - half_mm, y0 + half_mm)
    )


def _mark_target(axes: Any, view: View) -> None:
    if view.hole_radius_mm is not None:
        axes.add_patch(Circle(view.target_mm, view.hole_radius_mm, fill=False, color=_TARGET_COLOUR, lw=1.2))
        label = "hole"
    else:
        label = "bare beam"
    axes.plot(*view.target_mm, "+", color=_TARGET_COLOUR, ms=12, mew=1.2, label=label)


def _mark_spot(axes: Any, name: SpotName, spot: Spot) -> None:
    x_mm, y_mm = float(spot.center_mm[0]), float(spot.center_mm[1])
    radius = math.sqrt(spot.radius_mm[0] * spot.radius_mm[1])
    axes.add_patch(Circle((x_mm, y_mm), radius, fill=False, color=COLOURS[name], lw=1.2, ls="--"))
    axes.plot(
        x_mm,
        y_mm,
        MARKERS[name],
        mfc="none",
        mec=COLOURS[name],
        ms=8,
        mew=1.6,
        ls="none",
        label=LABELS[name],
    )


def convergence_png(looks: Sequence[LookPoint]) -> bytes:
    """Return the distance of each spot from its target against the looks, as a PNG file."""
    figure = Figure(figsize=(7.2, 2.9), dpi=_DPI, layout="constrained")
    axes = figure.add_subplot()
    for name in SpotName:
        seen = [(look.number, look.distance_mm(name), look.sigma_mm.get(name, 0.0)) for look in looks]
        points = [
            (number, max(distance, 1e-4), sigma) for number, distance, sigma in seen if distance is not None
        ]
        if points:
            numbers, distances, sigmas = zip(*points, strict=True)
            axes.errorbar(
                numbers,
                distances,
                yerr=[min(sigma, 0.9 * distance) for sigma, distance in zip(sigmas, distances, strict=True)],
                marker=MARKERS[name],
                color=COLOURS[name],
                label=LABELS[name],
                lw=1.2,
                ms=5,
                elinewidth=0.8,
            )
    axes.set_yscale("log")
    axes.set_xlabel("look", fontsize=9)
    axes.set_ylabel("distance from target / mm", fontsize=9)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.tick_params(labelsize=8)
    axes.grid(which="major", lw=0.4, color="#CCCCCC")
    if axes.has_data():
        axes.legend(fontsize=8, loc="upper right")
    return _png(figure)


def raw_png(image: Image) -> bytes:
    """Return a frame as it was measured (mean of its exposures), 16 bit, as a PNG file."""
    pixels = np.clip(np.rint(np.asarray(image.pixels, np.float64)), 0, 65535).astype(np.uint16)
    done, data = cv2.imencode(".png", pixels, [cv2.IMWRITE_PNG_COMPRESSION, 3])
    if not done:
        raise RuntimeError("the image library could not write a PNG")
    return data.tobytes()


def _png(figure: Figure) -> bytes:
    stream = io.BytesIO()
    figure.savefig(stream, format="png", metadata={"Software": None})
    return stream.getvalue()
