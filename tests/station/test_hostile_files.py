"""Files that broke a parser once, found by fuzzing; each is refused as the parser promises."""

from __future__ import annotations

import copy
import struct
import subprocess
import sys
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from driver.camera import OpenCvCamera
from driver.faults import DeviceFault, FaultCode
from driver.phrases import PhraseTable
from driver.table_errors import PhraseTableError
from station.config.bench import BenchTable
from station.config.problems import BadInput
from station.config.reading import read_model
from station.config.recipe import RecipeTable
from station.demo import BENCH_FILE, RECIPE_FILE, example_text
from station.lot.settings import LotTable
from station.record.codec import CodecError, decode
from station.record.folder import RECORD_FORMAT, parse_record
from station.replay import replay

TOML = {
    "endless brackets": "a=" + "[" * 3000,
    "endless tables": "a=" + "{b=" * 3000,
    "an integer of 5000 digits": "a=" + "1" * 5000,
    "a key of 3000 parts": ".".join(["a"] * 3000) + "=1",
    "no day": "a=0000-01-01",
}


@pytest.mark.parametrize("text", TOML.values(), ids=TOML)
@pytest.mark.parametrize("model", [BenchTable, RecipeTable, LotTable])
def test_text_that_breaks_the_toml_library_is_bad_input(text: str, model: type[BaseModel]) -> None:
    with pytest.raises(BadInput):
        read_model(model, text, "FILE.toml")


@pytest.mark.parametrize("text", TOML.values(), ids=TOML)
def test_text_that_breaks_the_toml_library_is_no_phrase_table(text: str) -> None:
    with pytest.raises(PhraseTableError):
        PhraseTable.from_toml(text)


@pytest.mark.parametrize(
    "data",
    [
        {"is": {}, "time_s": 1},
        {"is": ["Started"], "time_s": 1},
        {"is": "Started", "time_s": 10**400},
        {"is": "Homed", "positions": 5, "time_s": 1},
    ],
)
def test_values_that_fit_no_field_are_no_message(data: Any) -> None:
    with pytest.raises(CodecError):
        decode(data)


@pytest.mark.parametrize("data", [b"[" * 100_000, b'{"a":' * 100_000, b"\xff\xfe", b"1" * 5000, b""])
def test_text_that_breaks_the_json_library_is_no_record(data: bytes) -> None:
    with pytest.raises(BadInput):
        parse_record(data, "record.json")


PLACES: list[tuple[Any, ...]] = [
    ("configuration",),
    ("configuration", "bench"),
    ("configuration", "bench", "text"),
    ("configuration", "mount"),
    ("steps",),
    ("steps", 0),
    ("steps", 0, "observation"),
    ("steps", 0, "observation", "time_s"),
    ("characterising",),
]


def spoilt_records() -> Iterator[dict[str, Any]]:
    files = {"bench": BENCH_FILE, "recipe": RECIPE_FILE}
    good = {
        "format": RECORD_FORMAT,
        "configuration": {key: {"file": name, "text": example_text(name)} for key, name in files.items()},
        "steps": [{"observation": {"is": "Started", "time_s": 1.0}, "action": {"is": "Home"}}],
    }
    for place in PLACES:
        for value in (5, "x", [], [[1]], 10**400, {"is": []}):
            spoilt: Any = copy.deepcopy(good)
            inner = spoilt
            for key in place[:-1]:
                inner = inner[key]
            inner[place[-1]] = value
            yield spoilt


def test_records_with_anything_anywhere_are_replayed_or_bad_input() -> None:
    refused = 0
    for record in spoilt_records():
        try:
            replay(record)
        except BadInput:
            refused += 1
    assert refused > 40


def png(width: int, height: int) -> bytes:
    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + header + chunk(b"IDAT", zlib.compress(bytes(100))) + chunk(b"IEND", b"")


# The data of an image of 8 x 6 pixels that says to be 2.9 GB long; found by `make fuzz`.
LONG_PART = png(8, 6)[:33] + b"\xac\x00\x00\x41" + png(8, 6)[37:]


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("1.png", png(30_000, 30_000)),
        ("1.png", LONG_PART),
        ("1.png", png(60_000, 60_000)),
        ("1.pgm", b"P5 60000 60000 255\n123"),
        ("1.png", b""),
        ("1.tif", b"II*\x00\x08\x00\x00\x00"),
    ],
)
def test_a_picture_that_claims_too_much_is_a_wrong_frame(name: str, data: bytes, tmp_path: Path) -> None:
    (tmp_path / name).write_bytes(data)
    with pytest.raises(DeviceFault) as fault:
        OpenCvCamera("camera", str(tmp_path), fixed_exposure_s=0.01).grab(0.01)
    assert fault.value.code is FaultCode.FRAME_WRONG


SCRIPT = """
import re, sys, station
from pathlib import Path
from driver.camera import OpenCvCamera
from driver.faults import DeviceFault
def peak():
    # Not that of getrusage: it begins with the peak of the process that started this one.
    return int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1])
before = peak()
try:
    OpenCvCamera("camera", sys.argv[1], fixed_exposure_s=0.01).grab(0.01)
except DeviceFault:
    print(peak() - before)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="the memory that was used is told in /proc")
@pytest.mark.parametrize("data", [png(30_000, 30_000), LONG_PART], ids=["many pixels", "long part"])
def test_a_picture_of_a_few_bytes_does_not_take_a_gigabyte(data: bytes, tmp_path: Path) -> None:
    (tmp_path / "1.png").write_bytes(data)
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, str(tmp_path)], capture_output=True, text=True, check=True
    )
    assert int(done.stdout) < 100_000  # kilobytes
