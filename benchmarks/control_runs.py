"""Runs of the controller on benches at the level of spots: what `bench_control` puts into its tables."""

from __future__ import annotations

import math
import pathlib
import sys
import time
from dataclasses import dataclass, replace

import numpy as np

HERE = pathlib.Path(__file__).parent
sys.path[:0] = [str(HERE.parent / "tests" / "control"), str(HERE)]

from control_peers import PEERS, count_peer  # noqa: E402  (after the path)
from spot_bench import SpotBench, Truth, nominal_bench  # noqa: E402  as above

from control import messages as m  # noqa: E402  as above
from control.aligner import Aligner  # noqa: E402  as above
from control.memory import Memory  # noqa: E402  as above
from control.model import lens_model  # noqa: E402  as above
from control.plan import ARCSEC_PER_MRAD, AlignmentPlan, Prescription  # noqa: E402  as above
from control.uncertainty import largest_sigma, radial_coverage_factor  # noqa: E402  as above
from optics.families import FAMILIES, REF_BEAM, REF_LAYOUT  # noqa: E402  as above
from optics.lens import Lens  # noqa: E402  as above

HIDDEN = ("near-concentric", "ball-like")
REGULAR = [name for name in FAMILIES if name not in HIDDEN]
EVEN = math.sqrt(3.0)
UNITS = np.array([1000.0, 1000.0, ARCSEC_PER_MRAD, ARCSEC_PER_MRAD])
TOLERANCE = (20.0, 30.0)
GOOD_REFERENCE = {"hole_mm": 0.0003, "beam_in_hole_mm": 0.0003, "bare_mm": 0.0003}


def prior(truth: Truth, **known: float):
    """Bench model whose uncertainties are those that ``truth`` is drawn with."""
    sigmas = {
        "scale_sigma": truth.scale / EVEN,
        "clocking_sigma_deg": max(truth.clocking_deg, 0.1) / EVEN,
        "l1_sigma_mm": truth.l1_mm / EVEN,
        "l2_sigma_mm": truth.l2_mm / EVEN,
        "pivot_sigma_mm": 8.0 / EVEN,
        "start_sigma_mm": truth.start_mm / 2.0,
        "start_sigma_mrad": math.radians(truth.start_deg) * 1000.0 / 2.0,
        "beam_in_hole_sigma_um": 1000.0 * truth.beam_in_hole_mm,
        "repeatability_sigma_um": truth.repeat_um,
        "repeatability_sigma_urad": truth.repeat_urad,
    }
    return nominal_bench(**(sigmas | known))


@dataclass(frozen=True)
class Run:
    """What one alignment came to."""

    outcome: str
    reason: str
    steps: int
    tests: int
    searches: int
    verifying: int
    looks: int
    until_within: int
    decenter_um: float
    tilt_arcsec: float
    pose: tuple[float, ...]
    inside_decenter: float
    inside_tilt: float
    look_ms: tuple[float, ...]
    cpu_s: float
    memory: Memory | None = None

    @property
    def false_accept(self) -> bool:
        return self.outcome == "aligned" and (
            self.decenter_um > TOLERANCE[0] or self.tilt_arcsec > TOLERANCE[1]
        )


def align(lens: Lens, bench: SpotBench, plan: AlignmentPlan, model, memory: Memory | None = None) -> Run:
    started = time.process_time()
    aligner = Aligner(plan, model, memory)
    observation: m.Observation = m.Started(0.0)
    look_ms, until = [], -1
    while True:
        begin = time.perf_counter()
        action = aligner.next_action(observation)
        if isinstance(observation, m.Looked):
            look_ms.append(1000.0 * (time.perf_counter() - begin))
        if isinstance(action, m.Finish):
            break
        observation = bench.do(action)
        if isinstance(action, m.Move) and until < 0:
            pose = np.abs(bench.pose * UNITS)
            if np.hypot(*pose[:2]) <= TOLERANCE[0] and np.hypot(*pose[2:]) <= TOLERANCE[1]:
                until = len([move for move in bench.moves if move.purpose is not m.MovePurpose.TAKE_UP])
    moves, pose = aligner.moves, bench.pose * UNITS
    inside = (math.nan, math.nan)
    if action.verdict is not None:
        error = pose - np.array(action.verdict.decenter_um + action.verdict.tilt_arcsec)
        spread = np.array(action.verdict.covariance)
        inside = tuple(
            float(error[p] @ np.linalg.solve(spread[p, p], error[p])) for p in (slice(0, 2), slice(2, 4))
        )
    return Run(
        action.outcome.value,
        action.reason,
        moves[m.MovePurpose.STEP],
        moves[m.MovePurpose.TEST],
        moves[m.MovePurpose.SEARCH],
        moves[m.MovePurpose.VERIFY],
        aligner.looks,
        until,
        float(np.hypot(*pose[:2])),
        float(np.hypot(*pose[2:])),
        tuple(float(value) for value in pose),
        *inside,
        tuple(look_ms),
        time.process_time() - started,
        aligner.remember(),
    )


def plan_for(lens: Lens, **known) -> AlignmentPlan:
    usual = {"radius_sigma_relative": 0.01 / EVEN, "verification_looks": 0}
    return AlignmentPlan(lens, TOLERANCE[0], TOLERANCE[1], **(usual | known))


def one(job: tuple) -> Run:
    name, seed, truth, known = job
    lens = FAMILIES[name]
    return replace(
        align(
            lens, SpotBench(lens, np.random.default_rng(seed), truth), plan_for(lens, **known), prior(truth)
        ),
        memory=None,
    )


def unknown_one(job: tuple) -> Run:
    """The recipe knows no more than that there is a lens: the first guess is a nearly flat one."""
    name, seed = job
    truth, lens = Truth(), FAMILIES[name]
    guess = Lens.singlet("first guess", 1000.0, -1000.0, 4.0, "N-BK7", 20.0)
    bench = SpotBench(lens, np.random.default_rng(seed), truth)
    return replace(
        align(guess, bench, plan_for(guess, prescription=Prescription.UNKNOWN), prior(truth)), memory=None
    )


def lot_one(job: tuple) -> list[Run]:
    """Twenty parts on one bench, one after the other; the runs of the second to the last."""
    name, seed = job
    lens, truth = FAMILIES[name], Truth()
    bench, memory, runs = SpotBench(lens, np.random.default_rng(seed), truth), None, []
    for _ in range(20):
        runs.append(align(lens, bench, plan_for(lens), prior(truth), memory))
        memory = runs[-1].memory
        bench.next_part(lens)
    return [replace(run, memory=None) for run in runs[1:]]


def one_move_bound(name: str, draws: int = 400) -> tuple[float, float]:
    """What one look and one move allow on a bench that is known exactly, the lens within its tolerances.

    Returns
    -------
    within, proved : float
        Chance that the true pose is within tolerance after the move that one look says is best, and that the
        look that verifies can say so, its expanded uncertainty taken off (Fisher information of both looks
        with the prior's; van Trees, Detection, Estimation, and Modulation Theory, part I, 2.4).
    """
    rng, truth = np.random.default_rng(0), Truth()
    model = lens_model(FAMILIES[name], REF_LAYOUT, REF_BEAM)
    prior_sigma = 0.01 / EVEN * np.maximum(np.abs(model.curvatures_per_mm), 1e-9)
    repeat = np.diag([truth.repeat_um / 1000.0] * 2 + [truth.repeat_urad / 1000.0] * 2) ** 2
    limits = np.array([TOLERANCE[0] / 1000.0, TOLERANCE[1] / ARCSEC_PER_MRAD])
    within = proved = 0
    for _ in range(draws):
        start = SpotBench(FAMILIES[name], rng, truth).start
        slopes = model.linearise(start[None])[1][0]
        rows = np.hstack([slopes, np.stack([part @ start for part in model.per_curvature], axis=1)])
        prior = np.diag([2.0 / truth.start_mm] * 2 + [2e-3 / math.radians(truth.start_deg)] * 2) ** 2
        information = rows.T @ rows / truth.spot_mm**2
        information[:4, :4] += prior
        information[4:, 4:] += np.diag(prior_sigma**-2.0)
        moved = np.linalg.inv(information)[:4, :4] + repeat
        again = np.linalg.inv(np.linalg.inv(moved) + model.at_null.T @ model.at_null / truth.spot_mm**2)
        told = rng.multivariate_normal(np.zeros(4), moved - again)
        true = told + rng.multivariate_normal(np.zeros(4), again)
        parts = slice(0, 2), slice(2, 4)
        expanded = [radial_coverage_factor(0.95) * largest_sigma(again[part, part]) for part in parts]
        within += all(np.hypot(*true[part]) <= limit for part, limit in zip(parts, limits, strict=True))
        proved += all(
            np.hypot(*told[part]) + own <= limit
            for part, own, limit in zip(parts, expanded, limits, strict=True)
        )
    return within / draws, proved / draws


def peers_one(job: tuple) -> list[int]:
    """One bench, whose hole is so small that it hides nothing from anybody."""
    name, seed = job
    lens = FAMILIES[name]
    limits = np.array([TOLERANCE[0] / 1000.0] * 2 + [TOLERANCE[1] / ARCSEC_PER_MRAD] * 2)
    bench = SpotBench(lens, np.random.default_rng(seed))
    bench.hole_radius = 0.02
    ours = align(lens, bench, plan_for(lens), prior(Truth())).until_within
    others = [count_peer(peer, SpotBench(lens, np.random.default_rng(seed)), lens, limits) for peer in PEERS]
    return [ours if ours >= 0 else 200, *others]


FAULTS = {
    "focal length 10 % off": "wrong lens",
    "plano-convex reversed": "lens reversed",
    "front and back swapped": "returns swapped",
    "beam drift of 0.2 mm": "beam drifted",
    "lost steps of 0.1 mm, mount known from 4 parts": "lost steps",
    "lost steps of 0.1 mm, new mount, not its first move": "lost steps",
    "lost steps of 0.1 mm, new mount, its first move": "lost steps",
}


def fault_one(job: tuple) -> Run:
    kind, seed = job
    rng = np.random.default_rng(500_000 + seed)
    truth, known, memory, plan = Truth(), {}, None, {"verification_looks": 4}
    lens = FAMILIES[REGULAR[seed % 4]]
    real = lens
    if kind.startswith("focal"):
        factor = float(rng.choice([0.9, 1.1]))
        surfaces = tuple(replace(surface, radius_mm=surface.radius_mm * factor) for surface in lens.surfaces)
        real = replace(lens, surfaces=surfaces, clear_aperture_mm=0.8 * lens.clear_aperture_mm)
    elif kind.startswith("plano"):
        lens = FAMILIES[("plano-convex, convex first", "plano-convex, plano first")[seed % 2]]
        real = lens.reversed()
    elif kind.startswith("front"):
        known["label_fault"] = "swap"
    elif kind.startswith("beam"):
        angle = rng.uniform(0.0, 2.0 * math.pi)
        known["drift_mm"] = (
            int(rng.integers(1, 5)),
            0.2 * np.array([math.cos(angle), math.sin(angle)]),
            np.zeros(2),
        )
    bench = SpotBench(real, rng, truth, **known)
    if kind.startswith("lost"):
        if kind.endswith("4 parts"):
            for _ in range(4):
                memory = align(lens, bench, plan_for(lens), prior(truth), memory).memory
                bench.next_part(lens)
        axis = int(rng.integers(0, 2))
        only_first = kind.endswith(", its first move")
        first = 2 if "not its first move" in kind else 1
        bench.lost = (
            1 if only_first else first + int(rng.integers(0, 3)),
            np.eye(4)[axis] * float(rng.choice([-0.1, 0.1])),
        )
    return replace(align(lens, bench, plan_for(lens, **plan), prior(truth), memory), memory=None)
