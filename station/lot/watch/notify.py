"""Words to the service manager: one datagram to the socket that NOTIFY_SOCKET names (sd_notify(3))."""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ServiceManager:
    """Sends state words; without a service manager it does nothing.

    Attributes
    ----------
    address : str
        Path of the socket, or ``@name`` of an abstract one; empty for none.
    watchdog_s : float or None
        Interval within which the manager wants to hear of the loop.
    """

    address: str
    watchdog_s: float | None

    @classmethod
    def of(cls, environment: Mapping[str, str] | None = None) -> ServiceManager:
        """Return the manager of the environment; WATCHDOG_PID of another process is not ours."""
        found = os.environ if environment is None else environment
        micros, pid = found.get("WATCHDOG_USEC", ""), found.get("WATCHDOG_PID", "")
        ours = not pid or pid == str(os.getpid())
        watchdog_s = int(micros) / 1e6 if ours and micros.isdigit() and int(micros) > 0 else None
        return cls(found.get("NOTIFY_SOCKET", ""), watchdog_s)

    def ready(self, words: str) -> None:
        """Say that the station is at work."""
        self.send({"READY": "1", "STATUS": words})

    def status(self, words: str) -> None:
        """Say what is being done."""
        self.send({"STATUS": words})

    def alive(self) -> None:
        """Say that the loop goes round."""
        self.send({"WATCHDOG": "1"})

    def stopping(self) -> None:
        """Say that the station ends."""
        self.send({"STOPPING": "1"})

    def send(self, state: Mapping[str, str]) -> bool:
        """Send state words as one datagram; return False where nobody takes them.

        Never waits and never fails: the station's work does not depend on being heard.
        """
        if not self.address or self.address[0] not in "/@":
            return False
        words = "".join(f"{name}={' '.join(value.split())}\n" for name, value in state.items())
        address = "\0" + self.address[1:] if self.address[0] == "@" else self.address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as line:
                line.setblocking(False)
                line.sendto(words.encode(), address)
        except OSError:
            return False
        return True
