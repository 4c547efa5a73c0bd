"""Light as the bench gives it: one exposure that cannot serve both returns; saturation none avoids."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from optics.gaussian import beam_on_plate
from optics.trace import SpotPath, trace
from station.config.loading import setup_from_texts
from station.demo import example_setup
from station.looking import Eyes
from station.measuring import MeasuresFrames
from vision.spots import Expectation, Flag, NoSpot, Spot, SpotName

PAIR = {SpotPath.FRONT: SpotName.FRONT, SpotPath.BACK: SpotName.BACK}
SURFACES = """[[lens.surfaces]]
radius_mm = "plano"

[[lens.surfaces]]
radius_mm = -51.9
coating = "antireflection"
reflectance = 0.0025
"""


def plano_setup() -> Any:
    """Plano first, the second surface coated: returns of 0.52 mm and, 3,000 times dimmer, of 7.5 mm."""
    example = example_setup()
    text = example.recipe_file.text
    begin, end = text.index("[[lens.surfaces]]"), text.index("[tolerance]")
    return setup_from_texts(example.bench_file.text, text[:begin] + SURFACES + "\n" + text[end:], "B", "R")


def expected(sim: Any, pose: Any) -> dict[SpotName, Expectation]:
    truth = sim.truth()
    poses = np.asarray(pose, float)[None]
    found = {}
    for path, name in {**PAIR, SpotPath.TRANSMITTED: SpotName.TRANSMITTED}.items():
        landing = trace(truth.lens, truth.layout, truth.beam, poses, (path,))[path]
        shape = beam_on_plate(truth.lens, truth.layout, truth.beam, poses, path)
        radius = float(np.sqrt(np.sqrt(np.linalg.det(shape.radius_matrix[0]))))
        found[name] = Expectation(
            landing.landing_mm[0], np.eye(2) * 0.15**2, radius, 0.05, float(landing.power_fraction[0])
        )
    return found


class OneExposure(MeasuresFrames):
    def longer(self, *_: Any) -> tuple[float, ...]:
        return ()


def ready(rig: Any, measures: MeasuresFrames) -> Eyes:
    """Eyes with both plates mapped and the lens in."""
    eyes = Eyes(rig.bench, rig.record.add_frame, measures)
    rig.bench.motion.connect()
    eyes.map_plates()
    rig.sim.lens_handler.lens_in()
    return eyes


def returns_of(rig: Any, eyes: Eyes) -> tuple[Any, dict[SpotName, float]]:
    """What is said of both spots, and how far each return is from where it lands."""
    awaited = expected(rig.sim, rig.sim.truth().pose)
    seen = eyes.look(2, awaited)
    assert not rig.sim.truth().shutter_open
    measured = {name: seen[name] for name in PAIR.values()}
    return seen, {
        name: float(np.hypot(*(spot.center_mm - awaited[name].center_mm)))
        for name, spot in measured.items()
        if isinstance(spot, Spot)
    }


def test_one_exposure_that_cannot_serve_both_returns_is_bracketed(make_rig: Callable[..., Any]) -> None:
    rig = make_rig(setup=plano_setup())
    eyes = ready(rig, MeasuresFrames())
    seen, off_mm = returns_of(rig, eyes)
    taken = [frame["exposure_s"] for frame in rig.record.frames if frame["purpose"] == "returns"]
    assert max(taken) > 20.0 * min(taken)
    assert eyes.last is not None
    merged = eyes.last.shots["returns"].image
    assert merged.exposure_s == max(taken)
    assert merged.sensor.full_scale_dn > 20 * eyes.bench.hole.sensor.full_scale_dn
    for name, room_mm in ((SpotName.FRONT, 0.05), (SpotName.BACK, 0.15)):
        spot = seen[name]
        assert isinstance(spot, Spot), spot
        sigma_mm = np.sqrt(np.linalg.eigvalsh(spot.covariance_mm2).max())
        assert off_mm[name] < room_mm
        assert off_mm[name] < 4.0 * np.hypot(sigma_mm, 0.01)  # with what the map does not know

    # The control: with one exposure the dim return is lost, or much less sure.
    other = make_rig(setup=plano_setup())
    plain, _ = returns_of(other, ready(other, OneExposure()))
    dim = plain[SpotName.BACK]
    wide = seen[SpotName.BACK].covariance_mm2
    assert isinstance(dim, NoSpot) or np.trace(dim.covariance_mm2) > 4.0 * np.trace(wide)


def test_where_one_exposure_serves_no_other_is_taken(make_rig: Callable[..., Any]) -> None:
    rig = make_rig()
    eyes = ready(rig, MeasuresFrames())
    returns_of(rig, eyes)
    before = len(rig.record.frames)
    eyes.look(2, expected(rig.sim, rig.sim.truth().pose))
    taken = [frame["exposure_s"] for frame in rig.record.frames[before:] if frame["purpose"] == "returns"]
    assert len(taken) == 2
    assert len(set(taken)) == 1


def test_saturation_that_no_exposure_avoids_is_reported_and_survived(make_rig: Callable[..., Any]) -> None:
    """A camera that cannot expose shorter: ten times too bright."""
    rig = make_rig()
    eyes = ready(rig, MeasuresFrames())
    returns_of(rig, eyes)
    assert eyes.last is not None
    short_s = 10.0 * eyes.last.shots["returns"].image.exposure_s
    hole = rig.bench.hole
    limits = hole.table.exposure.model_copy(update={"shortest_s": short_s, "first_s": short_s})
    rig.bench.hole = replace(hole, table=hole.table.model_copy(update={"exposure": limits}))
    eyes._exposure_s.clear()
    seen, off_mm = returns_of(rig, eyes)
    assert np.mean(eyes.last.shots["returns"].image.pixels >= 4095) > 0.005
    for name in PAIR.values():
        spot = seen[name]
        assert isinstance(spot, Spot), spot
        assert Flag.CLIPPED_PIXELS in spot.flags
        assert off_mm[name] < 0.15
        assert off_mm[name] ** 2 < 20.0 * (np.linalg.eigvalsh(spot.covariance_mm2).max() + 0.01**2)
