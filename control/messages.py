"""What control is told (observations) and what it answers (actions). Nothing else crosses its boundary.

The runner in ``station`` executes an action on the devices and hands back one observation; the aligner
answers with the next action. Replaying the observations of a record replays the run.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from vision.spots import Expectation, Sighting, SpotName


class Outcome(Enum):
    """How a run ended; four different things, never mixed."""

    ALIGNED = "aligned"
    REJECTED = "rejected"
    STOPPED = "stopped"
    TIMED_OUT = "timed_out"


# --- observations -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Started:
    """The devices are connected and the cautions were shown."""

    time_s: float


@dataclass(frozen=True, slots=True)
class Homed:
    """All axes found their switches."""

    positions: Mapping[str, float]
    time_s: float


@dataclass(frozen=True, slots=True)
class PlatesMapped:
    """Both plates' maps are valid; the hole was found.

    ``hole_center_mm`` is the hole's centre in the bench frame of the hole target, ``hole_covariance_mm2``
    ((xx, xy), (yx, yy)) its covariance; ``map_sigma_mm`` the standard uncertainty of each plate's map.
    """

    hole_center_mm: tuple[float, float]
    hole_covariance_mm2: tuple[tuple[float, float], tuple[float, float]]
    hole_radius_mm: float
    map_sigma_mm: Mapping[str, float]
    time_s: float


@dataclass(frozen=True, slots=True)
class BareBeamSeen:
    """Where the beam lands on the reference target without the lens."""

    transmitted: Sighting
    time_s: float


@dataclass(frozen=True, slots=True)
class LensIsIn:
    """The lens is in the mount."""

    time_s: float


@dataclass(frozen=True, slots=True)
class LensIsOut:
    """The beam is bare."""

    time_s: float


@dataclass(frozen=True, slots=True)
class Moved:
    """The mount has moved; positions as read back (axis units)."""

    positions: Mapping[str, float]
    time_s: float


@dataclass(frozen=True, slots=True)
class Looked:
    """What was seen, with the mount standing still at ``positions`` (axis units)."""

    sightings: Mapping[SpotName, Sighting]
    positions: Mapping[str, float]
    frames: int
    time_s: float


@dataclass(frozen=True, slots=True)
class Switched:
    """An output was switched."""

    output: str
    on: bool
    time_s: float


@dataclass(frozen=True, slots=True)
class Waited:
    """The time that was asked for has passed."""

    time_s: float


@dataclass(frozen=True, slots=True)
class Faulted:
    """A device fault; ``code`` is the value of the driver's fault code (or ``internal_error``)."""

    code: str
    message: str
    time_s: float


@dataclass(frozen=True, slots=True)
class OperatorStopped:
    """A person pressed Ctrl-C or asked to stop."""

    time_s: float


Observation = (
    Started
    | Homed
    | PlatesMapped
    | BareBeamSeen
    | LensIsIn
    | LensIsOut
    | Moved
    | Looked
    | Switched
    | Waited
    | Faulted
    | OperatorStopped
)

# --- actions ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Home:
    """Close the shutter and home all axes."""


@dataclass(frozen=True, slots=True)
class HomeAgain:
    """Close the shutter and home all axes with the lens in: what was lost on the way shows afterwards."""

    why: str


@dataclass(frozen=True, slots=True)
class MapPlates:
    """Light the plates, find fiducials and hole, darken the plates."""


@dataclass(frozen=True, slots=True)
class TakeLensOut:
    """Make the beam bare."""


@dataclass(frozen=True, slots=True)
class RecordBareBeam:
    """Open the shutter and measure the bare beam on the reference target, which looks as expected."""

    frames: int
    expectation: Expectation | None = None


@dataclass(frozen=True, slots=True)
class PutLensIn:
    """Close the shutter and put the lens into the mount."""


class MovePurpose(Enum):
    """What a move is for; the run's tally counts each kind by itself."""

    SEARCH = "search"
    TEST = "test"
    STEP = "step"
    VERIFY = "verify"
    TAKE_UP = "take_up"


@dataclass(frozen=True, slots=True)
class Move:
    """Move axes to absolute targets (axis units)."""

    targets: Mapping[str, float]
    why: str
    purpose: MovePurpose = MovePurpose.STEP


@dataclass(frozen=True, slots=True)
class Look:
    """Look at both plates with the shutter open, averaging ``frames`` frames."""

    frames: int
    expectations: Mapping[SpotName, Expectation]
    why: str


@dataclass(frozen=True, slots=True)
class SwitchOutput:
    """Switch an output of the bench that fixes the lens: a clamp, a curing lamp."""

    output: str
    on: bool
    why: str


@dataclass(frozen=True, slots=True)
class Wait:
    """Let bench time pass with the shutter closed."""

    seconds: float
    why: str


@dataclass(frozen=True, slots=True)
class Finish:
    """Stop all motion, close the shutter, write the record. Always the last action."""

    outcome: Outcome
    reason: str
    remedy: str = ""
    verdict: Verdict | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """How well the lens is aligned and how surely.

    Attributes
    ----------
    decenter_um, tilt_arcsec : tuple of float
        Residual (x, y) of the lens against the axis.
    covariance : tuple of tuples, 4 x 4
        Covariance (k = 1) of (decenter x, y in um, tilt x, y in arcsec).
    expanded_decenter_um, expanded_tilt_arcsec : float
        Expanded radial uncertainties at ``coverage`` (JCGM 100).
    coverage_factor : float
    tolerance_decenter_um, tolerance_tilt_arcsec : float
    passed : bool
        True only if residual plus expanded uncertainty lie within the tolerance (ISO 14253-1 guard band).
    dominated_by : str
        Which contribution dominates the uncertainty, in words.
    contributions : mapping
        Standard uncertainty of each named contribution: {name: (decenter_um, tilt_arcsec)}.
    """

    decenter_um: tuple[float, float]
    tilt_arcsec: tuple[float, float]
    covariance: tuple[tuple[float, ...], ...]
    expanded_decenter_um: float
    expanded_tilt_arcsec: float
    coverage_factor: float
    tolerance_decenter_um: float
    tolerance_tilt_arcsec: float
    passed: bool
    dominated_by: str
    contributions: Mapping[str, tuple[float, float]] = field(default_factory=dict)


Action = (
    Home
    | HomeAgain
    | MapPlates
    | TakeLensOut
    | RecordBareBeam
    | PutLensIn
    | Move
    | Look
    | SwitchOutput
    | Wait
    | Finish
)
