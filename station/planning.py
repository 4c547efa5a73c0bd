"""From the two files to what control sets out from: the part's plan and the model of the bench."""

from __future__ import annotations

import dataclasses
from functools import lru_cache

import numpy as np

from control.aligner import Aligner
from control.characterise import Characteriser, CharacterisingPlan
from control.characterised import as_memory
from control.memory import Memory
from control.plan import AlignmentPlan, BenchModel, HomeAgain, Prescription, TestMoves
from station.config import Setup
from station.config.characterisation import CharacterisationTable
from station.wiring import axis_spec


@lru_cache(maxsize=32)
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
        home_again=HomeAgain(recipe.look.home_again),
        prescription=Prescription(recipe.lens.prescription),
    )


@lru_cache(maxsize=32)
def bench_model_of(setup: Setup) -> BenchModel:
    """Return what is known of the bench before the part."""
    bench = setup.bench
    model = BenchModel.nominal(
        setup.layout(),
        setup.beam(),
        [axis_spec(axis) for axis in bench.motion.axes],
        null_axes=tuple(axis.null for axis in bench.motion.axes),
        l1_sigma_mm=bench.layout.l1_sigma_mm,
        l2_sigma_mm=bench.layout.l2_sigma_mm,
        **bench.mount.model_dump(exclude={"characterisation"}),
        **bench.reference.model_dump(),
    )
    return model if setup.mount_file is None else _with_mount(model, setup.mount_file.table)


def _with_mount(model: BenchModel, found: CharacterisationTable) -> BenchModel:
    """Return the model with what a characterisation knows.

    The bench file says how the mount repeats; where it was clearly found to repeat worse, that counts.
    """
    um, urad = found.repeatability_um, found.repeatability_urad
    return dataclasses.replace(
        model,
        known=known_mount(model, found),
        repeatability_sigma_um=um.value
        if um.low > model.repeatability_sigma_um
        else model.repeatability_sigma_um,
        repeatability_sigma_urad=urad.value
        if urad.low > model.repeatability_sigma_urad
        else model.repeatability_sigma_urad,
    )


def known_mount(model: BenchModel, found: CharacterisationTable) -> Memory:
    """Return a characterisation as deviations from the bench file's nominal bench."""
    return as_memory(
        model,
        np.array(found.mount_matrix),
        np.array(found.clocking_rad),
        np.array(found.distances_mm),
        np.array([axis.backlash for axis in found.axes]),
        np.array(found.covariance),
    )


def characteriser_of(setup: Setup, how: CharacterisingPlan) -> Characteriser:
    """Return what decides the characterisation of the bench's mount with the recipe's lens.

    Raises
    ------
    BadInput
        For values that each file allows and control cannot work with.
    """
    try:
        # What an earlier characterisation says is measured anew, not taken for granted.
        return Characteriser(plan_of(setup), dataclasses.replace(bench_model_of(setup), known=None), how)
    except ValueError as error:
        raise setup.bench_file.bad((), str(error), "values that control can plan with") from error


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
