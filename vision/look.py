"""Look at a plate: from a frame to what is known of each spot on it.

Coarse to fine: expected places where they are trusted, else matched filters over the shrunk frame; then a fit
of all spots at once in plate coordinates; then who is who. Every answer is a value with a covariance or a
reason why there is none.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeVar

from vision.blocks import HoleLike, PixelMap, as_hole
from vision.dead import seen_plate
from vision.group import find_group
from vision.image import Image
from vision.missing import why_missing
from vision.pairs import find_pair, find_single
from vision.plate import PlateSpec
from vision.scene import Scene
from vision.spots import Expectation, NoSpot, Reason, Sighting, SpotName

PAIR = (SpotName.FRONT, SpotName.BACK)
Name = TypeVar("Name")


def measure_returns(
    image: Image,
    background: Image | None,
    plate_map: PixelMap,
    hole: HoleLike | object | None,
    expectations: Mapping[SpotName, Expectation],
    plate: PlateSpec | None = None,
) -> Mapping[SpotName, Sighting]:
    """Measure both return spots on the hole target.

    Parameters
    ----------
    image : Image
        Frame with the shutter open.
    background : Image, optional
        Frame with the shutter closed; without it the background is fitted as a plane.
    plate_map : PixelMap
        Pixels to mm on the hole target.
    hole : HoleLike or other
        The hole as found; an object without a centre counts as "not found".
    expectations : mapping
        What is expected of ``FRONT`` and ``BACK``; wide covariances where nothing is known.
    plate : PlateSpec, optional
        What is printed on the plate; its lines and markers are left out of the fit.

    Returns
    -------
    mapping of SpotName to Sighting
        For ``FRONT`` and ``BACK``. The expected places serve to find and to tell apart; they do not pull the
        measured centres. Expected radii do take part in the fit.
    """
    expected = (expectations[SpotName.FRONT], expectations[SpotName.BACK])
    scene = _scene(image, background, plate_map, hole, plate)
    found = find_pair(scene, expected)
    sightings: dict[SpotName, Sighting] = {}
    for k, name in enumerate(PAIR):
        sighting = found[k]
        if isinstance(sighting, NoSpot) and sighting.reason is Reason.NO_LIGHT:
            sighting = why_missing(scene, expected[k], found[1 - k], expected[1 - k])
        sightings[name] = sighting
    return sightings


def measure_group(
    image: Image,
    background: Image | None,
    plate_map: PixelMap,
    hole: HoleLike | object | None,
    expectations: Mapping[Name, Expectation],
    plate: PlateSpec | None = None,
) -> Mapping[Name, Sighting]:
    """Measure one, two or three returns at once, as the three surfaces of a cemented doublet make them.

    Parameters
    ----------
    image, background, plate_map, hole, plate
        As for `measure_returns`.
    expectations : mapping
        One to three spots under any names. Unlike a pair, a group is looked for about where it is expected.

    Raises
    ------
    ValueError
        For no expectation, or more than three.
    """
    scene = _scene(image, background, plate_map, hole, plate)
    return dict(zip(expectations, find_group(scene, list(expectations.values())), strict=True))


def measure_transmitted(
    image: Image,
    background: Image | None,
    plate_map: PixelMap,
    expectation: Expectation | None = None,
    plate: PlateSpec | None = None,
    *,
    hole: HoleLike | object | None = None,
) -> Sighting:
    """Measure the transmitted spot, or the bare beam, on the reference target.

    Parameters
    ----------
    image, background, plate_map, plate
        As for `measure_returns`.
    expectation : Expectation, optional
        None where nothing is known: then the brightest spot of any size is measured.
    hole : HoleLike or other, optional
        For a plate with a hole (a single spot on the hole target).
    """
    scene = _scene(image, background, plate_map, hole, plate)
    sighting = find_single(scene, expectation)
    if isinstance(sighting, NoSpot) and sighting.reason is Reason.NO_LIGHT and expectation is not None:
        return why_missing(scene, expectation, None, None)
    return sighting


def _scene(
    image: Image,
    background: Image | None,
    plate_map: PixelMap,
    hole: HoleLike | object | None,
    plate: PlateSpec | None,
) -> Scene:
    known = as_hole(hole)
    pitch_mm, valid = seen_plate(plate_map, known, plate, image.pixels.shape)
    return Scene(image, background, plate_map, known, valid, plate, pitch_mm)
