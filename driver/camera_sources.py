"""Where the frames of a camera come from: a live stream, a video file, a folder of images."""

from __future__ import annotations

import contextlib
import difflib
import math
import re
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from driver.faults import DeviceFault, FaultCode
from driver.protocols import Clock

IMAGE_ENDINGS = (".png", ".tif", ".tiff", ".pgm", ".bmp", ".jpg", ".jpeg")
_PNG = b"\x89PNG\r\n\x1a\n"
ExposureUnit = Literal["none", "s", "100us", "log2_s"]

Fault = Callable[[FaultCode, str, str], DeviceFault]
"""Makes a fault of this camera out of code, what was asked and what came."""


@dataclass(frozen=True, slots=True)
class Shot:
    """One image as it came: exposure (s) as the source reports it, its middle on the run's clock (s)."""

    image: NDArray[Any]
    exposure_s: float
    time_s: float
    sequence: int


class Source(Protocol):
    """Hands out images that were exposed after they were asked for."""

    def shoot(self, exposure_s: float) -> Shot:
        """Expose and return the image."""
        ...

    def close(self) -> None:
        """Release the device; may be called twice."""
        ...


class FolderSource:
    """A folder of images in the order of their names, numbers counted as numbers; each is handed out once."""

    def __init__(self, folder: Path, clock: Clock, recorded_exposure_s: float, fault: Fault) -> None:
        files = [path for path in folder.iterdir() if path.suffix.lower() in IMAGE_ENDINGS]
        if not files:
            raise fault(
                FaultCode.CAMERA_NOT_FOUND,
                f"open {folder}",
                f"no image in it (endings: {', '.join(IMAGE_ENDINGS)})",
            )
        self._files = iter(sorted(files, key=_natural))
        self._folder, self._clock, self._fault = folder, clock, fault
        self._exposure_s = recorded_exposure_s
        self._sequence = 0

    def shoot(self, exposure_s: float) -> Shot:
        """Return the next image; what exposure was asked for makes no difference."""
        path = next(self._files, None)
        asked = f"the image after number {self._sequence} of {self._folder}"
        if path is None:
            raise self._fault(FaultCode.CAMERA_LOST, asked, "there are no more images")
        self._sequence += 1
        image = None
        # A header that claims more pixels than the library takes makes it raise; the rest it only refuses.
        with contextlib.suppress(cv2.error):
            if not _lacks_bytes(path):
                image = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
        if image is None:
            raise self._fault(FaultCode.FRAME_WRONG, asked, f"{path.name} cannot be read as an image")
        return Shot(image, self._exposure_s, self._clock.now_s(), self._sequence)

    def close(self) -> None:
        """Let go of the folder."""
        self._files = iter(())


def _lacks_bytes(path: Path) -> bool:
    """Tell whether a part of a PNG file says that it is longer than the file.

    The library would make room for all that it says, gigabytes from a file of a hundred bytes. Parts are
    laid out as by ISO/IEC 15948:2004, clause 5.3: length, kind, data, check sum.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        if file.read(len(_PNG)) != _PNG:
            return False
        while head := file.read(8):
            end = file.tell() + int.from_bytes(head[:4], "big") + 4
            if len(head) < 8 or end > size:
                return True
            file.seek(end)
    return False


class VideoSource:
    """A video file; each frame is handed out once."""

    def __init__(self, path: Path, clock: Clock, recorded_exposure_s: float, fault: Fault) -> None:
        self._capture = _open(str(path), [], fault)
        self._path, self._clock, self._fault = path, clock, fault
        self._exposure_s = recorded_exposure_s
        self._sequence = 0

    def shoot(self, exposure_s: float) -> Shot:
        """Return the next frame; what exposure was asked for makes no difference."""
        read, image = self._capture.read()
        if not read:
            asked = f"the frame after number {self._sequence} of {self._path}"
            raise self._fault(FaultCode.CAMERA_LOST, asked, "there are no more frames")
        self._sequence += 1
        return Shot(image, self._exposure_s, self._clock.now_s(), self._sequence)

    def close(self) -> None:
        """Close the file."""
        self._capture.release()


@dataclass(frozen=True, slots=True)
class LiveOptions:
    """How a live stream behaves; see :class:`driver.camera.OpenCvCamera`."""

    exposure_unit: ExposureUnit
    manual_exposure_value: float | None
    fixed_exposure_s: float | None
    latency_s: float
    buffered_frames: int
    open_timeout_s: float
    read_timeout_s: float


@dataclass(slots=True)
class _Wish:
    exposure_s: float
    since_s: float
    frames: int = 0
    shot: Shot | None = None


class LiveSource:
    """A live stream, emptied by a thread all the time so that no old frame waits in it.

    A frame counts as exposed after the call when as many frames as the stream may hold have passed since,
    and one that was being exposed, and when its arrival minus latency minus exposure is not before the call.
    """

    def __init__(self, source: int | str, clock: Clock, options: LiveOptions, fault: Fault) -> None:
        limits = [] if isinstance(source, int) else _url_limits(options)
        self._capture = _open(source, limits, fault)
        self._options, self._clock, self._fault = options, clock, fault
        self._source = source
        self._news = threading.Condition()
        self._wish: _Wish | None = None
        self._lost: str | None = None
        self._closing = False
        self._exposure_s = options.fixed_exposure_s or 0.0
        self._asked_exposure_s: float | None = None
        self._sequence = 0
        self._prepare()
        self._thread = threading.Thread(target=self._drain, name=f"camera {source}", daemon=True)
        self._thread.start()

    def shoot(self, exposure_s: float) -> Shot:
        """Wait for a frame that was exposed after this call."""
        asked = f"a frame of {self._source!r} with {exposure_s:g} s"
        options = self._options
        limit_s = options.read_timeout_s + options.latency_s + max(exposure_s, self._exposure_s)
        with self._news:
            wish = self._wish = _Wish(exposure_s, self._clock.now_s())
            self._news.wait_for(lambda: wish.shot is not None or self._lost is not None, limit_s)
            self._wish = None
            if wish.shot is not None:
                return wish.shot
            if self._lost is None and wish.frames:
                came = f"{wish.frames} frames in {limit_s:.3g} s, all exposed before the call"
                raise self._fault(FaultCode.FRAME_STALE, asked, came)
            raise self._fault(FaultCode.CAMERA_LOST, asked, self._lost or f"no frame in {limit_s:.3g} s")

    def close(self) -> None:
        """End the thread and release the device."""
        with self._news:
            self._closing = True
            self._lost = self._lost or "the camera was closed"
            self._news.notify_all()
        self._thread.join(self._options.read_timeout_s + 1.0)

    def _prepare(self) -> None:
        options = self._options
        self._capture.set(cv2.CAP_PROP_BUFFERSIZE, options.buffered_frames)
        if options.manual_exposure_value is not None:
            self._capture.set(cv2.CAP_PROP_AUTO_EXPOSURE, options.manual_exposure_value)

    def _drain(self) -> None:
        """Run in the thread, the only place that touches the device once it is open."""
        lost = "the camera was closed"
        while not self._closing:
            wish = self._wish
            if wish is not None and wish.exposure_s != self._asked_exposure_s:
                self._expose(wish)
            if not self._capture.grab():
                lost = "the stream ended"
                break
            arrived_s = self._clock.now_s()
            self._sequence += 1
            if wish is not None and wish is self._wish:
                self._serve(wish, arrived_s)
        self._capture.release()
        with self._news:
            self._lost = self._lost or lost
            self._news.notify_all()

    def _expose(self, wish: _Wish) -> None:
        """Set the exposure; frames that are under way still have the old one, so waiting starts anew."""
        self._asked_exposure_s = wish.exposure_s
        wanted = _to_backend(self._options.exposure_unit, wish.exposure_s)
        if wanted is not None:
            self._capture.set(cv2.CAP_PROP_EXPOSURE, wanted)
            told = _from_backend(self._options.exposure_unit, self._capture.get(cv2.CAP_PROP_EXPOSURE))
            self._exposure_s = told or self._options.fixed_exposure_s or wish.exposure_s
        wish.since_s, wish.frames = self._clock.now_s(), 0

    def _serve(self, wish: _Wish, arrived_s: float) -> None:
        wish.frames += 1
        end_s = arrived_s - self._options.latency_s
        if wish.frames <= self._options.buffered_frames + 1 or end_s - self._exposure_s < wish.since_s:
            return
        read, image = self._capture.retrieve()
        if not read:
            return
        with self._news:
            wish.shot = Shot(image, self._exposure_s, end_s - self._exposure_s / 2, self._sequence)
            self._news.notify_all()


def _to_backend(unit: ExposureUnit, exposure_s: float) -> float | None:
    values = {"s": exposure_s, "100us": exposure_s * 1e4, "log2_s": round(math.log2(exposure_s))}
    return values.get(unit)


def _from_backend(unit: ExposureUnit, value: float) -> float | None:
    """Return the exposure (s) that the device says it uses, None where it says nothing sensible."""
    if unit == "log2_s":
        # 0 is what a backend answers that does not know; a camera that exposes for 1 s is not lost by it.
        return 2.0**value if value != 0 and abs(value) < 32 else None
    scale = 1e-4 if unit == "100us" else 1.0
    return value * scale if math.isfinite(value) and value > 0 else None


def _url_limits(options: LiveOptions) -> list[int]:
    return [
        cv2.CAP_PROP_OPEN_TIMEOUT_MSEC,
        round(1e3 * options.open_timeout_s),
        cv2.CAP_PROP_READ_TIMEOUT_MSEC,
        round(1e3 * options.read_timeout_s),
    ]


def _open(source: int | str, limits: list[int], fault: Fault) -> cv2.VideoCapture:
    backend = cv2.CAP_FFMPEG if limits else cv2.CAP_ANY
    with _silent():
        capture = cv2.VideoCapture(source, backend, limits)
    if not capture.isOpened():
        capture.release()
        raise fault(FaultCode.CAMERA_NOT_FOUND, f"open {source!r}", _what_is_there(source))
    return capture


@contextlib.contextmanager
def _silent() -> Iterator[None]:
    """Keep the library's own complaints off the console: the fault says it better."""
    level = cv2.utils.logging.getLogLevel()
    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
    try:
        yield
    finally:
        cv2.utils.logging.setLogLevel(level)


def _what_is_there(source: int | str) -> str:
    if isinstance(source, int):
        devices = sorted(str(path) for path in Path("/dev").glob("video*"))
        return f"it does not open; devices: {', '.join(devices) or 'none'}"
    return "it does not open as a video or stream"


def missing_path(path: Path) -> str:
    """Say what is there instead of a file or folder that is not."""
    folder = next(parent for parent in path.absolute().parents if parent.is_dir())
    names = sorted(item.name for item in folder.iterdir())
    near = difflib.get_close_matches(path.name, names, n=1)
    nearest = f"; nearest: {near[0]}" if near else ""
    return f"no such file or folder in {folder}{nearest}"


def _natural(path: Path) -> list[tuple[int, str]]:
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"(\d+)", path.name)]


def no_pixels(image: NDArray[Any]) -> bool:
    """Say whether an image is empty or of a kind that is not a camera's."""
    return image.size == 0 or image.dtype not in (np.uint8, np.uint16) or image.ndim not in (2, 3)
