"""What one part teaches the next: the bench, and by how much fixing shifts a lens. Nothing else passes on."""

from __future__ import annotations

import json
from collections import deque
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from control.memory import Memory
from control.unknowns import KEPT, Vector
from control.verdict import TO_UM_ARCSEC
from station.archive import Archive

_LAST: Final = 20
_LEAST: Final = 3
"""With fewer earlier parts their scatter could be taken for the shift (common practice, no source)."""
_NAMES: Final = ("decenter_x_um", "decenter_y_um", "tilt_x_arcsec", "tilt_y_arcsec")


@dataclass(slots=True)
class Learned:
    """Held by the lot; declared here because nothing else may be shared between parts.

    Attributes
    ----------
    memory : Memory or None
        Of mount, plates and distances: every lens learns on the same bench. Only aligned parts teach.
    """

    memory: Memory | None = None
    _shifts: dict[str, deque[Vector]] = field(default_factory=dict, init=False)

    def recall(self, archive: Archive, recipe: str) -> None:
        """Take the shifts of earlier parts from the archive, once for each recipe."""
        if recipe in self._shifts:
            return
        shifts: deque[Vector] = deque(maxlen=_LAST)
        series = [
            {
                point.part_id: point.value
                for point in archive.charts.series(recipe, f"shift_{name}", last=_LAST)
            }
            for name in _NAMES
        ]
        for part_id in series[0]:
            if all(part_id in one for one in series):
                shifts.append(np.array([one[part_id] for one in series]) / TO_UM_ARCSEC)
        self._shifts[recipe] = shifts

    def take_shift(self, recipe: str, shift: Vector) -> None:
        """Learn by how much fixing shifted a lens."""
        self._shifts.setdefault(recipe, deque(maxlen=_LAST)).append(shift.copy())

    def usual_shift(self, recipe: str) -> Vector | None:
        """Return the median shift of the last parts (mm, mm, mrad, mrad); None while too few are known."""
        shifts = self._shifts.get(recipe, ())
        if len(shifts) < _LEAST:
            return None
        usual: Vector = np.median(np.array(shifts), axis=0)
        return usual


def memory_text(memory: Memory) -> str:
    """Return what was learned of the bench as the text of a calibration."""
    content = {"mean": memory.mean.tolist(), "covariance": memory.covariance.tolist(), "parts": memory.parts}
    return json.dumps(content)


def memory_of(text: str) -> Memory | None:
    """Return what a calibration says of the bench; None when it is of another version or no such thing."""
    try:
        data: dict[str, Any] = json.loads(text)
        mean = np.array(data["mean"], dtype=float)
        covariance = np.array(data["covariance"], dtype=float)
        parts = int(data["parts"])
    except (ValueError, KeyError, TypeError):
        return None
    count = len(KEPT)
    sound = mean.shape == (count,) and covariance.shape == (count, count) and np.isfinite(covariance).all()
    return Memory(mean, covariance, parts) if sound else None
