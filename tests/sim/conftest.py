"""What the tests of the simulated bench share: the example axes, a small bench, a person at the line."""

from __future__ import annotations

import binascii
import functools
import re
from collections.abc import Callable

import pytest

from driver.axes import AxisSpec
from driver.port import Port
from optics.layout import Beam, Layout
from optics.lens import Lens
from sim.bench import SimBench
from sim.camera_geometry import CameraSetup
from sim.nuisances import Nuisances
from vision.plate import hole_target, reference_target


class Person:
    """Types requests, reads replies; knows the line from its description only."""

    def __init__(self, port: Port) -> None:
        self.port, self.number = port, 0

    def request(self, words: str) -> bytes:
        self.number = self.number % 9999 + 1
        body = f"N{self.number} {words}".encode("latin-1")
        return body + b" K%04X\n" % binascii.crc_hqx(body, 0xFFFF)

    def ask(self, words: str) -> str:
        self.port.write(self.request(words))
        number, answer = self.answer()
        assert number == self.number
        return answer

    def answer(self, timeout_s: float = 1.0) -> tuple[int, str]:
        data = b""
        while not data.endswith(b"\n"):
            more = self.port.read(256, timeout_s)
            assert more, f"no reply after {data!r}"
            data += more
        assert data.count(b"\n") == 1
        match = re.fullmatch(rb"N(\d+) (.*) K([0-9A-F]{4})\n", data)
        assert match, data
        assert int(match[3], 16) == binascii.crc_hqx(data[: match.end(2)], 0xFFFF)
        return int(match[1]), match[2].decode()

    def state(self) -> dict[str, str]:
        words = self.ask("Q2").split()
        return dict(zip(words[::2], words[1::2], strict=True))

    def positions(self) -> dict[str, float]:
        return {word[0]: float(word[1:]) for word in self.ask("Q1").split()[1:]}


@pytest.fixture
def axes() -> tuple[AxisSpec, ...]:
    return (
        AxisSpec("X", "mm", -6.0, 6.0, 0.001, "decenter_x", 2.0, 0.002),
        AxisSpec("Y", "mm", -6.0, 6.0, 0.001, "decenter_y", 2.0, 0.002),
        AxisSpec("A", "deg", -3.0, 3.0, 0.0005, "tilt_x", 1.0, 0.001),
        AxisSpec("B", "deg", -3.0, 3.0, 0.0005, "tilt_y", 1.0, 0.001),
    )


@pytest.fixture
def build(axes: tuple[AxisSpec, ...]) -> Callable[..., SimBench]:
    """Build a small bench: call with ``nuisances`` and ``seed``; the result of ``partial`` is picklable."""
    cameras = {
        "hole_camera": CameraSetup("hole_target", width_px=320, height_px=256, focal_px=1000.0),
        "reference_camera": CameraSetup(
            "reference_target",
            width_px=320,
            height_px=256,
            focal_px=1000.0,
            field_mm=36.0,
            filter_transmission=1e-3,
        ),
    }
    return functools.partial(
        SimBench,
        Lens.singlet("biconvex 100", 102.4, -102.4, 4.0, "N-BK7", 25.4),
        Layout(300.0, 150.0),
        Beam(532.0, 0.4, -200.0),
        {"hole_target": hole_target(), "reference_target": reference_target()},
        cameras,
        axes,
    )


@pytest.fixture
def bench(build: Callable[..., SimBench]) -> SimBench:
    """Return a bench without errors, powered up, not homed."""
    return build(nuisances=Nuisances.none(), seed=3)


@pytest.fixture
def person(bench: SimBench) -> Person:
    """Return a person at the line of ``bench``."""
    return Person(bench.line)


@pytest.fixture
def homed(bench: SimBench, person: Person) -> Person:
    """Return a person at the line of ``bench`` after homing."""
    assert person.ask("G28") == "DONE"
    bench.clock.sleep_s(60.0)
    assert person.state()["STATE"] == "IDLE"
    return person


@pytest.fixture
def at_line() -> Callable[[Port], Person]:
    """Return what seats a person at any other line."""
    return Person
