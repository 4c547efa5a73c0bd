"""How long a pair of frames takes, and how that compares with a plain full-frame renderer in the same run.

    python benchmarks/bench_render.py

The plain renderer does the same physics in float64 over whole frames, with numpy only, from the same
maps. The mean pictures are compared first, so that the ratio is between equal pictures. One core; processor
time, so that other work on the machine counts little.
"""

from __future__ import annotations

import json
import math
import os
import statistics
import time

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ[name] = "1"

import cv2  # noqa: E402  after the number of threads is set
import numpy as np  # noqa: E402  as above

from sim.scene import Scene  # noqa: E402  as above
from sim.scene_camera import REFERENCE_RETURN_PER_MM2  # noqa: E402  as above
from sim.scene_example import EXPOSURE_RETURNS_S, EXPOSURE_TRANSMITTED_S, example_scene  # noqa: E402  as above
from sim.scene_spots import TrueSpot  # noqa: E402  as above
from sim.scene_state import SceneState  # noqa: E402  as above

EXPOSURES = {"hole_camera": EXPOSURE_RETURNS_S, "reference_camera": EXPOSURE_TRANSMITTED_S}
REPEATS = 21
PLAIN_REPEATS = 5
BUDGET_MS = 80.0
NEW_PLACE = "new place"


class PlainCamera:
    """The same camera, rendered without regions of interest, float32 or OpenCV."""

    def __init__(self, scene: Scene, name: str) -> None:
        self.scene, self.name = scene, name
        self.camera = scene.camera(name)
        self.setting = self.camera._setting(0.0)
        self.x, self.y = (values.astype(float) for values in self.camera.view().maps_mm())
        self.response, self.room, self.lamp = (
            values.astype(float) for values in (self.setting.response, self.setting.room, self.setting.lamp)
        )
        self.rng = np.random.default_rng(1)

    def gaussian(self, spot: TrueSpot, share: float, grown: float) -> np.ndarray:
        matrix = spot.radius_matrix_mm2 * grown**2 + 4 * self.setting.painter.blur_mm2
        inverse = np.linalg.inv(matrix)
        dx, dy = self.x - spot.bench_mm[0], self.y - spot.bench_mm[1]
        peak = 2 * spot.power * share / (math.pi * math.sqrt(np.linalg.det(matrix)))
        square = inverse[0, 0] * dx**2 + 2 * inverse[0, 1] * dx * dy + inverse[1, 1] * dy**2
        return peak * np.exp(-2 * square)

    def phase(self, spot: TrueSpot, wave_number: float) -> np.ndarray:
        dx, dy = self.x - spot.bench_mm[0], self.y - spot.bench_mm[1]
        curve = spot.curvature_per_mm
        bent = curve[0, 0] * dx**2 + 2 * curve[0, 1] * dx * dy + curve[1, 1] * dy**2
        return spot.phase_rad + wave_number * (
            spot.direction_xy[0] * dx + spot.direction_xy[1] * dy + bent / 2
        )

    def slope(self, spot: TrueSpot, wave_number: float) -> tuple[np.ndarray, np.ndarray]:
        dx, dy = self.x - spot.bench_mm[0], self.y - spot.bench_mm[1]
        curve = spot.curvature_per_mm
        return (
            wave_number * (spot.direction_xy[0] + curve[0, 0] * dx + curve[0, 1] * dy),
            wave_number * (spot.direction_xy[1] + curve[0, 1] * dx + curve[1, 1] * dy),
        )

    def electrons(self, state: SceneState, exposure_s: float) -> np.ndarray:
        nuisances, setup = self.scene.nuisances, self.camera.setup
        scale = setup.beam_rate_e_mm2_per_s * setup.filter_transmission * exposure_s
        lit, power = self.scene._lit(self.camera, state)
        spots = [spot for spot in lit if spot.lit]
        light = np.full(self.x.shape, nuisances.stray_per_mm2)
        whole = (slice(0, self.x.shape[0]), slice(0, self.x.shape[1]))
        cores = []
        for number, spot in enumerate(spots):
            core = self.gaussian(spot, 1 - nuisances.halo_fraction, 1.0)
            pattern = self.setting.speckle.pattern(whole, number, spot.center_mm).astype(float)
            core *= 1 - self.setting.contrast + self.setting.contrast * pattern
            cores.append(core)
            light += core + self.gaussian(spot, nuisances.halo_fraction, nuisances.halo_width)
        if len(cores) >= 2:
            wave_number = 2 * math.pi / (self.scene.beam_at(state.time_s).wavelength_nm * 1e-6)
            one, two = spots[0], spots[1]
            angle = self.phase(one, wave_number) - self.phase(two, wave_number)
            steep = [
                a - b for a, b in zip(self.slope(one, wave_number), self.slope(two, wave_number), strict=True)
            ]
            blur = np.trace(self.setting.painter.blur_mm2) / 2
            washed = np.exp(-(steep[0] ** 2 + steep[1] ** 2) * blur / 2)
            light += 2 * nuisances.fringe_visibility * washed * np.sqrt(cores[0] * cores[1]) * np.cos(angle)
        picture = power * light * self.response * scale
        unit = REFERENCE_RETURN_PER_MM2 * scale
        picture += self.room * unit * nuisances.room_level * self.camera._flicker(state.time_s, exposure_s)
        if state.lamp_on:
            picture += self.lamp * unit * nuisances.lamp_brightness
        return picture

    def frame(self, state: SceneState, exposure_s: float) -> np.ndarray:
        electrons = self.electrons(state, exposure_s)
        sensor, pattern = self.camera.setup.sensor, self.camera._pattern
        assert pattern is not None
        electrons.ravel()[pattern.hot_index] += pattern.hot_e_per_s * exposure_s
        noisy = electrons + np.sqrt(electrons + sensor.read_noise_e**2) * self.rng.standard_normal(
            self.x.shape
        )
        noisy = np.minimum(noisy, self.scene.nuisances.full_well_e)
        noisy += pattern.offset_steps * pattern.offset_step_e
        digits = np.rint(noisy / sensor.gain_e_per_dn + sensor.black_level_dn)
        return np.clip(digits, 0, sensor.full_scale_dn).astype(np.uint16)


def timed_ms(job, repeats: int) -> list[float]:
    times = []
    for number in range(repeats):
        begin = time.process_time()
        job(number)
        times.append((time.process_time() - begin) * 1e3)
    return times


def main() -> None:
    cv2.setNumThreads(1)
    scene = example_scene(seed=1)
    null = scene.aligned_pose()
    start = (null[0] + 0.7, null[1] - 0.4, null[2] - 5.2, null[3] + 8.7)
    states = {
        "aligned": SceneState(null),
        "start": SceneState(start),
        "lamp on": SceneState(start, shutter_open=False, lamp_on=True),
        NEW_PLACE: SceneState(start),
    }
    plain = {name: PlainCamera(scene, name) for name in scene.camera_names}
    rows = {}
    print(
        f"{'state':<10} {'ms per pair':>12} {'plain':>9} {'ratio':>7} {'largest difference of the means':>34}"
    )
    for label, state in states.items():
        worst = max(
            float(np.abs(scene.mean_electrons(name, state, t) - plain[name].electrons(state, t)).max())
            for name, t in EXPOSURES.items()
        )

        # A first frame of a place has the spots painted, a second one of it only read out anew.
        step_mm = 0.01 if label == NEW_PLACE else 0.0

        def ours(number: int, base: SceneState = state, step_mm: float = step_mm) -> None:
            x_mm, *rest = base.pose
            for name, exposure_s in EXPOSURES.items():
                scene.render(
                    name,
                    SceneState(
                        (x_mm + step_mm * number, *rest),
                        base.shutter_open,
                        base.lamp_on,
                        0.1 * number,
                        number,
                    ),
                    exposure_s,
                )

        def theirs(_: int, base: SceneState = state) -> None:
            for name, exposure_s in EXPOSURES.items():
                plain[name].frame(base, exposure_s)

        ms = statistics.median(timed_ms(ours, REPEATS))
        plain_ms = statistics.median(timed_ms(theirs, PLAIN_REPEATS))
        rows[label] = {"ms": round(ms, 1), "plain_ms": round(plain_ms, 1), "difference_e": round(worst, 2)}
        print(f"{label:<10} {ms:>12.1f} {plain_ms:>9.1f} {plain_ms / ms:>7.1f} {worst:>31.2f} e-")
    worst_ms = max(row["ms"] for row in rows.values())
    total, plain_total = (sum(row[key] for row in rows.values()) for key in ("ms", "plain_ms"))
    result = {
        "ms_per_pair": worst_ms,
        "budget_ms": BUDGET_MS,
        "within_budget": worst_ms <= BUDGET_MS,
        "ratio_to_plain": round(plain_total / total, 1),
        "states": rows,
    }
    print(json.dumps(result))


if __name__ == "__main__":
    main()
