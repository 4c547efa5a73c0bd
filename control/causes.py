"""What the uncertainty of a pose comes from, and what one spot says against the others."""

from __future__ import annotations

from copy import copy
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from control.learn import LearnedModel
from control.model import SPOTS
from control.unknowns import (
    BACKLASH,
    CLOCKING,
    DISTANCES,
    FIXED_COUNT,
    HERE,
    MOUNT,
    POSE,
    REFERENCES,
    Vector,
    through,
)
from optics.compiled import compiled
from vision.spots import SpotName


def left_out(model: LearnedModel, name: SpotName) -> tuple[Vector, Vector]:
    """Return the mean residual (2,) in mm of one spot against all the others, and its covariance.

    Raises
    ------
    ValueError
        When that spot was never seen.
    """
    part = slice(2 * SPOTS.index(name), 2 * SPOTS.index(name) + 2)
    seen = model.looks.seen[:, part.start]
    if not np.any(seen):
        raise ValueError(f"the {name.value} spot was never seen")
    rest = copy(model)
    rest.looks = model.looks.blind_to(part)
    rest.solve()
    spots, by = rest.spots_and_derivatives()
    mean_by = np.mean(by[seen][:, part], axis=0)
    noise = np.sum(model.looks.noise[seen][:, part, part], axis=0) / np.sum(seen) ** 2
    offset = np.mean(model.looks.values[seen][:, part] - spots[seen][:, part], axis=0)
    return offset, mean_by @ rest.covariance @ mean_by.T + noise


def contributions(model: LearnedModel) -> dict[str, Vector]:
    """Split the covariance of the pose where the mount stands by cause; the parts (4, 4) add up to the whole.

    The error of a MAP estimate is linear in the errors of what went in, so that each input's covariance
    is carried through the gain (JCGM 100:2008, 5.2; JCGM 102:2011, 6.2).
    """
    gain = model.here_with_gain()[1]
    lever, shares = _prior_shares(gain, model.prior_information, model.prior_covariance, _edges(model.size))
    parts = dict(zip(_PRIOR, shares, strict=True))
    at = REFERENCES.start
    for named, place in ((model.references.hole_parts, at), (model.references.bare_parts, at + 2)):
        across = lever[:, place : place + 2]
        carried = across @ np.array(list(named.values())) @ across.T
        for name, part in zip(named, carried, strict=True):
            parts[name] = parts[name] + part if name in parts else part
    assert model.rows is not None
    rows, looks = model.rows, model.looks
    spots, away = _noise_shares(gain, rows.root, rows.by, looks.seen, looks.noise, model.spread())
    parts["spots"] = spots
    parts["mount repeatability"] = away + through(lever[:, HERE], model._repeat)
    return parts


_PRIOR: Final = {
    "placing of the lens": POSE,
    "mount": MOUNT,
    "clocking of the plates": CLOCKING,
    "distances": DISTANCES,
    "backlash": BACKLASH,
    "prescription": slice(FIXED_COUNT, None),
}
"""Causes that are unknowns of the fit, and which."""


@lru_cache(maxsize=8)
def _edges(size: int) -> NDArray[np.int64]:
    """Return first and last + 1 of the unknowns of each cause, shape (causes, 2)."""
    return np.array([part.indices(size)[:2] for part in _PRIOR.values()])


@compiled(any_order=True)
def _prior_shares(
    gain: Vector, information: Vector, covariance: Vector, edges: NDArray[np.int64]
) -> tuple[Vector, Vector]:
    """Return how the pose follows the prior (4, m), and the covariance (4, 4) that each part of it gives."""
    lever = np.dot(gain, information)
    shares = np.zeros((len(edges), 4, 4))
    for part in range(len(edges)):
        for first in range(edges[part, 0], edges[part, 1]):
            for row in range(4):
                carried = 0.0
                for second in range(edges[part, 0], edges[part, 1]):
                    carried += lever[row, second] * covariance[second, first]
                for column in range(4):
                    shares[part, row, column] += carried * lever[column, first]
    return lever, shares


@compiled(any_order=True)
def _noise_shares(
    gain: Vector, roots: Vector, by: Vector, seen: NDArray[np.bool_], noise: Vector, spread: Vector
) -> tuple[Vector, Vector]:
    """Return the covariances (4, 4) that the spots' noise and the mount's repeatability give to the pose.

    ``roots`` to ``spread`` are the looks', (n, 6, 6), (n, 6, m), (n, 6), (n, 6, 6) and (n, 6, 6).
    """
    spots, away = np.zeros((4, 4)), np.zeros((4, 4))
    for look in range(len(roots)):
        weight = np.dot(roots[look], roots[look].T)
        carried = np.dot(np.dot(gain, by[look].T), weight)
        for first in range(6):
            for second in range(6):
                if seen[look, first] and seen[look, second]:
                    for row in range(4):
                        for column in range(4):
                            both = carried[row, first] * carried[column, second]
                            spots[row, column] += both * noise[look, first, second]
                            away[row, column] += both * spread[look, first, second]
    return spots, away
