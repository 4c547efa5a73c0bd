"""From the two files to what control sets out from: the part's plan and the model of the bench."""

from __future__ import annotations

from control.aligner import Aligner
from control.plan import AlignmentPlan, BenchModel, Prescription, TestMoves
from station.config import Setup
from station.wiring import axis_spec


def plan_of(setup: Setup) -> AlignmentPlan:
    """Return what is to be reached for the part, and what may be spent on it."""
    recipe = setup.recipe
    return AlignmentPlan(
        lens=setup.lens(),
        tolerance_decenter_um=recipe.tolerance.decenter_um,
        tolerance_tilt_arcsec=recipe.tolerance.tilt_arcsec,
        coverage=recipe.tolerance.coverage,
        max_looks=recipe.budget.looks,
        max_moves=recipe.budget.moves,
        max_seconds=recipe.budget.bench_seconds,
        frames_per_look=recipe.look.frames,
        frames_at_verification=recipe.look.verify_frames,
        verification_looks=recipe.look.verify_looks,
        max_verification_looks=recipe.look.verify_looks_at_most,
        radius_sigma_relative=recipe.lens.radius_sigma_relative,
        test_moves=TestMoves(recipe.look.test_moves),
        prescription=Prescription(recipe.lens.prescription),
    )


def bench_model_of(setup: Setup) -> BenchModel:
    """Return what is known of the bench before the part."""
    bench = setup.bench
    return BenchModel.nominal(
        setup.layout(),
        setup.beam(),
        [axis_spec(axis) for axis in bench.motion.axes],
        null_axes=tuple(axis.null for axis in bench.motion.axes),
        l1_sigma_mm=bench.layout.l1_sigma_mm,
        l2_sigma_mm=bench.layout.l2_sigma_mm,
        **bench.mount.model_dump(),
        **bench.reference.model_dump(),
    )


def aligner_of(setup: Setup) -> Aligner:
    """Return control's aligner for one part; the same for a run and for its replay.

    Raises
    ------
    BadInput
        For values that each file allows and control cannot work with.
    """
    try:
        plan = plan_of(setup)
    except ValueError as error:
        raise setup.recipe_file.bad((), str(error), "values that control can plan with") from error
    try:
        return Aligner(plan, bench_model_of(setup))
    except ValueError as error:
        raise setup.bench_file.bad((), str(error), "values that control can plan with") from error
