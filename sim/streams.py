"""Random numbers of one bench: each of its parts has a stream of its own."""

from __future__ import annotations

import numpy as np


def stream(seed: int, *numbers: int) -> np.random.Generator:
    """Return the generator of one stream of a seed, the same one as ``default_rng([seed, *numbers])``."""
    # Numbers that are words already are taken in a third of the time.
    return np.random.default_rng(np.array([seed & 0xFFFFFFFF, *numbers], np.uint32))
