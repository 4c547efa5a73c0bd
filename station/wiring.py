"""From the bench file to devices. Opening them moves nothing; what is not there is bad input."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from driver.axes import AxisSpec
from driver.clock import SystemClock
from driver.exchange import Timing
from driver.factory import FactoryError, make
from driver.faults import DeviceFault
from driver.motion import SerialMotion
from driver.phrases import PhraseTable, PhraseTableError
from driver.port import LoggedPort, Port, open_port
from driver.protocols import Camera, Clock, Lamp, LensHandler, Motion, Output, Shutter, Witness
from station.config import BenchTable, TomlFile
from station.config.bench import AxisTable, DeviceTable, MotionTable
from station.config.plates import CameraTable
from station.config.problems import Key, nearest
from station.config.reading import read_model, read_text
from station.record.wire_log import WireLog
from vision.exposure import ExposureLimits
from vision.image import Sensor
from vision.plate import PlateSpec

Device = TypeVar("Device")


# Speckle makes a small spot brighter and dimmer from look to look; it limits what is measured, not the light.
_BRIGHT_ENOUGH, _WANTED = 0.3, 0.6


@dataclass(frozen=True, slots=True)
class PlateCamera:
    """A plate with the camera that looks at it."""

    plate: PlateSpec
    camera: Camera
    table: CameraTable
    sensor: Sensor = field(init=False)
    """What the statistics of the camera's pixels need."""
    limits: ExposureLimits = field(init=False)
    """Between which the exposure is chosen, and how bright the beam is wanted."""

    def __post_init__(self) -> None:
        shortest_s, longest_s = self.table.exposure.shortest_s, self.table.exposure.longest_s
        object.__setattr__(self, "sensor", Sensor(**self.table.sensor.model_dump()))
        object.__setattr__(self, "limits", ExposureLimits(shortest_s, longest_s, _WANTED, _BRIGHT_ENOUGH))


@dataclass(slots=True)
class Bench:
    """All devices of a bench, opened.

    Attributes
    ----------
    table : BenchTable
    clock, motion, shutter : Clock, Motion, Shutter
    lamp : Lamp or None
    hole, reference : PlateCamera
    lens_handler : LensHandler
    witness : Witness or None
    wire_log : WireLog
    outputs : mapping of str to Output
        What fixes a lens, by name.
    """

    table: BenchTable
    clock: Clock
    motion: Motion
    shutter: Shutter
    lamp: Lamp | None
    hole: PlateCamera
    reference: PlateCamera
    lens_handler: LensHandler
    witness: Witness | None
    wire_log: WireLog
    outputs: Mapping[str, Output] = field(default_factory=dict)
    _closers: contextlib.ExitStack = field(default_factory=contextlib.ExitStack)

    def close(self) -> None:
        """Release all devices; may be called twice."""
        self._closers.close()


def axis_spec(table: AxisTable) -> AxisSpec:
    """Return an axis as driver and control know it."""
    values = table.model_dump(exclude={"travel", "null"})
    return AxisSpec(travel_min=table.travel[0], travel_max=table.travel[1], **values)


class _Opener:
    """Opens the devices of one bench; on the first problem all that is open is released."""

    def __init__(self, file: TomlFile[BenchTable], ask: LensHandler) -> None:
        self.file = file
        self.table = file.table
        self.ask = ask
        self.stack = contextlib.ExitStack()
        self.wire_log = WireLog()
        # Closed last: releasing the motion controller may still say something on the line.
        self.stack.callback(self.wire_log.close)

    def open(self) -> Bench:
        table = self.table
        with contextlib.ExitStack() as on_failure:
            on_failure.callback(self.stack.close)
            clock = self._made(("clock",), table.clock, Clock, SystemClock)
            motion = self._motion(clock)
            shutter = self._made(("shutter",), table.shutter, Shutter, lambda: _part(motion, "shutter"))
            bench = Bench(
                table=table,
                clock=clock,
                motion=motion,
                shutter=shutter,
                lamp=self._lamp(motion),
                hole=self._camera(clock, "hole_target", table.plates.hole_target.spec()),
                reference=self._camera(clock, "reference_target", table.plates.reference_target.spec()),
                lens_handler=self._made(("lens_handler",), table.lens_handler, LensHandler, lambda: self.ask),
                witness=self._witness(),
                wire_log=self.wire_log,
                outputs=self._outputs(),
                _closers=self.stack,
            )
            on_failure.pop_all()
        return bench

    # --- devices ----------------------------------------------------------------------------------------

    def _made(
        self, key: Key, table: DeviceTable, protocol: type[Device], built_in: Callable[[], Device]
    ) -> Device:
        """Return the device of a table: from its factory, or else the built-in one."""
        if table.factory is None:
            return self._kept(self._refusing(key, built_in))
        return self._from_factory(key, table.factory, table.options, protocol)

    def _from_factory(
        self, key: Key, factory: str, options: dict[str, Any], protocol: type[Device]
    ) -> Device:
        return self._kept(self._refusing((*key, "factory"), lambda: make(factory, options, protocol)))

    def _refusing(self, key: Key, build: Callable[[], Device]) -> Device:
        """Build, and say as bad input what does not work."""
        try:
            return build()
        except FactoryError as error:
            raise self.file.bad(
                key, str(error), "package.module:factory that can be called with these options"
            ) from error
        except DeviceFault as fault:
            found = f"{fault.asked}: {fault.came}"
            raise self.file.bad(key, found, f"a device that is there ({fault.remedy})") from fault

    def _kept(self, device: Device) -> Device:
        """Have the device released in the end, in reverse order."""
        close = getattr(device, "close", None)
        # A shutter's close() shuts the beam; the runner does that, over a line that is still open.
        if close is not None and not isinstance(device, Shutter):
            self.stack.callback(_quietly, close)
        return device

    def _motion(self, clock: Clock) -> Motion:
        table = self.table.motion
        if table.factory is not None:
            return self._from_factory(("motion",), table.factory, table.options, Motion)
        axes = [axis_spec(axis) for axis in table.axes]
        phrases = self._phrases(table)
        opened = self._first_port(table, clock)
        timing = Timing(reply_s=table.reply_timeout_s, home_s=table.home_timeout_s)
        try:
            motion = SerialMotion(opened, phrases, axes, clock, timing=timing)
        except PhraseTableError as error:
            raise self.file.bad(
                ("motion", "axes"), str(error), "axes that the phrase table can write"
            ) from error
        return self._kept(motion)

    def _first_port(self, table: MotionTable, clock: Clock) -> Callable[[], Port]:
        """Open the port now, so that one that is not there is bad input; hand it out, later open anew."""
        name = str(table.port)
        first: list[Port] = [self._refusing(("motion", "port"), lambda: open_port(name, baud=table.baud))]
        self.stack.callback(_close_all, first)

        def opened() -> Port:
            port = first.pop() if first else open_port(name, baud=table.baud)
            return LoggedPort(port, self.wire_log, clock)

        return opened

    def _phrases(self, table: MotionTable) -> PhraseTable:
        """Read the phrase table: one that comes with the package, or a file beside the bench file."""
        folder = resources.files("driver") / "tables"
        names = sorted(
            item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml")
        )
        if table.table in names:
            text, name = (folder / f"{table.table}.toml").read_text(encoding="utf-8"), f"{table.table}.toml"
        elif table.table.endswith(".toml"):
            path = Path(self.file.name).parent / table.table
            text, name = read_text(path), str(path)
        else:
            raise self.file.bad(
                ("motion", "table"),
                repr(table.table),
                f"{', '.join(names)}, or the path of a TOML file",
                nearest(table.table, names),
            )
        return read_model(PhraseTable, text, name)

    def _lamp(self, motion: Motion) -> Lamp | None:
        table = self.table.lamp
        if table.factory is None and table.via == "none":
            return None
        return self._made(("lamp",), table, Lamp, lambda: _part(motion, "lamp"))

    def _camera(self, clock: Clock, name: str, plate: PlateSpec) -> PlateCamera:
        number, table = next((i, table) for i, table in enumerate(self.table.cameras) if table.plate == name)
        key: Key = ("cameras", number)
        if table.factory is not None:
            camera = self._from_factory(key, table.factory, table.options, Camera)
        else:
            camera = self._kept(self._refusing((*key, "source"), lambda: _opencv(table, clock)))
        return PlateCamera(plate, camera, table)

    def _outputs(self) -> dict[str, Output]:
        outputs = {}
        for number, table in enumerate(self.table.outputs):
            device = self._from_factory(("outputs", number), str(table.factory), table.options, Output)
            outputs[table.name] = device
        return outputs

    def _witness(self) -> Witness | None:
        table = self.table.witness
        if table.factory is None:
            return None
        return self._from_factory(("witness",), table.factory, table.options, Witness)


def open_bench(file: TomlFile[BenchTable], ask: LensHandler) -> Bench:
    """Open all devices of a bench. Nothing moves, no byte is sent to the motion controller.

    Parameters
    ----------
    file : TomlFile
        The bench file.
    ask : LensHandler
        Puts the lens in and out where the bench file names no other handler: a person who is asked.

    Raises
    ------
    BadInput
        For a device that is not there or cannot be made, naming its key in the bench file.
    """
    return _Opener(file, ask).open()


@contextlib.contextmanager
def opened_bench(file: TomlFile[BenchTable], ask: LensHandler) -> Iterator[Bench]:
    """Open a bench for the time of a ``with`` block; see :func:`open_bench`."""
    bench = open_bench(file, ask)
    try:
        yield bench
    finally:
        bench.close()


def _opencv(table: CameraTable, clock: Clock) -> Camera:
    """Return a camera of the OpenCV library; its options are the keyword arguments of that class."""
    return make(
        "driver.camera:OpenCvCamera", {"name": table.name, "source": table.source, **table.options}, Camera
    )


def _part(motion: Motion, name: str) -> Any:
    """Return the shutter or lamp that a motion controller has on its line."""
    part = getattr(motion, name, None)
    if part is None:
        raise FactoryError(f"the motion device {type(motion).__name__} has no {name}; name a factory for it")
    return part


def _close_all(ports: list[Port]) -> None:
    for port in ports:
        _quietly(port.close)


def _quietly(close: Callable[[], object]) -> None:
    """Release a device; one that fails has been used for the last time anyway."""
    with contextlib.suppress(Exception):
        close()
