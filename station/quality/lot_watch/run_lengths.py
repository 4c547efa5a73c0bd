"""How long a healthy process runs until a rule stops it by chance, and how fast a sick one is stopped.

These say what a setting costs before it is used: a limit that stops one healthy night in ten is not used
for long.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtr

from station.quality.checks import require

_NODES = 120


def cusum_run_length(reference: float, decision: float, shift: float = 0.0) -> float:
    """Return the mean number of parts until a two-sided CUSUM signals.

    Page's integral equation (Biometrika 41, 100 (1954)) solved at Gauss-Legendre nodes; both sides combined
    by 1/L = 1/L+ + 1/L- (van Dobben de Bruyn 1968; from memory).

    Parameters
    ----------
    reference, decision : float
        k and h in sigma.
    shift : float
        Distance of the level from the centre in sigma; 0 for a healthy process.
    """
    require(
        reference > 0.0 and decision > 0.0,
        f"k = {reference} and h = {decision} were given; both are positive",
    )
    rate = sum(1.0 / _one_sided(reference, decision, side * shift) for side in (1.0, -1.0))
    return 1.0 / rate


def rejects_in_a_row_run_length(count: int, share: float) -> float:
    """Return the mean number of parts until ``count`` rejects in a row, at a ``share`` of rejects.

    (1 - p^k) / ((1 - p) p^k); Feller, An Introduction to Probability Theory, vol. 1, chapter XIII.
    """
    require(count >= 1, f"{count} rejects in a row were asked for; at least 1")
    require(
        0.0 < share < 1.0, f"a share of rejects of {share} was given; it lies between 0 and 1, such as 0.02"
    )
    return (1.0 - share**count) / ((1.0 - share) * share**count)


def _one_sided(reference: float, decision: float, shift: float) -> float:
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    # The sum may sit exactly at zero, so zero is a node of its own, first.
    sums = np.concatenate([[0.0], 0.5 * decision * (nodes + 1.0)])
    step = sums[None, :] - sums[:, None] + reference - shift
    kernel = np.exp(-0.5 * step**2) / math.sqrt(2.0 * math.pi)
    kernel[:, 1:] *= 0.5 * decision * weights
    kernel[:, 0] = ndtr(reference - shift - sums)
    lengths = np.linalg.solve(np.eye(sums.size) - kernel, np.ones(sums.size))
    return float(lengths[0])
