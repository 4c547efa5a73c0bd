"""The small Protocols that every device of a bench fulfils.

A device is named in the bench file either by one of the built-in kinds or as
``package.module:factory``; the factory is called with the device's options as
keyword arguments and returns an object that fulfils the Protocol of its role.
Simulated and real devices are the same to everything above this file.

Every method that can fail raises :class:`driver.faults.DeviceFault`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray


@runtime_checkable
class Clock(Protocol):
    """The one monotonic clock of a run; the simulated bench advances its own."""

    def now_s(self) -> float:
        """Return seconds since an arbitrary origin; never goes back."""
        ...

    def sleep_s(self, duration_s: float) -> None:
        """Let ``duration_s`` seconds of bench time pass."""
        ...


@dataclass(frozen=True, slots=True)
class Frame:
    """One camera frame.

    Attributes
    ----------
    pixels : ndarray of uint8 or uint16, shape (height, width)
        Index [row, column]; pixel (0, 0) is the centre of the first pixel. Monochrome, not writeable.
    exposure_s : float
        Exposure that the camera reports to have used.
    time_s : float
        Middle of the exposure on the run's clock.
    sequence : int
        Counts up by at least one with each exposure of this camera.
    camera : str
        Name of the camera in the bench file.
    """

    pixels: NDArray[np.uint8] | NDArray[np.uint16]
    exposure_s: float
    time_s: float
    sequence: int
    camera: str


@runtime_checkable
class Camera(Protocol):
    """Looks at one plate."""

    @property
    def name(self) -> str:
        """Name of the camera in the bench file."""
        ...

    def grab(self, exposure_s: float) -> Frame:
        """Expose anew and return the frame; a frame exposed before the call is never returned."""
        ...

    def close(self) -> None:
        """Release the device; may be called twice."""
        ...


@runtime_checkable
class Motion(Protocol):
    """The motorised mount: named axes in their own units (mm or deg)."""

    @property
    def axis_names(self) -> tuple[str, ...]:
        """Axis words in the order of the bench file, for example ("X", "Y", "A", "B")."""
        ...

    def connect(self) -> str:
        """Open the line, put the controller into a known state, return its identity."""
        ...

    def home(self) -> None:
        """Find the home switches of all axes; returns when homed."""
        ...

    def move_to(self, targets: Mapping[str, float]) -> Mapping[str, float]:
        """Move the named axes (axis units, absolute), wait until done, return all positions read back.

        Refused before a byte is sent when not homed, out of travel or not finite.
        """
        ...

    def positions(self) -> Mapping[str, float]:
        """Return the positions of all axes as the controller reports them (axis units).

        Raises rather than tell positions that may count from another place than the homing.
        """
        ...

    def stop(self) -> None:
        """Stop all motion at once. Bounded in time, works in every state, may be called twice."""
        ...

    def close(self) -> None:
        """Release the line; may be called twice."""
        ...


@runtime_checkable
class Shutter(Protocol):
    """The beam's shutter, and the interlock's state where the bench reports one."""

    def open(self) -> None:
        """Let the beam through; refused while the interlock is open or unknown."""
        ...

    def close(self) -> None:
        """Block the beam. Bounded in time, works in every state, may be called twice."""
        ...


@runtime_checkable
class WatchedShutter(Protocol):
    """Optional for a shutter that tells where it stands: an interlock may close it while frames are taken."""

    def require_open(self) -> None:
        """Raise where the shutter is not known to be open still."""
        ...


@runtime_checkable
class Lamp(Protocol):
    """Optional: lights the plates so that their marks can be seen."""

    def on(self) -> None:
        """Light the plates."""
        ...

    def off(self) -> None:
        """Darken the plates."""
        ...


@runtime_checkable
class Output(Protocol):
    """Optional: something that is switched: a clamp, a curing lamp."""

    def on(self) -> None:
        """Switch on."""
        ...

    def off(self) -> None:
        """Switch off. Bounded in time, works in every state, may be called twice."""
        ...

    def is_on(self) -> bool:
        """Say whether it is on."""
        ...


@runtime_checkable
class LensHandler(Protocol):
    """Optional: the lens-in / lens-out step: an operator's prompt, a feeder, the simulator."""

    def lens_in(self) -> None:
        """Return when the lens is in the mount."""
        ...

    def lens_out(self) -> None:
        """Return when the beam is bare."""
        ...


@runtime_checkable
class Witness(Protocol):
    """Optional: an independent measurement of the lens's pose, read only after the verdict.

    A simulated bench offers its truth through it; on a real bench it may be an autocollimator.
    """

    def pose(self) -> Mapping[str, Any]:
        """Return ``{"decenter_um": [x, y], "tilt_arcsec": [x, y]}`` of the lens axis against the beam."""
        ...
