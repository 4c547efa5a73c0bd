"""Explain what a first fit leaves over: interference of two returns, ghosts, a halo; the clearest first."""

from __future__ import annotations

import numpy as np

from vision.blocks import Blocks
from vision.extras import with_extra
from vision.fit import Fit, fit
from vision.fringes import find_fringes, with_fringes
from vision.scene import Scene

FRINGE_FINE = 7.0  # blocks to a standard deviation where fringes were found
HALO_FINE, HALO_REACH = (
    2.5,
    10.0,
)  # blocks to a standard deviation, and standard deviations, where a halo was found
MOST_FINE = 9000  # blocks in all for either
MOST_EXTRAS = 2


def explain(scene: Scene, result: Fit, blocks: Blocks) -> tuple[Fit, Blocks]:
    """Add to a fit of round spots whatever clearly explains the frame better."""
    for _ in range(MOST_EXTRAS + 1):
        room = result.shape.extras + result.shape.halo < MOST_EXTRAS
        more = with_extra(blocks, result) if room else None
        striped = _striped(scene, result, blocks)
        if striped is not None and (more is None or striped[2] > result.deviance - more.deviance):
            result, blocks = striped[:2]
        elif more is not None:
            result, blocks = _with_room(scene, more, blocks)
        else:
            break
    return result, blocks


def _with_room(scene: Scene, result: Fit, blocks: Blocks) -> tuple[Fit, Blocks]:
    """Refit a halo on a region that takes it in: its far parts tell of its centre too."""
    if not result.shape.halo or result.shape.fringes:
        return result, blocks
    centers = [result.center_mm(k) for k in range(result.shape.wanted)]
    radii = [float(np.exp(result.theta[result.shape.log_radius(k)])) for k in range(result.shape.wanted)]
    wider = scene.blocks(centers, radii, HALO_FINE, MOST_FINE, HALO_REACH)
    if wider is None or wider.value_e.size <= blocks.value_e.size:
        return result, blocks
    refitted = fit(wider, result.shape, result.theta, result.prior)
    return (result, blocks) if refitted is None or refitted.theta[-1] <= 0.0 else (refitted, wider)


def _striped(scene: Scene, result: Fit, blocks: Blocks) -> tuple[Fit, Blocks, float] | None:
    """Return the fit with fringes on finer blocks and its gain; None where there are none."""
    if result.shape.fringes or result.shape.wanted != 2:
        return None
    centers = [result.center_mm(k) for k in range(result.shape.spots)]
    radii = [float(np.exp(result.theta[result.shape.log_radius(k)])) for k in range(result.shape.spots)]
    if np.hypot(*(centers[0] - centers[1])) > radii[0] + radii[1]:
        return None
    start = find_fringes(blocks, result)
    finer = (
        None
        if start is None
        else scene.blocks(centers[:2], radii[:2], FRINGE_FINE, MOST_FINE, enough=MOST_FINE)
    )
    if start is None or finer is None:
        return None
    # Fringes bend too much within a block that the rim cuts for its centroid to stand for it.
    finer = finer.take(finer.pixels > 0.99 * finer.size_px**2)
    plain = fit(finer, result.shape, result.theta, result.prior, rounds=3)
    striped = None if plain is None else with_fringes(finer, plain, start)
    if plain is None or striped is None:
        return None
    return striped, finer, plain.deviance - striped.deviance
