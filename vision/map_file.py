"""Plate maps as JSON text, and whether a saved map may be used for a camera."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from vision.camera_lens import CameraLens
from vision.hole import Hole
from vision.map_model import MapModel
from vision.mark import Mark
from vision.plate import PlateSpec, Side
from vision.plate_map import PlateMap

FORMAT = "coincide plate map"
VERSION = 1


class MapFileError(ValueError):
    """A text that is no plate map; the message says what is wrong with it."""


def write_map(plate_map: PlateMap, validity: Mapping[str, Any] | None = None) -> str:
    """Return a plate map as JSON text; :func:`read_map` gives it back to the last digit.

    Parameters
    ----------
    plate_map : PlateMap
    validity : mapping, optional
        How later checks of the map went, as plain JSON values; kept for people, not read back.
    """
    content = {
        "format": FORMAT,
        "version": VERSION,
        "camera": plate_map.camera,
        "mapped_on": plate_map.mapped_on,
        "plate": plate_map.plate,
        "plate_fingerprint": plate_map.plate_fingerprint,
        "side": plate_map.side,
        "image_size_px": list(plate_map.image_size_px),
        "homography": plate_map.model.homography.tolist(),
        "covariance": plate_map.model.covariance.tolist(),
        "lens": {
            "focal_px": list(plate_map.model.lens.focal_px),
            "center_px": list(plate_map.model.lens.center_px),
            "coefficients": list(plate_map.model.lens.coefficients),
            "source": plate_map.model.lens.source,
        },
        "fiducials_used": list(plate_map.fiducials_used),
        "fiducials_missing": list(plate_map.fiducials_missing),
        "corners_mm": plate_map.corners_mm.tolist(),
        "corner_residual_mm": plate_map.corner_residual_mm.tolist(),
        "edge_growth_mm": plate_map.edge_growth_mm,
        "rms_um": plate_map.rms_um,
        "sigma_mm": plate_map.sigma_mm,
        "hole": _hole_content(plate_map.hole),
        "mark": _mark_content(plate_map.mark),
        "notes": list(plate_map.notes),
    }
    if validity is not None:
        content["validity"] = dict(validity)
    return json.dumps(content, indent=1, allow_nan=False) + "\n"


def read_map(text: str) -> PlateMap:
    """Read a plate map from JSON text.

    Raises
    ------
    MapFileError
        When the text is not a plate map of a version that this program reads.
    """
    try:
        content = json.loads(text, parse_constant=_refuse_constant)
        if not isinstance(content, dict) or content.get("format") != FORMAT:
            raise MapFileError(f"not a {FORMAT}")
        if content.get("version") != VERSION:
            raise MapFileError(f"{FORMAT} version {content.get('version')!r}; this program reads {VERSION}")
        return _from_content(content)
    except MapFileError:
        raise
    except KeyError as missing:
        raise MapFileError(f"{FORMAT} without {missing.args[0]!r}") from missing
    except (TypeError, ValueError, RecursionError, OverflowError) as problem:
        raise MapFileError(f"damaged {FORMAT}: {problem}") from problem


def map_problems(
    plate_map: PlateMap,
    plate: PlateSpec,
    side: Side,
    *,
    camera: str,
    image_size_px: tuple[int, int] | None = None,
) -> tuple[str, ...]:
    """Say why a saved map must not be used here; empty when it may.

    Whether it still holds is for :func:`vision.map_check.check_map` to find out from a frame.
    """
    problems = []
    if plate_map.camera != camera:
        problems.append(f"it was made with camera {plate_map.camera!r}, not {camera!r}")
    if plate_map.plate_fingerprint != plate.fingerprint():
        problems.append(f"the description of plate {plate.name!r} has changed since it was made")
    if plate_map.side != side:
        problems.append(f"it was made with the plate seen from {plate_map.side}, not from {side}")
    if image_size_px is not None and plate_map.image_size_px != image_size_px:
        problems.append(f"it is for frames of {plate_map.image_size_px} px, not {image_size_px}")
    return tuple(problems)


def _refuse_constant(name: str) -> float:
    raise MapFileError(f"damaged {FORMAT}: {name} is not a number")


def _hole_content(hole: Hole | None) -> dict[str, Any] | None:
    if hole is None:
        return None
    return {
        "center_mm": hole.center_mm.tolist(),
        "covariance_mm2": hole.covariance_mm2.tolist(),
        "radius_mm": hole.radius_mm,
        "radius_sigma_mm": hole.radius_sigma_mm,
        "edge": hole.edge,
        "coverage": hole.coverage,
    }


def _mark_content(mark: Mark | None) -> dict[str, Any] | None:
    if mark is None:
        return None
    return {
        "center_mm": mark.center_mm.tolist(),
        "covariance_mm2": mark.covariance_mm2.tolist(),
        "turn_mrad": mark.turn_mrad,
    }


def _from_content(content: dict[str, Any]) -> PlateMap:
    covariance = _array(content, "covariance", (None, None))
    if covariance.shape[0] != covariance.shape[1] or not 8 <= len(covariance) <= 12:
        raise MapFileError(f"damaged {FORMAT}: covariance of shape {covariance.shape}")
    corners = _array(content, "corners_mm", (None, 2))
    width, height = (int(value) for value in content["image_size_px"])
    side = _one_of(content, "side", ("front", "behind"))
    return PlateMap(
        plate=str(content["plate"]),
        side="front" if side == "front" else "behind",
        image_size_px=(width, height),
        model=MapModel(_array(content, "homography", (3, 3)), _lens(content["lens"]), covariance),
        fiducials_used=tuple(int(number) for number in content["fiducials_used"]),
        fiducials_missing=tuple(int(number) for number in content["fiducials_missing"]),
        corners_mm=corners,
        corner_residual_mm=_array(content, "corner_residual_mm", (len(corners), 2)),
        edge_growth_mm=float(content["edge_growth_mm"]),
        rms_um=float(content["rms_um"]),
        sigma_mm=float(content["sigma_mm"]),
        hole=_hole(content["hole"]),
        mark=_mark(content["mark"]),
        plate_fingerprint=str(content["plate_fingerprint"]),
        camera=str(content["camera"]),
        mapped_on=str(content["mapped_on"]),
        notes=tuple(str(note) for note in content["notes"]),
    )


def _lens(content: dict[str, Any]) -> CameraLens:
    fx, fy = (float(value) for value in content["focal_px"])
    cx, cy = (float(value) for value in content["center_px"])
    k1, k2, p1, p2, k3 = (float(value) for value in content["coefficients"])
    source = _one_of(content, "source", ("none", "fiducials", "board"))
    return CameraLens((fx, fy), (cx, cy), (k1, k2, p1, p2, k3), source)


def _hole(content: dict[str, Any] | None) -> Hole | None:
    if content is None:
        return None
    edge: Literal["dark", "rim"] = "dark" if _one_of(content, "edge", ("dark", "rim")) == "dark" else "rim"
    return Hole(
        _array(content, "center_mm", (2,)),
        _array(content, "covariance_mm2", (2, 2)),
        float(content["radius_mm"]),
        float(content["radius_sigma_mm"]),
        edge,
        float(content["coverage"]),
    )


def _mark(content: dict[str, Any] | None) -> Mark | None:
    if content is None:
        return None
    return Mark(
        _array(content, "center_mm", (2,)),
        _array(content, "covariance_mm2", (2, 2)),
        float(content["turn_mrad"]),
    )


def _one_of(content: dict[str, Any], key: str, allowed: tuple[str, ...]) -> str:
    if content[key] not in allowed:
        raise MapFileError(f"damaged {FORMAT}: {key} is {content[key]!r}; allowed: {', '.join(allowed)}")
    return str(content[key])


def _array(content: dict[str, Any], key: str, shape: tuple[int | None, ...]) -> NDArray[np.float64]:
    values = np.array(content[key], dtype=np.float64)
    fits = len(values.shape) == len(shape) and all(
        want is None or want == got for want, got in zip(shape, values.shape, strict=True)
    )
    if not fits or not np.isfinite(values).all():
        raise MapFileError(f"damaged {FORMAT}: {key} of shape {values.shape}")
    return values
