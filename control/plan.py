"""What an alignment sets out from: the part's plan, and what is known of the bench beforehand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from control.memory import Memory
from driver.axes import AxisSpec
from optics.layout import Beam, Layout
from optics.lens import Lens

POSE_NAMES = ("decenter_x", "decenter_y", "tilt_x", "tilt_y")
MRAD_PER_DEG = 1000.0 * math.pi / 180.0
ARCSEC_PER_MRAD = math.degrees(1e-3) * 3600.0

Matrix4 = tuple[tuple[float, ...], ...]


class TestMoves(Enum):
    """When the Jacobian is measured by test moves."""

    __test__ = False  # the name begins with "Test"; pytest must not collect it

    ALWAYS = "always"
    WHEN_NEEDED = "when_needed"


class HomeAgain(Enum):
    """When the axes are homed once more before a part is called aligned."""

    ALWAYS = "always"
    WHEN_DOUBTFUL = "when_doubtful"


class Prescription(Enum):
    """Whether the recipe's prescription is more than a first guess."""

    KNOWN = "known"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class AlignmentPlan:
    """What is to be reached for one part, and what may be spent on it.

    Attributes
    ----------
    lens : Lens
        The recipe's prescription.
    tolerance_decenter_um, tolerance_tilt_arcsec : float
        Radial tolerances of the residual pose.
    coverage : float
        Coverage probability of the expanded uncertainty (JCGM 100).
    max_looks, max_moves, max_seconds : int, int, float
        Budgets; spending one ends the run as timed out. Moves of every purpose count.
    max_step_mm, max_step_deg : float
        Longest single move of a linear and of a rotary axis.
    frames_per_look, frames_at_verification : int
        Frames averaged on the way and at verification.
    verification_looks, max_verification_looks : int
        Looks round the null before the verdict: at least, and at most when they still help.
    radius_sigma_relative : float
        Relative standard uncertainty of each radius of curvature.
    dither_spot_mm : float
        How far every spot moves between verification looks; a few speckle grains on the plate.
    test_moves, prescription : TestMoves, Prescription
    home_again : HomeAgain
        Homing tells of lost steps where the spots alone cannot: when the looks leave a doubt, or always.

    Raises
    ------
    ValueError
        When a number is impossible; the message says which, and what is allowed.
    """

    lens: Lens
    tolerance_decenter_um: float = 20.0
    tolerance_tilt_arcsec: float = 30.0
    coverage: float = 0.95
    max_looks: int = 80
    max_moves: int = 80
    max_seconds: float = 900.0
    max_step_mm: float = 3.0
    max_step_deg: float = 2.0
    frames_per_look: int = 2
    frames_at_verification: int = 2
    verification_looks: int = 4
    max_verification_looks: int = 24
    radius_sigma_relative: float = 0.01
    dither_spot_mm: float = 0.15
    test_moves: TestMoves = TestMoves.WHEN_NEEDED
    prescription: Prescription = Prescription.KNOWN
    home_again: HomeAgain = HomeAgain.WHEN_DOUBTFUL

    def __post_init__(self) -> None:
        for name in (
            "tolerance_decenter_um",
            "tolerance_tilt_arcsec",
            "max_seconds",
            "max_step_mm",
            "max_step_deg",
            "radius_sigma_relative",
            "dither_spot_mm",
        ):
            _require_positive(name, getattr(self, name))
        for name in ("max_looks", "max_moves", "frames_per_look", "frames_at_verification"):
            _require_count(name, getattr(self, name), 1)
        _require_count("verification_looks", self.verification_looks, 0)
        _require_count("max_verification_looks", self.max_verification_looks, self.verification_looks)
        if not 0.5 <= self.coverage < 1.0:
            raise ValueError(f"coverage is {self.coverage}, allowed is 0.5 to below 1")

    def curvature_sigma_per_mm(self) -> NDArray[np.float64]:
        """Return the standard uncertainty of each curvature; a first guess may be wrong in sign."""
        curvatures = np.abs([surface.curvature_per_mm for surface in self.lens.surfaces])
        if self.prescription is Prescription.UNKNOWN:
            return np.maximum(0.3 * curvatures, 0.012)
        return np.maximum(self.radius_sigma_relative * curvatures, 2e-6)

    @property
    def tolerances(self) -> NDArray[np.float64]:
        """Return the tolerances as a pose (mm, mm, mrad, mrad)."""
        decenter = self.tolerance_decenter_um / 1000.0
        tilt = self.tolerance_tilt_arcsec / ARCSEC_PER_MRAD
        return np.array([decenter, decenter, tilt, tilt])


@dataclass(frozen=True, slots=True)
class BenchModel:
    """What is known of bench and mount before the part: nominal values and standard uncertainties.

    Attributes
    ----------
    layout, beam : Layout, Beam
        Nominal distances and beam; the beam's offset and slope are not used, poses are relative to the beam.
    axes : tuple of AxisSpec
        The four axes, in the order of every axis vector here.
    mount_matrix : 4 x 4 tuple
        Pose (mm, mm, mrad, mrad) per axis unit (mm or deg); see :meth:`nominal`.
    null_axes : tuple of float
        Axis positions at which a nominally placed lens would be on the beam; the run starts there.
    start_sigma_mm, start_sigma_mrad : float
        How a lens lies in the mount, per coordinate.
    scale_sigma, clocking_sigma_deg, pivot_sigma_mm, straightness_sigma_mrad_per_mm : float
        Mount: relative scale, rotation and squareness, place of the pivot, tilt that comes with travel.
    plate_clocking_sigma_deg : float
        Rotation of each plate's frame about the beam.
    backlash_sigma_mm, backlash_sigma_deg : float
        Backlash of an axis that is not approached from one side by its driver.
    repeatability_sigma_um, repeatability_sigma_urad : float
        How the mount repeats a position, per pose coordinate.
    drift_sigma_um, drift_sigma_urad : float
        How far lens and beam creep against each other from one look to the next, per pose coordinate.
    l1_sigma_mm, l2_sigma_mm : float
    beam_in_hole_sigma_um : float
        Beam against the hole's centre, per coordinate.
    reference_sigma_um : float
        How well the bare beam's place is kept between record and verdict, per coordinate.
    known : Memory or None
        What a characterisation of the mount says; it takes the place of the uncertainties above.

    Raises
    ------
    ValueError
        When the axes are not four with different main motions, or a number is impossible.
    """

    layout: Layout
    beam: Beam
    axes: tuple[AxisSpec, ...]
    mount_matrix: Matrix4
    null_axes: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0)
    start_sigma_mm: float = 0.6
    start_sigma_mrad: float = 10.5
    scale_sigma: float = 0.02
    clocking_sigma_deg: float = 2.0
    pivot_sigma_mm: float = 5.0
    straightness_sigma_mrad_per_mm: float = 0.3
    plate_clocking_sigma_deg: float = 0.5
    backlash_sigma_mm: float = 0.010
    backlash_sigma_deg: float = 0.005
    repeatability_sigma_um: float = 2.0
    repeatability_sigma_urad: float = 10.0
    drift_sigma_um: float = 0.1
    drift_sigma_urad: float = 0.5
    l1_sigma_mm: float = 3.0
    l2_sigma_mm: float = 2.0
    beam_in_hole_sigma_um: float = 10.0
    reference_sigma_um: float = 2.0
    known: Memory | None = None

    def __post_init__(self) -> None:
        if len(self.axes) != 4 or {axis.moves for axis in self.axes} != set(POSE_NAMES):
            raise ValueError(
                f"axes move {[axis.moves for axis in self.axes]}, needed is one axis for each of {POSE_NAMES}"
            )
        if np.shape(self.mount_matrix) != (4, 4) or not np.all(np.isfinite(self.mount_matrix)):
            raise ValueError("mount_matrix must be 4 x 4 finite numbers, pose (mm, mrad) per axis unit")
        if np.linalg.cond(np.asarray(self.mount_matrix)) > 1e6:
            raise ValueError("mount_matrix does not move all four degrees of freedom")
        for axis, null in zip(self.axes, self.null_axes, strict=True):
            if not axis.can_end_at(null):
                raise ValueError(
                    f"null_axes: {axis.name} = {null} {axis.unit} is outside the travel "
                    f"{axis.travel_min} to {axis.travel_max} {axis.unit}"
                )
        for name in self.__slots__:
            if "sigma" in name:
                _require_positive(name, getattr(self, name))

    @classmethod
    def nominal(
        cls,
        layout: Layout,
        beam: Beam,
        axes: Sequence[AxisSpec],
        *,
        pivot_behind_mm: float = 0.0,
        **known: float | tuple[float, ...],
    ) -> BenchModel:
        """Return the model of a square mount whose rotary axes turn about a pivot behind the front vertex.

        Parameters
        ----------
        axes : sequence of AxisSpec
        pivot_behind_mm : float
            Distance of the pivot downstream of the front vertex; negative when it lies before it. A tilt ry
            then carries the vertex by -pivot x ry, a tilt rx by +pivot x rx (right-handed rotations).
        known : float or tuple
            Any other attribute of the model.
        """
        matrix = np.zeros((4, 4))
        for column, axis in enumerate(axes):
            row = POSE_NAMES.index(axis.moves)
            matrix[row, column] = 1.0 if axis.unit == "mm" else MRAD_PER_DEG
            if axis.moves == "tilt_x":
                matrix[1, column] = pivot_behind_mm * matrix[row, column] / 1000.0
            elif axis.moves == "tilt_y":
                matrix[0, column] = -pivot_behind_mm * matrix[row, column] / 1000.0
        rows = tuple(tuple(float(value) for value in row) for row in matrix)
        return cls(layout, beam, tuple(axes), rows, **known)  # type: ignore[arg-type]  # checked at run time

    @property
    def axis_names(self) -> tuple[str, ...]:
        """Axis words in the order of every axis vector."""
        return tuple(axis.name for axis in self.axes)

    def matrix(self) -> NDArray[np.float64]:
        """Return the nominal mount matrix, shape (4, 4)."""
        return np.asarray(self.mount_matrix, dtype=np.float64)

    def matrix_sigma(self) -> NDArray[np.float64]:
        """Return the standard uncertainty of each element of the mount matrix, shape (4, 4)."""
        turn = math.radians(self.clocking_sigma_deg)
        sigma = np.empty((4, 4))
        for column, axis in enumerate(self.axes):
            main = POSE_NAMES.index(axis.moves)
            angle = axis.moves.startswith("tilt")
            reach = abs(self.matrix()[main, column])
            across = self.pivot_sigma_mm * reach / 1000.0 if angle else reach * turn
            along = reach * turn if angle else reach * self.straightness_sigma_mrad_per_mm
            sigma[:2, column], sigma[2:, column] = across, along
            sigma[main, column] = reach * self.scale_sigma
        return sigma

    def repeatability(self) -> NDArray[np.float64]:
        """Covariance of how the mount repeats a pose (mm, mrad), shape (4, 4)."""
        return _diagonal(self.repeatability_sigma_um, self.repeatability_sigma_urad)

    def drift(self) -> NDArray[np.float64]:
        """Covariance of what the pose creeps from one look to the next (mm, mrad), shape (4, 4)."""
        return _diagonal(self.drift_sigma_um, self.drift_sigma_urad)


def _diagonal(sigma_um: float, sigma_urad: float) -> NDArray[np.float64]:
    decenter, tilt = sigma_um / 1000.0, sigma_urad / 1000.0
    return np.diag([decenter**2, decenter**2, tilt**2, tilt**2])


def _require_positive(name: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise ValueError(f"{name} is {value}, allowed is a finite number above 0")


def _require_count(name: str, value: int, least: int) -> None:
    if value < least:
        raise ValueError(f"{name} is {value}, allowed is {least} or more")
