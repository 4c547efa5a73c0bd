"""One parser under a coverage-guided fuzzer, in a process of its own; called by fuzz.py, which says how.

Every target takes bytes, feeds a parser, and lets through the errors that the parser promises. Any other
exception, a broken promise, a hang or a process that grows is a find.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["driver", "vision", "station", "sim", "control"]):
    from driver.axes import AxisSpec
    from driver.camera import OpenCvCamera
    from driver.faults import DeviceFault
    from driver.phrases import PhraseTable, UnreadableError
    from driver.table_errors import PhraseTableError
    from driver.wire import Framing, Kind, Wire
    from sim.clock import SimClock
    from station.config.bench import BenchTable
    from station.config.loading import setup_from_texts
    from station.config.problems import BadInput
    from station.config.reading import read_model
    from station.config.recipe import RecipeTable
    from station.demo import BENCH_FILE, RECIPE_FILE, example_text
    from station.lot.parts_file import parse_parts
    from station.lot.settings import LotTable
    from station.record.codec import CodecError, decode, encode
    from station.record.folder import parse_record
    from station.replay import replay
    from vision.map_file import MapFileError, read_map

AXES = (
    AxisSpec("X", "mm", -6, 6, 0.001, "decenter_x", 1.0, 0.002),
    AxisSpec("Y", "mm", -6, 6, 0.001, "decenter_y", 1.0, 0.002),
    AxisSpec("A", "deg", -3, 3, 0.0005, "tilt_x", 1.0, 0.002),
    AxisSpec("B", "deg", -3, 3, 0.0005, "tilt_y", 1.0, 0.002),
)
TABLES = [PhraseTable.named("word_address"), PhraseTable.named("comma_steps")]
FRAMINGS = [Framing(table.line) for table in TABLES]
BENCH, RECIPE = example_text(BENCH_FILE), example_text(RECIPE_FILE)


def require(holds: bool, what: str) -> None:
    if not holds:
        raise AssertionError(what)


# --- the line -------------------------------------------------------------------------------------------


def wire(data: bytes) -> None:
    """Feed anything in pieces; nothing but a whole reply may answer, and the next reply is understood."""
    if len(data) < 2:
        return
    number, piece = data[0] % len(TABLES), data[1] or 255
    table, framing = TABLES[number], FRAMINGS[number]
    line = Wire(table.line)
    line.request("Q1", lambda words: True)
    rest = data[2:]
    answers = 0
    for at in range(0, len(rest), piece):
        answers += sum(message.kind is Kind.ANSWER for message in line.feed(rest[at : at + piece]))
    require(answers <= 1, "one request was answered twice")
    require(len(line._buffer) <= table.line.max_bytes + 4, "the buffer has no ceiling")
    line.give_up()
    line.request("Q1", lambda words: True)
    sequence = table.line.sequence_min + 1 if framing.numbered else None
    good = framing.wrap(table.line.reply, "OK", sequence) + table.line.reply_terminator.encode()
    require([m.kind for m in line.feed(good)] == [Kind.ANSWER], "a good reply is not understood any more")


def checked_wire(data: bytes) -> None:
    """The same with a check word that is right: what is inside is anything."""
    table, framing = TABLES[0], FRAMINGS[0]
    words = "".join(chr(32 + byte % 95) for byte in data[:100])
    line = Wire(table.line)
    line.request("Q1", lambda words: True)
    whole = framing.wrap(table.line.reply, words, table.line.sequence_min) + b"\n"
    found = line.feed(whole)
    require([(m.kind, m.words) for m in found] == [(Kind.ANSWER, words)], f"{words!r} came as {found}")
    replies(words.encode())


def replies(data: bytes) -> None:
    """Read the words of a reply as everything that a reply can be."""
    words = data.decode("latin-1")
    for table in TABLES:
        table.acknowledges(words)
        table.read_refusal(words)
        with contextlib.suppress(UnreadableError):
            positions = table.read_positions(AXES, words)
            require(all(map(math.isfinite, positions.values())), f"{positions} is not finite")
        with contextlib.suppress(UnreadableError):
            table.read_state([words] * len(table.states))
        with contextlib.suppress(UnreadableError):
            table.read_identity(words)


def table_text(data: bytes) -> None:
    """Read a phrase table."""
    with contextlib.suppress(PhraseTableError):
        table = PhraseTable.from_toml(data.decode("utf-8", errors="replace"))
        table.check_axes(AXES)


# --- files ----------------------------------------------------------------------------------------------


def bench_file(data: bytes) -> None:
    """Read a bench file."""
    with contextlib.suppress(BadInput):
        read_model(BenchTable, data.decode("utf-8", errors="replace"), "BENCH.toml")


def recipe_file(data: bytes) -> None:
    """Read a recipe, and what concerns both files."""
    text = data.decode("utf-8", errors="replace")
    with contextlib.suppress(BadInput):
        read_model(RecipeTable, text, "RECIPE.toml")
        setup_from_texts(BENCH, text, "BENCH.toml", "RECIPE.toml")


def lot_file(data: bytes) -> None:
    """Read the settings of a lot."""
    with contextlib.suppress(BadInput):
        read_model(LotTable, data.decode("utf-8", errors="replace"), "LOT.toml")


def parts_file(data: bytes) -> None:
    """Read a list of parts, of one recipe and of several."""
    text = data.decode("utf-8", errors="replace")
    for recipes in (["one"], ["one", "two"]):
        with contextlib.suppress(BadInput):
            parts = parse_parts(text, "PARTS.csv", recipes)
            require(len({part.serial for part in parts}) == len(parts), "a serial number stands twice")


def map_file(data: bytes) -> None:
    """Read a plate map that was kept."""
    with contextlib.suppress(MapFileError):
        read_map(data.decode("utf-8", errors="replace"))


def message(data: bytes) -> None:
    """Read one message of a record; what was read is written as it was."""
    try:
        value = json.loads(data)
    except (ValueError, RecursionError):
        return
    with contextlib.suppress(CodecError):
        found = decode(value)
        require(encode(decode(encode(found))) == encode(found), "a message does not come back as it went")


def recorded_run(data: bytes) -> None:
    """Read a record and replay it."""
    with contextlib.suppress(BadInput):
        replay(parse_record(data, "record.json"))


def image_file(data: bytes) -> None:
    """Read a picture as a recorded camera does."""
    if not data:
        return
    ending = (".png", ".tif", ".bmp", ".pgm", ".jpg")[data[0] % 5]
    path = _FOLDER / f"1{ending}"
    path.write_bytes(data[1:])
    try:
        camera = OpenCvCamera("camera", str(_FOLDER), SimClock(), fixed_exposure_s=0.01)
        frame = camera.grab(0.01)
        require(frame.pixels.ndim == 2, f"a frame has the shape {frame.pixels.shape}")
    except DeviceFault:
        pass
    finally:
        path.unlink()


def counted(target: Callable[[bytes], None], runs: int) -> Callable[[bytes], None]:
    """Tell how much memory the process holds now and then; the fuzzer tells only its peak."""
    told, count = {max(1, runs // 8), max(1, runs // 2), runs}, 0

    def called(data: bytes) -> None:
        nonlocal count
        count += 1
        if count in told:
            pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
            print(f"RESIDENT {count} {pages * os.sysconf('SC_PAGE_SIZE') >> 20}", file=sys.stderr, flush=True)
        target(data)

    return called


TARGETS: dict[str, Callable[[bytes], None]] = {
    target.__name__: target
    for target in (
        wire,
        checked_wire,
        replies,
        table_text,
        bench_file,
        recipe_file,
        lot_file,
        parts_file,
        map_file,
        message,
        recorded_run,
        image_file,
    )
}
_FOLDER = Path()


def main() -> None:
    """fuzz_targets.py TARGET [options of the fuzzer]."""
    global _FOLDER  # noqa: PLW0603  a process has one target and one folder
    name, *options = sys.argv[1:]
    shared = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=shared if shared.is_dir() else None) as folder:
        _FOLDER = Path(folder)
        runs = int(next(word for word in options if word.startswith("-runs=")).removeprefix("-runs="))
        atheris.Setup([sys.argv[0], *options], counted(TARGETS[name], runs))
        atheris.Fuzz()


if __name__ == "__main__":
    main()
