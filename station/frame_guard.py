"""A second look at every frame before it is measured: new, and as large as those before it.

A camera promises never to hand out an old frame. What comes of an old one is a wrong measurement that nothing
else shows, so the promise is not relied on.
"""

from __future__ import annotations

from driver.faults import DeviceFault, FaultCode
from driver.protocols import Frame


class FrameGuard:
    """Remembers the last frame of every camera.

    Clocks of cameras may differ from the run's, so frames are told apart by their sequence numbers.
    """

    def __init__(self) -> None:
        self._last: dict[str, tuple[int, tuple[int, ...]]] = {}

    def checked(self, frame: Frame) -> Frame:
        """Return the frame.

        Raises
        ------
        DeviceFault
            FRAME_STALE for one that was handed out before, FRAME_WRONG for one of another size.
        """
        sequence, size = frame.sequence, tuple(frame.pixels.shape)
        last = self._last.get(frame.camera)
        if last is not None and sequence <= last[0]:
            came = f"frame {sequence} after frame {last[0]}"
            raise _fault(FaultCode.FRAME_STALE, frame, "a frame exposed anew", came)
        if last is not None and size != last[1]:
            rows, columns = last[1]
            came = f"{' x '.join(str(length) for length in size)} (rows x columns)"
            raise _fault(FaultCode.FRAME_WRONG, frame, f"a frame of {rows} x {columns} pixels", came)
        self._last[frame.camera] = (sequence, size)
        return frame


def _fault(code: FaultCode, frame: Frame, asked: str, came: str) -> DeviceFault:
    return DeviceFault(code, state=f"camera {frame.camera} in use", asked=asked, came=came)
