"""A bench at the level of spots: exact trace, a linear mount with its faults, noise. No frames."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from control import messages as m
from control.model import lens_model
from control.plan import BenchModel
from driver.axes import AxisSpec
from optics.errors import RayLostError
from optics.families import REF_BEAM, REF_LAYOUT
from optics.layout import Layout
from optics.lens import Lens
from optics.spots import spot_coordinates
from vision.spots import NoSpot, Reason, Spot, SpotName

AXES = (
    AxisSpec("X", "mm", -6.0, 6.0, 0.001, "decenter_x", 5.0, 0.002, "below", 0.1),
    AxisSpec("Y", "mm", -6.0, 6.0, 0.001, "decenter_y", 5.0, 0.002, "below", 0.1),
    AxisSpec("A", "deg", -3.0, 3.0, 0.0005, "tilt_x", 5.0, 0.001, "below", 0.05),
    AxisSpec("B", "deg", -3.0, 3.0, 0.0005, "tilt_y", 5.0, 0.001, "below", 0.05),
)
NAMES = ("X", "Y", "A", "B")
PIVOT_MM = 40.0


def nominal_bench(axes=AXES, **known) -> BenchModel:
    return BenchModel.nominal(REF_LAYOUT, REF_BEAM, axes, pivot_behind_mm=PIVOT_MM, **known)


@dataclass
class Truth:
    """What deviates from the nominal bench."""

    radius: float = 0.01
    l1_mm: float = 3.0
    l2_mm: float = 2.0
    clocking_deg: float = 2.0
    scale: float = 0.02
    start_mm: float = 1.0
    start_deg: float = 1.0
    spot_mm: float = 0.02
    repeat_um: float = 2.0
    repeat_urad: float = 10.0
    backlash_mm: float = 0.0
    backlash_deg: float = 0.0
    hole_mm: float = 0.002
    beam_in_hole_mm: float = 0.010
    bare_mm: float = 0.005


EXAMPLE = Truth()


class SpotBench:
    """Executes actions, returns observations; the truth stays in ``pose``."""

    def __init__(
        self, lens: Lens, rng, truth: Truth = EXAMPLE, axes=AXES, label_fault=None, drift_mm=None, lost=None
    ):
        self.rng, self.t, self.axes_spec = rng, truth, axes

        def u(s):
            return float(rng.uniform(-s, s))

        self.draw = u
        self.lens = self._part(lens)
        self.layout = Layout(REF_LAYOUT.l1_mm + u(truth.l1_mm), REF_LAYOUT.l2_mm + u(truth.l2_mm))
        nominal = nominal_bench(axes).matrix()
        turn = math.radians(u(truth.clocking_deg))
        c, s = math.cos(turn), math.sin(turn)
        rot = np.array([[c, -s], [s, c]])
        block = np.zeros((4, 4))
        block[:2, :2] = rot
        block[2:, 2:] = rot
        pivot = np.eye(4)
        pivot[1, 2] = u(8.0) / 1000.0
        pivot[0, 3] = u(8.0) / 1000.0
        scale = np.diag(1 + rng.uniform(-truth.scale, truth.scale, 4))
        self.mount = block @ pivot @ nominal @ scale
        self.start = self._placed()
        self.axes = np.zeros(4)
        self.side = rng.choice([-1.0, 1.0], 4)
        self.play = np.array([truth.backlash_mm, truth.backlash_mm, truth.backlash_deg, truth.backlash_deg])
        self.miss = np.zeros(4)
        self.hole = rng.normal(0, 0.3, 2)
        self.beam = rng.normal(0, truth.beam_in_hole_mm, 2)
        self.bare = rng.normal(0, 0.3, 2)
        self.hole_radius = 1.0
        m_ = lens_model(lens, REF_LAYOUT, REF_BEAM)
        self.radius = m_.radius_mm
        self.time = 0.0
        self.label_fault, self.drift_mm, self.lost = label_fault, drift_mm, lost
        self.looks = 0
        self.moves = []
        self.lost_axes = np.zeros(4)

    def _part(self, lens):
        surfaces = tuple(
            replace(surface, radius_mm=surface.radius_mm * (1 + self.draw(self.t.radius)))
            if math.isfinite(surface.radius_mm)
            else surface
            for surface in lens.surfaces
        )
        return replace(lens, surfaces=surfaces, clear_aperture_mm=lens.clear_aperture_mm * 0.9)

    def _placed(self):
        """Evenly within a circle of decentre and one of tilt."""
        angle = self.rng.uniform(0, 2 * math.pi, 2)
        size = np.sqrt(self.rng.uniform(0, 1, 2))
        size *= [self.t.start_mm, math.radians(self.t.start_deg) * 1000]
        return np.concatenate(
            [s * np.array([math.cos(a), math.sin(a)]) for s, a in zip(size, angle, strict=True)]
        )

    def next_part(self, lens):
        """The next part of the lot: made and placed anew, on the same bench."""
        self.lens, self.start = self._part(lens), self._placed()
        self.moves, self.looks, self.time, self.lost_axes = [], 0, 0.0, np.zeros(4)

    @property
    def pose(self):
        return self.start + self.mount @ (self.axes + self.lost_axes - self.side * self.play / 2) + self.miss

    def _pos(self):
        return dict(zip(NAMES, map(float, self.axes), strict=True))

    def do(self, action):
        self.time += 0.5
        t = self.time
        if isinstance(action, m.Home):
            self.axes, self.lost_axes = np.zeros(4), np.zeros(4)
            return m.Homed(self._pos(), t)
        if isinstance(action, m.HomeAgain):
            self.axes, self.lost_axes, self.lost = np.zeros(4), np.zeros(4), None
            self.miss = (
                self.rng.normal(0, 1, 4) * np.array([self.t.repeat_um] * 2 + [self.t.repeat_urad] * 2) / 1000
            )
            return m.Homed(self._pos(), t)
        if isinstance(action, m.MapPlates):
            s = self.t.hole_mm
            h = self.hole + self.rng.normal(0, s, 2)
            return m.PlatesMapped(
                tuple(h), ((s**2, 0.0), (0.0, s**2)), self.hole_radius, {"hole": 1e-4, "reference": 1e-4}, t
            )
        if isinstance(action, m.TakeLensOut):
            return m.LensIsOut(t)
        if isinstance(action, m.RecordBareBeam):
            s = self.t.bare_mm
            return m.BareBeamSeen(
                Spot(self.bare + self.rng.normal(0, s, 2), s**2 * np.eye(2), (0.5, 0.5), 1e6), t
            )
        if isinstance(action, m.PutLensIn):
            return m.LensIsIn(t)
        if isinstance(action, m.Move):
            new = np.array([action.targets.get(n, v) for n, v in self._pos().items()])
            for i, a in enumerate(self.axes_spec):
                assert a.travel_min - 1e-9 <= new[i] <= a.travel_max + 1e-9, action
                if a.approach_from:
                    self.side[i] = 1.0
                elif new[i] != self.axes[i]:
                    self.side[i] = np.sign(new[i] - self.axes[i])
            self.moves.append(action)
            self.axes = new
            self.miss = (
                self.rng.normal(0, 1, 4) * np.array([self.t.repeat_um] * 2 + [self.t.repeat_urad] * 2) / 1000
            )
            if self.lost is not None and len(self.moves) == self.lost[0]:
                self.lost_axes = np.asarray(self.lost[1])
            return m.Moved(self._pos(), t)
        if isinstance(action, m.Look):
            self.looks += 1
            return m.Looked(self.see(), self._pos(), action.frames, t)
        raise AssertionError(action)

    def real_beam(self):
        if self.drift_mm is None or self.looks <= self.drift_mm[0]:
            return REF_BEAM
        return replace(REF_BEAM, offset_mm=tuple(self.drift_mm[1]), slope_mrad=tuple(self.drift_mm[2]))

    def see(self):
        try:
            y = spot_coordinates(self.lens, self.layout, self.real_beam(), self.pose[None])[0]
        except RayLostError:
            return {n: NoSpot(Reason.OFF_THE_PLATE) for n in SpotName}
        y = y + np.concatenate([self.hole + self.beam] * 2 + [self.bare])
        out = {}
        for k, name in enumerate((SpotName.FRONT, SpotName.BACK, SpotName.TRANSMITTED)):
            c = y[2 * k : 2 * k + 2]
            w = self.radius[k]
            half = 35.0 if k < 2 else 20.0
            if np.max(np.abs(c)) > half - 0.3 * w:
                out[name] = NoSpot(Reason.OFF_THE_PLATE)
                continue
            if (
                k < 2
                and np.hypot(*(c - self.hole)) < max(self.hole_radius - 0.3 * w, 0)
                and w < self.hole_radius * 1.1
            ):
                out[name] = NoSpot(Reason.IN_THE_HOLE, "", self.hole_radius)
                continue
            s = self.t.spot_mm
            out[name] = Spot(c + self.rng.normal(0, s, 2), s**2 * np.eye(2), (w, w), 1e5)
        if self.label_fault == "swap":
            out[SpotName.FRONT], out[SpotName.BACK] = out[SpotName.BACK], out[SpotName.FRONT]
        return out


def run(aligner, bench, most=400):
    obs = m.Started(0.0)
    for _ in range(most):
        action = aligner.next_action(obs)
        if isinstance(action, m.Finish):
            return action
        obs = bench.do(action)
    raise AssertionError("endless")
