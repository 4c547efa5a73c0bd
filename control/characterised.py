"""What a characterisation says of a mount: the numbers that control starts from, and those a person reads."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np

from control.learn import LearnedModel
from control.memory import Memory
from control.plan import POSE_NAMES, BenchModel
from control.unknowns import BACKLASH, CLOCKING, DISTANCES, KEPT, MOUNT, Vector

_FACTORS: Final = (0.1, 0.2, 0.4, 0.6, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 7.0, 10.0)
_HALF_CHI_SQUARE_95: Final = 1.92
"""Half the 95 % point of chi-square with one degree of freedom: limits by the likelihood ratio."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """One property of the mount with its standard uncertainty (k = 1)."""

    name: str
    value: float
    sigma: float
    unit: str


@dataclass(frozen=True, slots=True)
class Repeats:
    """How a mount repeats: most likely value and 95 % limits."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, eq=False)
class Characterised:
    """A mount as measured.

    Attributes
    ----------
    mount_matrix : ndarray, shape (4, 4)
        Pose (mm, mm, mrad, mrad) per axis unit.
    clocking_rad : ndarray, shape (2,)
        Of hole target and reference target about the beam.
    distances_mm : ndarray, shape (2,)
        L1 and L2.
    backlash : ndarray, shape (4,)
        Axis units; 0 where the driver takes it up.
    covariance : ndarray, shape (24, 24)
        Of matrix (row by row), clocking, distances and backlash.
    repeatability_um, repeatability_urad : Repeats
    quantities : tuple of Quantity
    looks : int
    """

    mount_matrix: Vector
    clocking_rad: Vector
    distances_mm: Vector
    backlash: Vector
    covariance: Vector
    repeatability_um: Repeats
    repeatability_urad: Repeats
    quantities: tuple[Quantity, ...]
    looks: int

    def memory(self, bench: BenchModel) -> Memory:
        """Return it as deviations from a nominal bench: what an alignment starts from."""
        return as_memory(
            bench, self.mount_matrix, self.clocking_rad, self.distances_mm, self.backlash, self.covariance
        )


def as_memory(
    bench: BenchModel,
    mount_matrix: Vector,
    clocking_rad: Vector,
    distances_mm: Vector,
    backlash: Vector,
    covariance: Vector,
) -> Memory:
    """Return what is known of a mount (see :class:`Characterised`) as deviations from ``bench``."""
    layout = np.array([bench.layout.l1_mm, bench.layout.l2_mm])
    matrix = (mount_matrix - bench.matrix()).reshape(-1)
    return Memory(np.concatenate([matrix, clocking_rad, distances_mm - layout, backlash]), covariance, 0)


def characterised(model: LearnedModel) -> Characterised:
    """Return what the looks of a characterisation say."""
    bench = model.bench
    layout = np.array([bench.layout.l1_mm, bench.layout.l2_mm])
    return Characterised(
        model.mount(),
        model.mean[CLOCKING].copy(),
        layout + model.mean[DISTANCES],
        model.mean[BACKLASH].copy(),
        model.covariance[np.ix_(KEPT, KEPT)].copy(),
        _repeats(model, bench.repeatability_sigma_um, slice(0, 2)),
        _repeats(model, bench.repeatability_sigma_urad, slice(2, 4)),
        tuple(quantities(model)),
        len(model.looks),
    )


def quantities(model: LearnedModel) -> list[Quantity]:
    """Return sign, scale, straightness, backlash, squareness and pivot with their uncertainties."""
    bench, nominal = model.bench, model.bench.matrix()
    found: list[Quantity] = []
    where: dict[str, int] = {axis.moves: number for number, axis in enumerate(bench.axes)}
    for number, axis in enumerate(bench.axes):
        main = POSE_NAMES.index(axis.moves)
        per_unit = float(nominal[main, number])
        of_mount = _of_mount(model, partial(_share, place=(main, number), per_unit=per_unit))
        found.append(Quantity(f"{axis.name}: sign", math.copysign(1.0, of_mount[0]), 0.0, ""))
        found.append(Quantity(f"{axis.name}: scale", *of_mount, ""))
        sigma = math.sqrt(float(model.covariance[BACKLASH.start + number, BACKLASH.start + number]))
        if axis.approach_from is None:
            value = float(model.mean[BACKLASH.start + number])
            found.append(Quantity(f"{axis.name}: backlash", value, sigma, axis.unit))
    x, y, a, b = (where[name] for name in POSE_NAMES)
    found += [
        Quantity("squareness of the linear axes", *_of_mount(model, lambda m: _square(m[:2], x, y)), "mrad"),
        Quantity("squareness of the rotary axes", *_of_mount(model, lambda m: _square(m[2:], a, b)), "mrad"),
        Quantity(
            "clocking of the mount", *_of_mount(model, lambda m: 1e3 * math.atan2(m[1, x], m[0, x])), "mrad"
        ),
        Quantity(
            "pivot behind the vertex, tilt x", *_of_mount(model, lambda m: 1e3 * m[1, a] / m[2, a]), "mm"
        ),
        Quantity(
            "pivot behind the vertex, tilt y", *_of_mount(model, lambda m: -1e3 * m[0, b] / m[3, b]), "mm"
        ),
    ]
    return found


def _share(mount: Vector, place: tuple[int, int], per_unit: float) -> float:
    return float(mount[place]) / per_unit


def _square(block: Vector, one: int, other: int) -> float:
    """Return by how much the second of two axes misses 90 degrees from the first, counter-clockwise, mrad."""
    angle = math.atan2(block[1, other], block[0, other]) - math.atan2(block[1, one], block[0, one])
    return 1e3 * (math.remainder(angle, 2.0 * math.pi) - math.pi / 2.0)


def _of_mount(model: LearnedModel, function: Callable[[Vector], float]) -> tuple[float, float]:
    """Return a function of the mount matrix and its standard uncertainty (JCGM 100:2008, 5.2)."""
    mount = model.mount()
    step = 1e-4 * np.max(np.abs(mount))
    by = np.empty(16)
    for number in range(16):
        beside = np.zeros(16)
        beside[number] = step
        by[number] = (function(mount + beside.reshape(4, 4)) - function(mount - beside.reshape(4, 4))) / (
            2.0 * step
        )
    return float(function(mount)), math.sqrt(float(by @ model.covariance[MOUNT, MOUNT] @ by))


def _repeats(model: LearnedModel, nominal: float, part: slice) -> Repeats:
    """Return how the mount repeats, from how much the stands scatter beyond their spots' noise."""
    likelihoods = [model.repeating(factor, part).log_likelihood() for factor in _FACTORS]
    best = int(np.argmax(likelihoods))
    within = [
        factor
        for factor, value in zip(_FACTORS, likelihoods, strict=True)
        if value >= likelihoods[best] - _HALF_CHI_SQUARE_95
    ]
    low = 0.0 if within[0] == _FACTORS[0] else within[0]
    return Repeats(nominal * _FACTORS[best], nominal * low, nominal * within[-1])
