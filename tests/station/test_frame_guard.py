"""A frame is measured once, and only when it is as large as those before it."""

from __future__ import annotations

import numpy as np
import pytest

from driver.faults import DeviceFault, FaultCode
from driver.protocols import Frame
from station.frame_guard import FrameGuard


def frame(sequence: int, camera: str = "one", shape: tuple[int, int] = (4, 6)) -> Frame:
    return Frame(np.zeros(shape, np.uint16), 0.01, 1.0, sequence, camera)


def test_new_frames_pass_and_cameras_count_by_themselves():
    guard = FrameGuard()
    for given in (frame(1), frame(2), frame(9), frame(1, "two", (2, 2)), frame(10)):
        assert guard.checked(given) is given


@pytest.mark.parametrize("sequence", [3, 2, 0])
def test_a_frame_from_before_is_refused(sequence: int):
    guard = FrameGuard()
    guard.checked(frame(3))
    with pytest.raises(DeviceFault, match="after frame 3") as fault:
        guard.checked(frame(sequence))
    assert fault.value.code is FaultCode.FRAME_STALE


@pytest.mark.parametrize("shape", [(6, 4), (2, 3), (4, 7)])
def test_a_frame_of_another_size_is_refused(shape: tuple[int, int]):
    guard = FrameGuard()
    guard.checked(frame(1))
    with pytest.raises(DeviceFault, match="4 x 6") as fault:
        guard.checked(frame(2, shape=shape))
    assert fault.value.code is FaultCode.FRAME_WRONG
