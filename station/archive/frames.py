"""Frames that are kept by rule; files are pruned by age and size, what the archive says about them never."""

from __future__ import annotations

import contextlib
import errno
import hashlib
from collections.abc import Callable
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from enum import Enum
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, RowMapping, case, func, insert, select, update

from driver.protocols import Frame
from station.archive.context import Context
from station.archive.errors import Problem
from station.archive.parts.in_hand import Claim
from station.archive.store.durable import make_folder
from station.archive.store.tables import frame
from station.archive.trail import Change

_SUFFIX, _UNFINISHED = ".png", ".png.part"
_STRAY_AGE = timedelta(hours=1)


class KeepRule(Enum):
    """Why a frame is kept."""

    FIRST = "first"
    LAST = "last"
    ANOMALY = "anomaly"


@dataclass(frozen=True, slots=True)
class KeptFrame:
    """A frame that is or was kept.

    Attributes
    ----------
    id, part_id, attempt : int
    camera, purpose : str
    rule : KeepRule
    sequence : int
    time_s, exposure_s : float
    shape : list of int
    dtype, sha256 : str
        Of the pixels as they came, row by row.
    file : str
        Below the folder of frames.
    file_bytes : int
    kept_utc : datetime
    pruned_utc, pruned_why
        None while the file is there.
    """

    id: int
    part_id: int
    attempt: int
    camera: str
    purpose: str
    rule: KeepRule
    sequence: int
    time_s: float
    exposure_s: float
    shape: list[int]
    dtype: str
    sha256: str
    file: str
    file_bytes: int
    kept_utc: datetime
    pruned_utc: datetime | None
    pruned_why: str | None


@dataclass(frozen=True, slots=True)
class Pruned:
    """What a pruning did."""

    files: int
    bytes: int
    strays: int
    kept_bytes: int


@dataclass(frozen=True, slots=True)
class Frames:
    """Keeps frames as lossless PNG files in a folder, and what they are in the archive.

    Parameters
    ----------
    context : Context
    folder : Path or None
        None: frames cannot be kept or pruned here, only asked about.
    """

    context: Context
    folder: Path | None

    def keep(self, claim: Claim, shot: Frame, *, purpose: str, rule: KeepRule) -> KeptFrame:
        """Keep a frame of a part in hand; both file and row are on the disk when this returns."""
        asked = f"keep a frame of part {claim.serial!r}"
        folder = self._folder(asked)
        sha256 = hashlib.sha256(np.ascontiguousarray(shot.pixels).tobytes()).hexdigest()
        name = f"{claim.part_id:09d}"
        file = f"{name[:6]}/{name}-{claim.attempt}-{_safe(shot.camera)}-{shot.sequence}-{rule.value}{_SUFFIX}"
        data = _png(shot.pixels)
        try:
            _write(folder / file, data)
        except OSError as error:
            problem = Problem.FULL if error.errno == errno.ENOSPC else Problem.STORAGE
            raise self.context.database.error(problem, asked, f"{folder / file}: {error.strerror}") from error
        row = {"part_id": claim.part_id, "attempt": claim.attempt, "camera": shot.camera, "purpose": purpose}
        row |= {"rule": rule.value, "sequence": int(shot.sequence), "time_s": float(shot.time_s)}
        row |= {"exposure_s": float(shot.exposure_s), "shape": list(shot.pixels.shape)}
        row |= {"dtype": str(shot.pixels.dtype), "sha256": sha256, "file": file, "file_bytes": len(data)}
        row |= {"kept_utc": self.context.now()}

        def work(connection: Connection) -> RowMapping:
            known = connection.execute(select(frame).where(frame.c.file == file)).mappings().first()
            if known is not None:
                return known
            return connection.execute(insert(frame).values(row).returning(frame)).mappings().one()

        return _kept(self.context.database.write(asked, work))

    def of_part(self, part_id: int) -> tuple[KeptFrame, ...]:
        """Return what is known of the frames of a part, pruned ones too."""
        query = select(frame).where(frame.c.part_id == part_id).order_by(frame.c.id)
        rows = self.context.database.rows("list frames", query)
        return tuple(_kept(row) for row in rows)

    def pixels(self, kept: KeptFrame) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """Return the pixels of a kept frame, checked against their hash.

        Raises
        ------
        ArchiveError
            ``UNKNOWN`` when the file was pruned or is missing, ``CORRUPT`` when it is not what was kept.
        """
        asked = f"read frame {kept.file}"
        if kept.pruned_utc is not None:
            raise self.context.refused(Problem.UNKNOWN, asked, f"it was pruned: {kept.pruned_why}", "")
        try:
            data = (self._folder(asked) / kept.file).read_bytes()
        except OSError as error:
            raise self.context.refused(Problem.UNKNOWN, asked, str(error.strerror)) from error
        import cv2  # noqa: PLC0415  a fifth of a second to load, and only frames need it

        found = None
        with contextlib.suppress(cv2.error):  # raised for an empty file and for one that claims too much
            found = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
        if found is None or hashlib.sha256(found.tobytes()).hexdigest() != kept.sha256:
            words = "the file does not hold the pixels that were kept"
            raise self.context.database.error(Problem.CORRUPT, asked, words, "take it from a backup")
        return found  # type: ignore[return-value]  # the hash vouches for the type of the pixels

    def prune(self, *, who: str, max_age: timedelta | None = None, max_bytes: int | None = None) -> Pruned:
        """Remove files that are older than ``max_age``, then more until the rest is within ``max_bytes``.

        The oldest go first, frames of anomalies after all others. Rows stay, with the reason. Files in the
        folder that no row knows (left by a crash between file and row) go after an hour.
        """
        folder = self._folder("prune frames")
        now = self.context.now()
        files = size = 0
        if max_age is not None:
            old = select(frame).where(frame.c.pruned_utc.is_(None), frame.c.kept_utc < now - max_age)
            why = f"older than {max_age}"
            files, size = self._remove(old, lambda _row: True, who, why, folder)
        if max_bytes is not None:
            more = self._shrink(max_bytes, who, folder)
            files, size = files + more[0], size + more[1]
        return Pruned(files, size, self._sweep(folder, now), self._kept_bytes())

    def _shrink(self, max_bytes: int, who: str, folder: Path) -> tuple[int, int]:
        over = self._kept_bytes() - max_bytes
        order = (case((frame.c.rule == KeepRule.ANOMALY.value, 1), else_=0), frame.c.kept_utc, frame.c.id)
        query = select(frame).where(frame.c.pruned_utc.is_(None)).order_by(*order)

        def still_over(row: RowMapping) -> bool:
            nonlocal over
            needed = over > 0
            over -= row["file_bytes"] if needed else 0
            return needed

        return self._remove(query, still_over, who, f"more than {max_bytes} bytes of frames", folder)

    def _remove(
        self, query: Any, goes: Callable[[RowMapping], bool], who: str, why: str, folder: Path
    ) -> tuple[int, int]:
        now, operation = self.context.now(), self.context.operation()
        rows = self.context.database.rows("list frames", query)
        gone = [row for row in rows if goes(row)]
        if not gone:
            return 0, 0
        size = sum(row["file_bytes"] for row in gone)

        def work(connection: Connection) -> None:
            if self.context.trail.is_done(connection, operation):
                return
            for row in gone:
                change = update(frame).where(frame.c.id == row["id"], frame.c.pruned_utc.is_(None))
                connection.execute(change.values(pruned_utc=now, pruned_why=why))
            noted = Change(who, "frames", "pruned", None, {"files": len(gone), "bytes": size}, why)
            self.context.trail.append(connection, noted, utc=now, operation=operation)

        # The row first: a crash in between leaves a file too many, which is swept, never a row without one.
        self.context.database.write("prune frames", work)
        for row in gone:
            (folder / row["file"]).unlink(missing_ok=True)
        return len(gone), size

    def _sweep(self, folder: Path, now: datetime) -> int:
        query = select(frame.c.file).where(frame.c.pruned_utc.is_(None))
        known = set(self.context.database.scalars("list frames", query))
        strays = 0
        for found in folder.glob("*/*.png*"):
            named = found.name.endswith((_SUFFIX, _UNFINISHED))
            if not named or found.relative_to(folder).as_posix() in known:
                continue
            if now.timestamp() - found.stat().st_mtime > _STRAY_AGE.total_seconds():
                found.unlink(missing_ok=True)
                strays += 1
        return strays

    def _kept_bytes(self) -> int:
        query = select(func.sum(frame.c.file_bytes)).where(frame.c.pruned_utc.is_(None))
        return int(self.context.database.scalar("add up frames", query) or 0)

    def _folder(self, asked: str) -> Path:
        if self.folder is None:
            raise self.context.refused(
                Problem.BAD_VALUE, asked, "the archive was opened without a folder of frames", "name one"
            )
        return self.folder


def _safe(name: str) -> str:
    return "".join(letter if letter.isalnum() else "_" for letter in name)


def _png(pixels: NDArray[Any]) -> bytes:
    import cv2  # noqa: PLC0415  as above

    done, data = cv2.imencode(_SUFFIX, pixels, [cv2.IMWRITE_PNG_COMPRESSION, 3])
    if not done:
        raise RuntimeError("the image library could not write a PNG")
    return data.tobytes()


def _write(path: Path, data: bytes) -> None:
    from station.record.folder import write_atomically  # noqa: PLC0415  loads control and the configuration

    make_folder(path.parent)
    write_atomically(path, data)


def _kept(row: RowMapping) -> KeptFrame:
    known = {one.name: row[one.name] for one in fields(KeptFrame)}
    return KeptFrame(**{**known, "rule": KeepRule(row["rule"])})
