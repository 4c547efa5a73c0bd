"""Devices of a served bench, for a bench file: ``sim.remote:camera`` and so on, with the bench's address.

They fulfil the Protocols of :mod:`driver.protocols`. Every wait is bounded in real time; when the bench's
process is gone a call raises at once, and so does every later one.
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Mapping
from typing import Any

import numpy as np

from driver.faults import DeviceFault, FaultCode
from driver.protocols import Frame
from sim.framing import FramingError, receive_message, send_message

_CONNECT_TIMEOUT_S = 5.0
_REPLY_TIMEOUT_S = 30.0
_REMEDY = "Start the simulated bench again, connect, home and verify before going on."


def camera(name: str, address: str) -> RemoteCamera:
    """Return a camera of the bench at ``address`` ("127.0.0.1:PORT").

    Raises
    ------
    DeviceFault
        CAMERA_NOT_FOUND when the bench does not answer or has no such camera.
    """
    return RemoteCamera(name, address)


def clock(address: str) -> RemoteClock:
    """Return the clock of the bench at ``address``.

    Raises
    ------
    DeviceFault
        PORT_NOT_FOUND when the bench does not answer.
    """
    return RemoteClock(address)


def lens_handler(address: str) -> RemoteLensHandler:
    """Return the lens handler of the bench at ``address``.

    Raises
    ------
    DeviceFault
        HANDLER_FAILED when the bench does not answer.
    """
    return RemoteLensHandler(address)


def output(kind: str, address: str) -> RemoteOutput:
    """Return an output of the bench at ``address``: kind "lock" or "bond".

    Raises
    ------
    DeviceFault
        HANDLER_FAILED when the bench does not answer.
    """
    return RemoteOutput(kind, address)


def witness(address: str) -> RemoteWitness:
    """Return the witness of the bench at ``address``.

    Raises
    ------
    DeviceFault
        HANDLER_FAILED when the bench does not answer.
    """
    return RemoteWitness(address)


class _Link:
    """One connection to the bench port; once lost it stays lost."""

    def __init__(self, address: str, not_found: FaultCode, lost: FaultCode) -> None:
        self._address, self._lost_code = address, lost
        self._lock = threading.Lock()
        self._why_lost: str | None = None
        try:
            self._connection = socket.create_connection(_split(address), _CONNECT_TIMEOUT_S)
        except OSError as error:
            raise self._fault(not_found, "not connected", "connection", str(error)) from error
        self._connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._connection.settimeout(_REPLY_TIMEOUT_S)

    @property
    def lost(self) -> bool:
        return self._why_lost is not None

    def ask(self, asked: str, **words: object) -> tuple[dict[str, Any], bytes]:
        with self._lock:
            if self._why_lost is not None:
                raise self._fault(self._lost_code, "lost", asked, self._why_lost)
            try:
                send_message(self._connection, {"ask": asked, **words})
                answer, payload = receive_message(self._connection)
            except (OSError, FramingError) as error:
                self._why_lost = str(error) or type(error).__name__
                self._connection.close()
                raise self._fault(self._lost_code, "connected", asked, self._why_lost) from error
        if "fault" in answer:
            told = dict(answer["fault"])
            raise DeviceFault(FaultCode(told.pop("code")), **told)
        if "mistake" in answer:
            raise ValueError(answer["mistake"])
        return answer, payload

    def close(self) -> None:
        with self._lock:
            self._why_lost = self._why_lost or "closed by us"
            self._connection.close()

    def _fault(self, code: FaultCode, state: str, asked: str, came: str) -> DeviceFault:
        what = f"{asked} of the simulated bench at {self._address}"
        return DeviceFault(code, state=state, asked=what, came=came, remedy=_REMEDY)


class RemoteCamera:
    """A camera over the bench port; fulfils :class:`driver.protocols.Camera`."""

    def __init__(self, name: str, address: str) -> None:
        self._name = name
        self._link = _Link(address, FaultCode.CAMERA_NOT_FOUND, FaultCode.CAMERA_LOST)
        names = self._link.ask("cameras")[0]["cameras"]
        if name not in names:
            self._link.close()
            raise DeviceFault(
                FaultCode.CAMERA_NOT_FOUND,
                state="connected",
                asked=f"camera {name!r} of the simulated bench at {address}",
                came=f"it has {', '.join(names)}",
                remedy="Correct the camera's name in the bench file.",
            )

    @property
    def name(self) -> str:
        """Name of the camera in the bench file."""
        return self._name

    def grab(self, exposure_s: float) -> Frame:
        """Expose anew and return the frame.

        Raises
        ------
        DeviceFault
            CAMERA_LOST when the bench is gone, FRAME_WRONG when what came is no frame.
        """
        told, payload = self._link.ask("grab", camera=self._name, exposure_s=exposure_s)
        try:
            pixels = np.frombuffer(payload, np.dtype(told["dtype"])).reshape(told["shape"])
        except (ValueError, TypeError) as error:
            raise DeviceFault(
                FaultCode.FRAME_WRONG,
                state="connected",
                asked=f"frame of camera {self._name!r}",
                came=str(error),
                remedy=_REMEDY,
            ) from error
        return Frame(pixels, told["exposure_s"], told["time_s"], told["sequence"], self._name)

    def close(self) -> None:
        """Release the device; may be called twice."""
        self._link.close()


class RemoteClock:
    """The bench clock over the bench port; fulfils :class:`driver.protocols.Clock`.

    When the bench is lost, the call to :meth:`sleep_s` that notices raises LINE_LOST; from then on the clock
    goes on in real time from its last reading, so that the station's deadlines still expire while it stops,
    closes the shutter and writes its record.
    """

    def __init__(self, address: str) -> None:
        self._link = _Link(address, FaultCode.PORT_NOT_FOUND, FaultCode.LINE_LOST)
        self._last_s, self._read_at_s = 0.0, time.monotonic()
        self.now_s()

    def now_s(self) -> float:
        """Return the bench time; never goes back, never raises."""
        if not self._link.lost:
            with contextlib.suppress(DeviceFault):
                return self._note(self._link.ask("now")[0]["now_s"])
        return self._last_s + (time.monotonic() - self._read_at_s)

    def sleep_s(self, duration_s: float) -> None:
        """Let bench time pass; takes no real time while the bench is there.

        Raises
        ------
        DeviceFault
            LINE_LOST, once, when the bench is gone.
        """
        if self._link.lost:
            time.sleep(duration_s)
            return
        self._note(self._link.ask("sleep", duration_s=duration_s)[0]["now_s"])

    def close(self) -> None:
        """Release the connection; may be called twice."""
        self._link.close()

    def _note(self, now_s: float) -> float:
        self._last_s, self._read_at_s = max(self._last_s, now_s), time.monotonic()
        return self._last_s


class RemoteLensHandler:
    """The lens handler over the bench port; fulfils :class:`driver.protocols.LensHandler`."""

    def __init__(self, address: str) -> None:
        self._link = _Link(address, FaultCode.HANDLER_FAILED, FaultCode.HANDLER_FAILED)

    def lens_in(self) -> None:
        """Return when the lens is in the mount."""
        self._link.ask("lens_in")

    def lens_out(self) -> None:
        """Return when the beam is bare."""
        self._link.ask("lens_out")

    def close(self) -> None:
        """Release the connection; may be called twice."""
        self._link.close()


class RemoteOutput:
    """An output over the bench port; fulfils :class:`driver.protocols.Output`."""

    def __init__(self, kind: str, address: str) -> None:
        self._link = _Link(address, FaultCode.HANDLER_FAILED, FaultCode.HANDLER_FAILED)
        self._kind = kind
        self.is_on()

    def on(self) -> None:
        """Switch on."""
        self._link.ask("switch", kind=self._kind, on=True)

    def off(self) -> None:
        """Switch off."""
        self._link.ask("switch", kind=self._kind, on=False)

    def is_on(self) -> bool:
        """Say whether it is on."""
        return bool(self._link.ask("is_on", kind=self._kind)[0]["on"])

    def close(self) -> None:
        """Release the connection; may be called twice."""
        self._link.close()


class RemoteWitness:
    """The witness over the bench port; fulfils :class:`driver.protocols.Witness`."""

    def __init__(self, address: str) -> None:
        self._link = _Link(address, FaultCode.HANDLER_FAILED, FaultCode.HANDLER_FAILED)

    def pose(self) -> Mapping[str, Any]:
        """Return ``{"decenter_um": [x, y], "tilt_arcsec": [x, y]}`` of the lens axis against the beam."""
        return dict(self._link.ask("witness")[0]["pose"])

    def close(self) -> None:
        """Release the connection; may be called twice."""
        self._link.close()


def _split(address: str) -> tuple[str, int]:
    host, colon, port = address.rpartition(":")
    if not (colon and host and port.isdigit()):
        raise ValueError(f"address {address!r} of the simulated bench is not like '127.0.0.1:5000'")
    return host, int(port)
