"""Kept frames: hash and rule stay for good, files go by age and size, the oldest first."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest
from archive_help import FakeClock, lot_of, rejected

from driver.protocols import Frame
from station.archive import Archive, ArchiveError, InHand, KeepRule, Problem, Refused

SHAPE = (48, 64)


def shot(seed: int, dtype: type = np.uint16) -> Frame:
    top = 4096 if dtype is np.uint16 else 256
    pixels = np.random.default_rng(seed).integers(0, top, SHAPE).astype(dtype)
    return Frame(pixels, exposure_s=0.01, time_s=float(seed), sequence=seed, camera="hole camera")


@pytest.fixture
def kept(sqlite_file: Path, tmp_path: Path) -> Iterator[tuple[Archive, InHand, FakeClock]]:
    clock = FakeClock()
    with Archive(sqlite_file, now=clock, frames=tmp_path / "frames") as archive:
        lot_id, setup = lot_of(archive)
        part = archive.claims.claim_next(lot_id, setup)
        assert part is not None
        yield archive, part, clock


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_kept_frame_comes_back_pixel_by_pixel(kept: tuple[Archive, InHand, FakeClock], dtype: type) -> None:
    archive, part, _ = kept
    frame = shot(7, dtype)
    note = archive.frames.keep(part.claim, frame, purpose="returns", rule=KeepRule.FIRST)
    assert note.sha256 == hashlib.sha256(frame.pixels.tobytes()).hexdigest()
    np.testing.assert_array_equal(archive.frames.pixels(note), frame.pixels)
    assert archive.frames.of_part(part.claim.part_id) == (note,)
    assert archive.frames.keep(part.claim, frame, purpose="returns", rule=KeepRule.FIRST) == note


def test_a_file_that_was_changed_is_not_taken_for_the_frame(kept: tuple[Archive, InHand, FakeClock]) -> None:
    archive, part, _ = kept
    note = archive.frames.keep(part.claim, shot(1), purpose="returns", rule=KeepRule.LAST)
    assert archive.frames.folder is not None
    file = archive.frames.folder / note.file
    file.write_bytes(cv2.imencode(".png", np.zeros(SHAPE, np.uint16))[1].tobytes())
    with pytest.raises(ArchiveError) as caught:
        archive.frames.pixels(note)
    assert caught.value.problem is Problem.CORRUPT
    file.unlink()
    with pytest.raises(ArchiveError) as gone:
        archive.frames.pixels(note)
    assert gone.value.problem is Problem.UNKNOWN


def _keep(archive: Archive, part: InHand, *rules: KeepRule) -> int:
    for number, rule in enumerate(rules):
        archive.frames.keep(part.claim, shot(number), purpose="returns", rule=rule)
    return sum(one.file_bytes for one in archive.frames.of_part(part.claim.part_id))


def test_frames_are_pruned_by_age_and_the_record_stays(kept: tuple[Archive, InHand, FakeClock]) -> None:
    archive, part, clock = kept
    _keep(archive, part, KeepRule.FIRST, KeepRule.LAST)
    clock.at += timedelta(days=20)
    young = archive.frames.keep(part.claim, shot(9), purpose="returns", rule=KeepRule.ANOMALY)
    done = archive.frames.prune(who="program", max_age=timedelta(days=10))
    assert (done.files, done.kept_bytes) == (2, young.file_bytes)
    notes = archive.frames.of_part(part.claim.part_id)
    assert [note.pruned_why for note in notes] == ["older than 10 days, 0:00:00"] * 2 + [None]
    assert all(note.sha256 for note in notes)
    with pytest.raises(Refused, match="it was pruned: older than 10 days"):
        archive.frames.pixels(notes[0])
    assert archive.frames.folder is not None
    assert [path.name for path in archive.frames.folder.rglob("*.png")] == [Path(young.file).name]
    assert archive.trail.entries(kind="frames")[0].new["files"] == 2


def test_frames_are_pruned_by_size_the_oldest_first_and_anomalies_last(
    kept: tuple[Archive, InHand, FakeClock],
) -> None:
    archive, part, _ = kept
    total = _keep(archive, part, KeepRule.ANOMALY, KeepRule.FIRST, KeepRule.LAST, KeepRule.ANOMALY)
    assert archive.frames.prune(who="program", max_bytes=total).files == 0
    archive.frames.prune(who="program", max_bytes=total - 1)
    archive.frames.prune(who="program", max_bytes=int(0.6 * total))
    left = [note.sequence for note in archive.frames.of_part(part.claim.part_id) if note.pruned_utc is None]
    assert left == [0, 3]
    assert archive.frames.prune(who="program", max_bytes=0).kept_bytes == 0


def test_strays_of_a_crash_are_swept_after_an_hour_and_nothing_else(
    kept: tuple[Archive, InHand, FakeClock],
) -> None:
    archive, part, clock = kept
    note = archive.frames.keep(part.claim, shot(1), purpose="returns", rule=KeepRule.FIRST)
    folder = archive.frames.folder
    assert folder is not None
    day = (folder / note.file).parent
    for name, age_s in (("old.png", 7200), ("half.png.part", 7200), ("new.png", 60), ("notes.txt", 7200)):
        (day / name).write_bytes(b"x")
        stamp = clock.at.timestamp() - age_s
        os.utime(day / name, (stamp, stamp))
    assert archive.frames.prune(who="program").strays == 2
    assert {path.name for path in day.iterdir()} == {Path(note.file).name, "new.png", "notes.txt"}


def test_a_disk_that_takes_no_frame_is_told(kept: tuple[Archive, InHand, FakeClock], tmp_path: Path) -> None:
    archive, part, _ = kept
    (tmp_path / "frames").write_text("not a folder")
    with pytest.raises(ArchiveError) as caught:
        archive.frames.keep(part.claim, shot(1), purpose="returns", rule=KeepRule.FIRST)
    assert caught.value.problem is Problem.STORAGE
    part.finish(rejected())


def test_an_archive_without_a_folder_keeps_no_frames(archive: Archive) -> None:
    lot_id, setup = lot_of(archive)
    part = archive.claims.claim_next(lot_id, setup)
    assert part is not None
    with pytest.raises(Refused, match="without a folder of frames"):
        archive.frames.keep(part.claim, shot(1), purpose="returns", rule=KeepRule.FIRST)
