"""What the uncertainty of a pose comes from, and what one spot says against the others."""

from __future__ import annotations

from copy import copy

import numpy as np

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
    named = {
        "placing of the lens": POSE,
        "mount": MOUNT,
        "clocking of the plates": CLOCKING,
        "distances": DISTANCES,
        "backlash": BACKLASH,
        "prescription": slice(FIXED_COUNT, model.size),
    }
    lever = gain @ model.prior_information
    parts = {
        name: through(lever[:, block], model.prior_covariance[block, block]) for name, block in named.items()
    }
    for name, part in model.references.hole_parts.items():
        parts[name] = through(lever[:, REFERENCES.start : REFERENCES.start + 2], part)
    for name, part in model.references.bare_parts.items():
        carried = through(lever[:, REFERENCES.start + 2 : REFERENCES.stop], part)
        parts[name] = parts.get(name, np.zeros((4, 4))) + carried
    parts["spots"], away = _noise_parts(model, gain)
    parts["mount repeatability"] = away + through(lever[:, HERE], model._repeat)
    return parts


def _noise_parts(model: LearnedModel, gain: Vector) -> tuple[Vector, Vector]:
    """Covariances that the spots' noise and the mount's repeatability give to the pose."""
    assert model.rows is not None
    weight = model.rows.root @ model.rows.root.transpose(0, 2, 1)
    carried = gain @ model.rows.by.transpose(0, 2, 1) @ weight
    both = model.looks.seen[:, :, None] & model.looks.seen[:, None, :]
    noise = np.where(both, model.looks.noise, 0.0)
    repeat = np.where(both, model.spread(), 0.0)
    back = carried.transpose(0, 2, 1)
    return np.sum(carried @ noise @ back, axis=0), np.sum(carried @ repeat @ back, axis=0)
