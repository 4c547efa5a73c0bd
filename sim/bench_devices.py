"""What is plugged into the simulated bench beside its line: cameras, the feeder of lenses, the witness."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from driver.faults import DeviceFault, FaultCode
from driver.protocols import Frame

if TYPE_CHECKING:
    from sim.bench import SimBench


class SimCamera:
    """A camera of the simulated bench; fulfils :class:`driver.protocols.Camera`.

    Attributes
    ----------
    frame_hook : callable or None
        Sees every frame before it is handed out and returns what is handed out instead: the seam for faults
        of cameras (stale, black, cut frames, or raising a DeviceFault).
    """

    def __init__(self, name: str, bench: SimBench) -> None:
        self._name, self._bench = name, bench
        self.frame_hook: Callable[[Frame], Frame] | None = None

    @property
    def name(self) -> str:
        """Name of the camera in the bench file."""
        return self._name

    def grab(self, exposure_s: float) -> Frame:
        """Expose anew and return the frame; takes exposure and readout of bench time.

        Raises
        ------
        ValueError
            For an exposure that is not above 0 and at most a minute.
        """
        frame = self._bench._expose(self._name, exposure_s)
        return frame if self.frame_hook is None else self.frame_hook(frame)

    def close(self) -> None:
        """Release the device: nothing to release."""


class SimLensHandler:
    """Puts the lens in and takes it out; fulfils :class:`driver.protocols.LensHandler`.

    Every time it is put in it lies differently in the mount.
    """

    def __init__(self, bench: SimBench) -> None:
        self._bench = bench

    def lens_in(self) -> None:
        """Return when the lens is in the mount."""
        bench = self._bench
        if bench._seat_pose is None:
            bench.clock.sleep_s(bench.nuisances.handling_s)
            bench._seat()

    def lens_out(self) -> None:
        """Return when the beam is bare."""
        bench = self._bench
        if bench._seat_pose is not None:
            bench.clock.sleep_s(bench.nuisances.handling_s)
            bench._seat_pose = None
            bench._fixing.lens_out()


class SimWitness:
    """The simulator's truth as an independent measurement; fulfils :class:`driver.protocols.Witness`."""

    def __init__(self, bench: SimBench) -> None:
        self._bench = bench

    def pose(self) -> Mapping[str, Any]:
        """Return ``{"decenter_um": [x, y], "tilt_arcsec": [x, y]}`` against the true beam.

        Raises
        ------
        DeviceFault
            HANDLER_FAILED when there is no lens in the mount.
        """
        truth = self._bench.truth()
        if truth.decenter_um is None or truth.tilt_arcsec is None:
            raise DeviceFault(
                FaultCode.HANDLER_FAILED,
                state="beam is bare",
                asked="pose of the lens",
                came="there is no lens in the mount",
                remedy="Put the lens in first.",
            )
        return {"decenter_um": list(truth.decenter_um), "tilt_arcsec": list(truth.tilt_arcsec)}
