"""The verdict: residual pose, expanded uncertainty, guard band, and whether the spots agree."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from control.causes import left_out
from control.learn import LearnedModel
from control.messages import Verdict
from control.plan import ARCSEC_PER_MRAD, AlignmentPlan
from control.uncertainty import largest_sigma, radial_coverage_factor
from control.unknowns import Pose
from vision.spots import SpotName

Vector = NDArray[np.float64]

TO_UM_ARCSEC = np.array([1000.0, 1000.0, ARCSEC_PER_MRAD, ARCSEC_PER_MRAD])
"""From (mm, mm, mrad, mrad) to (um, um, arcsec, arcsec)."""

_SQUARES = np.outer(TO_UM_ARCSEC, TO_UM_ARCSEC)

_DOUBT = 1e-4
"""Probability below which scatter or disagreement is not put down to chance."""


@dataclass(frozen=True, slots=True)
class Agreement:
    """Whether two kinds of evidence say the same.

    Attributes
    ----------
    chi_square : float
    degrees_of_freedom : int
    probability : float
        Of a disagreement at least as large by chance.
    apart_mm : float
        How far apart the two are, on the plate.
    """

    chi_square: float
    degrees_of_freedom: int
    probability: float
    apart_mm: float

    @property
    def holds(self) -> bool:
        """Say whether chance is a sufficient explanation."""
        return self.probability >= _DOUBT


def scatter(model: LearnedModel) -> Agreement:
    """Compare the residuals of all looks, and the deviations from the prior, with what was promised.

    The smallest cost of a MAP fit is chi-square distributed with as many degrees of freedom as there are
    coordinates: each unknown that is fitted brings its prior along.
    """
    cost, count = model.cost(), max(model.misfit()[1], 1)
    residual = model.rows.residual if model.rows is not None else np.zeros(1)
    return Agreement(cost, count, float(chdtrc(count, cost)), float(np.max(np.abs(residual))))


def returns_against_transmitted(model: LearnedModel) -> Agreement:
    """Ask whether the transmitted spot lies where the return spots say that it must.

    The pose is found from the returns alone; the transmitted spot's mean residual is then compared with
    its covariance (chi-square, two degrees of freedom). A disagreement means that the axis (hole centre,
    beam) or the reference (bare beam) is wrong, not the lens.
    """
    offset, covariance = left_out(model, SpotName.TRANSMITTED)
    square = float(offset @ np.linalg.solve(covariance, offset))
    return Agreement(square, 2, float(chdtrc(2, square)), float(np.hypot(*offset)))


def judge(plan: AlignmentPlan, pose: Pose, parts: Mapping[str, Vector], scattered: Agreement) -> Verdict:
    """Return the verdict on a pose.

    The part passes only if residual plus expanded uncertainty lie within the tolerance: the guard band is
    the expanded uncertainty (ISO 14253-1, decision rule for proving conformity; JCGM 106:2012, 8.3.2).
    Where the looks scatter more than their covariances promise, the covariance grows by that ratio and the
    coverage factor takes the degrees of freedom into account (JCGM 100:2008, annex G).

    Parameters
    ----------
    plan : AlignmentPlan
    pose : Pose
        Lens against the beam (mm, mm, mrad, mrad).
    parts : mapping of str to ndarray (4, 4)
        Covariance by cause.
    scattered : Agreement
        From :func:`scatter`.
    """
    covariance = pose.covariance * _SQUARES
    factor = radial_coverage_factor(plan.coverage)
    if not scattered.holds:
        covariance = covariance * scattered.chi_square / scattered.degrees_of_freedom
        factor = radial_coverage_factor(plan.coverage, scattered.degrees_of_freedom)
    x, y, tilt_x, tilt_y = (pose.mean * TO_UM_ARCSEC).tolist()
    expanded = factor * largest_sigma(covariance[:2, :2]), factor * largest_sigma(covariance[2:, 2:])
    offsets = math.hypot(x, y), math.hypot(tilt_x, tilt_y)
    table = _table(parts)
    limits = plan.tolerance_decenter_um, plan.tolerance_tilt_arcsec
    return Verdict(
        decenter_um=(x, y),
        tilt_arcsec=(tilt_x, tilt_y),
        covariance=tuple(map(tuple, covariance.tolist())),
        expanded_decenter_um=expanded[0],
        expanded_tilt_arcsec=expanded[1],
        coverage_factor=factor,
        tolerance_decenter_um=limits[0],
        tolerance_tilt_arcsec=limits[1],
        passed=all(o + u <= limit for o, u, limit in zip(offsets, expanded, limits, strict=True)),
        dominated_by=max(table, key=lambda name: max(table[name][0] / limits[0], table[name][1] / limits[1])),
        contributions=table,
    )


def _table(parts: Mapping[str, Vector]) -> dict[str, tuple[float, float]]:
    """Return the standard uncertainty of each cause, um and arcsec, along its worst direction."""
    return {
        name: (
            1000.0 * largest_sigma(part[:2, :2]),
            ARCSEC_PER_MRAD * largest_sigma(part[2:, 2:]),
        )
        for name, part in parts.items()
    }
