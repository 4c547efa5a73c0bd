"""RECIPE.toml: everything that belongs to the part and not to the bench."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from station.config.values import Name, NotNegative, Positive, RadiusMm, Strict, refuse


class SurfaceTable(Strict):
    """One surface of the lens."""

    radius_mm: RadiusMm = Field(description='radius of curvature, positive: centre downstream; or "plano"')
    coating: Literal["uncoated", "antireflection"] = Field("uncoated", description="coating of the surface")
    reflectance: float | None = Field(None, ge=0, lt=1, description="of the coating, such as 0.0025")

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.coating == "uncoated") != (self.reflectance is None):
            refuse(
                "reflectance", self.reflectance, "a number with an antireflection coating, nothing without"
            )
        return self


class LensTable(Strict):
    """The prescription."""

    name: Name = Field(description="name of the lens; records and reports carry it")
    surfaces: list[SurfaceTable] = Field(
        min_length=2, description="in the order in which the beam meets them"
    )
    thicknesses_mm: list[Positive] = Field(min_length=1, description="centre thickness of each element")
    glasses: list[Name] = Field(min_length=1, description="glass of each element")
    clear_aperture_mm: Positive = Field(description="diameter of the clear aperture")
    radius_sigma_relative: Positive = Field(0.01, description="relative standard uncertainty of each radius")
    prescription: Literal["known", "unknown"] = Field(
        "known", description='"unknown": the prescription is a first guess only'
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        spaces = len(self.surfaces) - 1
        for key in ("thicknesses_mm", "glasses"):
            if len(getattr(self, key)) != spaces:
                refuse(key, f"{len(getattr(self, key))} values", f"{spaces}: one less than surfaces")
        for number, surface in enumerate(self.surfaces):
            if self.clear_aperture_mm > 2 * abs(surface.radius_mm):
                refuse(
                    "clear_aperture_mm",
                    self.clear_aperture_mm,
                    f"at most {2 * abs(surface.radius_mm):g}, the diameter of the sphere of surface {number}",
                )
        return self


class ToleranceTable(Strict):
    """How well the lens has to be aligned; the uncertainty is taken off before a pass."""

    decenter_um: Positive = Field(description="largest radial decentre that passes")
    tilt_arcsec: Positive = Field(description="largest radial tilt that passes")
    coverage: float = Field(
        0.95, ge=0.5, lt=1, description="coverage probability of the expanded uncertainty"
    )


class BudgetTable(Strict):
    """What a part may cost before the run ends as timed out."""

    moves: int = Field(80, ge=1, le=10_000, description="moves of every purpose")
    looks: int = Field(80, ge=2, le=10_000, description="looks at both plates")
    bench_seconds: Positive = Field(900.0, description="seconds of bench time")


class LookTable(Strict):
    """How looks and test moves are made."""

    frames: int = Field(1, ge=1, le=1000, description="frames averaged in a look on the way")
    verify_frames: int = Field(1, ge=1, le=1000, description="frames averaged in a look for the verdict")
    verify_looks: int = Field(4, ge=2, le=100, description="looks round the null before the verdict")
    verify_looks_at_most: int = Field(24, ge=2, le=1000, description="as long as further looks help")
    settle_s: NotNegative = Field(0.0, description="wait after a move before looking, bench seconds")
    test_moves: Literal["always", "when_needed"] = Field(
        "always", description="when the Jacobian is measured by test moves"
    )
    home_again: Literal["always", "when_doubtful"] = Field(
        "when_doubtful", description="home the axes again before the verdict, to see whether steps were lost"
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.verify_looks_at_most < self.verify_looks:
            refuse(
                "verify_looks_at_most",
                self.verify_looks_at_most,
                f"at least verify_looks = {self.verify_looks}",
            )
        return self


class FixTable(Strict):
    """One step of fixing the lens after it was aligned."""

    kind: Literal["lock", "bond"] = Field(description="lock: a clamp that can be released; bond: adhesive")
    output: Name = Field(description="output of the bench that is switched on")
    dwell_s: Positive = Field(description="how long the output is on, or is waited after locking")
    look_every_s: Positive = Field(5.0, description="the spots are watched at this interval meanwhile")
    stays_on: bool = Field(False, description="leave the output on until the lens is taken out")
    compensate: bool = Field(True, description="set the lens off by the shift learned from earlier parts")
    pliable_s: NotNegative = Field(0.0, description="as long as this the mount may correct while it bonds")
    correct_um: Positive = Field(30.0, description="largest correction; more is a reject")
    correct_arcsec: Positive = Field(60.0, description="largest correction of tilt; more is a reject")
    tries: int = Field(2, ge=1, le=10, description="how often a lock is released and tried again, at most")

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.kind == "lock" and self.pliable_s > 0:
            refuse("pliable_s", self.pliable_s, "0 with a lock; only what bonds is pliable for a time")
        if self.pliable_s > self.dwell_s:
            refuse("pliable_s", self.pliable_s, f"at most dwell_s = {self.dwell_s:g}")
        return self


class RecipeTable(Strict):
    """The recipe file."""

    name: Name = Field(description="name of the recipe; records and reports carry it")
    wavelength_nm: float = Field(ge=150, le=12000, description="has to agree with the bench's beam to 0.5 nm")
    lens: LensTable
    tolerance: ToleranceTable
    budget: BudgetTable = BudgetTable()
    look: LookTable = LookTable()
    fix: list[FixTable] = Field([], description="how the lens is fixed, step by step; nothing: it is not")
