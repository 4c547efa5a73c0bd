"""From the bench file to devices: what is not there, or cannot be made, is bad input; nothing moves."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from station.config import BadInput, BenchTable, TomlFile
from station.config.reading import read_model
from station.demo import BENCH_FILE, example_text
from station.wiring import open_bench

DEVICES = """
import numpy as np
from driver.faults import DeviceFault, FaultCode
from driver.protocols import Frame

closed = []

class Camera:
    def __init__(self, name):
        self.name = name
    def grab(self, exposure_s):
        return Frame(np.zeros((4, 4), np.uint16), exposure_s, 0.0, 0, self.name)
    def close(self):
        closed.append(self.name)

def unplugged(name):
    raise DeviceFault(FaultCode.CAMERA_NOT_FOUND, state="", asked="", came=f"camera {name} is not plugged in")

def not_a_camera(name):
    return object()
"""


@pytest.fixture
def devices(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A module with factories of the user's own; each test has another one."""
    name = f"devices_of_{tmp_path.name}"
    (tmp_path / f"{name}.py").write_text(DEVICES)
    monkeypatch.syspath_prepend(tmp_path)
    return name


@pytest.fixture
def line() -> Iterator[str]:
    """A far end that takes the connection, says nothing, and remembers that nothing was said to it."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(5.0)
        yield f"socket://127.0.0.1:{server.getsockname()[1]}"
        connection, _ = server.accept()
        with connection:
            connection.settimeout(5.0)
            assert connection.recv(100) == b""  # opening a bench sends no byte


def real_bench(
    line: str, devices: str, *swaps: tuple[str, str], folder: Path = Path()
) -> TomlFile[BenchTable]:
    """The example as a real bench would write it: no clock, handler or witness of the simulator."""
    blocks = example_text(BENCH_FILE).split("\n\n")
    names = ("[clock]", "[lens_handler]", "[witness]")
    text = "\n\n".join(block for block in blocks if not block.startswith(names))
    text = text.replace("socket://127.0.0.1:47001", line).replace("sim.remote:camera", f"{devices}:Camera")
    text = text.replace(', address = "127.0.0.1:47002"', "")
    for old, new in swaps:
        assert old in text
        text = text.replace(old, new, 1)
    name = str(folder / BENCH_FILE)
    return TomlFile(name, text, read_model(BenchTable, text, name))


class Nobody:
    """Stands in for the person; must not be asked while a bench is opened."""

    def lens_in(self) -> None:
        raise AssertionError

    def lens_out(self) -> None:
        raise AssertionError


def refused(file: TomlFile[BenchTable]) -> BadInput:
    with pytest.raises(BadInput) as caught:
        open_bench(file, Nobody())
    return caught.value


def module_of(devices: str) -> Any:
    return __import__(devices)


def test_a_real_bench_needs_no_simulator(line: str, devices: str) -> None:
    nobody = Nobody()
    bench = open_bench(real_bench(line, devices), nobody)
    assert type(bench.clock).__name__ == "SystemClock"
    assert bench.witness is None
    assert bench.lens_handler is nobody
    assert bench.motion.axis_names == ("X", "Y", "A", "B")
    assert bench.hole.sensor.black_level_dn == 64.0
    bench.close()
    bench.close()
    assert sorted(module_of(devices).closed) == ["hole_camera", "reference_camera"]


def test_a_port_that_is_not_there(devices: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    bad = refused(real_bench(f"socket://127.0.0.1:{port}", devices))
    assert bad.key == "motion.port"
    assert bad.line is not None
    assert "device that is there" in bad.allowed
    bad = refused(real_bench("/dev/ttyNONE7", devices))
    assert "open port '/dev/ttyNONE7'" in bad.found


def test_a_camera_that_is_not_there_releases_what_was_open(line: str, devices: str) -> None:
    second = f'"{devices}:Camera"\noptions = {{ name = "reference_camera"'
    bad = refused(real_bench(line, devices, (second, second.replace("Camera", "unplugged", 1))))
    assert bad.key == "cameras[1].factory"
    assert "reference_camera is not plugged in" in bad.found
    assert module_of(devices).closed == ["hole_camera"]


def test_an_image_folder_that_is_not_there(line: str, devices: str, tmp_path: Path) -> None:
    first = f'factory = "{devices}:Camera"            # real bench: source = 0'
    old_options = 'options = { name = "hole_camera" }'
    setup = real_bench(
        line,
        devices,
        (first, f'source = "{tmp_path / "no_frames"}" #'),
        (old_options, "options = { fixed_exposure_s = 0.01 }"),
    )
    bad = refused(setup)
    assert bad.key == "cameras[0].source"
    assert "no_frames" in bad.found


@pytest.mark.parametrize(
    ("factory", "words"),
    [
        ("{devices}:Camrea", "nearest: 'Camera'"),
        ("{devices}x:Camera", "no module"),
        ("{devices}:not_a_camera", "no Camera"),
        ("{devices}:closed", "not something that can be called"),
    ],
)
def test_a_factory_that_makes_no_camera(line: str, devices: str, factory: str, words: str) -> None:
    swap = (f"{devices}:Camera", factory.format(devices=devices))
    bad = refused(real_bench(line, devices, swap))
    assert bad.key == "cameras[0].factory"
    assert words in bad.found


def test_options_that_the_factory_does_not_take(line: str, devices: str) -> None:
    swap = ('options = { name = "hole_camera" }', 'options = { nam = "hole_camera" }')
    assert "nam" in refused(real_bench(line, devices, swap)).found


def test_phrase_tables(devices: str, tmp_path: Path) -> None:
    line = "/dev/never_opened"

    def with_table(name: str) -> BadInput:
        return refused(
            real_bench(line, devices, ('table = "word_address"', f'table = "{name}"'), folder=tmp_path)
        )

    bad = with_table("word_adress")
    assert (bad.key, bad.nearest) == ("motion.table", "word_address")
    assert with_table("mine.toml").found == "no such file"
    good = (Path(__file__).parents[2] / "driver" / "tables" / "word_address.toml").read_text(encoding="utf-8")
    (tmp_path / "mine.toml").write_text(good.replace("terminator =", "terminater =", 1), encoding="utf-8")
    bad = with_table("mine.toml")
    assert bad.file == str(tmp_path / "mine.toml")
    assert bad.nearest == "terminator"
    assert bad.line is not None
    (tmp_path / "mine.toml").write_text("[line\n", encoding="utf-8")
    assert with_table("mine.toml").line == 1


def test_axes_that_the_table_cannot_write(devices: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        line = f"socket://127.0.0.1:{server.getsockname()[1]}"
        bad = refused(real_bench(line, devices, ("step = 0.001", "step = 1e-9")))
    assert bad.key == "motion.axes"
    assert "step" in bad.found
