"""The run folder: everything needed to replay and to audit one run.

``record.json`` is rewritten whole after every step, each time as a temporary file that is flushed to the disk
and then renamed, so that a reader sees a complete record or the one before it, never a half of one.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from control.messages import Action, Finish, Observation
from driver.protocols import Frame
from station.config import BadInput, Setup, TomlFile
from station.record.codec import encode

RECORD_FORMAT = 1
RECORD_NAME = "record.json"
WIRE_LOG_NAME = "wire.log"
_LIBRARIES = ("coincide", "numpy", "scipy", "opencv-python-headless", "pyserial", "transitions", "pydantic")


def write_atomically(path: Path, data: bytes) -> None:
    """Write a file so that it is there whole or not at all, also after a loss of power."""
    temporary = path.with_name(path.name + ".part")
    with temporary.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())
    temporary.replace(path)
    _flush_folder(path.parent)


def _flush_folder(folder: Path) -> None:
    """Make the rename itself durable where the system lets a folder be opened (not on Windows)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@cache
def software_versions() -> dict[str, str]:
    """Return the versions that the record names; a library that is not installed is left out."""
    found = {"python": platform.python_version(), "system": f"{platform.system()} {platform.machine()}"}
    for name in _LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


def new_run_folder(out: Path | None, label: str) -> Path:
    """Create the folder of a run: ``out`` itself, or a dated one below ``runs/``.

    Raises
    ------
    BadInput
        When ``out`` is there already with something in it, or cannot be made.
    """
    if out is None:
        stamp = datetime.now(UTC).strftime("%Y-%m-%d_%H%M%S")
        safe = "".join(letter if letter.isalnum() else "-" for letter in label)
        out, number = Path("runs") / f"{stamp}_{safe}", 1
        while out.exists():
            number += 1
            out = Path("runs") / f"{stamp}_{safe}_{number}"
    try:
        if out.exists() and (not out.is_dir() or any(out.iterdir())):
            raise BadInput("--out", "", found=f"{out}, which is not empty", allowed="a new or empty folder")
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BadInput(
            "--out", "", found=f"{out}: {error.strerror}", allowed="a folder that can be written"
        ) from error
    return out


@dataclass(slots=True)
class Record:
    """The record of one run, in memory and on the disk.

    Parameters
    ----------
    folder : Path
        Run folder; exists.
    setup : Setup
        Both configuration files.
    seed : int or None
        Seed of the run's random numbers.

    Attributes
    ----------
    controller : str
        Identity that the motion controller gave; empty until it is connected.
    characterising : dict or None
        How much was spent on the mount, where the run characterised it instead of aligning a lens.
    """

    folder: Path
    setup: Setup
    seed: int | None
    controller: str = ""
    started_utc: str = field(default_factory=lambda: datetime.now(UTC).isoformat(timespec="milliseconds"))
    steps: list[dict[str, Any]] = field(default_factory=list)
    frames: list[dict[str, Any]] = field(default_factory=list)
    faults: list[dict[str, Any]] = field(default_factory=list)
    pictures: dict[str, str] = field(default_factory=dict)
    characterising: dict[str, int] | None = None
    result: dict[str, Any] | None = None

    def head(self) -> str:
        """Return the lines that stand at the head of every log: software, files, seed, time."""
        files = (self.setup.bench_file.name, self.setup.recipe_file.name)
        software = ", ".join(f"{name} {found}" for name, found in software_versions().items())
        return f"coincide run of {self.started_utc}, seed {self.seed}\n{', '.join(files)}\n{software}"

    def add_step(self, observation: Observation, action: Action, compute_s: float) -> None:
        """Note what control was told and what it answered."""
        self.steps.append(
            {
                "number": len(self.steps),
                "observation": encode(observation),
                "action": encode(action),
                "compute_s": round(compute_s, 6),
            }
        )

    def replace_finish(self, finish: Finish) -> None:
        """Put another end in the place of the last step's; what control had answered is kept beside it."""
        last = self.steps[-1]
        last["action_of_control"] = last["action"]
        last["action"] = encode(finish)

    def add_frame(self, frame: Frame, purpose: str) -> None:
        """Note one frame by its hash; the hash covers the pixels as they came, row by row."""
        pixels = frame.pixels
        self.frames.append(
            {
                "step": len(self.steps),
                "camera": frame.camera,
                "purpose": purpose,
                "sequence": int(frame.sequence),
                "time_s": float(frame.time_s),
                "exposure_s": float(frame.exposure_s),
                "shape": list(pixels.shape),
                "dtype": str(pixels.dtype),
                "sha256": hashlib.sha256(pixels.tobytes()).hexdigest(),
            }
        )

    def add_fault(self, code: str, message: str, time_s: float, during: str) -> None:
        """Note a fault, also one on the way out that changes nothing any more."""
        self.faults.append({"code": code, "message": message, "time_s": time_s, "during": during})

    def data(self) -> dict[str, Any]:
        """Return the whole record as plain JSON values."""
        return {
            "format": RECORD_FORMAT,
            "software": software_versions(),
            "started_utc": self.started_utc,
            "written_utc": datetime.now(UTC).isoformat(timespec="milliseconds"),
            "seed": self.seed,
            "controller": self.controller,
            **({} if self.characterising is None else {"characterising": self.characterising}),
            "configuration": _configuration(self.setup),
            "steps": self.steps,
            "frames": self.frames,
            "faults": self.faults,
            "pictures": self.pictures,
            "result": self.result,
        }

    def save(self) -> None:
        """Write ``record.json``; until the run has ended its ``result`` is null."""
        text = json.dumps(self.data(), indent=1, allow_nan=False, ensure_ascii=False)
        write_atomically(self.folder / RECORD_NAME, text.encode())


def _configuration(setup: Setup) -> dict[str, Any]:
    files = {"bench": _file_entry(setup.bench_file), "recipe": _file_entry(setup.recipe_file)}
    if setup.mount_file is not None:
        files["mount"] = _file_entry(setup.mount_file)
    return files


def _file_entry(file: TomlFile[Any]) -> dict[str, str]:
    digest = hashlib.sha256(file.text.encode()).hexdigest()
    return {"file": file.name, "sha256": digest, "text": file.text}


def read_record(folder: Path) -> Mapping[str, Any]:
    """Read the record of a run folder.

    Raises
    ------
    BadInput
        When there is none, or it is not a record of this format.
    """
    path = folder / RECORD_NAME
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise BadInput(str(path), "", found="no such file", allowed="the folder of a run") from None
    except OSError as error:
        raise BadInput(str(path), "", found=str(error), allowed="a record written by coincide") from error
    return parse_record(data, str(path))


def parse_record(data: bytes, name: str) -> Mapping[str, Any]:
    """Read a record; ``name`` is the file's name in messages.

    Raises
    ------
    BadInput
        When it is not a record of this format.
    """
    try:
        found = json.loads(data)
    except (ValueError, RecursionError) as error:
        raise BadInput(name, "", found=str(error), allowed="a record written by coincide") from error
    if not isinstance(found, dict) or found.get("format") != RECORD_FORMAT:
        what = found.get("format") if isinstance(found, dict) else "no object"
        raise BadInput(name, "format", found=repr(what), allowed=str(RECORD_FORMAT))
    return found
