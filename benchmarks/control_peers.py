"""How others would close the loop: the peers that `bench_control` counts moves of.

Each peer sees the three spots of a `SpotBench` (never hidden, never off the plate) and is stopped as soon
as the true pose is within tolerance, which no real user would know: the counts flatter them. A move with
its look counts as one; test moves count.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable

import numpy as np
from scipy.optimize import least_squares, minimize, root
from spot_bench import REF_BEAM, REF_LAYOUT, SpotBench, nominal_bench

from control.model import lens_model
from optics.errors import RayLostError
from optics.spots import spot_coordinates

MOST = 200
FAR = np.array([6.0, 6.0, 3.0, 3.0])


class Done(Exception):  # noqa: N818  it ends a count, it is no error
    """The true pose is within tolerance, or the moves are spent."""


class Counted:
    """A bench that counts moves and says when the pose is within tolerance."""

    def __init__(self, bench: SpotBench, limits: np.ndarray) -> None:
        self.bench, self.limits, self.moves, self.good = bench, limits, 0, False

    def spots(self, axes: np.ndarray) -> np.ndarray:
        """Move, look: six coordinates from where they belong, mm."""
        bench = self.bench
        if self.moves and self._within():
            self.good = True
            raise Done
        if self.moves >= MOST:
            raise Done
        if not np.array_equal(axes, bench.axes):
            self.moves += 1
        bench.axes = np.clip(np.round(np.asarray(axes, dtype=float), 4), -FAR, FAR)
        spread = np.array([bench.t.repeat_um] * 2 + [bench.t.repeat_urad] * 2) / 1000.0
        bench.miss = bench.rng.normal(0.0, 1.0, 4) * spread
        try:
            seen = spot_coordinates(bench.lens, bench.layout, REF_BEAM, bench.pose[None])[0]
        except RayLostError:
            seen = np.full(6, 30.0)
        return seen + bench.rng.normal(0.0, bench.t.spot_mm, 6)

    def _within(self) -> bool:
        pose = np.abs(self.bench.pose)
        return bool(np.hypot(*pose[:2]) <= self.limits[0] and np.hypot(*pose[2:]) <= self.limits[2])


def fixed_jacobian(counted: Counted, lens: object) -> None:
    """Four test moves, then Newton with the Jacobian that they gave."""
    here = np.zeros(4)
    start = counted.spots(here)
    sizes = np.array([0.1, 0.1, 0.1, 0.1])
    columns = [
        (counted.spots(here + size * axis) - start) / size
        for size, axis in zip(sizes, np.eye(4), strict=True)
    ]
    slopes = np.array(columns).T
    seen = start
    while True:
        here = here - np.linalg.lstsq(slopes, seen, rcond=None)[0]
        seen = counted.spots(here)


def nominal_pose(lens: object) -> np.ndarray:
    model = lens_model(lens, REF_LAYOUT, REF_BEAM)
    return np.linalg.pinv(model.at_null @ nominal_bench().matrix())


def broyden(counted: Counted, lens: object) -> None:
    """scipy.optimize.root, method broyden1, on front return and transmitted spot (four equations)."""
    root(lambda axes: counted.spots(axes)[[0, 1, 4, 5]], np.zeros(4), method="broyden1")


def told_broyden(counted: Counted, lens: object) -> None:
    """The same on the pose that this project's nominal lens and mount make of all three spots."""
    square = nominal_pose(lens)
    options = {"jac_options": {"alpha": -1.0}}
    root(lambda axes: square @ counted.spots(axes), np.zeros(4), method="broyden1", options=options)


def squares(counted: Counted, lens: object) -> None:
    """scipy.optimize.least_squares on the six coordinates, finite differences of a sensible size."""
    least_squares(counted.spots, np.full(4, 1e-3), x_scale=[1.0, 1.0, 1.0, 1.0], diff_step=100.0)
    raise Done


def simplex(counted: Counted, lens: object) -> None:
    """Nelder-Mead on the sum of squares, first simplex of 0.3 mm and 0.3 degrees."""
    first = np.vstack([np.zeros(4), 0.3 * np.eye(4)])
    minimize(
        lambda axes: float(np.sum(counted.spots(axes) ** 2)),
        np.zeros(4),
        method="Nelder-Mead",
        options={"initial_simplex": first, "maxfev": 10 * MOST},
    )


def manual_round(counted: Counted, lens: object) -> None:
    """Transmitted spot by decentre, returns by tilt, and round again (common practice, no source)."""
    model, mount = lens_model(lens, REF_LAYOUT, REF_BEAM), nominal_bench().matrix()
    shift = model.at_null[4, 0]
    turn = 0.5 * (model.at_null[0, 3] + model.at_null[2, 3]) * mount[3, 3]
    here = np.zeros(4)
    seen = counted.spots(here)
    while True:
        here[:2] -= seen[4:] / shift
        seen = counted.spots(here)
        mean = 0.5 * (seen[:2] + seen[2:4])
        here[3] -= mean[0] / turn
        here[2] += mean[1] / turn
        seen = counted.spots(here)


PEERS: dict[str, Callable[[Counted, object], None]] = {
    "fixed Jacobian": fixed_jacobian,
    "root broyden1": broyden,
    "told broyden1": told_broyden,
    "least_squares": squares,
    "Nelder-Mead": simplex,
    "manual round": manual_round,
}


def count_peer(name: str, bench: SpotBench, lens: object, limits: np.ndarray) -> int:
    """Return the moves until the true pose is within tolerance; MOST when it never is."""
    counted = Counted(bench, limits)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the solvers complain of what they were asked to do
        try:
            PEERS[name](counted, lens)
        except (Done, ValueError, np.linalg.LinAlgError, OverflowError):
            pass
        except Exception as error:  # scipy raises its own NoConvergence
            if type(error).__name__ != "NoConvergence":
                raise
    return counted.moves if counted.good else MOST
