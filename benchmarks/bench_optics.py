"""Poses per second of the exact trace, against plain peers in the same run.

Peers: a straightforward loop over poses with numpy vectors of three, as one writes it first, and, where
it is installed (the `oracle` extra), the general-purpose ray tracer batoid, once with its surfaces placed
anew for each pose and once as fast as it goes: all rays at once, turned into the frame of a lens that
stands still. Like the peers, `spot_coordinates` finds landing points only; `full` adds powers, vignetting
and path lengths. All run on one core. The last line is one JSON object.
"""

from __future__ import annotations

import json
import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import time
from collections.abc import Callable

import numpy as np

from optics.families import REF_BEAM, REF_LAYOUT, REF_LENS
from optics.gaussian import beam_on_plate
from optics.paths import Action, Plate, ray_path
from optics.spots import THREE_SPOTS, spot_coordinates, spot_jacobian
from optics.trace import SpotPath, trace

try:
    import batoid
except ImportError:
    batoid = None

POSES = np.random.default_rng(0).normal(size=(400_000, 4)) * (1.0, 1.0, 10.0, 10.0)
MANY, FEW = len(POSES), 300


def rate(work: Callable[[np.ndarray], object], count: int, rounds: int = 5) -> float:
    """Best of some rounds: poses per second."""
    work(POSES[: min(count, 5000)])
    best = np.inf
    for _ in range(rounds):
        begin = time.perf_counter()
        work(POSES[:count])
        best = min(best, time.perf_counter() - begin)
    return count / best


def one_call_ms(work: Callable[[np.ndarray], object], calls: int = 500) -> float:
    """Median time of a call with a single pose."""
    times = []
    for pose in POSES[:calls]:
        begin = time.perf_counter()
        work(pose)
        times.append(time.perf_counter() - begin)
    return float(np.median(times) * 1e3)


def lens_places(pose: np.ndarray) -> tuple[np.ndarray, list[np.ndarray]]:
    rx, ry = pose[2:] * 1e-3
    about_x = np.array(((1, 0, 0), (0, np.cos(rx), -np.sin(rx)), (0, np.sin(rx), np.cos(rx))))
    about_y = np.array(((np.cos(ry), 0, np.sin(ry)), (0, 1, 0), (-np.sin(ry), 0, np.cos(ry))))
    turn = about_y @ about_x
    vertex = np.array((pose[0], pose[1], REF_LAYOUT.l1_mm))
    return turn, [vertex, vertex + turn[:, 2] * REF_LENS.thickness_mm]


def plain_loop(poses: np.ndarray) -> np.ndarray:
    """One pose and one path at a time, vectors of three, spheres by their centres."""
    indices = REF_LENS.indices(REF_BEAM.wavelength_nm)
    spots = np.empty((len(poses), 6))
    for row, pose in enumerate(poses):
        turn, vertices = lens_places(pose)
        for column, name in enumerate(THREE_SPOTS):
            path = ray_path(name, 2)
            point, way = np.zeros(3), np.array((0.0, 0.0, 1.0))
            space, sense = 0, 1
            for number, action in path.steps:
                radius = REF_LENS.surfaces[number].radius_mm
                centre = vertices[number] + turn[:, 2] * radius
                to_centre = point - centre
                b = to_centre @ way
                root = np.sqrt(b * b - to_centre @ to_centre + radius * radius)
                near, far = -b - root, -b + root
                if abs((point + far * way - vertices[number]) @ turn[:, 2]) < abs(
                    (point + near * way - vertices[number]) @ turn[:, 2]
                ):
                    near = far
                point = point + near * way
                normal = (centre - point) / radius
                cosine = way @ normal
                if action is Action.REFLECT:
                    way = way - 2 * cosine * normal
                    sense = -sense
                else:
                    ratio = indices[space] / indices[space + sense]
                    space += sense
                    out = np.sign(cosine) * np.sqrt(1 - ratio**2 * (1 - cosine**2))
                    way = ratio * way + (out - ratio * cosine) * normal
            z = 0.0 if path.plate is Plate.HOLE_TARGET else REF_LAYOUT.l1_mm + 4.0 + REF_LAYOUT.l2_mm
            point = point + (z - point[2]) / way[2] * way
            spots[row, 2 * column : 2 * column + 2] = point[:2]
    return spots


def batoid_loop(poses: np.ndarray) -> np.ndarray:
    """The general-purpose tracer, surfaces placed anew for each pose."""
    media = [batoid.ConstMedium(n) for n in REF_LENS.indices(REF_BEAM.wavelength_nm)]
    spheres = [batoid.Sphere(surface.radius_mm) for surface in REF_LENS.surfaces]
    plane, hole = batoid.Plane(), batoid.CoordSys()
    reference = batoid.CoordSys((0, 0, REF_LAYOUT.l1_mm + REF_LENS.thickness_mm + REF_LAYOUT.l2_mm))
    spots = np.empty((len(poses), 6))
    for row, pose in enumerate(poses):
        turn, vertices = lens_places(pose)
        places = [batoid.CoordSys(vertex, turn) for vertex in vertices]
        for column, name in enumerate(THREE_SPOTS):
            path = ray_path(name, 2)
            ray = batoid.RayVector(*([np.array([value]) for value in (0.0, 0.0, 0.0, 0.0, 0.0, 1.0)]))
            space, sense = 0, 1
            for number, action in path.steps:
                if action is Action.REFLECT:
                    spheres[number].reflect(ray, coordSys=places[number])
                    sense = -sense
                else:
                    spheres[number].refract(ray, media[space], media[space + sense], coordSys=places[number])
                    space += sense
            plane.intersect(ray, coordSys=hole if path.plate is Plate.HOLE_TARGET else reference)
            spots[row, 2 * column : 2 * column + 2] = ray.r[0, :2]
    return spots


def batoid_batch(poses: np.ndarray) -> np.ndarray:
    """The general-purpose tracer with all rays at once in the lens's own frame; numpy does the turning."""
    media = [batoid.ConstMedium(n) for n in REF_LENS.indices(REF_BEAM.wavelength_nm)]
    spheres = [batoid.Sphere(surface.radius_mm) for surface in REF_LENS.surfaces]
    places = [batoid.CoordSys(), batoid.CoordSys((0, 0, REF_LENS.thickness_mm))]
    rx, ry = poses[:, 2] * 1e-3, poses[:, 3] * 1e-3
    sx, cx, sy, cy, zero = np.sin(rx), np.cos(rx), np.sin(ry), np.cos(ry), np.zeros(len(poses))
    turn = np.array(((cy, sy * sx, sy * cx), (zero, cx, -sx), (-sy, cy * sx, cy * cx)))  # (3, 3, N)
    vertex = np.array((poses[:, 0], poses[:, 1], np.full(len(poses), REF_LAYOUT.l1_mm)))
    start = np.einsum("ijn,in->jn", turn, -vertex)
    spots = np.empty((len(poses), 6))
    for column, name in enumerate(THREE_SPOTS):
        path = ray_path(name, 2)
        ray = batoid.RayVector(*start, *turn[2])
        space, sense = 0, 1
        for number, action in path.steps:
            if action is Action.REFLECT:
                spheres[number].reflect(ray, coordSys=places[number])
                sense = -sense
            else:
                spheres[number].refract(ray, media[space], media[space + sense], coordSys=places[number])
                space += sense
        ray.toCoordSys(batoid.CoordSys())
        point = np.einsum("ijn,nj->in", turn, ray.r) + vertex
        way = np.einsum("ijn,nj->in", turn, ray.v)
        z = 0.0 if path.plate is Plate.HOLE_TARGET else REF_LAYOUT.l1_mm + 4.0 + REF_LAYOUT.l2_mm
        spots[:, 2 * column : 2 * column + 2] = (point + (z - point[2]) / way[2] * way)[:2].T
    return spots


def main() -> None:
    bench = (REF_LENS, REF_LAYOUT, REF_BEAM)
    figures: dict[str, float] = {
        "three_spots_full_poses_per_s": rate(lambda p: trace(*bench, p, THREE_SPOTS), MANY),
        "all_paths_full_poses_per_s": rate(lambda p: trace(*bench, p), MANY),
        "spot_coordinates_poses_per_s": rate(lambda p: spot_coordinates(*bench, p), MANY),
        "spot_jacobian_poses_per_s": rate(lambda p: spot_jacobian(*bench, p), MANY // 8, 3),
        "gaussian_one_path_poses_per_s": rate(
            lambda p: beam_on_plate(*bench, p, SpotPath.BACK), MANY // 8, 3
        ),
        "one_pose_spot_coordinates_ms": one_call_ms(lambda p: spot_coordinates(*bench, p)),
        "one_pose_spot_jacobian_ms": one_call_ms(lambda p: spot_jacobian(*bench, p)),
    }
    ours = spot_coordinates(*bench, POSES[:FEW])
    peers = {"plain_loop": (plain_loop, FEW)}
    if batoid is None:
        print("batoid is not installed (extra `oracle`); its rows are left out")
    else:
        peers |= {"batoid_loop": (batoid_loop, FEW), "batoid_batch": (batoid_batch, MANY // 4)}
    for peer, (work, count) in peers.items():
        figures[f"{peer}_poses_per_s"] = rate(work, count, 3)
        for ours_name in ("three_spots_full", "spot_coordinates"):
            ratio = figures[f"{ours_name}_poses_per_s"] / figures[f"{peer}_poses_per_s"]
            figures[f"ratio_{ours_name}_to_{peer}"] = ratio
        figures[f"worst_difference_to_{peer}_mm"] = float(np.abs(work(POSES[:FEW]) - ours).max())
    for name, value in figures.items():
        print(f"{name:40s} {f'{value:,.4g}' if value < 1 else f'{value:,.1f}'}")
    print(json.dumps({name: float(f"{value:.4g}") for name, value in figures.items()}))


if __name__ == "__main__":
    main()
