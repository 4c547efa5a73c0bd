"""Are the returns what they are said to be? Front and back taken for each other show in the model."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from control.learn import LearnedModel
from control.unknowns import Coordinates, as_rows, innovation
from vision.spots import Sighting, Spot, SpotName

_CLEARLY: Final = 20.0


@dataclass(frozen=True, slots=True)
class Identified:
    """The spots of a look under their right names.

    Attributes
    ----------
    spots : mapping of SpotName to Spot
    swapped : bool
        Whether front and back had to be exchanged.
    chi_square : float
        Misfit of the spots to what the model predicted, before it learned from them.
    coordinates : int
    clearly : bool
        Whether the exchange left no doubt; where the two returns lie close together it may be chance.
    rows : Coordinates or None
        The spots as coordinates, where they were put into such.
    """

    spots: Mapping[SpotName, Spot]
    swapped: bool
    chi_square: float = 0.0
    coordinates: int = 0
    clearly: bool = False
    rows: Coordinates | None = None

    @property
    def probability(self) -> float:
        """Chance of a misfit at least as large."""
        return float(chdtrc(self.coordinates, self.chi_square)) if self.coordinates else 1.0


def identify(
    model: LearnedModel,
    axes: NDArray[np.float64],
    sides: NDArray[np.float64],
    sightings: Mapping[SpotName, Sighting],
    *,
    doubtful: bool = False,
) -> Identified:
    """Return the spots under the names that the model finds believable.

    Names are exchanged only when the exchange is believable and far more so than the names as given; where
    they have been wrong before in this run (``doubtful``), being more believable is enough.
    """
    spots = {name: seen for name, seen in sightings.items() if isinstance(seen, Spot)}
    predicted = model.predict(axes, sides)
    rows = as_rows(spots)
    square, count = innovation(predicted, rows)
    given = Identified(spots, False, square, count, rows=rows)
    margin = 0.0 if doubtful else _CLEARLY
    if square <= margin or (SpotName.FRONT not in spots and SpotName.BACK not in spots):
        return given
    other = {_EXCHANGED.get(name, name): spot for name, spot in spots.items()}
    rows = as_rows(other)
    square, count = innovation(predicted, rows)
    better = given.chi_square - square
    exchanged = Identified(other, True, square, count, better > _CLEARLY, rows)
    return exchanged if better > margin and exchanged.probability >= 1e-4 else given


_EXCHANGED: Final = {SpotName.FRONT: SpotName.BACK, SpotName.BACK: SpotName.FRONT}
