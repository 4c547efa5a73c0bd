"""A power-loss model: the write log of a program, cut at every point, with what was never flushed left out.

strace records every write, flush, truncation, creation and removal of the archive's files. A disk that loses
power keeps what was flushed (fsync, fdatasync) and any part of the rest: none of it, all of it, some of it,
writes torn at a sector. A name that was made or removed is only certain once the folder was flushed (POSIX
promises no more). For each point of the log several such disks are made and looked at.
"""

from __future__ import annotations

import hashlib
import re
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

SECTOR = 512
CALLS = "openat,pwrite64,write,ftruncate,fsync,fdatasync,unlink"
_LINE = re.compile(r"^(?:\d+ +)?(\w+)\((.*)\) += (-?\d+)")
_FD = re.compile(r"^\d+<([^>]*)>")


@dataclass(slots=True)
class Event:
    """One system call that changed something."""

    call: str
    name: str
    offset: int = 0
    data: bytes = b""


@dataclass(slots=True)
class _File:
    """A file: what is certainly on the disk, what is in the cache, and the changes between the two."""

    flushed: bytearray = field(default_factory=bytearray)
    cached: bytearray = field(default_factory=bytearray)
    pending: list[Event] = field(default_factory=list)

    def change(self, event: Event) -> None:
        _apply(self.cached, event)
        self.pending.append(event)

    def flush(self) -> None:
        self.flushed = bytearray(self.cached)
        self.pending.clear()

    def some(self, generator: np.random.Generator) -> bytearray:
        """Return a content with some of the changes that were not flushed, a few of them torn."""
        content = bytearray(self.flushed)
        for event in self.pending:
            draw = generator.random()
            if draw < 0.45:
                _apply(content, event)
            elif draw < 0.6 and len(event.data) > SECTOR:
                sectors = int(generator.integers(1, len(event.data) // SECTOR + 1))
                _apply(content, Event(event.call, event.name, event.offset, event.data[: sectors * SECTOR]))
        return content


def _apply(content: bytearray, event: Event) -> None:
    if event.call == "ftruncate":
        del content[event.offset :]
        content.extend(b"\0" * (event.offset - len(content)))
        return
    end = event.offset + len(event.data)
    content.extend(b"\0" * (end - len(content)))
    content[event.offset : end] = event.data


def record(command: Sequence[str], folder: Path, log: Path, said: Path) -> list[Event]:
    """Run a program under strace; return what it did to the files of ``folder``, and its words, in order."""
    paths = [f"-P{folder}"] + [
        f"-P{folder / name}" for name in ("archive.db", "archive.db-journal", "archive.db-wal")
    ]
    strace = ["strace", "-f", "-y", "-xx", "-s", "1048576", "-o", str(log), *paths, f"-P{said}"]
    with said.open("wb") as stream:
        done = subprocess.run(
            [*strace, "-e", f"trace={CALLS}", *command], stdout=stream, check=False, timeout=300
        )
    if done.returncode:
        raise RuntimeError(f"the program under strace ended with {done.returncode}: {said.read_text()}")
    return [event for line in log.read_text().splitlines() if (event := _event(line)) is not None]


def _event(line: str) -> Event | None:
    if "<unfinished" in line or "resumed>" in line:
        raise RuntimeError(f"calls of several threads overlap; the log has no single order: {line[:200]}")
    match = _LINE.match(line)
    if match is None or int(match[3]) < 0:
        return None
    call, words = match[1], match[2]
    if call == "openat":
        return Event("create", _text(words.split(", ")[1])) if "O_CREAT" in words else None
    if call == "unlink":
        return Event("unlink", _text(words))
    fd = _FD.match(words)
    if fd is None:
        raise RuntimeError(f"a call without a file name: {line[:200]}")
    name = bytes.fromhex(fd[1].replace("\\x", "")).decode() if "\\x" in fd[1] else fd[1]
    if call in ("fsync", "fdatasync"):
        return Event("flush", name)
    rest = words[fd.end() :].lstrip(", ").split(", ")
    if call == "ftruncate":
        return Event(call, name, int(rest[0]))
    data = bytes.fromhex(rest[0].strip('"').replace("\\x", ""))[: int(match[3])]
    return Event(call, name, int(rest[2]) if call == "pwrite64" else 0, data)


def _text(quoted: str) -> str:
    return bytes.fromhex(quoted.strip('"').replace("\\x", "")).decode()


@dataclass(slots=True)
class Disk:
    """The files of one folder, as the log goes on; starts with what was there, all of it flushed."""

    folder: Path
    said_file: Path
    names: dict[str, _File] = field(default_factory=dict)
    flushed_names: dict[str, _File] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)

    @classmethod
    def of(cls, folder: Path, said_file: Path) -> Disk:
        disk = cls(folder, said_file)
        for path in folder.iterdir():
            content = path.read_bytes()
            disk.names[path.name] = _File(bytearray(content), bytearray(content))
        disk.flushed_names = dict(disk.names)
        return disk

    def take(self, event: Event) -> bool:
        """Go on by one event; return False for one that concerns none of the files."""
        if event.name == str(self.said_file):
            self.said += event.data.decode().split("\n")[:-1]
            return False
        if event.name == str(self.folder):
            self.flushed_names = dict(self.names)
            return True
        path = Path(event.name)
        if path.parent != self.folder:
            return False
        if event.call == "create":
            known = path.name in self.names
            self.names.setdefault(path.name, _File())
            return not known
        if event.call == "unlink":
            del self.names[path.name]
        elif event.call == "flush":
            self.names[path.name].flush()
        else:
            self.names[path.name].change(event)
        return True

    def images(
        self, generator: np.random.Generator, random_ones: int
    ) -> Iterator[tuple[str, dict[str, bytes]]]:
        """Yield what the disk may hold if power is lost now."""
        sure, now = self.flushed_names, self.names
        yield "nothing unflushed is kept", {name: bytes(file.flushed) for name, file in sure.items()}
        yield "everything is kept", {name: bytes(file.cached) for name, file in now.items()}
        yield "contents are kept, names are not", {name: bytes(file.cached) for name, file in sure.items()}
        yield "names are kept, contents are not", {name: bytes(file.flushed) for name, file in now.items()}
        for number in range(random_ones):
            image = {}
            for name in sorted({*sure, *now}):
                before, after = sure.get(name), now.get(name)
                file = after if before is after or generator.random() < 0.5 else before
                if file is not None:
                    image[name] = bytes(file.some(generator))
            yield f"some of it is kept ({number + 1})", image


def replay(
    events: Sequence[Event], disk: Disk, scratch: Path, generator: np.random.Generator, random_ones: int = 3
) -> Iterator[tuple[int, str, list[str]]]:
    """Cut the log after every event; make each possible disk in ``scratch``; yield (cut, which, words said).

    A disk that was seen already, with the same words said, is not made again.
    """
    seen: set[tuple[bytes, int]] = set()
    for cut, event in enumerate(events):
        if not disk.take(event) and event.name != str(disk.said_file):
            continue
        for which, image in disk.images(generator, random_ones):
            digest = hashlib.blake2b(digest_size=16)
            for name, content in sorted(image.items()):
                digest.update(name.encode() + len(content).to_bytes(8, "big") + content)
            key = (digest.digest(), len(disk.said))
            if key in seen:
                continue
            seen.add(key)
            for old in scratch.iterdir():
                old.unlink()
            for name, content in image.items():
                (scratch / name).write_bytes(content)
            yield cut, which, list(disk.said)


def child_command(*arguments: str) -> list[str]:
    """Return the command line of the tiny station."""
    return [sys.executable, str(Path(__file__).with_name("crash_child.py")), *arguments]
