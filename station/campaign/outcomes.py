"""One bench of a campaign: run it, and what is kept of it."""

from __future__ import annotations

import gc
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from control.messages import Look, Move, MovePurpose, Outcome, Verdict
from station.campaign.inprocess import Ended, InProcess, MemoryRecord
from station.campaign.plan import CampaignPlan, deviations, setup_of

TO_THE_NULL: Final = (MovePurpose.SEARCH, MovePurpose.TEST, MovePurpose.STEP)
"""Purposes of the moves that bring a lens to the null; those of the verification come after."""

Table = dict[str, NDArray[Any]]

_COLLECT_AFTER: Final = 50_000  # objects that may hold others: some benches


@dataclass(frozen=True, slots=True)
class Row:
    """What is kept of one bench. A column of the results has the name of an attribute here.

    Attributes
    ----------
    index, seed : int
    family : str
        Name of the lens.
    outcome, reason : str
    moves : int
        Moves that bring the lens to the null: searching, testing, stepping.
    test_moves, verify_moves, take_up_moves, looks : int
    bench_seconds : float
        From the first to the last observation.
    true_decenter_x_um ... true_tilt_y_arcsec : float
        The simulator's truth at the end; NaN where the lens never came in.
    said_decenter_x_um ... said_tilt_y_arcsec : float
        The verdict's residual; NaN without a verdict.
    expanded_decenter_um, expanded_tilt_arcsec : float
        Its expanded uncertainties; NaN without a verdict.
    distance2 : float
        Squared Mahalanobis distance of the truth from the verdict, four degrees of freedom; NaN without one.
    distance2_decenter, distance2_tilt : float
        The same of decentre and of tilt alone, two degrees of freedom each.
    within : bool
        The truth lies within both tolerances.
    digest : str
        SHA-256 of the whole record.
    """

    index: int
    seed: int
    family: str
    outcome: str
    reason: str
    moves: int
    test_moves: int
    verify_moves: int
    take_up_moves: int
    looks: int
    bench_seconds: float
    true_decenter_x_um: float
    true_decenter_y_um: float
    true_tilt_x_arcsec: float
    true_tilt_y_arcsec: float
    said_decenter_x_um: float
    said_decenter_y_um: float
    said_tilt_x_arcsec: float
    said_tilt_y_arcsec: float
    expanded_decenter_um: float
    expanded_tilt_arcsec: float
    distance2: float
    distance2_decenter: float
    distance2_tilt: float
    within: bool
    digest: str


def run_bench(plan: CampaignPlan, index: int) -> Row:
    """Align on one bench of a campaign."""
    run = bench_of(plan, index)
    ended = run.run()
    assert isinstance(run.record, MemoryRecord)
    return _row(plan, index, run.record, ended)


def bench_of(plan: CampaignPlan, index: int, **more: Any) -> InProcess:
    """Return one bench of a campaign, ready to run; ``more`` as for :class:`InProcess`."""
    sigma_um = plan.spot_sigma_um
    return InProcess(
        setup_of(plan, index),
        plan.seed_of(index),
        nuisances=deviations(),
        measurement=plan.measurement,
        spot_sigma_mm=None if sigma_um is None else sigma_um * 1e-3,
        line=plan.line or plan.measurement == "frames",
        **more,
    )


def run_chunk(plan: CampaignPlan, chunk: int) -> list[Row]:
    """Run one chunk of a campaign; what any worker does, here or elsewhere."""
    with _collected_apart(plan):
        return list(_rows(plan, chunk))


def _rows(plan: CampaignPlan, chunk: int) -> Iterator[Row]:
    for index in plan.indices(chunk):
        yield run_bench(plan, index)
        if plan.measurement == "frames":
            gc.collect()


@contextmanager
def _collected_apart(plan: CampaignPlan) -> Iterator[None]:
    """Keep the garbage collector from what was there before.

    The devices of a bench know each other, so only the collector frees them. On spots it looks seldom, which
    saves 4 % of a bench. With pictures a bench leaves few objects and 150 MB; they are collected when it is
    done (see ``_rows``), for new memory costs more than a collection that need not look at all that was
    imported.
    """
    before = gc.get_threshold()
    gc.freeze()
    if plan.measurement != "frames":
        gc.set_threshold(_COLLECT_AFTER, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)
        gc.unfreeze()


def _row(plan: CampaignPlan, index: int, record: MemoryRecord, ended: Ended) -> Row:
    actions = [action for _, action in record.steps]
    moves = [action.purpose for action in actions if isinstance(action, Move)]
    times = [observation.time_s for observation, _ in record.steps]
    truth = (*(ended.truth.decenter_um or (math.nan,) * 2), *(ended.truth.tilt_arcsec or (math.nan,) * 2))
    verdict = ended.finish.verdict
    said = _said(verdict)
    tolerance = record.setup.recipe.tolerance
    return Row(
        index=index,
        seed=plan.seed_of(index),
        family=record.setup.recipe.lens.name,
        outcome=ended.finish.outcome.value,
        reason=ended.finish.reason,
        moves=sum(moves.count(purpose) for purpose in TO_THE_NULL),
        test_moves=moves.count(MovePurpose.TEST),
        verify_moves=moves.count(MovePurpose.VERIFY),
        take_up_moves=moves.count(MovePurpose.TAKE_UP),
        looks=sum(isinstance(action, Look) for action in actions),
        bench_seconds=times[-1] - times[0],
        true_decenter_x_um=truth[0],
        true_decenter_y_um=truth[1],
        true_tilt_x_arcsec=truth[2],
        true_tilt_y_arcsec=truth[3],
        said_decenter_x_um=said[0],
        said_decenter_y_um=said[1],
        said_tilt_x_arcsec=said[2],
        said_tilt_y_arcsec=said[3],
        expanded_decenter_um=math.nan if verdict is None else verdict.expanded_decenter_um,
        expanded_tilt_arcsec=math.nan if verdict is None else verdict.expanded_tilt_arcsec,
        distance2=_distance2(verdict, truth, slice(0, 4)),
        distance2_decenter=_distance2(verdict, truth, slice(0, 2)),
        distance2_tilt=_distance2(verdict, truth, slice(2, 4)),
        within=math.hypot(*truth[:2]) <= tolerance.decenter_um
        and math.hypot(*truth[2:]) <= tolerance.tilt_arcsec,
        digest=record.digest(),
    )


def _said(verdict: Verdict | None) -> tuple[float, ...]:
    return (math.nan,) * 4 if verdict is None else (*verdict.decenter_um, *verdict.tilt_arcsec)


def _distance2(verdict: Verdict | None, truth: Sequence[float], part: slice) -> float:
    if verdict is None or not all(map(math.isfinite, truth)):
        return math.nan
    off = (np.array(_said(verdict)) - np.array(truth))[part]
    return float(off @ np.linalg.solve(np.array(verdict.covariance)[part, part], off))


def as_table(rows: Iterable[Row]) -> Table:
    """Return rows as columns, in the order of their indices."""
    ordered = sorted(rows, key=lambda row: row.index)
    return {name: np.array([getattr(row, name) for row in ordered]) for name in Row.__slots__}


def joined(tables: Sequence[Mapping[str, NDArray[Any]]]) -> Table:
    """Return several tables as one, in the order of the indices."""
    whole = {name: np.concatenate([table[name] for table in tables]) for name in Row.__slots__}
    order = np.argsort(whole["index"], kind="stable")
    return {name: column[order] for name, column in whole.items()}


OUTCOMES: Final = tuple(outcome.value for outcome in Outcome)
