"""Does the process drift? Tests that the lot runner asks after every part.

A CUSUM of standardised values (Page, Biometrika 41, 100 (1954)) with the usual reference k = 0.5 (best for
a shift of one sigma). It warns at h = 5 (a healthy process does that once in 465 parts; Lucas & Crosier,
Technometrics 24, 199 (1982); from memory) and stops at h = 10, which a healthy one reaches once in some
70,000 parts: with four axes and 400 parts a night that is one false stop in about 40 nights. Without a
known centre and sigma the values are standardised by those before them (self-starting CUSUM, Hawkins, The
Statistician 36, 299 (1987); from memory). An EWMA (Roberts, Technometrics 1, 239 (1959)) is there for
charts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri, stdtr

from station.quality.checks import Array, QualityError, as_series, require

EWMA_WEIGHT, EWMA_WIDTH = 0.2, 2.962
"""In control 500 points to a false alarm (Lucas & Saccucci, Technometrics 32, 1 (1990); from memory)."""


@dataclass(frozen=True, slots=True)
class DriftSettings:
    """Constants of the drift test, in sigma.

    Attributes
    ----------
    reference : float
        k: half the shift that should be found.
    warn, stop : float
        h: sums at which it warns and stops.
    largest : float
        A single part counts at most this much, so that one bad lens is not a drift.
    """

    reference: float = 0.5
    warn: float = 5.0
    stop: float = 10.0
    largest: float = 4.0

    def __post_init__(self) -> None:
        fine = 0.0 < self.reference < self.largest and 0.0 < self.warn <= self.stop
        require(
            fine and math.isfinite(self.stop + self.largest),
            f"drift settings k {self.reference}, warn {self.warn}, stop {self.stop}, largest {self.largest}: "
            "needed are 0 < k < largest and 0 < warn <= stop",
        )


@dataclass(frozen=True, slots=True)
class DriftSignal:
    """A drift was found.

    Attributes
    ----------
    stop : bool
        True: stop the lot; False: a warning, the lot goes on.
    name : str
    side : int
        +1 towards larger values, -1 towards smaller.
    parts : int
        Number of parts since which the sum has been growing: where to look for the cause.
    shift_sigma : float
        Estimated distance from the centre.
    reason, remedy : str
    """

    stop: bool
    name: str
    side: int
    parts: int
    shift_sigma: float
    reason: str
    remedy: str


@dataclass(frozen=True, slots=True)
class DriftWatch:
    """State of the drift test of one quantity; `with_value` returns the next state.

    Attributes
    ----------
    name, unit : str
    settings : DriftSettings
    center, sigma : float or None
        Known level and scatter (phase I); both None to learn them from the values themselves.
    count, mean, squares : running number, mean and sum of squared deviations of the values so far.
    high, low : float
        The two sums.
    high_parts, low_parts : int
        Parts since each sum was last zero.
    """

    name: str
    unit: str = ""
    settings: DriftSettings = field(default_factory=DriftSettings)
    center: float | None = None
    sigma: float | None = None
    count: int = 0
    mean: float = 0.0
    squares: float = 0.0
    high: float = 0.0
    low: float = 0.0
    high_parts: int = 0
    low_parts: int = 0

    def __post_init__(self) -> None:
        both = (self.center is None) == (self.sigma is None)
        require(both, f"{self.name}: centre {self.center} and sigma {self.sigma}: give both or neither")
        if self.center is not None and self.sigma is not None:
            fine = math.isfinite(self.center) and math.isfinite(self.sigma) and self.sigma > 0.0
            require(fine, f"{self.name}: centre {self.center}, sigma {self.sigma}: sigma has to be positive")

    def with_value(self, value: float) -> DriftWatch:
        """Return the state after one more part; ``value`` in the same unit as the centre."""
        if not math.isfinite(value):
            raise QualityError(f"{self.name}: {value} is no measurement; leave out a part that has none")
        k, largest = self.settings.reference, self.settings.largest
        z = self._standardised(value)
        z = max(-largest, min(largest, z))
        high, low = max(0.0, self.high + z - k), max(0.0, self.low - z - k)
        count, mean, squares = self._learnt(value)
        return replace(
            self,
            count=count,
            mean=mean,
            squares=squares,
            high=high,
            low=low,
            high_parts=self.high_parts + 1 if high > 0.0 else 0,
            low_parts=self.low_parts + 1 if low > 0.0 else 0,
        )

    def restarted(self) -> DriftWatch:
        """Return the state with empty sums, after a person dealt with the cause; what was learnt stays."""
        return replace(self, high=0.0, low=0.0, high_parts=0, low_parts=0)

    @property
    def signal(self) -> DriftSignal | None:
        """What the test says now; None while neither sum has reached the warning."""
        side = 1 if self.high >= self.low else -1
        total, parts = (self.high, self.high_parts) if side > 0 else (self.low, self.low_parts)
        if total < self.settings.warn:
            return None
        stop = total >= self.settings.stop
        shift = side * (self.settings.reference + total / parts)
        level, scale = self._level()
        reason = (
            f"{self.name} drifts {'up' if side > 0 else 'down'}: over the last {parts} parts about "
            f"{level + shift * scale:.3g} {self.unit} instead of {level:.3g} {self.unit} "
            f"({abs(shift):.1f} sigma; sum {total:.1f}, {'stop' if stop else 'warning'} at "
            f"{self.settings.stop if stop else self.settings.warn:g})"
        )
        remedy = (
            f"Measure the check part and the bare beam, compare with {parts} parts ago: temperature, plates, "
            "cameras, a new batch of lenses."
        )
        return DriftSignal(stop, self.name, side, parts, shift, reason, remedy)

    def _level(self) -> tuple[float, float]:
        if self.center is not None and self.sigma is not None:
            return self.center, self.sigma
        return self.mean, math.sqrt(self.squares / max(1, self.count - 1))

    def _standardised(self, value: float) -> float:
        """Return a standard normal value while the process is healthy."""
        if self.center is not None and self.sigma is not None:
            return (value - self.center) / self.sigma
        spread = math.sqrt(self.squares / (self.count - 1)) if self.count > 1 else 0.0
        if spread <= 1e-12 * max(abs(self.mean), abs(value)):
            return 0.0
        t = (value - self.mean) / spread * math.sqrt(self.count / (self.count + 1.0))
        # By the tail that is small, for accuracy.
        return math.copysign(-float(ndtri(stdtr(self.count - 1, -abs(t)))), t)

    def _learnt(self, value: float) -> tuple[int, float, float]:
        """Return count, mean and squares with one more value; far ones are drawn in to ``largest``."""
        if self.count >= 8:
            reach = self.settings.largest * math.sqrt(self.squares / (self.count - 1))
            value = max(self.mean - reach, min(self.mean + reach, value))
        count = self.count + 1
        step = value - self.mean
        mean = self.mean + step / count
        return count, mean, self.squares + step * (value - mean)


def cusum(z: ArrayLike, reference: float = 0.5) -> tuple[Array, Array]:
    """Return the upper and lower sums of standardised values, both of shape (N,), for a chart."""
    values = as_series(z, "standardised values")
    high, low = np.zeros(values.size), np.zeros(values.size)
    up = down = 0.0
    for place, value in enumerate(values.tolist()):
        up, down = max(0.0, up + value - reference), max(0.0, down - value - reference)
        high[place], low[place] = up, down
    return high, low


@dataclass(frozen=True, slots=True, eq=False)
class Ewma:
    """Exponentially weighted means with their limits, all of shape (N,), and the places outside."""

    means: Array
    lower: Array
    upper: Array
    outside: tuple[int, ...]


def ewma(
    values: ArrayLike,
    center: float,
    sigma: float,
    *,
    weight: float = EWMA_WEIGHT,
    width: float = EWMA_WIDTH,
    settled: bool = False,
    name: str = "value",
) -> Ewma:
    """Return the exponentially weighted mean, with limits center +/- width sigma sqrt(w / (2 - w) (...)).

    Parameters
    ----------
    center, sigma : float
        Level and scatter of single values in control.
    weight, width : float
    settled : bool
        Use the limits of a long series from the start, as some worked examples do.
    """
    series = as_series(values, name)
    require(0.0 < weight <= 1.0 and width > 0.0, f"{name}: weight {weight} and width {width} make no EWMA")
    require(
        math.isfinite(center) and math.isfinite(sigma) and sigma > 0.0,
        f"{name}: sigma {sigma} is not positive",
    )
    means = np.empty(series.size)
    last = center
    for place, value in enumerate(series.tolist()):
        last += weight * (value - last)
        means[place] = last
    number = np.arange(1, series.size + 1)
    grown = np.ones(series.size) if settled else 1.0 - (1.0 - weight) ** (2.0 * number)
    half = width * sigma * np.sqrt(weight / (2.0 - weight) * grown)
    outside = tuple(np.flatnonzero(np.abs(means - center) > half).tolist())
    return Ewma(means, center - half, center + half, outside)
