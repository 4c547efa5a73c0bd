"""Ten million inputs to everything that reads what comes from outside: `make fuzz`.

    fuzz.py                       all parsers, ten million inputs and more
    fuzz.py wire replies          only these
    fuzz.py --share 0.01          a hundredth of the inputs
    fuzz.py --keep FOLDER         where corpus and finds are kept (a temporary folder otherwise)

A coverage-guided fuzzer (atheris, libFuzzer underneath) starts from real bytes: those of an alignment, the
example files, a record. Each parser runs in a process of its own with a limit on time and memory. A find is
an exception that the parser does not promise, a broken promise, an input that takes longer than ten seconds,
or a process that goes on growing. The last line is one JSON object; exit status 1 when there was a find.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import re
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path

import cv2
import numpy as np

from driver.phrases import PhraseTable
from station.campaign.inprocess import InProcess, MemoryRecord
from station.demo import BENCH_FILE, RECIPE_FILE, example_setup, example_text
from station.record.codec import encode
from station.record.folder import RECORD_FORMAT
from station.replay import replay

HERE = Path(__file__).resolve().parent
INPUTS = {
    "wire": 2_000_000,
    "checked_wire": 1_500_000,
    "replies": 5_700_000,
    "parts_file": 400_000,
    "message": 400_000,
    "map_file": 100_000,
    "table_text": 30_000,
    "bench_file": 10_000,
    "recipe_file": 10_000,
    "lot_file": 30_000,
    "recorded_run": 2_000,
    "image_file": 50_000,
}
LONGEST_BYTES = {"image_file": 4000, "recorded_run": 100_000, "bench_file": 9000, "table_text": 5000}
USUAL_BYTES = 400
HANGS_S = 10
MEMORY_MB = 1500
GROWTH_MB = 64
"""More than this from an eighth of the inputs to the last is growth; the fuzzer itself keeps a few."""


@dataclass(frozen=True, slots=True)
class Fuzzed:
    """What came of one parser."""

    target: str
    inputs: int
    seconds: float
    coverage: int
    peak_mb: int
    growth_mb: int
    finds: tuple[str, ...]


# --- where it starts ------------------------------------------------------------------------------------


def seeds(folder: Path) -> dict[str, Path]:
    """Write real inputs of every parser, and return the folder of each."""
    made: dict[str, list[bytes]] = {name: [] for name in INPUTS}
    passed: list[bytes] = []
    run = InProcess(
        example_setup(), 3, on_bytes=lambda way, data, _: passed.append(data) if way == "in" else None
    )
    run.run()
    lines = sorted({line for data in passed for line in data.split(b"\n") if line})[:150]
    words = [line.split(b" ", 1)[1].rsplit(b" K", 1)[0] for line in lines if b" K" in line]
    made["wire"] = [bytes([0, 255]) + line + b"\n" for line in lines[:40]]
    made["replies"] = [*words, b"1,2,3,4", b"POS 100,200,300,400", b"ERR 3", b"OK"]
    made["checked_wire"] = words
    made["table_text"] = [text.encode() for text in _tables()]
    made["bench_file"] = [example_text(BENCH_FILE).encode()]
    made["recipe_file"] = [example_text(RECIPE_FILE).encode()]
    made["lot_file"] = [
        b'[limits]\n[checks]\n[alarms]\nquiet = ["22:00-06:00"]\n',
        b"[check_part]\n[rejects]\n[drift]\n[faults]\n[at_end]\n",
    ]
    made["parts_file"] = [b"serial\nA1\nA2\n", b"serial,recipe\nA1,one\nA2,two\n", b'"serial"\r\n"A,1"\r\n']
    assert isinstance(run.record, MemoryRecord)
    steps = run.record.data()["steps"]
    made["message"] = [
        json.dumps(step[part]).encode() for step in steps for part in ("observation", "action")
    ]
    made["recorded_run"] = [_record(run.record)]
    made["map_file"] = [b'{"format": "coincide plate map", "version": 1, "hole": null, "notes": []}']
    made["image_file"] = list(_images())
    folders = {}
    for name, inputs in made.items():
        folders[name] = folder / "seeds" / name
        folders[name].mkdir(parents=True, exist_ok=True)
        for number, data in enumerate(inputs):
            (folders[name] / f"{number:04}").write_bytes(data)
    return folders


def _tables() -> list[str]:
    folder = Path(sys.modules[PhraseTable.__module__].__file__ or "").parent / "tables"
    return [path.read_text(encoding="utf-8") for path in sorted(folder.glob("*.toml"))]


def _record(record: MemoryRecord) -> bytes:
    setup = record.setup
    files = {"bench": setup.bench_file, "recipe": setup.recipe_file}
    data = {
        "format": RECORD_FORMAT,
        "configuration": {name: {"file": file.name, "text": file.text} for name, file in files.items()},
        "steps": [{"observation": encode(o), "action": encode(a)} for o, a in record.steps],
    }
    assert replay(data).identical
    return json.dumps(data).encode()


def _images() -> list[bytes]:
    pixels = np.arange(48, dtype=np.uint16).reshape(6, 8) * 900
    made = []
    for kind, ending in enumerate((".png", ".tif", ".bmp", ".pgm", ".jpg")):
        for image in (
            pixels,
            (pixels // 256).astype(np.uint8),
            np.dstack([pixels // 256] * 3).astype(np.uint8),
        ):
            if image.dtype == np.uint16 and ending in (".bmp", ".jpg"):
                continue
            if image.ndim == 3 and ending == ".pgm":
                continue
            written, data = cv2.imencode(ending, image)
            assert written
            made.append(bytes([kind]) + data.tobytes())
    return made


# --- running --------------------------------------------------------------------------------------------


def fuzz(target: str, inputs: int, seed: int, folder: Path, seeds_of: Path) -> Fuzzed:
    corpus, finds = folder / "corpus" / target, folder / "finds" / target
    for made in (corpus, finds):
        made.mkdir(parents=True, exist_ok=True)
    before = set(finds.iterdir())
    longest = LONGEST_BYTES.get(target, USUAL_BYTES)
    options = [
        f"-runs={inputs}",
        f"-seed={seed}",
        f"-max_len={longest}",
        f"-timeout={HANGS_S}",
        f"-rss_limit_mb={MEMORY_MB}",
        f"-artifact_prefix={finds}/",
    ]
    command = [sys.executable, str(HERE / "fuzz_targets.py"), target, *options]
    environment = os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    begun = time.monotonic()
    done = subprocess.run(
        [*command, str(corpus), str(seeds_of)],
        capture_output=True,
        env=environment,
        check=False,
        cwd=folder,
    )
    told = done.stderr.decode("utf-8", errors="replace") + done.stdout.decode("utf-8", errors="replace")
    found = [path.name for path in sorted(set(finds.iterdir()) - before)]
    if done.returncode and not found:
        found = [f"ended with status {done.returncode}"]
    if found:
        (folder / f"{target}.log").write_text(told, encoding="utf-8")
        last = [line for line in told.splitlines() if "Error" in line or "Exception" in line][:3]
        found += last
    sizes = [(int(n), int(mb)) for n, mb in re.findall(r"^RESIDENT (\d+) (\d+)", told, re.MULTILINE)]
    growth = sizes[-1][1] - sizes[0][1] if sizes else 0
    if growth > GROWTH_MB:
        found.append(f"it grew by {growth} MB")
    count = max((int(n) for n in re.findall(r"^Done (\d+) runs", told, re.MULTILINE)), default=0)
    coverage = max((int(n) for n in re.findall(r"cov: (\d+)", told)), default=0)
    peak = max((int(n) for n in re.findall(r"rss: (\d+)Mb", told)), default=0)
    took = round(time.monotonic() - begun, 1)
    return Fuzzed(target, count, took, coverage, peak, growth, tuple(found))


def options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("targets", nargs="*", help=", ".join(INPUTS))
    parser.add_argument("--share", type=float, default=1.0, help="of the inputs of each parser")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", type=Path)
    given = parser.parse_args()
    if unknown := [name for name in given.targets if name not in INPUTS]:
        parser.error(f"no parser {unknown[0]!r}; there are {', '.join(INPUTS)}")
    if importlib.util.find_spec("atheris") is None:
        parser.error("atheris is not installed: pip install '.[fuzz]' (Linux or macOS)")
    return given


def run(given: argparse.Namespace, folder: Path) -> list[Fuzzed]:
    seeds_of = seeds(folder)
    chosen = given.targets or list(INPUTS)
    found = []
    with ThreadPoolExecutor(given.workers) as pool:
        runs = [
            pool.submit(
                fuzz, name, max(1, round(INPUTS[name] * given.share)), given.seed, folder, seeds_of[name]
            )
            for name in chosen
        ]
        for waiting in runs:
            one = waiting.result()
            found.append(one)
            print(
                f"{one.target}: {one.inputs} inputs in {one.seconds:.0f} s, coverage {one.coverage}, "
                f"{one.peak_mb} MB (grew by {one.growth_mb}); {'; '.join(one.finds) or 'nothing found'}",
                flush=True,
            )
    return found


def main() -> int:
    given = options()
    begun = time.monotonic()
    if given.keep is not None:
        given.keep.mkdir(parents=True, exist_ok=True)
        found = run(given, given.keep.resolve())
    else:
        with tempfile.TemporaryDirectory(prefix="fuzz_") as folder:
            found = run(given, Path(folder))
    broken = [one.target for one in found if one.finds]
    print(
        json.dumps(
            {
                "runs": sum(one.inputs for one in found),
                "violations": len(broken),
                "seconds": round(time.monotonic() - begun, 1),
                "by_parser": {one.target: asdict(one) for one in found},
            }
        )
    )
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
