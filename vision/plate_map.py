"""From pixels to mm on a plate: maps a plate from one frame, or says why it cannot."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from vision.camera_lens import CameraLens
from vision.fiducials import EdgePoints, find_fiducials, foreign_fiducials
from vision.hole import Hole, NoHole, measure_hole
from vision.image import Image
from vision.map_fit import MapFit, fit_map
from vision.map_model import MapModel
from vision.mark import Mark, NoMark, measure_mark
from vision.plate import PlateSpec, Side

FEWEST_FIDUCIALS = 3
WORST_RMS_UM = 150.0


class MapReason(Enum):
    """Why a plate could not be mapped."""

    DARK = "dark"
    NO_FIDUCIALS = "no_fiducials"
    TOO_FEW_FIDUCIALS = "too_few_fiducials"
    OTHER_PLATE = "other_plate"
    WRONG_SIDE = "wrong_side"
    POOR_FIT = "poor_fit"


@dataclass(frozen=True, slots=True)
class NoMap:
    """Why there is no map of a plate.

    Attributes
    ----------
    reason : MapReason
    detail : str
        One sentence for a person, with the remedy.
    """

    reason: MapReason
    detail: str


@dataclass(frozen=True, slots=True, eq=False)
class PlateMap:
    """Where each pixel of a camera lies on its plate, and how surely.

    Attributes
    ----------
    plate : str
        Name of the plate.
    side : {"front", "behind"}
    image_size_px : tuple of int
        Width and height of the frames that the map is for.
    model : MapModel
    fiducials_used, fiducials_missing : tuple of int
    corners_mm, corner_residual_mm : ndarray, shape (M, 2)
        Drawn corners of the fiducials used, and by how much the map misses each.
    edge_growth_mm : float
        By how much the black squares look larger than drawn (ink, exposure); no error of the map.
    rms_um : float
        Root mean square length of ``corner_residual_mm``: the reprojection error on the plate.
    sigma_mm : float
        Standard uncertainty of a mapped point, per coordinate, root mean square over the plate's field.
    hole : Hole or None
        The plate's hole as seen; None if the plate has none or it was not found (see ``notes``).
    mark : Mark or None
        The printed cross as seen; None if the plate has none or it was not found.
    plate_fingerprint : str
        Of the plate's description that the map was made with.
    camera : str
        Identity of the camera, given by the caller.
    mapped_on : str
        Date (ISO 8601), given by the caller.
    notes : tuple of str
        What a person should know: missing fiducials, a hole that was not found and why.
    """

    plate: str
    side: Side
    image_size_px: tuple[int, int]
    model: MapModel
    fiducials_used: tuple[int, ...]
    fiducials_missing: tuple[int, ...]
    corners_mm: NDArray[np.float64]
    corner_residual_mm: NDArray[np.float64]
    edge_growth_mm: float
    rms_um: float
    sigma_mm: float
    hole: Hole | None = None
    mark: Mark | None = None
    plate_fingerprint: str = ""
    camera: str = ""
    mapped_on: str = ""
    notes: tuple[str, ...] = ()

    def to_mm(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return bench x, y on the plate, shape (N, 2), of image points in px, shape (N, 2)."""
        return self.model.to_mm(points_px)

    def to_px(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return image points in px, shape (N, 2), of bench x, y on the plate, shape (N, 2)."""
        return self.model.to_px(points_mm)

    def jacobian(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return d mm / d px at image points, shape (N, 2, 2): [n, i, j] = d mm_i / d px_j."""
        return self.model.jacobian(points_px)

    def covariance_at(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the covariance (mm^2, k = 1), shape (N, 2, 2), that the map adds at points, (N, 2) mm."""
        return self.model.covariance_at(points_mm)


def map_plate(
    image: Image,
    plate: PlateSpec,
    side: Side = "front",
    *,
    lens: CameraLens | None = None,
    camera: str = "",
    mapped_on: str = "",
) -> PlateMap | NoMap:
    """Map a plate from one frame, lit by the lamp or by room light, the beam off.

    Parameters
    ----------
    image : Image
    plate : PlateSpec
    side : {"front", "behind"}
    lens : CameraLens, optional
        From a board calibration; without it, distortion is estimated from the fiducials if there are enough.
    camera, mapped_on : str
        Identity of the camera and date, kept with the map.

    Returns
    -------
    PlateMap or NoMap
    """
    corners_px = find_fiducials(image, plate, side)
    if len(corners_px) < min(FEWEST_FIDUCIALS, len(plate.fiducials)) or not corners_px:
        return _why_not(image, plate, side, corners_px)
    height, width = image.pixels.shape
    start = CameraLens.ideal(width, height) if lens is None else lens
    fit = fit_map(image, plate, corners_px, start, 0 if lens is not None else lens_terms(len(corners_px)))
    if fit is None:
        return NoMap(
            MapReason.POOR_FIT,
            f"plate {plate.name!r}: the edges of the {len(corners_px)} fiducials found do not fix a map; "
            "clean the plate, or light it evenly",
        )
    built = _build(image, plate, side, fit, camera, mapped_on)
    if built.rms_um > WORST_RMS_UM:
        return NoMap(
            MapReason.POOR_FIT,
            f"plate {plate.name!r}: the map misses the fiducials by {built.rms_um:.0f} um RMS (allowed: "
            f"{WORST_RMS_UM:.0f} um); check the fiducials' places in the bench file and the plate's flatness",
        )
    return built


def lens_terms(fiducials: int) -> int:
    """How many lens terms (k1, k2, p1, p2) this many fiducials can carry besides the homography's eight."""
    return 4 if fiducials >= 6 else 1 if fiducials >= 4 else 0


def _why_not(image: Image, plate: PlateSpec, side: Side, found: Mapping[int, NDArray[np.float64]]) -> NoMap:
    low, high = np.percentile(image.pixels, (1, 99))
    other_side: Side = "front" if side == "behind" else "behind"
    if len(find_fiducials(image, plate, other_side)) > max(len(found), 1):
        return NoMap(
            MapReason.WRONG_SIDE,
            f"plate {plate.name!r} is seen from {_words(other_side)}, the bench file says {_words(side)}",
        )
    if found:
        missing = ", ".join(str(number) for number in sorted(set(plate.fiducials) - set(found)))
        return NoMap(
            MapReason.TOO_FEW_FIDUCIALS,
            f"plate {plate.name!r}: {len(found)} fiducials found, {FEWEST_FIDUCIALS} needed; "
            f"missing: {missing}; free them, or move the camera back",
        )
    if foreign := foreign_fiducials(image, plate, side):
        return NoMap(
            MapReason.OTHER_PLATE,
            f"plate {plate.name!r}: the frame shows fiducials {foreign}, none of this plate's",
        )
    if high - low < 0.01 * image.sensor.full_scale_dn:
        return NoMap(
            MapReason.DARK, f"plate {plate.name!r}: the frame is dark; light the plate or expose longer"
        )
    return NoMap(
        MapReason.NO_FIDUCIALS,
        f"plate {plate.name!r}: no fiducial found; check focus, light and field of view",
    )


def _words(side: Side) -> str:
    return "the printed side" if side == "front" else "behind"


def _build(image: Image, plate: PlateSpec, side: Side, fit: MapFit, camera: str, mapped_on: str) -> PlateMap:
    used = tuple(sorted({int(number) for number in fit.edges.fiducial}))
    missing = tuple(sorted(set(plate.fiducials) - set(used)))
    corners, residual = _corner_residuals(plate, fit.edges, fit.residual_mm)
    notes = [f"fiducials not seen: {', '.join(map(str, missing))}"] if missing else []
    hole = measure_hole(image, plate, fit.model) if plate.hole_radius_mm is not None else None
    mark = measure_mark(image, plate, fit.model) if plate.cross_arm_mm is not None else None
    if isinstance(hole, NoHole):
        notes.append(f"hole not found: {hole.detail}")
    if isinstance(mark, NoMark):
        notes.append(f"cross not found: {mark.detail}")
    height, width = image.pixels.shape
    return PlateMap(
        plate=plate.name,
        side=side,
        image_size_px=(width, height),
        model=fit.model,
        fiducials_used=used,
        fiducials_missing=missing,
        corners_mm=corners,
        corner_residual_mm=residual,
        edge_growth_mm=fit.edge_growth_mm,
        rms_um=float(1e3 * np.sqrt(np.mean(np.sum(residual**2, axis=1)))),
        sigma_mm=_field_sigma(plate, fit.model),
        hole=hole if isinstance(hole, Hole) else None,
        mark=mark if isinstance(mark, Mark) else None,
        plate_fingerprint=plate.fingerprint(),
        camera=camera,
        mapped_on=mapped_on,
        notes=tuple(notes),
    )


def _corner_residuals(
    plate: PlateSpec, edges: EdgePoints, residual_mm: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Residual of each corner: where the two sides that meet there, each averaged, would cross."""
    corners, residuals = [], []
    for number in sorted(set(edges.fiducial.tolist())):
        mine = edges.fiducial == number
        center = np.asarray(plate.fiducials[number])
        for corner in plate.corners_mm(number):
            miss = np.zeros(2)
            for axis in (0, 1):
                outward = np.sign((corner - center)[axis])
                side = mine & (edges.normal[:, axis] * outward > 0.5)
                miss[axis] = outward * residual_mm[side].mean() if side.any() else 0.0
            corners.append(corner)
            residuals.append(miss)
    return np.array(corners), np.array(residuals)


def _field_sigma(plate: PlateSpec, model: MapModel) -> float:
    """Root mean square, over the box of the fiducials, of the map's standard uncertainty per coordinate."""
    places = np.array(list(plate.fiducials.values()))
    low, high = places.min(axis=0), places.max(axis=0)
    x, y = np.meshgrid(np.linspace(low[0], high[0], 7), np.linspace(low[1], high[1], 7))
    covariance = model.covariance_at(np.column_stack([x.ravel(), y.ravel()]))
    return float(np.sqrt(np.trace(covariance, axis1=1, axis2=2).mean() / 2))
