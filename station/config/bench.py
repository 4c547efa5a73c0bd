"""BENCH.toml: everything that belongs to the bench and not to the part."""

from __future__ import annotations

from typing import Any, Literal, Self

from pydantic import Field, model_validator

from station.config.plates import CameraTable, MapsTable, PlatesTable
from station.config.values import FactoryName, Name, NotNegative, Pair, Positive, Strict, refuse


class DeviceTable(Strict):
    """A device made by a Python function; the function gets ``options`` as keyword arguments."""

    factory: FactoryName | None = Field(None, description="package.module:factory that makes the device")
    options: dict[str, Any] = Field({}, description="keyword arguments of the factory")


class ClockTable(DeviceTable):
    """The one clock of a run; without a factory the computer's monotonic clock."""


class AxisTable(Strict):
    """One motorised axis, in its own unit."""

    name: Name = Field(description="axis word on the line, such as X")
    unit: Literal["mm", "deg"] = Field(description="unit of every other number of this axis")
    moves: Literal["decenter_x", "decenter_y", "tilt_x", "tilt_y"] = Field(description="what it mainly moves")
    travel: Pair = Field(description="lower and upper end of the permitted travel, axis unit")
    step: Positive = Field(description="smallest move, axis unit")
    speed_per_s: Positive = Field(description="full speed, axis unit per second")
    null: float = Field(
        0.0, description="position at which a nominally placed lens is on the beam, axis unit"
    )
    repeatability: NotNegative = Field(0.0, description="how far the read-back may be off, axis unit")
    approach_from: Literal["below", "above"] | None = Field(
        None, description="side from which the last move always comes, to take up backlash"
    )
    overshoot: NotNegative = Field(
        0.0, description="distance past the target when coming from the other side"
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        low, high = self.travel
        if low >= high:
            refuse("travel", list(self.travel), "two numbers, the lower end first")
        unit = "mm" if self.moves.startswith("decenter") else "deg"
        if self.unit != unit:
            refuse("unit", repr(self.unit), f'"{unit}" for an axis that moves {self.moves}')
        if not low <= self.null <= high:
            refuse("null", self.null, f"within the travel, {low:g} to {high:g} {self.unit}")
        if self.step >= high - low:
            refuse("step", self.step, f"a step smaller than the travel of {high - low:g} {self.unit}")
        if not (self.name.isascii() and self.name.isalnum() and self.name[0].isalpha()):
            refuse("name", repr(self.name), "letters and digits, a letter first")
        if (self.approach_from is None) != (self.overshoot == 0):
            refuse("overshoot", self.overshoot, "greater than 0 with approach_from, and 0 without")
        return self


class MotionTable(DeviceTable):
    """The motion controller: a serial line with a phrase table, or a factory."""

    port: Name | None = Field(
        None, description='serial device ("/dev/ttyUSB0", "COM3") or URL ("socket://host:port")'
    )
    baud: int = Field(115200, gt=0, description="bits per second; ignored on a socket")
    table: Name = Field("word_address", description="phrase table: a shipped name, or a TOML file")
    reply_timeout_s: Positive = Field(2.0, description="longest wait for one reply")
    home_timeout_s: Positive | None = Field(
        None, description="longest homing; left out, it follows from travel and speed"
    )
    axes: list[AxisTable] = Field(
        min_length=4, max_length=4, description="four axes, one for each coordinate of the pose"
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.port is None) == (self.factory is None):
            refuse("", "both port and factory" if self.port else "neither", "either port or factory")
        for key in ("name", "moves"):
            values = [getattr(axis, key) for axis in self.axes]
            twice = next((value for value in values if values.count(value) > 1), None)
            if twice is not None:
                refuse("axes", f"{key} = {twice!r} more than once", f"each {key} once")
        return self


class ShutterTable(DeviceTable):
    """The beam's shutter."""

    via: Literal["controller"] = Field(
        "controller", description="without a factory: on the motion controller"
    )


class LampTable(DeviceTable):
    """The lamp that lights the plates, so that their marks can be seen."""

    via: Literal["controller", "none"] = Field(
        "controller", description='without a factory: on the motion controller, or "none" (room light)'
    )


class LensHandlerTable(DeviceTable):
    """The lens-in / lens-out step; without a factory a person is asked on the terminal."""


class WitnessTable(DeviceTable):
    """An independent measurement of the pose, read only after the verdict; optional."""


class OutputTable(DeviceTable):
    """Something that is switched to fix a lens: a clamp, a curing lamp."""

    name: Name = Field(description="name by which a recipe asks for it")
    caution: Name = Field(description="what the site says of its danger; shown before it is switched on")

    @model_validator(mode="after")
    def _check_factory(self) -> Self:
        if self.factory is None:
            refuse("factory", "nothing", 'text like "package.module:factory"')
        return self


class LayoutTable(Strict):
    """Distances along the beam."""

    l1_mm: Positive = Field(description="hole target's rear face to the lens's front vertex")
    l2_mm: Positive = Field(description="lens's back vertex to the reference target")
    l1_sigma_mm: Positive = Field(3.0, description="standard uncertainty of l1_mm")
    l2_sigma_mm: Positive = Field(2.0, description="standard uncertainty of l2_mm")


class BeamTable(Strict):
    """The laser beam at the bench."""

    wavelength_nm: float = Field(ge=150, le=12000, description="wavelength in air")
    waist_radius_mm: Positive = Field(description="1/e^2 intensity radius at the waist")
    waist_z_mm: float = Field(description="place of the waist along the beam; 0 is the hole target")


class MountTable(Strict):
    """What is known of the mount beforehand, as standard uncertainties; the rest is learned on the way."""

    pivot_behind_mm: float = Field(0.0, description="tilt pivot, downstream of the lens's front vertex")
    start_sigma_mm: Positive = Field(
        0.6, description="how a lens lies in the mount, decentre, each direction"
    )
    start_sigma_mrad: Positive = Field(10.5, description="how a lens lies in the mount, tilt, each direction")
    scale_sigma: Positive = Field(0.02, description="relative error of an axis's scale")
    clocking_sigma_deg: Positive = Field(2.0, description="rotation and squareness of the axes")
    pivot_sigma_mm: Positive = Field(5.0, description="place of the pivot")
    straightness_sigma_mrad_per_mm: Positive = Field(0.3, description="tilt that comes with travel")
    backlash_sigma_mm: Positive = Field(0.010, description="backlash left in a linear axis")
    backlash_sigma_deg: Positive = Field(0.005, description="backlash left in a rotary axis")
    repeatability_sigma_um: Positive = Field(2.0, description="how the mount repeats a decentre")
    repeatability_sigma_urad: Positive = Field(10.0, description="how the mount repeats a tilt")
    characterisation: Name | None = Field(
        None,
        description="file of coincide characterize, beside the bench file; it goes before the rest",
    )


class ReferenceTable(Strict):
    """How well the targets stand for the beam; both go into the verdict's uncertainty."""

    beam_in_hole_sigma_um: Positive = Field(
        10.0, description="beam against the hole's centre, each direction"
    )
    reference_sigma_um: Positive = Field(2.0, description="how the bare beam's place is kept during a run")
    plate_clocking_sigma_deg: Positive = Field(0.5, description="rotation of each plate about the beam")


class BenchTable(Strict):
    """The bench file."""

    name: Name = Field(description="name of the bench; records and reports carry it")
    clock: ClockTable = ClockTable()
    motion: MotionTable
    shutter: ShutterTable = ShutterTable()
    lamp: LampTable = LampTable()
    plates: PlatesTable
    maps: MapsTable = MapsTable()
    cameras: list[CameraTable] = Field(min_length=2, description="exactly one for each plate")
    layout: LayoutTable
    beam: BeamTable
    mount: MountTable = MountTable()
    reference: ReferenceTable = ReferenceTable()
    lens_handler: LensHandlerTable = LensHandlerTable()
    witness: WitnessTable = WitnessTable()
    outputs: list[OutputTable] = Field([], description="what fixes a lens; each with a name of its own")

    @model_validator(mode="after")
    def _check(self) -> Self:
        seen = sorted(camera.plate for camera in self.cameras)
        if seen != ["hole_target", "reference_target"]:
            refuse("cameras", f"cameras that look at {', '.join(seen)}", "exactly one camera for each plate")
        names = [camera.name for camera in self.cameras]
        if len(set(names)) != len(names):
            refuse("cameras", f"the names {', '.join(names)}", "a name of its own for each camera")
        outputs = [output.name for output in self.outputs]
        if len(set(outputs)) != len(outputs):
            refuse("outputs", f"the names {', '.join(outputs)}", "a name of its own for each output")
        return self
