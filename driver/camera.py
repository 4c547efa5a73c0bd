"""A camera that the OpenCV library can read."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any, Literal, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from driver.camera_sources import (
    ExposureUnit,
    FolderSource,
    LiveOptions,
    LiveSource,
    Shot,
    Source,
    VideoSource,
    missing_path,
    no_pixels,
)
from driver.clock import SystemClock
from driver.faults import DeviceFault, FaultCode
from driver.protocols import Clock, Frame

Channel = Literal["luminance", "red", "green", "blue"]
_PLACES = {"blue": 0, "green": 1, "red": 2}


class OpenCvCamera:
    """Fulfils :class:`driver.protocols.Camera`.

    Parameters
    ----------
    name : str
        Name of the camera in the bench file.
    source : int or str
        Device index, URL of a stream, path of a video file, or path of a folder of images. A file or folder
        gives each frame once and then CAMERA_LOST.
    clock : Clock, optional
        The run's clock; the machine's by default.
    exposure_unit : str
        How the device takes the exposure: "s", "100us" (steps of 100 us), "log2_s" (power of two in
        seconds), or "none" where it cannot be set.
    manual_exposure_value : float, optional
        What switches the device's automatic exposure off.
    fixed_exposure_s : float, optional
        The exposure where it cannot be set; needed with "none", and for files and folders.
    channel : str
        How colour becomes monochrome: "luminance", or one of "red", "green", "blue". One laser line on a
        colour sensor is best seen in the channel of its own colour: the other two only add noise, and hide
        that this one is saturated.
    size_px : sequence of int, optional
        Width and height that every frame must have.
    latency_s : float
        From the end of the exposure to the arrival of the frame.
    buffered_frames : int
        How many frames driver and device may hold back.
    open_timeout_s, read_timeout_s : float
        Longest wait for the device.

    Raises
    ------
    DeviceFault
        CAMERA_NOT_FOUND, with what is there instead.
    ValueError
        For an option that makes no sense.
    """

    def __init__(
        self,
        name: str,
        source: int | str,
        clock: Clock | None = None,
        *,
        exposure_unit: ExposureUnit = "none",
        manual_exposure_value: float | None = None,
        fixed_exposure_s: float | None = None,
        channel: Channel = "luminance",
        size_px: tuple[int, int] | list[int] | None = None,
        latency_s: float = 0.0,
        buffered_frames: int = 1,
        open_timeout_s: float = 5.0,
        read_timeout_s: float = 5.0,
    ) -> None:
        _choose("exposure_unit", exposure_unit, get_args(ExposureUnit))
        _choose("channel", channel, get_args(Channel))
        for key, value in (("open_timeout_s", open_timeout_s), ("read_timeout_s", read_timeout_s)):
            _require(math.isfinite(value) and value > 0, f"{key} {value} must be greater than 0")
        _require(math.isfinite(latency_s) and latency_s >= 0, f"latency_s {latency_s} must not be negative")
        _require(buffered_frames >= 1, f"buffered_frames {buffered_frames} must be at least 1")
        if fixed_exposure_s is not None:
            _require(
                math.isfinite(fixed_exposure_s) and fixed_exposure_s > 0,
                f"fixed_exposure_s {fixed_exposure_s} must be greater than 0",
            )
        self._name = name
        self._channel = channel
        self._size_px = None if size_px is None else (int(size_px[0]), int(size_px[1]))
        self._closed = False
        options = LiveOptions(
            exposure_unit,
            manual_exposure_value,
            fixed_exposure_s,
            latency_s,
            buffered_frames,
            open_timeout_s,
            read_timeout_s,
        )
        self._source = self._open(source, clock or SystemClock(), options)

    @property
    def name(self) -> str:
        """Name of the camera in the bench file."""
        return self._name

    def grab(self, exposure_s: float) -> Frame:
        """Expose anew and return the frame; a frame exposed before the call is never returned.

        Raises
        ------
        DeviceFault
            CAMERA_LOST, FRAME_STALE or FRAME_WRONG.
        ValueError
            When the exposure is not finite and greater than 0.
        """
        _require(
            math.isfinite(exposure_s) and exposure_s > 0, f"exposure_s {exposure_s} must be greater than 0"
        )
        if self._closed:
            raise self._fault(FaultCode.CAMERA_LOST, "a frame", "the camera was closed")
        shot = self._source.shoot(exposure_s)
        return Frame(self._monochrome(shot), shot.exposure_s, shot.time_s, shot.sequence, self._name)

    def close(self) -> None:
        """Release the device; may be called twice."""
        if not self._closed:
            self._closed = True
            self._source.close()

    def _open(self, source: int | str, clock: Clock, options: LiveOptions) -> Source:
        live = isinstance(source, int) or "://" in source
        if not live or options.exposure_unit == "none":
            _require(
                options.fixed_exposure_s is not None,
                f"camera {self._name}: fixed_exposure_s is needed, since nothing else says the exposure",
            )
        if isinstance(source, int) or "://" in source:
            return LiveSource(source, clock, options, self._fault)
        path = Path(source)
        exposure_s = options.fixed_exposure_s or 0.0
        if path.is_dir():
            return FolderSource(path, clock, exposure_s, self._fault)
        if not path.is_file():
            raise self._fault(FaultCode.CAMERA_NOT_FOUND, f"open {source!r}", missing_path(path))
        return VideoSource(path, clock, exposure_s, self._fault)

    def _monochrome(self, shot: Shot) -> NDArray[np.uint8] | NDArray[np.uint16]:
        image = shot.image
        asked = f"frame {shot.sequence}"
        if no_pixels(image):
            raise self._fault(FaultCode.FRAME_WRONG, asked, f"pixels {image.dtype}, shape {image.shape}")
        size_px = (image.shape[1], image.shape[0])
        if self._size_px is not None and size_px != self._size_px:
            came = f"{size_px[0]} x {size_px[1]} pixels instead of {self._size_px[0]} x {self._size_px[1]}"
            raise self._fault(FaultCode.FRAME_WRONG, asked, came)
        pixels: NDArray[Any] = np.array(_one_channel(image, self._channel), order="C")
        pixels.setflags(write=False)
        return pixels

    def _fault(self, code: FaultCode, asked: str, came: str) -> DeviceFault:
        state = "closed" if self._closed else "in use"
        return DeviceFault(code, state=f"camera {self._name} {state}", asked=asked, came=came)


def _one_channel(image: NDArray[Any], channel: Channel) -> NDArray[Any]:
    if image.ndim == 2:
        return image
    # Some backends deliver a monochrome camera's image three times over, some as one channel.
    if image.shape[2] < 3:
        return image[:, :, 0]
    if channel != "luminance":
        return image[:, :, _PLACES[channel]]
    return cv2.cvtColor(image[:, :, :3], cv2.COLOR_BGR2GRAY)


def _choose(key: str, value: str, choices: tuple[str, ...]) -> None:
    _require(value in choices, f"{key} {value!r} is not one of {', '.join(choices)}")


def _require(holds: bool, message: str) -> None:
    if not holds:
        raise ValueError(message)
