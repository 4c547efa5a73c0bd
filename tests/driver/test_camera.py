import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from driver_help import code_of

from driver.camera import OpenCvCamera
from driver.camera_sources import _from_backend, _to_backend
from driver.clock import SystemClock
from driver.faults import DeviceFault, FaultCode
from driver.protocols import Camera, Frame


def folder_camera(folder: Path, **options: Any) -> OpenCvCamera:
    return OpenCvCamera("one", str(folder), fixed_exposure_s=0.01, **options)


# --- folders ---------------------------------------------------------------------------------------


def test_a_folder_gives_each_image_once_in_the_order_of_its_numbers(tmp_path: Path, clock: Any):
    for number in (10, 2, 1):
        cv2.imwrite(str(tmp_path / f"look_{number}.png"), np.full((4, 6), number, np.uint16) * 100)
    (tmp_path / "notes.txt").write_text("no image")
    camera = folder_camera(tmp_path, clock=clock)
    assert isinstance(camera, Camera)
    assert camera.name == "one"
    frames: list[Frame] = []
    for second in range(3):
        clock.time_s = float(second)
        frames.append(camera.grab(0.5))
    assert [int(frame.pixels[0, 0]) for frame in frames] == [100, 200, 1000]
    assert [frame.sequence for frame in frames] == [1, 2, 3]
    assert [frame.time_s for frame in frames] == [0.0, 1.0, 2.0]
    assert {frame.exposure_s for frame in frames} == {0.01}
    assert frames[0].pixels.dtype == np.uint16
    assert frames[0].pixels.shape == (4, 6)
    assert not frames[0].pixels.flags.writeable
    assert code_of(lambda: camera.grab(0.5)) is FaultCode.CAMERA_LOST
    camera.close()


def test_colour_becomes_monochrome_by_luminance_or_by_one_channel(tmp_path: Path):
    colour = np.zeros((2, 2, 3), np.uint8)
    colour[:, :] = (10, 20, 200)  # blue, green, red
    # Weights of ITU-R BT.601 (from memory).
    wanted = {"luminance": round(0.114 * 10 + 0.587 * 20 + 0.299 * 200), "blue": 10, "green": 20, "red": 200}
    for ending, image in (("png", colour), ("tiff", np.dstack([colour, np.full((2, 2), 255, np.uint8)]))):
        for old in tmp_path.iterdir():
            old.unlink()
        cv2.imwrite(str(tmp_path / f"a.{ending}"), image)
        for channel, value in wanted.items():
            frame = folder_camera(tmp_path, channel=channel).grab(0.1)
            assert frame.pixels.shape == (2, 2)
            assert frame.pixels[0, 0] == value


def test_frames_of_a_wrong_kind_are_refused(tmp_path: Path):
    cv2.imwrite(str(tmp_path / "1.tiff"), np.zeros((4, 6), np.float32))
    (tmp_path / "2.png").write_bytes(b"\x89PNG cut off")
    cv2.imwrite(str(tmp_path / "3.png"), np.zeros((4, 7), np.uint8))
    cv2.imwrite(str(tmp_path / "4.png"), np.zeros((4, 6), np.uint8))
    whole = (tmp_path / "4.png").read_bytes()
    (tmp_path / "5.png").write_bytes(whole[:33] + b"\xac" + whole[34:])  # its data says to be gigabytes long
    (tmp_path / "6.png").write_bytes(whole[:-9])
    camera = folder_camera(tmp_path, size_px=[6, 4])
    with pytest.raises(DeviceFault, match="float32"):
        camera.grab(0.1)
    with pytest.raises(DeviceFault, match=r"2\.png cannot be read"):
        camera.grab(0.1)
    with pytest.raises(DeviceFault, match="7 x 4 pixels instead of 6 x 4") as fault:
        camera.grab(0.1)
    assert fault.value.code is FaultCode.FRAME_WRONG
    assert camera.grab(0.1).sequence == 4
    for number in (5, 6):
        with pytest.raises(DeviceFault, match=rf"{number}\.png cannot be read"):
            camera.grab(0.1)


def test_a_folder_without_images_is_no_camera(tmp_path: Path):
    assert code_of(lambda: folder_camera(tmp_path)) is FaultCode.CAMERA_NOT_FOUND


def test_a_path_that_is_not_there_names_the_nearest(tmp_path: Path):
    (tmp_path / "looks").mkdir()
    with pytest.raises(DeviceFault) as fault:
        folder_camera(tmp_path / "lookz")
    assert fault.value.code is FaultCode.CAMERA_NOT_FOUND
    assert "nearest: looks" in fault.value.came
    with pytest.raises(DeviceFault, match="no such file or folder"):
        folder_camera(tmp_path / "a" / "b" / "c")


# --- video files -----------------------------------------------------------------------------------


@pytest.fixture
def video(tmp_path: Path) -> Path:
    path = tmp_path / "looks.avi"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"MJPG"), 25.0, (32, 24))
    for level in (50, 100, 150):
        writer.write(np.full((24, 32, 3), level, np.uint8))
    writer.release()
    return path


def test_a_video_file_gives_each_frame_once(video: Path, clock: Any):
    camera = OpenCvCamera("two", str(video), clock, fixed_exposure_s=0.02, size_px=(32, 24))
    frames = [camera.grab(0.1) for _ in range(3)]
    levels = [float(frame.pixels.mean()) for frame in frames]
    assert levels == pytest.approx([50, 100, 150], abs=3)
    assert [frame.sequence for frame in frames] == [1, 2, 3]
    assert frames[0].pixels.dtype == np.uint8
    assert code_of(lambda: camera.grab(0.1)) is FaultCode.CAMERA_LOST
    camera.close()
    camera.close()
    assert code_of(lambda: camera.grab(0.1)) is FaultCode.CAMERA_LOST


def test_a_file_that_is_no_video_is_no_camera(tmp_path: Path):
    (tmp_path / "text.avi").write_text("no video")
    assert code_of(lambda: folder_camera(tmp_path / "text.avi")) is FaultCode.CAMERA_NOT_FOUND


# --- options ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "named"),
    [
        ({"exposure_unit": "ms"}, "exposure_unit 'ms' is not one of none, s, 100us, log2_s"),
        ({"channel": "violet"}, "channel 'violet'"),
        ({"open_timeout_s": 0.0}, "open_timeout_s"),
        ({"read_timeout_s": float("nan")}, "read_timeout_s"),
        ({"latency_s": -1.0}, "latency_s"),
        ({"buffered_frames": 0}, "buffered_frames"),
        ({"fixed_exposure_s": 0.0}, "fixed_exposure_s"),
        ({"fixed_exposure_s": None}, "fixed_exposure_s is needed"),
    ],
)
def test_options_that_make_no_sense_are_refused(options: dict[str, Any], named: str):
    with pytest.raises(ValueError, match=named):
        OpenCvCamera("x", 0, **{"fixed_exposure_s": 0.01, **options})


@pytest.mark.parametrize("exposure_s", [0.0, -1.0, float("nan"), float("inf")])
def test_an_exposure_must_be_a_time(video: Path, exposure_s: float):
    camera = OpenCvCamera("x", str(video), fixed_exposure_s=0.1)
    with pytest.raises(ValueError, match="exposure_s"):
        camera.grab(exposure_s)
    camera.close()


def test_exposure_units_of_the_backends():
    assert _to_backend("none", 0.01) is None
    assert _to_backend("s", 0.01) == 0.01
    assert _to_backend("100us", 0.01) == pytest.approx(100)
    assert _to_backend("log2_s", 0.01) == -7
    assert _from_backend("s", 0.01) == 0.01
    assert _from_backend("100us", 100) == pytest.approx(0.01)
    assert _from_backend("log2_s", -7) == 2.0**-7
    for unit, value in (("s", 0.0), ("100us", -1.0), ("s", float("nan")), ("log2_s", 0.0), ("log2_s", 1e9)):
        assert _from_backend(unit, value) is None


# --- live ------------------------------------------------------------------------------------------


class Stream:
    """Serves motion JPEG over HTTP as network cameras do; each frame's grey level is its number."""

    period_s = 0.01

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{self._server.getsockname()[1]}/looks.mjpg"
        self.over, self.silent = threading.Event(), threading.Event()
        self.sent_s: list[float] = []
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def level(self, index: int) -> int:
        return index * 5 % 250

    def close(self) -> None:
        self.over.set()
        self._server.close()
        self._thread.join()

    def _serve(self) -> None:
        try:
            connection, _ = self._server.accept()
        except OSError:
            return
        with connection:
            connection.recv(4096)
            connection.sendall(
                b"HTTP/1.0 200 OK\r\nContent-Type: multipart/x-mixed-replace; boundary=next\r\n\r\n"
            )
            while not self.over.wait(self.period_s):
                if not self.silent.is_set() and not self._send(connection):
                    return

    def _send(self, connection: socket.socket) -> bool:
        image = np.full((24, 32, 3), self.level(len(self.sent_s)), np.uint8)
        jpeg = cv2.imencode(".jpg", image)[1].tobytes()
        head = f"--next\r\nContent-Type: image/jpeg\r\nContent-Length: {len(jpeg)}\r\n\r\n".encode()
        self.sent_s.append(time.monotonic())
        try:
            connection.sendall(head + jpeg + b"\r\n")
        except OSError:
            return False
        return True


@pytest.fixture
def stream() -> Iterator[Stream]:
    made = Stream()
    yield made
    made.close()


def test_a_live_stream_hands_out_no_frame_from_before_the_call(stream: Stream):
    clock = SystemClock()
    camera = OpenCvCamera("live", stream.url, clock, fixed_exposure_s=0.002, read_timeout_s=20.0)
    last = 0
    for pause_s in (0.0, 0.3, 0.0, 0.1):
        clock.sleep_s(pause_s)  # a camera that is not emptied would now hand out what has piled up
        called_s = clock.now_s()
        frame = camera.grab(0.002)
        at = frame.sequence - 1
        assert float(frame.pixels.mean()) == pytest.approx(stream.level(at), abs=3)
        assert stream.sent_s[at] > called_s
        assert frame.time_s - frame.exposure_s / 2 >= called_s
        assert frame.sequence > last
        last = frame.sequence
    stream.over.set()
    assert code_of(lambda: [camera.grab(0.002) for _ in range(50)]) is FaultCode.CAMERA_LOST
    camera.close()


def test_frames_that_all_count_as_too_old_are_stale(stream: Stream, clock: Any):
    # A clock that stands still never gets past the exposure.
    camera = OpenCvCamera("live", stream.url, clock, fixed_exposure_s=0.002, read_timeout_s=1.5)
    with pytest.raises(DeviceFault, match="all exposed before the call") as fault:
        camera.grab(0.002)
    assert fault.value.code is FaultCode.FRAME_STALE
    camera.close()


def test_a_stream_that_falls_silent_is_a_lost_camera(stream: Stream):
    camera = OpenCvCamera("live", stream.url, fixed_exposure_s=0.002, read_timeout_s=1.5)
    camera.grab(0.002)
    stream.silent.set()
    time.sleep(0.1)
    assert code_of(lambda: camera.grab(0.002)) is FaultCode.CAMERA_LOST
    camera.close()
    assert code_of(lambda: camera.grab(0.002)) is FaultCode.CAMERA_LOST


def test_an_exposure_that_cannot_be_set_is_reported_as_it_is(stream: Stream):
    # A network stream takes no exposure; it says nothing of it either.
    camera = OpenCvCamera(
        "live", stream.url, exposure_unit="s", fixed_exposure_s=0.003, manual_exposure_value=1.0
    )
    assert camera.grab(0.001).exposure_s == 0.003
    assert camera.grab(0.002).exposure_s == 0.003
    camera.close()


def test_a_device_that_is_not_there_says_which_are():
    with pytest.raises(DeviceFault, match="devices:") as fault:
        OpenCvCamera("live", 99, exposure_unit="100us")
    assert fault.value.code is FaultCode.CAMERA_NOT_FOUND


def test_an_url_where_nobody_is_does_not_open():
    url, options = "http://127.0.0.1:9/x", {"fixed_exposure_s": 0.1, "open_timeout_s": 2.0}
    assert code_of(lambda: OpenCvCamera("live", url, **options)) is FaultCode.CAMERA_NOT_FOUND


class FakeDevice:
    """A camera whose exposure can be set; there is none on a test machine."""

    def __init__(self) -> None:
        self.exposure = 1.0
        self.set_calls: list[tuple[int, float]] = []
        self.retrieves = True
        self.released = threading.Event()

    def isOpened(self) -> bool:
        return True

    def set(self, key: int, value: float) -> bool:
        self.set_calls.append((key, value))
        if key == cv2.CAP_PROP_EXPOSURE:
            self.exposure = value - 10  # the device rounds it to its own steps
        return True

    def get(self, key: int) -> float:
        return self.exposure

    def grab(self) -> bool:
        time.sleep(0.002)
        return True

    def retrieve(self) -> tuple[bool, Any]:
        self.retrieves = not self.retrieves
        return self.retrieves, np.zeros((2, 3, 1), np.uint8)

    def release(self) -> None:
        self.released.set()


def test_an_exposure_that_can_be_set_is_reported_as_the_device_rounds_it(mocker: Any):
    device = FakeDevice()
    mocker.patch("driver.camera_sources.cv2.VideoCapture", return_value=device)
    camera = OpenCvCamera("live", 0, exposure_unit="100us", manual_exposure_value=1.0, buffered_frames=3)
    frame = camera.grab(0.01)
    assert frame.exposure_s == pytest.approx(0.009)
    assert frame.pixels.shape == (2, 3)
    assert frame.sequence > 4
    assert (cv2.CAP_PROP_AUTO_EXPOSURE, 1.0) in device.set_calls
    assert (cv2.CAP_PROP_BUFFERSIZE, 3) in device.set_calls
    camera.grab(0.01)
    exposures = [value for key, value in device.set_calls if key == cv2.CAP_PROP_EXPOSURE]
    assert exposures == [100.0]
    camera.close()
    assert device.released.is_set()
