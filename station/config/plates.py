"""The plates and the cameras of BENCH.toml."""

from __future__ import annotations

from typing import Any, Literal, Self

from pydantic import Field, model_validator

from station.config.values import FactoryName, Name, NotNegative, Pair, Positive, PositiveList, Strict, refuse
from vision.plate import PlateError, PlateSpec


class FiducialTable(Strict):
    """One printed marker."""

    id: int = Field(ge=0, description="number of the marker in its dictionary")
    x_mm: float = Field(description="centre, to the right when looking at the hole target's rear face")
    y_mm: float = Field(description="centre, upwards")


class _PlateTable(Strict):
    width_mm: Positive = Field(description="size along x")
    height_mm: Positive = Field(description="size along y")
    ring_radii_mm: PositiveList = Field((), description="radii of the printed rings")
    fiducial_dictionary: Name = Field("DICT_4X4_50", description="predefined dictionary of cv2.aruco")
    fiducial_side_mm: Positive = Field(description="outer side of a marker's black square")
    fiducials: list[FiducialTable] = Field(min_length=4, description="the markers and their places")
    mark_center_mm: Pair = Field((0.0, 0.0), description="centre of the rings and of the cross")
    line_width_mm: Positive = Field(0.2, description="width of the printed lines")

    def _marks(self) -> dict[int, tuple[float, float]]:
        ids = [mark.id for mark in self.fiducials]
        twice = next((number for number in ids if ids.count(number) > 1), None)
        if twice is not None:
            refuse("fiducials", f"id {twice} more than once", "each id once")
        return {mark.id: (mark.x_mm, mark.y_mm) for mark in self.fiducials}

    def _spec(self, **own: Any) -> PlateSpec:
        try:
            return PlateSpec(
                width_mm=self.width_mm,
                height_mm=self.height_mm,
                ring_radii_mm=self.ring_radii_mm,
                fiducial_dictionary=self.fiducial_dictionary,
                fiducial_side_mm=self.fiducial_side_mm,
                fiducials=self._marks(),
                mark_center_mm=self.mark_center_mm,
                line_width_mm=self.line_width_mm,
                **own,
            )
        except PlateError as error:
            refuse("", str(error), "a plate that can be made")


class HoleTargetTable(_PlateTable):
    """The hole target; its rear face carries the print and catches the returns."""

    hole_radius_mm: Positive = Field(description="radius of the hole")
    hole_center_mm: Pair = Field((0.0, 0.0), description="drawn centre of the hole")

    def spec(self) -> PlateSpec:
        """Return the plate as vision knows it."""
        return self._spec(
            name="hole_target",
            faces="downstream",
            hole_radius_mm=self.hole_radius_mm,
            hole_center_mm=self.hole_center_mm,
        )

    @model_validator(mode="after")
    def _check(self) -> Self:
        smaller = min(self.width_mm, self.height_mm)
        if 2 * self.hole_radius_mm >= smaller:
            refuse(
                "hole_radius_mm",
                self.hole_radius_mm,
                f"less than {smaller / 2:g}: the hole has to fit on the plate of "
                f"{self.width_mm:g} x {self.height_mm:g} mm",
            )
        self.spec()
        return self


class ReferenceTargetTable(_PlateTable):
    """The reference target behind the lens."""

    cross_arm_mm: Positive | None = Field(None, description="length of an arm of the printed cross")
    cross_gap_mm: NotNegative = Field(
        1.0, description="radius left free around the cross's centre, for the spot; 0: lines through it"
    )

    def spec(self) -> PlateSpec:
        """Return the plate as vision knows it."""
        return self._spec(
            name="reference_target",
            faces="upstream",
            hole_radius_mm=None,
            cross_arm_mm=self.cross_arm_mm,
            cross_gap_mm=self.cross_gap_mm,
        )

    @model_validator(mode="after")
    def _check(self) -> Self:
        self.spec()
        return self


class PlatesTable(Strict):
    """Both plates."""

    hole_target: HoleTargetTable
    reference_target: ReferenceTargetTable


class MapsTable(Strict):
    """How it is noticed that a camera or a plate moved after the plates were mapped."""

    check: Literal["every_look", "never"] = Field(
        "every_look",
        description="compare the marks with the map; where the beam's frames do not show them, one lit frame",
    )
    moved_mm: Positive = Field(0.05, description="displacement of a plate's marks that counts as moved")
    when_moved: Literal["stop", "map_again"] = Field(
        "stop",
        description='"map_again" only where plates cannot move: for cameras that creep; at most twice a run',
    )


class SensorTable(Strict):
    """What the statistics of a camera's pixels need."""

    full_scale_dn: int = Field(4095, gt=0, description="value of a saturated pixel")
    gain_e_per_dn: Positive = Field(10_000 / 4095, description="photo-electrons per digital number")
    read_noise_e: NotNegative = Field(4.0, description="standard deviation of the read noise, electrons")
    black_level_dn: NotNegative = Field(0.0, description="value of an unexposed pixel")
    falloff: float = Field(
        0.0,
        ge=0.0,
        lt=1.0,
        description="share of light lost at the middle of the frame's left or right edge: "
        "1 - 1 / (1 + (r / d)^2)^2 for half a field r seen from d, more where the lens vignettes",
    )


class ExposureTable(Strict):
    """Limits of the exposure control."""

    shortest_s: Positive = Field(1e-5, description="shortest exposure")
    longest_s: Positive = Field(0.5, description="longest exposure")
    first_s: Positive = Field(0.005, description="exposure of the first try")

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not self.shortest_s <= self.first_s <= self.longest_s:
            refuse("first_s", self.first_s, f"between {self.shortest_s:g} and {self.longest_s:g}")
        return self


class CameraTable(Strict):
    """One camera: an OpenCV source, or a factory."""

    name: Name = Field(description="name of the camera")
    plate: Literal["hole_target", "reference_target"] = Field(description="the plate that it looks at")
    side: Literal["front", "behind"] = Field("front", description='"behind": through the plate, mirrored')
    source: int | str | None = Field(None, description="device index, file, image folder or URL")
    factory: FactoryName | None = Field(None, description="package.module:factory that makes the device")
    options: dict[str, Any] = Field({}, description="keyword arguments of the factory or of the source")
    sensor: SensorTable = SensorTable()
    exposure: ExposureTable = ExposureTable()

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.source is None) == (self.factory is None):
            refuse("", "both source and factory" if self.factory else "neither", "either source or factory")
        return self
