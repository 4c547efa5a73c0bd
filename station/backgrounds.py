"""Backgrounds of one camera: frames taken behind the closed shutter, kept for the exposures they serve."""

from __future__ import annotations

from dataclasses import dataclass

from vision.image import Image

# Of three the middle one stands: a glint that passes does not stay. More frames take off noise that is small
# beside what a frame of the beam has of its own.
ENOUGH_FRAMES = 3
_LASTS_S = 120.0
# A background serves frames of up to so many times its exposure, and down to so small a part of it: more
# would blow up its noise, less leave what of the dark does not grow with the exposure.
_LONGER, _SHORTER = 2.0, 1.0 / 8.0


@dataclass(frozen=True, slots=True, eq=False)
class Background:
    """A background, the bench time when it was taken, and of how many frames."""

    time_s: float
    frames: int
    image: Image

    def serves(self, exposure_s: float) -> bool:
        """Tell whether frames of this exposure may be measured with it."""
        return self.frames >= ENOUGH_FRAMES and _SHORTER < exposure_s / self.image.exposure_s < _LONGER


class Backgrounds:
    """Those of one camera that have not aged."""

    def __init__(self) -> None:
        self._held: list[Background] = []

    @property
    def latest(self) -> Background:
        """The one that was taken last; it may not be good enough to measure with."""
        return self._held[-1]

    def fresh(self, now_s: float) -> bool:
        """Forget those that the room may have changed since; tell whether any is left."""
        self._held = [one for one in self._held if now_s - one.time_s <= _LASTS_S]
        return bool(self._held)

    def add(self, taken: Background) -> None:
        """Keep one more, in place of the one that it was begun with."""
        self._held = [one for one in self._held if not _is_begun(one, taken.image.exposure_s)]
        self._held.append(taken)

    def begun(self, exposure_s: float) -> list[Image]:
        """Return the one frame of this exposure that was taken to find another by; nothing without one."""
        return [one.image for one in self._held if _is_begun(one, exposure_s)]

    def serving(self, exposure_s: float) -> Background | None:
        """Return the newest that serves an exposure."""
        return next((one for one in reversed(self._held) if one.serves(exposure_s)), None)


def _is_begun(held: Background, exposure_s: float) -> bool:
    return held.frames == 1 and held.image.exposure_s == exposure_s
