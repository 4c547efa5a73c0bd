"""How well plates are mapped, and knocks noticed, on frames of simulated benches with distorting cameras.

    python benchmarks/plate_figures.py [--benches 25] [--seed N]

On each bench both plates are mapped from four lit frames each; then come eight looks on which nothing has
moved and four on which a camera or a plate was knocked by 0.1 mm in a random direction. Every look is
checked as a run does it: on the beam's frame, and on a lit one where that shows no marks. The last line is
one JSON object; status 1 where a bar is missed.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import replace
from typing import Any

import cv2
import numpy as np

from sim.camera_geometry import CameraSetup
from sim.scene import Scene, SceneState
from sim.scene_example import (
    EXPOSURE_LAMP_S,
    EXPOSURE_RETURNS_S,
    EXPOSURE_TRANSMITTED_S,
    example_cameras,
    example_scene,
)
from sim.scene_nuisances import SceneNuisances
from vision.image import Image
from vision.map_check import MapState, check_map
from vision.plate_map import PlateMap, map_plate

cv2.setNumThreads(1)
BEAM_S = {"hole_camera": EXPOSURE_RETURNS_S, "reference_camera": EXPOSURE_TRANSMITTED_S}
REACH = {
    "hole_camera": (26.0, 19.0),
    "reference_camera": (16.0, 13.0),
}  # mm, that the camera sees of the plate
MAP_UM, HOLE_UM, KNOCK_MM = 10.0, 15.0, 0.1
KNOCK_S, QUIET, KNOCKS = 10.0, 8, 4
Rng = np.random.Generator


def cameras(rng: Rng) -> dict[str, CameraSetup]:
    """Return the example's cameras with lenses that distort, each its own way."""
    drawn = {}
    for name, setup in example_cameras().items():
        k1, k2 = rng.uniform(-0.2, 0.1), rng.uniform(-0.1, 0.1)
        p1, p2 = rng.uniform(-3e-4, 3e-4, 2)
        drawn[name] = replace(setup, distortion=(float(k1), float(k2), float(p1), float(p2), 0.0))
    return drawn


def image(scene: Scene, camera: str, state: SceneState) -> Image:
    exposure_s = EXPOSURE_LAMP_S[camera] if state.lamp_on else BEAM_S[camera]
    pixels = scene.render(camera, state, exposure_s)
    return Image(pixels, exposure_s, scene.camera(camera).setup.sensor)


def mapped(scene: Scene, camera: str) -> PlateMap:
    """Map a plate from the mean of four lit frames, as a run does."""
    frames = [image(scene, camera, SceneState(None, False, True, frame_number=n)) for n in range(4)]
    mean = np.mean([frame.pixels.astype(np.float32) for frame in frames], axis=0)
    lit = replace(frames[0], pixels=mean, frames=4)
    found = map_plate(lit, scene.camera(camera).plate, scene.camera(camera).setup.side)
    if not isinstance(found, PlateMap):
        raise SystemExit(f"{camera} could not map: {found}")
    return found


def map_error_um(scene: Scene, camera: str, plate_map: PlateMap) -> float:
    """Return the map's RMS error over the part of the plate that the camera sees."""
    across, down = REACH[camera]
    grid = np.meshgrid(np.linspace(-across, across, 9), np.linspace(-down, down, 9))
    points = np.stack(grid, axis=-1).reshape(-1, 2)
    error = plate_map.to_mm(scene.camera(camera).print_to_px(points)) - points
    return float(1e3 * np.sqrt((error**2).sum(axis=1).mean()))


def notices(scene: Scene, camera: str, plate_map: PlateMap, time_s: float, rng: Rng) -> bool:
    """Tell whether a look says that camera and plate moved against each other, or shows no marks any more."""
    pose = tuple(np.add(scene.aligned_pose(), rng.normal(0.0, (0.3, 0.3, 2.0, 2.0))))
    number = int(rng.integers(10, 10_000))
    state = SceneState(None, False, False, time_s=time_s, frame_number=number)
    plate = scene.camera(camera).plate
    check = check_map(image(scene, camera, replace(state, pose=pose, shutter_open=True)), plate, plate_map)
    if check.state is MapState.NOT_VISIBLE:
        check = check_map(image(scene, camera, replace(state, lamp_on=True)), plate, plate_map)
    return check.state is not MapState.HOLDS


def knocked(rng: Rng) -> SceneNuisances:
    """Knock a camera or a plate by 0.1 mm, any way in its plane."""
    angle = rng.uniform(0.0, 2.0 * np.pi)
    dx, dy = float(KNOCK_MM * np.cos(angle)), float(KNOCK_MM * np.sin(angle))
    if rng.random() < 0.5:
        return replace(SceneNuisances(), camera_knock_time_s=KNOCK_S, camera_knock_mm=(dx, dy, 0.0))
    return replace(SceneNuisances(), plate_knock_time_s=KNOCK_S, plate_knock_mm=(dx, dy))


def bench(seed: int) -> dict[str, Any]:
    """Return the figures of one bench."""
    rng = np.random.default_rng([seed, 77])
    setups = cameras(rng)
    scene = example_scene(seed=seed, cameras=setups)
    maps = {name: mapped(scene, name) for name in setups}
    hole, truth = maps["hole_camera"].hole, scene.true_hole("hole_target")
    if hole is None or truth is None:
        raise SystemExit(f"bench {seed}: the hole was not found: {maps['hole_camera'].notes}")
    quiet = [any(notices(scene, name, maps[name], KNOCK_S + n, rng) for name in maps) for n in range(QUIET)]
    noticed = []
    for _ in range(KNOCKS):
        camera = str(rng.choice(list(setups)))
        after = example_scene(knocked(rng), seed=seed, cameras=setups)
        noticed.append(notices(after, camera, maps[camera], KNOCK_S + 1.0, rng))
    return {
        "map_um": [map_error_um(scene, name, one) for name, one in maps.items()],
        "hole_um": float(1e3 * np.hypot(*(hole.center_mm - truth.center_mm))),
        "hole_stated_um": float(2e3 * np.sqrt(np.linalg.eigvalsh(hole.covariance_mm2).max())),
        "false_alarms": sum(quiet),
        "noticed": sum(noticed),
    }


def summary(found: list[dict[str, Any]]) -> dict[str, Any]:
    """Put the figures of all benches together."""
    maps = [value for one in found for value in one["map_um"]]
    holes = [one["hole_um"] for one in found]
    return {
        "benches": len(found),
        "map_rms_um": {"median": float(np.median(maps)), "worst": max(maps), "bar": MAP_UM},
        "hole_um": {"median": float(np.median(holes)), "worst": max(holes), "bar": HOLE_UM},
        "hole_stated_k2_um": {"worst": max(one["hole_stated_um"] for one in found), "bar": HOLE_UM},
        "knocks_noticed": [sum(one["noticed"] for one in found), KNOCKS * len(found)],
        "false_alarms": [sum(one["false_alarms"] for one in found), QUIET * len(found)],
    }


def misses_bar(total: dict[str, Any]) -> bool:
    """Tell whether a bar is missed."""
    figures = [total[name] for name in ("map_rms_um", "hole_um", "hole_stated_k2_um")]
    noticed, knocks = total["knocks_noticed"]
    return bool(
        any(one["worst"] > one["bar"] for one in figures) or noticed < knocks or total["false_alarms"][0]
    )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--benches", type=int, default=25)
    parser.add_argument("--seed", type=int, default=1, help="of the first bench")
    options = parser.parse_args()
    found = []
    for seed in range(options.seed, options.seed + options.benches):
        found.append(bench(seed))
        print(f"bench {seed}: {json.dumps(found[-1])}", flush=True)
    total = summary(found)
    print(json.dumps(total))
    sys.exit(misses_bar(total))


if __name__ == "__main__":
    main()
