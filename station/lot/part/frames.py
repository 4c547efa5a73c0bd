"""Frames of a part that are kept: of its first look, of its last one, and of what went wrong."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta

from driver.protocols import Frame
from station.archive import Archive, ArchiveError, KeepRule, Severity
from station.archive.parts.in_hand import Claim
from station.lot.settings import FramesTable
from station.lot.watch.alarms import Cause

NOT_KEPT = "frame_not_kept"
_PRUNES_EVERY = 50
_WHO = "program"
_GIGABYTE = 1e9

Ring = Callable[[Severity, Cause], None]


@dataclass(slots=True)
class FrameKeeper:
    """Holds the newest frame of each camera and purpose, and keeps those that the rule names.

    Frames are evidence, not the record: where one cannot be kept, an alarm says so and the part goes on.

    Parameters
    ----------
    archive : Archive
    table : FramesTable
    """

    archive: Archive
    table: FramesTable
    _newest: dict[tuple[str, str], Frame] = field(default_factory=dict, init=False)
    _parts: int = field(default=0, init=False)

    @property
    def keeps(self) -> bool:
        """Whether frames are kept at all: they need a folder."""
        return self.table.keep and self.archive.frames.folder is not None

    def note(self, frame: Frame, purpose: str) -> None:
        """Hear of a frame; fulfils :data:`station.looking.NoteFrame`."""
        if self.keeps:
            self._newest[frame.camera, purpose] = frame

    def begin(self) -> None:
        """Forget what an earlier part or try left behind."""
        self._newest.clear()

    def keep(self, claim: Claim, rule: KeepRule, ring: Ring) -> None:
        """Keep the newest frames under a rule; asked again for the same try, none is kept twice."""
        for (_, purpose), frame in self._newest.items():
            try:
                self.archive.frames.keep(claim, frame, purpose=purpose, rule=rule)
            except ArchiveError as error:
                ring(Severity.WARNING, Cause(NOT_KEPT, str(error), "make room on the disk of the frames"))
                return

    def prune(self, ring: Ring, *, now: bool = False) -> None:
        """Remove old frames, at the start (``now``) and every so many parts; the record stays."""
        self._parts += 1
        if not self.keeps or not (now or self._parts % _PRUNES_EVERY == 0):
            return
        try:
            self.archive.frames.prune(
                who=_WHO,
                max_age=timedelta(days=self.table.max_age_days),
                max_bytes=round(self.table.max_gigabytes * _GIGABYTE),
            )
        except (ArchiveError, OSError) as error:
            ring(Severity.WARNING, Cause(NOT_KEPT, f"old frames: {error}", "see the folder of the frames"))
