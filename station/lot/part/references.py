"""What every part of a lot rests on, kept from part to part: homed axes, plate maps, the bare beam.

Nothing is kept over a fault: axes are homed, plates mapped and the bare beam seen again before anything is
believed.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from control.expect import bare_beam
from control.messages import (
    Action,
    BareBeamSeen,
    Home,
    Homed,
    LensIsIn,
    LensIsOut,
    MapPlates,
    Observation,
    PlatesMapped,
    PutLensIn,
    RecordBareBeam,
    TakeLensOut,
)
from driver.faults import DeviceFault
from station.config import Setup
from station.looking import Eyes
from station.lot.settings import ChecksTable
from station.wiring import Bench
from vision.plate_map import PlateMap
from vision.spots import NoSpot, Spot


class BareBeamNotSeenError(Exception):
    """The bare beam did not land on the reference target."""


class TargetsMovedError(Exception):
    """Beam, plates or cameras do not stand any more as when the lot began; a person has to set them."""


@dataclass(frozen=True, slots=True, eq=False)
class BareBeam:
    """The bare beam as it was seen, and where it was in the beginning."""

    spot: Spot
    first_mm: NDArray[np.float64]
    time_s: float

    @property
    def moved_um(self) -> float:
        """How far it has moved since the beginning."""
        return float(np.hypot(*(self.spot.center_mm - self.first_mm))) * 1e3

    def text(self) -> str:
        """Return it as the text of a calibration."""
        spot = self.spot
        content = {
            "center_mm": [float(value) for value in spot.center_mm],
            "covariance_mm2": [[float(value) for value in row] for row in spot.covariance_mm2],
            "radius_mm": [float(value) for value in spot.radius_mm],
            "first_mm": [float(value) for value in self.first_mm],
            "moved_um": self.moved_um,
        }
        return json.dumps(content, sort_keys=True)

    @classmethod
    def of(cls, text: str, time_s: float) -> BareBeam:
        """Return the one of a calibration; ValueError when it is none."""
        data: dict[str, Any] = json.loads(text)
        try:
            spot = Spot(
                center_mm=np.array(data["center_mm"], dtype=float),
                covariance_mm2=np.array(data["covariance_mm2"], dtype=float),
                radius_mm=(float(data["radius_mm"][0]), float(data["radius_mm"][1])),
                power_e_per_s=0.0,
                flags=frozenset(),
            )
            return cls(spot, np.array(data["first_mm"], dtype=float), time_s)
        except (KeyError, TypeError, IndexError) as error:
            raise ValueError(f"no bare beam: {error}") from error


@dataclass(slots=True)
class References:
    """Makes ready what a part needs, as far as it is not ready.

    Parameters
    ----------
    bench : Bench
    eyes : Eyes
        Keeps the plate maps.
    checks : ChecksTable
    first_mm : ndarray, shape (2,), or None
        Where the bare beam was in the beginning, from an earlier session; None: this one begins.

    Attributes
    ----------
    controller : str
        What the motion controller said it is.
    bare : BareBeam or None
    """

    bench: Bench
    eyes: Eyes
    checks: ChecksTable
    first_mm: NDArray[np.float64] | None = None
    controller: str = ""
    bare: BareBeam | None = field(default=None, init=False)
    parts_since_check: int = field(default=0, init=False)
    _connected: bool = field(default=False, init=False)
    _homed: bool = field(default=False, init=False)
    _empty: bool = field(default=False, init=False)
    _plates: PlatesMapped | None = field(default=None, init=False)
    _rested_on: dict[str, PlateMap] = field(default_factory=dict, init=False)
    _wander_mm: float = field(default=0.0, init=False)

    @property
    def plates(self) -> PlatesMapped | None:
        """What mapping found; None while it is not known."""
        return self._plates

    def forget(self) -> None:
        """Believe nothing any more: after a fault, and when a part has to be tried again."""
        self._connected = self._homed = self._empty = False
        self._plates = self.bare = None

    def forget_maps(self) -> None:
        """Map the plates and see the bare beam anew before the next part."""
        self._plates = self.bare = None

    def lens_is_in(self) -> None:
        """Note that a lens is in the mount."""
        self._empty = False

    def lens_is_out(self) -> None:
        """Note that the mount is empty, after a part."""
        self._empty = True
        self.parts_since_check += 1

    def make_ready(self, setup: Setup) -> BareBeam | None:
        """Connect, home, map the plates and see the bare beam, each only where needed.

        Returns
        -------
        BareBeam or None
            When it was seen just now.

        Raises
        ------
        DeviceFault, PlateNotMapped, BareBeamNotSeenError, TargetsMovedError
        """
        self.home()
        self.map_plates()
        if not self._empty:
            self.bench.shutter.close()
            self.bench.lens_handler.lens_out()
            self._empty = True
        due = self.bare is None or self.parts_since_check >= self.checks.bare_beam_every
        return self._check_bare_beam(setup) if due else None

    def home(self) -> None:
        """Connect and home, where needed."""
        self.connect()
        if not self._homed:
            self.bench.shutter.close()
            self.bench.motion.home()
            self._homed = True

    def connect(self) -> None:
        """Connect, where needed."""
        if not self._connected:
            self.controller = self.bench.motion.connect()
            self._connected = True

    def map_plates(self) -> PlatesMapped:
        """Map both plates, where needed."""
        if self._plates is None:
            self._plates = self._mapped()
            self._rested_on = dict(self.eyes.maps)
        return self._plates

    def recall(self, bare: BareBeam) -> None:
        """Take over the bare beam of an earlier session: only to verify a lens that must not be taken out."""
        self.bare = bare

    def answer(self, action: Action, now_s: float) -> Observation | None:
        """Answer what control asks for before it looks at the lens; None for any other action."""
        match action:
            case Home():
                return Homed(dict(self.bench.motion.positions()), now_s)
            case MapPlates():
                plates = self.map_plates()
                return PlatesMapped(
                    plates.hole_center_mm,
                    plates.hole_covariance_mm2,
                    plates.hole_radius_mm,
                    plates.map_sigma_mm,
                    now_s,
                )
            case TakeLensOut():
                return LensIsOut(now_s)
            case RecordBareBeam():
                return BareBeamSeen(self.bare_spot(), now_s)
            case PutLensIn():
                return LensIsIn(now_s)
        return None

    def bare_spot(self) -> Spot:
        """Return the bare beam with what it may have wandered since it was seen."""
        assert self.bare is not None
        spot = self.bare.spot
        share = self.parts_since_check / self.checks.bare_beam_every
        covariance = spot.covariance_mm2 + np.eye(2) * (self._wander_mm * share) ** 2
        return Spot(spot.center_mm, covariance, spot.radius_mm, spot.power_e_per_s, spot.flags)

    def check_plates(self) -> None:
        """Map both plates anew, and compare with the maps that the looks were measured with.

        Raises
        ------
        TargetsMovedError
            When a map has moved: a camera or a plate was knocked; what was seen since is worth nothing.
        """
        rested_on = self._rested_on
        self._plates = None
        self._connected = self._connected and self._is_well()
        self.connect()
        plates = self._mapped()
        for name, old in rested_on.items():
            moved_um = 1e3 * _moved_mm(old, self.eyes.maps[name])
            if moved_um > self.checks.plates_moved_um:
                self.forget_maps()
                raise TargetsMovedError(
                    f"the map of {name} has moved by {moved_um:.0f} um since the looks were taken, "
                    f"allowed are {self.checks.plates_moved_um:g} um: camera or plate was knocked"
                )
        self._plates, self._rested_on = plates, dict(self.eyes.maps)

    def _is_well(self) -> bool:
        """Say whether the line still answers; where it does not, the axes are not homed any more."""
        try:
            self.bench.motion.positions()
        except DeviceFault:
            self._homed = False
            return False
        return True

    # --- pieces ---------------------------------------------------------------------------------------------

    def _mapped(self) -> PlatesMapped:
        found = self.eyes.map_plates()
        (xx, xy), (yx, yy) = found.hole_covariance_mm2.tolist()
        x_mm, y_mm = found.hole_center_mm.tolist()
        now_s = self.bench.clock.now_s()
        return PlatesMapped(
            (x_mm, y_mm), ((xx, xy), (yx, yy)), float(found.hole_radius_mm), found.map_sigma_mm, now_s
        )

    def _check_bare_beam(self, setup: Setup) -> BareBeam:
        expected = bare_beam(setup.lens(), setup.layout(), setup.beam())
        seen = self.eyes.bare_beam(setup.recipe.look.verify_frames, expected)
        if isinstance(seen, NoSpot):
            why = f"{seen.reason.value} {seen.detail}".strip()
            raise BareBeamNotSeenError(f"the bare beam was not seen on the reference target: {why}")
        first = np.asarray(seen.center_mm, dtype=float) if self.first_mm is None else self.first_mm
        now = BareBeam(seen, first, self.bench.clock.now_s())
        if now.moved_um > self.checks.bare_beam_moved_um:
            raise TargetsMovedError(
                f"the bare beam lands {now.moved_um:.0f} um from where it was in the beginning, allowed are "
                f"{self.checks.bare_beam_moved_um:g} um"
            )
        if self.bare is not None:
            self._wander_mm = float(np.hypot(*(seen.center_mm - self.bare.spot.center_mm)))
        self.first_mm, self.bare, self.parts_since_check = first, now, 0
        return now


def _moved_mm(old: PlateMap, new: PlateMap) -> float:
    """Return how far apart two maps put the same pixels, at most."""
    columns, rows = old.image_size_px
    grid = np.array([[x * columns, y * rows] for x in (0.25, 0.5, 0.75) for y in (0.25, 0.5, 0.75)])
    away = old.to_mm(grid) - new.to_mm(grid)
    largest = float(np.max(np.hypot(away[:, 0], away[:, 1])))
    return largest if math.isfinite(largest) else math.inf
