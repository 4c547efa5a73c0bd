"""Where a lens is that stands still: the pose from one look, whatever brought the lens there.

After a lens was fixed the mount's positions say nothing about it any more, and it cannot be looked at from
beside the null so that speckle averages. So its pose comes from the spots of single looks, with a prior that
is wide against anything that fixing or drift does; several looks at the same place are never counted as
several.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from control.causes import contributions, left_out
from control.expect import expectations
from control.learn import LearnedModel
from control.memory import Memory
from control.messages import Verdict
from control.model import LensModel
from control.plan import AlignmentPlan, BenchModel
from control.unknowns import Pose, References, Vector, as_rows
from control.verdict import Agreement, judge, returns_against_transmitted, scatter
from vision.spots import Expectation, Sighting, Spot, SpotName

_WIDE_MM: Final = 0.15
_WIDE_MRAD: Final = 1.0
_STILL: Final = np.zeros(4)


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What one look says of the lens.

    Attributes
    ----------
    pose : Pose
        Against the beam (mm, mm, mrad, mrad).
    verdict : Verdict
    agreement : Agreement or None
        Whether returns and transmitted spot say the same; None where not all three were seen.
    apart_mm : ndarray, shape (2,), or None
        How far the transmitted spot lies from where the returns say that it must, on the reference target.
    """

    pose: Pose
    verdict: Verdict
    agreement: Agreement | None
    apart_mm: Vector | None = None


@dataclass(frozen=True, slots=True, eq=False)
class StillLens:
    """Finds the pose of a lens from single looks.

    Attributes
    ----------
    plan : AlignmentPlan
    bench : BenchModel
    lens : LensModel
        As learned, or as the recipe says.
    references : References
        Of the alignment.
    memory : Memory or None
        What is known of the bench.
    """

    plan: AlignmentPlan
    bench: BenchModel
    lens: LensModel
    references: References
    memory: Memory | None = None

    def found(self, axes: Vector, sightings: Mapping[SpotName, Sighting]) -> Found | None:
        """Return the pose at a look with the mount at ``axes`` (4,); None with fewer than two spots."""
        spots = {name: seen for name, seen in sightings.items() if isinstance(seen, Spot)}
        if len(spots) < 2:
            return None
        model = self._model(axes)
        model.add_look(axes, _STILL, as_rows(spots))
        pose = model.pose_here()
        verdict = judge(self.plan, pose, contributions(model), scatter(model))
        if len(spots) < len(SpotName):
            return Found(pose, verdict, None)
        apart_mm = left_out(model, SpotName.TRANSMITTED)[0]
        return Found(pose, verdict, returns_against_transmitted(model), apart_mm)

    def expected(self, axes: Vector) -> Mapping[SpotName, Expectation]:
        """Return what vision may expect with the lens near the null."""
        return expectations(self._model(axes), axes, _STILL, self.plan.radius_sigma_relative)

    def mount(self) -> Vector:
        """Return the mount matrix as learned, pose per axis unit, shape (4, 4)."""
        return self._model(np.asarray(self.bench.null_axes)).mount()

    def _model(self, axes: Vector) -> LearnedModel:
        near = replace(
            self.bench,
            null_axes=tuple(float(value) for value in axes),
            start_sigma_mm=_WIDE_MM,
            start_sigma_mrad=_WIDE_MRAD,
        )
        curvatures = self.plan.curvature_sigma_per_mm()
        return LearnedModel(self.lens, near, self.references, curvatures, self.memory)
