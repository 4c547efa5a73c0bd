"""The whole bench that is not there: clock, mount, controller, scene, shutter, lamp, lens handler, witness.

Everything depends on the configuration and one seed. The truth stays inside: what leaves are bytes of the
line, frames of the cameras and, through the witness, the residual that a measurement of the lens would give.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from driver.axes import AxisSpec
from driver.faults import DeviceFault, FaultCode
from driver.phrases import PhraseTable
from driver.protocols import Clock, Frame
from optics.layout import Beam, Layout
from optics.lens import Lens
from sim.bench_devices import SimCamera, SimLensHandler, SimWitness
from sim.camera_geometry import CameraSetup
from sim.clock import SimClock
from sim.direct import DirectMount
from sim.firmware import SimController
from sim.fixing import Fixing, SimOutput
from sim.line import SimLine
from sim.mount import SimMount
from sim.mount_errors import draw_mount, draw_seat
from sim.mount_geometry import LensState, Pose
from sim.nuisances import Nuisances
from sim.scene import Scene
from sim.scene_draws import TrueBench, draw_bench, made_lens
from sim.scene_state import SceneState
from sim.streams import stream
from sim.tap import LineTap
from sim.truth import BenchTruth, residual
from vision.plate import PlateSpec

_LONGEST_EXPOSURE_S = 60.0
# Streams of the seed; those of the scene are numbered from 0.
_MOUNT_STREAM, _MOTION_STREAM, _SEAT_STREAM, _FIXING_STREAM, _LENS_STREAM = 101, 102, 103, 104, 105


class SimBench:
    """One bench, in process.

    Parameters
    ----------
    lens : Lens
        As prescribed; the one that is put in deviates as the nuisances say.
    layout : Layout
        Nominal distances.
    beam : Beam
        Nominal beam.
    plates : mapping of str to PlateSpec
    cameras : mapping of str to CameraSetup
    axes : sequence of AxisSpec
        Named by single letters, since that is what the line has words for.
    nuisances : Nuisances
    seed : int
        Repeats everything.
    rendered : bool
        False: cameras expose and take their time as ever, but hand out even frames that show only whether
        there was light; for campaigns that take the spots from :meth:`scene_state` instead.

    Attributes
    ----------
    clock : SimClock
    mount : SimMount
    controller : SimController
        Its fault hooks are public.
    tap : LineTap
        Numbers every call of the line; set ``tap.faults`` to make it fail.
    line : SimLine
        The station's end of the line.
    lens_handler : SimLensHandler
    witness : SimWitness
    shown : BenchTruth or None
        The truth in the middle of the last frame of the beam through the lens, kept since :meth:`keep_shown`:
        what happens after it, nobody can have seen.
    """

    def __init__(
        self,
        lens: Lens,
        layout: Layout,
        beam: Beam,
        plates: Mapping[str, PlateSpec],
        cameras: Mapping[str, CameraSetup],
        axes: Sequence[AxisSpec],
        nuisances: Nuisances | None = None,
        seed: int = 0,
        *,
        rendered: bool = True,
    ) -> None:
        self.nuisances = nuisances or Nuisances()
        self.seed = seed & 0xFFFFFFFF
        self.rendered = rendered
        self._given = (lens, layout, beam, plates, cameras)
        self._true = draw_bench(lens, layout, beam, plates, list(cameras), self.nuisances.scene, seed)
        self.clock = SimClock()
        errors = draw_mount(axes, self.nuisances.mount, self._rng(_MOUNT_STREAM))
        self.mount = SimMount(axes, errors, self._rng(_MOTION_STREAM))
        self.controller = SimController(
            self.mount,
            self.clock,
            reply_latency_s=self.nuisances.line.reply_latency_s,
            shutter_swing_s=self.nuisances.line.shutter_swing_s,
        )
        self.tap = LineTap(self.controller, self.clock)
        self.line = SimLine(self.controller, self.clock, self.tap, self.nuisances.line)
        self._seat_pose: NDArray[np.float64] | None = None
        self._seatings = 0
        self._fixing = Fixing(lambda: self.nuisances.fixing, self._rng(_FIXING_STREAM))
        self._frames = 0
        self._exposed: dict[str, tuple[int, SceneState]] = {}
        self._even: dict[tuple[str, bool], NDArray[np.uint16]] = {}
        self.shown: BenchTruth | None = None
        self._keeps_shown = False
        self.lens_handler = SimLensHandler(self)
        self.witness = SimWitness(self)
        self._cameras = {name: SimCamera(name, self) for name in cameras}

    @cached_property
    def _scene(self) -> Scene:
        """The renderer; made at the first frame, since campaigns on spots never need one."""
        scene = Scene(*self._given, self.nuisances.scene, self.seed)
        scene.become(self._true)
        return scene

    @property
    def camera_names(self) -> tuple[str, ...]:
        """Names of all cameras."""
        return tuple(self._cameras)

    def camera(self, name: str) -> SimCamera:
        """Return a camera.

        Raises
        ------
        DeviceFault
            CAMERA_NOT_FOUND for a name that the bench does not have.
        """
        if name not in self._cameras:
            raise DeviceFault(
                FaultCode.CAMERA_NOT_FOUND,
                state="not opened",
                asked=f"camera {name!r}",
                came=f"the simulated bench has {', '.join(self._cameras)}",
                remedy="Correct the camera's name in the bench file.",
            )
        return self._cameras[name]

    def output(self, kind: str) -> SimOutput:
        """Return the output that fixes: "lock" or "bond".

        Raises
        ------
        ValueError
            For any other.
        """
        if kind not in ("lock", "bond"):
            raise ValueError(f"the simulated bench has the outputs lock and bond, not {kind!r}")
        return SimOutput(self._fixing, kind, self._now_and_held)

    def present(self, lens: Lens, number: int) -> None:
        """Lay another lens ready for the handler; the bench stays as it is. For lots on spots only.

        Parameters
        ----------
        lens : Lens
            As prescribed; it is made with its tolerances.
        number : int
            Counts the lenses: the same number is made the same.

        Raises
        ------
        ValueError
            While a lens is in the mount, and for a rendered bench, whose pictures know one lens only.
        """
        if self.rendered or self._seat_pose is not None:
            raise ValueError("another lens can be laid ready on a bench that is not rendered and is empty")
        made = made_lens(lens, self.nuisances.scene, self._rng(_LENS_STREAM, number))
        self._true = replace(self._true, lens=made)

    def alter(self, **changed: Any) -> None:
        """Change what the seed drew, now: a knocked plate, a beam that jumps; fields of ``TrueBench``."""
        self._true = replace(self._true, **changed)
        if "_scene" in vars(self):
            self._scene.become(self._true)

    @property
    def true(self) -> TrueBench:
        """What the seed drew of light and plates; for tests and campaigns, never for the station."""
        return self._true

    @property
    def plates(self) -> Mapping[str, PlateSpec]:
        """The plates as they are made."""
        return self._given[3]

    @property
    def camera_setups(self) -> Mapping[str, CameraSetup]:
        """The cameras as they were set up."""
        return self._given[4]

    def scene_state(self, camera_name: str) -> tuple[int, SceneState]:
        """Return sequence number and truth of a camera's last frame; for campaigns on spots.

        Raises
        ------
        KeyError
            When the camera has not exposed yet.
        """
        return self._exposed[camera_name]

    def open_line(self) -> SimLine:
        """Return the line plugged in anew: what a driver wants that opens its port by itself."""
        self.line.reopen()
        return self.line

    def without_line(self, table: PhraseTable, clock: Clock) -> DirectMount:
        """Return mount, shutter and lamp as devices that need no line; ``table`` is that of the line."""
        return DirectMount(self.controller, table, self.mount.axes, clock, self.nuisances.line)

    def keep_shown(self) -> None:
        """Forget :attr:`shown`, and keep it from now on; for judges of a run, never for the station."""
        self.shown, self._keeps_shown = None, True

    def truth(self) -> BenchTruth:
        """Return the truth at the present bench time; for tests and campaigns, never for the station."""
        self.controller.update()
        now_s = self.clock.now_s()
        beam = self._true.beam_at(now_s, self.nuisances.scene)
        state = self._lens_state()
        off = (None, None) if state is None else residual(state, beam, self._true.layout.l1_mm)
        positions = zip(self.mount.axes, self.mount.true_positions(now_s), strict=True)
        return BenchTruth(
            time_s=now_s,
            pose=None if state is None else state.pose,
            decenter_um=off[0],
            tilt_arcsec=off[1],
            beam=beam,
            layout=self._true.layout,
            lens=self._true.lens,
            positions={axis.name: at for axis, at in positions},
            shutter_open=self.controller.shutter.is_open,
            lamp_on=self.controller.lamp_on,
        )

    def _rng(self, *numbers: int) -> np.random.Generator:
        return stream(self.seed, *numbers)

    def _lens_state(self) -> LensState | None:
        if self._seat_pose is None:
            return None
        now_s = self.clock.now_s()
        held = self.mount.lens(now_s, self._seat_pose)
        pose = self._fixing.placed(now_s, held.pose)
        return held if pose is held.pose else LensState.at(pose.tolist(), float(held.vertex_mm[2]))

    def _pose(self, now_s: float) -> Pose | None:
        """Return the pose of :meth:`_lens_state` alone, which every frame asks for."""
        if self._seat_pose is None:
            return None
        held = self.mount.pose(now_s, self._seat_pose)
        if not self._fixing.holds:
            return held
        x_mm, y_mm, tilt_x_mrad, tilt_y_mrad = self._fixing.placed(now_s, np.array(held)).tolist()
        return x_mm, y_mm, tilt_x_mrad, tilt_y_mrad

    def _now_and_held(self) -> tuple[float, NDArray[np.float64] | None]:
        """Return the time, and where the mount holds the lens, whatever fixing does to it."""
        self.controller.update()
        now_s = self.clock.now_s()
        if self._seat_pose is None:
            return now_s, None
        return now_s, self.mount.lens(now_s, self._seat_pose).pose

    def _seat(self) -> None:
        self._seatings += 1
        self._seat_pose = draw_seat(self.nuisances.mount, self._rng(_SEAT_STREAM, self._seatings))

    def _expose(self, camera_name: str, exposure_s: float) -> Frame:
        """Expose; what moves is seen where it stands in the middle of the exposure."""
        if not 0 < exposure_s <= _LONGEST_EXPOSURE_S:
            raise ValueError(f"exposure_s is {exposure_s}; allowed is above 0 to {_LONGEST_EXPOSURE_S}")
        self.clock.sleep_s(exposure_s / 2)
        self.controller.update()
        self._frames += 1
        middle_s = self.clock.now_s()
        seen = SceneState(
            pose=self._pose(middle_s),
            shutter_open=self.controller.shutter.is_open,
            lamp_on=self.controller.lamp_on,
            time_s=middle_s,
            frame_number=self._frames,
        )
        self._exposed[camera_name] = (self._frames, seen)
        if self._keeps_shown and seen.shutter_open and seen.pose is not None:
            self.shown = self.truth()
        if self.rendered:
            pixels = self._scene.render(camera_name, seen, exposure_s)
            pixels.flags.writeable = False
        else:
            pixels = self._even_frame(camera_name, lit=seen.shutter_open or seen.lamp_on)
        self.clock.sleep_s(exposure_s / 2 + self.nuisances.readout_s)
        return Frame(pixels, exposure_s, middle_s, self._frames, camera_name)

    def _even_frame(self, camera_name: str, *, lit: bool) -> NDArray[np.uint16]:
        """Return a frame of the right size that takes no memory: half of full scale, or black."""
        key = camera_name, lit
        if key not in self._even:
            setup = self._given[4][camera_name]
            black, full = setup.sensor.black_level_dn, setup.sensor.full_scale_dn
            level = np.uint16((black + full) / 2 if lit else black)
            self._even[key] = np.broadcast_to(level, _shape(setup))
        return self._even[key]


def _shape(setup: CameraSetup) -> tuple[int, int]:
    return setup.height_px, setup.width_px
