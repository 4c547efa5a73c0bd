"""What the bench does while a frame is exposed, and what is truly there at that moment."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from optics.trace import SpotPath
from sim.plate_art import TrueHole
from sim.scene_spots import Pose, TrueSpot


@dataclass(frozen=True, slots=True)
class SceneState:
    """What the bench does while a frame is exposed.

    Attributes
    ----------
    pose : tuple of float or None
        decenter x, y (mm), tilt x, y (mrad) of the lens in the bench frame; None when the lens is out.
    shutter_open, lamp_on : bool
    time_s : float
        Middle of the exposure on the bench's clock.
    frame_number : int
        Number of the frame; frames with different numbers have independent noise.
    """

    pose: Pose | None
    shutter_open: bool = True
    lamp_on: bool = False
    time_s: float = 0.0
    frame_number: int = 0


@dataclass(frozen=True, slots=True)
class TrueAxis:
    """The beam that the lens is to be aligned to.

    Attributes
    ----------
    offset_mm : tuple of float
        Bench x, y where it crosses the hole target (z = 0).
    slope_mrad : tuple of float
        dx/dz, dy/dz.
    """

    offset_mm: tuple[float, float]
    slope_mrad: tuple[float, float]


@dataclass(frozen=True, slots=True)
class SceneTruth:
    """What is truly there at one state.

    Attributes
    ----------
    spots : mapping of SpotPath to TrueSpot
        All five with the lens in, the bare beam as TRANSMITTED with the lens out; all dark with the shutter
        closed.
    axis : TrueAxis
    hole : TrueHole or None
        In the coordinates of the print of the hole target.
    pose_against_beam : tuple of float or None
        decenter x, y (mm), tilt x, y (mrad) of the lens axis against the beam; zero when aligned.
    """

    spots: Mapping[SpotPath, TrueSpot]
    axis: TrueAxis
    hole: TrueHole | None
    pose_against_beam: Pose | None
