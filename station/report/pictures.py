"""Pictures for the run folder and the report: frames with overlays, and the course of the convergence.

Frames are shown straightened to the plate, in millimetres. Every spot has a colour and a shape of its own;
the colours are those that colour-blind people can tell apart (Okabe and Ito, Color Universal Design, 2008;
values from memory).
"""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Protocol

import cv2
import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Circle
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from control.messages import MovePurpose
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
_STRETCHES: Mapping[MovePurpose | None, str] = {
    None: "start",
    MovePurpose.SEARCH: "search",
    MovePurpose.TEST: "test moves",
    MovePurpose.STEP: "steps",
    MovePurpose.VERIFY: "verification",
    MovePurpose.TAKE_UP: "steps",
}
_LEAST_SHOWN_MM = 1e-4
_TARGET_COLOUR = "#D55E00"
_GRID_PX = 480
_DPI = 160


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
            math.dist(spot.center_mm, self.target_mm) + 1.1 * spot.radius_mm[0]
            for spot in self.sightings.values()
            if isinstance(spot, Spot)
        ]
        return max(reaches, default=0.0)

    def half_width_mm(self) -> float:
        """Return a half width that shows all spots, rounded up to half a millimetre."""
        return min(25.0, math.ceil(2.0 * max(0.5, self.reach_mm())) / 2.0)


def view_png(view: View) -> bytes:
    """Return one frame with its overlays as a PNG file."""
    figure = Figure(figsize=(3.2, 3.2), dpi=_DPI, layout="constrained")
    axes = figure.add_subplot()
    half_mm = view.half_width_mm()
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
    x0, y0 = view.target_mm
    axes.set_xlim(x0 - half_mm, x0 + half_mm)
    axes.set_ylim(y0 - half_mm, y0 + half_mm)
    axes.set_title(view.title, fontsize=9)
    axes.set_xlabel("x / mm", fontsize=8)
    axes.set_ylabel("y / mm", fontsize=8)
    axes.tick_params(labelsize=7)
    if any(isinstance(sighting, Spot) for sighting in view.sightings.values()):
        axes.legend(fontsize=6.5, loc="upper right", framealpha=0.85)
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
    figure = Figure(figsize=(4.9, 2.7), dpi=_DPI, layout="constrained")
    axes = figure.add_subplot()
    axes.set_yscale("log")
    for name in SpotName:
        _draw_distances(axes, name, looks)
    _name_stretches(axes, looks)
    axes.set_xlabel("look", fontsize=8)
    axes.set_ylabel("distance from target / mm", fontsize=8)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.tick_params(labelsize=7)
    axes.grid(which="major", lw=0.4, color="#CCCCCC")
    handles, labels = axes.get_legend_handles_labels()
    figure.legend(handles, labels, fontsize=7, loc="outside upper center", ncols=3, frameon=False)
    return _png(figure)


def _draw_distances(axes: Any, name: SpotName, looks: Sequence[LookPoint]) -> None:
    seen = [
        (look.number, max(distance, _LEAST_SHOWN_MM), look.sigma_mm[name])
        for look in looks
        if (distance := look.distance_mm(name)) is not None
    ]
    if not seen:
        return
    numbers, distances, sigmas = zip(*seen, strict=True)
    # On a logarithmic scale a bar must not reach zero.
    below = [min(sigma, 0.9 * distance) for sigma, distance in zip(sigmas, distances, strict=True)]
    axes.errorbar(
        numbers,
        distances,
        yerr=[below, sigmas],
        marker=MARKERS[name],
        color=COLOURS[name],
        label=LABELS[name],
        lw=1.2,
        ms=4.5,
        elinewidth=0.8,
    )


def _name_stretches(axes: Any, looks: Sequence[LookPoint]) -> None:
    """Shade every other stretch of looks that served the same purpose, and name each."""
    stretches = [(purpose, [look.number for look in group]) for purpose, group in groupby(looks, _purpose)]
    for index, (purpose, numbers) in enumerate(stretches):
        first, last = numbers[0] - 0.5, numbers[-1] + 0.5
        if index % 2:
            axes.axvspan(first, last, color="#EEEEEE", zorder=0)
        axes.text(
            (first + last) / 2,
            0.02,
            _STRETCHES[purpose],
            transform=axes.get_xaxis_transform(),
            fontsize=6.5,
            ha="center",
            va="bottom",
            rotation=90 if len(numbers) < 2 else 0,
        )
    if looks:
        axes.set_xlim(0.5, looks[-1].number + 0.5)


def _purpose(look: LookPoint) -> MovePurpose | None:
    return look.after


def raw_png(image: Image) -> bytes:
    """Return a frame as it was measured (mean of its exposures), 16 bit, as a PNG file."""
    pixels = np.clip(np.rint(np.asarray(image.pixels, np.float64)), 0, 65535).astype(np.uint16)
    done, data = cv2.imencode(".png", pixels, [cv2.IMWRITE_PNG_COMPRESSION, 3])
    if not done:
        raise RuntimeError("the image library could not write a PNG")
    return data.tobytes()


def _png(figure: Figure) -> bytes:
    stream = io.BytesIO()
    # Without an alpha channel: half the bytes, and nothing to composite for the PDF.
    figure.savefig(stream, format="png", metadata={"Software": None}, pil_kwargs={"compress_level": 6})
    return stream.getvalue()
