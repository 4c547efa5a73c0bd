"""A line that is not there: one bench for a whole night, with a feeder, good and bad lenses, and faults.

Spot-level measurement in this process; the lot that works on it is the program's own. Whoever repairs the
bench after a stop is here too. The truth stays here: it is compared with the records when the night is over.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from driver.faults import DeviceFault, FaultCode
from driver.protocols import Frame
from optics.families import FAMILIES
from optics.lens import Lens
from sim.bench import SimBench
from sim.nuisances import Nuisances
from sim.tap import LineFault, LineFaultKind
from sim.truth import BenchTruth
from station.campaign.inprocess import connect
from station.campaign.measures_spots import MeasuresSpots
from station.campaign.plan import bench_text, deviations, recipe_text
from station.config import Setup
from station.config.loading import setup_from_texts
from station.demo import bench_maker
from station.looking import Eyes
from station.wiring import Bench
from vision.spots import Spot

_OUTPUTS = """
[[outputs]]
name = "clamp"
factory = "sim.remote:output"
options = { kind = "lock" }
caution = "the clamp pinches"

[[outputs]]
name = "curing lamp"
factory = "sim.remote:output"
options = { kind = "bond" }
caution = "ultraviolet light: shielding as the site says"
"""
_LOCK = """
[[fix]]
kind = "lock"
output = "clamp"
dwell_s = 2.0
look_every_s = 1.0
stays_on = true
tries = 3
"""
_BOND = """
[[fix]]
kind = "bond"
output = "curing lamp"
dwell_s = 30.0
look_every_s = 5.0
pliable_s = 20.0
"""
RECIPES = {
    "biconvex f100": ("biconvex f100", _LOCK),
    "plano-convex, convex first": ("plano-convex, convex first", _BOND),
    "biconvex f200": ("biconvex f200", ""),
}

LINE_FAULTS: dict[LineFaultKind, tuple[float, str]] = dict.fromkeys(LineFaultKind, (0.0, "")) | {
    LineFaultKind.BYTE_LOST: (3.0, ""),
    LineFaultKind.BYTE_FLIPPED: (3.0, ""),
    LineFaultKind.REPLY_LATE: (3.0, ""),
    LineFaultKind.SILENT: (8.0, ""),
    LineFaultKind.CUT: (8.0, ""),
    LineFaultKind.STEPS_LOST: (200.0, "X"),
    LineFaultKind.SCREW_SLIPS: (150.0, "Y"),
    LineFaultKind.INTERLOCK_OPEN: (30.0, ""),
}
OTHER_FAULTS = (
    *("frame black", "frame white", "frame stale", "camera lost"),
    *("beam blocked", "beam knocked", "mode hop", "power drop"),
    *("plate knocked", "camera knocked", "lens slips", "handler fails"),
)
FAULT_KINDS = (*LINE_FAULTS, *OTHER_FAULTS)
Fault = LineFaultKind | str

BAD_LENSES = ("radii 8 % too short", "radii 8 % too long", "another lens", "reversed")
_SYMMETRIC = ("biconvex f100", "biconvex f200")


def setup_for(recipe: str) -> Setup:
    family, fix = RECIPES[recipe]
    return setup_from_texts(bench_text() + _OUTPUTS, recipe_text(family) + fix, "BENCH.toml", "RECIPE.toml")


def night_nuisances() -> Nuisances:
    """All that a bench deviates by, with beam and mount that drift over hours."""
    one = deviations()
    scene = replace(one.scene, pointing_drift_um=4.0, pointing_drift_urad=8.0, pointing_period_s=3 * 3600.0)
    return replace(one, scene=scene)


def bad_lens(kind: str, recipe: str) -> Lens:
    lens = FAMILIES[RECIPES[recipe][0]]
    if kind == "another lens" or (kind == "reversed" and recipe in _SYMMETRIC):
        return FAMILIES["biconvex f50" if recipe != "biconvex f50" else "biconvex f100"]
    if kind == "reversed":
        return lens.reversed()
    scale = 0.92 if "short" in kind else 1.08
    surfaces = tuple(replace(surface, radius_mm=surface.radius_mm * scale) for surface in lens.surfaces)
    return replace(lens, surfaces=surfaces)


@dataclass(frozen=True, slots=True)
class PlannedPart:
    serial: str
    recipe: str
    number: int
    bad: str = ""
    fault: Fault | None = None


def plan_night(
    parts: int, seed: int, bad_share: float = 0.02, fault_share: float = 0.01
) -> list[PlannedPart]:
    """Draw the list of parts: recipes in stretches, bad lenses, each kind of fault at its share."""
    rng = np.random.default_rng([seed, 1])
    recipes: list[str] = []
    while len(recipes) < parts:
        recipes += [list(RECIPES)[int(rng.integers(len(RECIPES)))]] * int(rng.integers(8, 25))
    each = max(1, round(fault_share * parts)) if fault_share > 0 else 0
    faults: list[Fault] = [kind for kind in FAULT_KINDS for _ in range(each)]
    places = rng.permutation(parts)
    fault_at: dict[int, Fault] = {int(place): kind for place, kind in zip(places, faults, strict=False)}
    bad_at = {int(place) for place in places[::-1][: round(bad_share * parts)]}
    return [
        PlannedPart(
            f"N{number:04d}",
            recipes[number],
            number,
            str(rng.choice(BAD_LENSES)) if number in bad_at else "",
            fault_at.get(number),
        )
        for number in range(parts)
    ]


class NightMeasures:
    """Spot-level eyes that are made anew with every lens, and through cameras that can be knocked."""

    def __init__(self, sim: SimBench) -> None:
        self.sim = sim
        self.inner = MeasuresSpots(sim)
        self.knocked: dict[str, NDArray[np.float64]] = {}
        self.mapped: dict[str, NDArray[np.float64]] = {}
        self.knock_at: tuple[float, str, NDArray[np.float64]] | None = None

    def renew(self) -> None:
        self.inner = MeasuresSpots(self.sim)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.inner, name)

    def image(self, frame: Frame, sensor: Any) -> Any:
        if self.knock_at is not None and self.sim.clock.now_s() >= self.knock_at[0]:
            _, camera, by_mm = self.knock_at
            self.knocked[camera] = self.knocked.get(camera, np.zeros(2)) + by_mm
            self.knock_at = None
        return self.inner.image(frame, sensor)

    def map(self, image: Any, eye: Any) -> Any:
        found = self.inner.map(image, eye)
        away = self.knocked.get(image.camera, np.zeros(2))
        self.mapped[image.camera] = away.copy()
        if not hasattr(found, "model") or not away.any():
            return found
        homography = found.model.homography.copy()
        homography[:2, 2] += away
        return replace(found, model=replace(found.model, homography=homography))

    def returns(self, image: Any, *rest: Any) -> Any:
        return {
            name: self._seen(spot, image.camera) for name, spot in self.inner.returns(image, *rest).items()
        }

    def transmitted(self, image: Any, *rest: Any) -> Any:
        return self._seen(self.inner.transmitted(image, *rest), image.camera)

    def _seen(self, spot: Any, camera: str) -> Any:
        away = self.mapped.get(camera, np.zeros(2)) - self.knocked.get(camera, np.zeros(2))
        if not isinstance(spot, Spot) or not away.any():
            return spot
        return replace(spot, center_mm=spot.center_mm + away)


@dataclass(slots=True)
class NightBench:
    """The bench of one night, its feeder, its faults, and the person who repairs it.

    Parameters
    ----------
    planned : mapping of serial to PlannedPart
    seed : int
    every_s : float
        A part comes at this interval at the earliest.
    """

    planned: Mapping[str, PlannedPart]
    seed: int
    every_s: float = 0.0
    sim: SimBench = field(init=False)
    bench: Bench = field(init=False)
    measures: NightMeasures = field(init=False)
    eyes: Eyes = field(init=False)
    truths: dict[str, BenchTruth] = field(default_factory=dict, init=False)
    struck: dict[str, Fault] = field(default_factory=dict, init=False)
    on_unload: Callable[[str], None] | None = None
    _next_s: float = field(default=0.0, init=False)
    _handler_fails: bool = field(default=False, init=False)
    _base: Nuisances = field(default_factory=night_nuisances, init=False)

    def __post_init__(self) -> None:
        setup = setup_for(next(iter(RECIPES)))
        self.sim = bench_maker(setup, self.seed)(nuisances=self._base, rendered=False)
        self.bench = connect(setup, self.sim, self.sim.clock)
        self.sim.keep_shown()
        self.measures = NightMeasures(self.sim)
        self.eyes = Eyes(self.bench, lambda frame, purpose: None, self.measures)

    # --- handling -------------------------------------------------------------------------------------------

    def load(self, serial: str, recipe: str) -> None:
        part = self.planned[serial]
        clock = self.sim.clock
        clock.sleep_s(max(0.0, self._next_s - clock.now_s()))
        self._next_s = (
            max(self._next_s, clock.now_s()) + self.every_s if serial not in self.struck else self._next_s
        )
        first = serial not in self.struck
        lens = bad_lens(part.bad, part.recipe) if part.bad else FAMILIES[RECIPES[part.recipe][0]]
        self._clear_passing()
        self.sim.present(lens, part.number)
        if part.fault is not None and first:
            self.struck[serial] = part.fault
            self._strike(part.fault, np.random.default_rng([self.seed, 2, part.number]))
        self.measures.renew()
        if self._handler_fails:
            raise _handler_failed()
        self.sim.lens_handler.lens_in()

    def unload(self, serial: str, *, aside: bool) -> None:
        if self.sim.shown is not None:
            self.truths[serial] = self.sim.shown
        self.sim.keep_shown()
        if self.on_unload is not None:
            self.on_unload(serial)
        self.sim.lens_handler.lens_out()

    # --- faults ---------------------------------------------------------------------------------------------

    def _strike(self, fault: Fault, rng: np.random.Generator) -> None:
        sim, now_s = self.sim, self.sim.clock.now_s() + self.sim.nuisances.handling_s
        when_s = now_s + float(rng.uniform(0.2, 12.0))
        if isinstance(fault, LineFaultKind):
            value, axis = LINE_FAULTS[fault]
            sim.tap.faults = (LineFault(fault, sim.tap.calls + int(rng.integers(2, 120)), 1, value, axis),)
            return
        scene = self._base.scene
        if fault == "beam blocked":
            self._scene(replace(scene, blocked_time_s=when_s))
        elif fault == "beam knocked":
            self._scene(replace(scene, beam_step_time_s=when_s, beam_step_mm=(0.15, -0.1)))
        elif fault == "mode hop":
            self._scene(replace(scene, mode_hop_time_s=when_s))
        elif fault == "power drop":
            self._scene(replace(scene, mode_hop_time_s=when_s, mode_hop_nm=0.0, mode_hop_power=0.3))
        elif fault == "plate knocked":
            knock = {"plate_knock_time_s": when_s, "plate_knock_mm": (0.12, 0.08), "plate_knock_mrad": 1.0}
            self._scene(replace(scene, knocked_plate="reference_target", **knock))
        elif fault == "camera knocked":
            camera = str(rng.choice(list(sim.camera_names)))
            self.measures.knock_at = (when_s, camera, np.array([0.1, -0.08]))
        elif fault == "lens slips":
            self._slip_at(when_s)
        elif fault == "handler fails":
            self._handler_fails = True
        else:
            self._spoil_frames(fault, int(rng.integers(1, 30)), str(rng.choice(list(sim.camera_names))))

    def _scene(self, scene: Any) -> None:
        self.sim.nuisances = replace(self.sim.nuisances, scene=scene)

    def _slip_at(self, when_s: float) -> None:
        """Let the lens slip in the mount at the first frame after that time."""

        def slip(frame: Frame) -> Frame:
            if self.sim.clock.now_s() >= when_s and self.sim._seat_pose is not None:
                self.sim._seat_pose = self.sim._seat_pose + np.array([0.08, -0.05, 0.4, 0.3])
                self.sim.camera(camera).frame_hook = None
            return frame

        camera = self.sim.camera_names[0]
        self.sim.camera(camera).frame_hook = slip

    def _spoil_frames(self, fault: str, after: int, camera: str) -> None:
        left, last = [after], []

        def spoil(frame: Frame) -> Frame:
            left[0] -= 1
            if left[0] > 0:
                last[:] = [frame]
                return frame
            self.sim.camera(camera).frame_hook = None
            if fault == "camera lost":
                raise DeviceFault(
                    FaultCode.CAMERA_LOST, state="open", asked="a frame", came="the camera is gone"
                )
            if fault == "frame stale":
                raise DeviceFault(FaultCode.FRAME_STALE, state="open", asked="a frame", came="an old one")
            level = 0 if fault == "frame black" else 4095
            return replace(frame, pixels=np.broadcast_to(np.uint16(level), frame.pixels.shape))

        self.sim.camera(camera).frame_hook = spoil

    def _clear_passing(self) -> None:
        """End what ends by itself: something stood in the beam, the laser hopped back."""
        scene = self.sim.nuisances.scene
        if min(scene.blocked_time_s, scene.mode_hop_time_s) < math.inf:
            self._scene(replace(self._base.scene, beam_step_time_s=scene.beam_step_time_s))

    def repair(self) -> None:
        """Do what a person does after a stop: everything is as it was, targets are set to the beam again."""
        controller = self.sim.controller
        controller.stick_shutter(None)
        controller.set_interlock(closed=True)
        self.sim.nuisances = self._base
        self._handler_fails = False
        self.sim.tap.faults = ()
        for camera in self.sim.camera_names:
            self.sim.camera(camera).frame_hook = None
        self.measures.renew()


def _handler_failed() -> DeviceFault:
    return DeviceFault(FaultCode.HANDLER_FAILED, state="empty", asked="put the lens in", came="it slipped")
