"""Light of the spots against Fresnel, Gaussian-beam integrals, ISO 11146-1 and two-beam interference."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy.signal import find_peaks
from scipy.special import ndtr

from optics.layout import Beam
from optics.lens import Lens
from optics.trace import SpotPath
from sim.camera_geometry import CameraSetup
from sim.scene import Scene
from sim.scene_example import example_beam, example_layout, example_lens, example_scene
from sim.scene_nuisances import SceneNuisances
from sim.scene_state import SceneState
from vision.plate import PlateSpec

RATE = 8e7
QUIET = SceneNuisances.none()
SHARP = dataclasses.replace(QUIET, paper_albedo=1.0)


def blank(hole_radius_mm: float | None) -> PlateSpec:
    return PlateSpec("target", 70.0, 70.0, "downstream", hole_radius_mm, {})


def straight_camera(field_mm: float = 40.0, **changes: float) -> CameraSetup:
    plain = CameraSetup(
        plate="target", width_px=640, height_px=640, field_mm=field_mm, view_angle_deg=0.0,
        focal_px=2e5, distortion=(0.0,) * 5, blur_px=0.0, beam_rate_e_mm2_per_s=RATE,
    )  # fmt: skip
    return dataclasses.replace(plain, **changes)


def scene_of(
    lens: Lens | None = None,
    hole_radius_mm: float = 0.01,
    nuisances: SceneNuisances = SHARP,
    camera: CameraSetup | None = None,
    beam: Beam | None = None,
) -> Scene:
    """One plate with the returns; a hole of 10 um hides less than 2e-5 of a return."""
    plates = {"target": blank(hole_radius_mm)}
    camera = camera or straight_camera()
    return Scene(
        lens or example_lens(),
        example_layout(),
        beam or example_beam(),
        plates,
        {"eye": camera},
        nuisances,
        1,
    )


def light_per_mm2(scene: Scene, pose: tuple[float, float, float, float] | None) -> np.ndarray:
    """Irradiance in beam powers per mm2 on the plate, as the camera sees it."""
    return scene.mean_electrons("eye", SceneState(pose), 1.0).astype(float) / RATE


def plate_of_pixels(scene: Scene) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Plate x, y and area per pixel."""
    x, y = (values.astype(float) for values in scene.camera("eye").view().maps_mm())
    (x_down, x_right), (y_down, y_right) = np.gradient(x), np.gradient(y)
    return x, y, np.abs(x_right * y_down - x_down * y_right)


def with_only(path: SpotPath, scene: Scene, monkeypatch: pytest.MonkeyPatch) -> Scene:
    """Let one of the two returns through only; both always come at once otherwise."""
    both = scene._spots_on
    monkeypatch.setattr(
        scene, "_spots_on", lambda *args, **kw: tuple(s for s in both(*args, **kw) if s.path is path)
    )
    return scene


@pytest.mark.parametrize("angle_deg", [0.0, 45.0])
def test_power_on_the_plate_is_what_fresnel_reflects(
    angle_deg: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Fresnel at normal incidence, N-BK7 at 532 nm: 4.2511 % (textbook formula, recomputed).
    index = 1.519472583065
    fresnel = ((index - 1) / (index + 1)) ** 2
    assert fresnel == pytest.approx(0.042511, abs=1e-6)
    camera = straight_camera(view_angle_deg=angle_deg, focal_px=4000.0)
    scene = with_only(SpotPath.FRONT, scene_of(camera=camera), monkeypatch)
    _, _, area = plate_of_pixels(scene)
    column = (np.arange(640) - 319.5) / 4000.0
    cos4 = 1 / (1 + column[None, :] ** 2 + column[:, None] ** 2) ** 2
    total = float((light_per_mm2(scene, (0, 0, 0, 0)) / cos4 * area).sum())
    assert total == pytest.approx(fresnel, rel=2e-4)


@pytest.mark.parametrize("hole_radius_mm", [1.0, 2.0, 3.0])
def test_hole_lets_exp_minus_2_a2_over_w2_of_the_light_stay(
    hole_radius_mm: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Integral of a centred Gaussian outside a circle: exp(-2 a^2 / w^2).
    w_mm = 3.165645932  # of the reference case's front return
    whole = with_only(SpotPath.FRONT, scene_of(), monkeypatch)
    drilled = with_only(SpotPath.FRONT, scene_of(hole_radius_mm=hole_radius_mm), monkeypatch)
    rest = light_per_mm2(drilled, (0, 0, 0, 0)).sum() / light_per_mm2(whole, (0, 0, 0, 0)).sum()
    assert rest == pytest.approx(math.exp(-2 * hole_radius_mm**2 / w_mm**2), rel=2e-3)


def test_naive_centroid_beside_the_hole_has_gain_1_plus_2_a2_over_w2(monkeypatch: pytest.MonkeyPatch) -> None:
    # First order of the same integral with the spot a little off the hole's centre.
    w_mm, a_mm = 3.165645932, 2.0
    scene = with_only(SpotPath.FRONT, scene_of(hole_radius_mm=a_mm), monkeypatch)
    x, y, _ = plate_of_pixels(scene)
    shift = 0.05 / 5.859375  # front return: -2 L1 / R1 per mm of decenter
    light = light_per_mm2(scene, (-shift, 0, 0, 0))
    landed = scene.truth(SceneState((-shift, 0, 0, 0))).spots[SpotPath.FRONT].center_mm
    assert landed == pytest.approx([0.05, 0.0], abs=1e-5)
    assert (light * x).sum() / light.sum() == pytest.approx(0.05 * (1 + 2 * a_mm**2 / w_mm**2), rel=0.01)
    assert (light * y).sum() / light.sum() == pytest.approx(0.0, abs=1e-4)


@pytest.mark.parametrize(("path", "w_mm"), [(SpotPath.FRONT, 3.165645932), (SpotPath.BACK, 4.822629728)])
def test_second_moments_are_those_of_iso_11146_1(
    path: SpotPath, w_mm: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    # ISO 11146-1:2021 (from memory): beam width D4sigma = 4 sigma (second moment), 2 w for a Gaussian.
    scene = with_only(path, scene_of(camera=straight_camera(60.0)), monkeypatch)
    x, _, _ = plate_of_pixels(scene)
    light = light_per_mm2(scene, (0, 0, 0, 0))
    centre = (light * x).sum() / light.sum()
    d4sigma = 4 * math.sqrt((light * (x - centre) ** 2).sum() / light.sum())
    assert d4sigma == pytest.approx(2 * w_mm, rel=1e-3)


def test_blur_and_pixel_widen_a_small_spot_by_their_variances(monkeypatch: pytest.MonkeyPatch) -> None:
    # Variances add under convolution; a pixel is a box with variance 1/12.
    lens = Lens.singlet("weak", 519.0, -519.0, 3.0, "N-BK7", 25.4)  # back return 0.57 mm
    scene = with_only(SpotPath.BACK, scene_of(lens, camera=straight_camera(60.0, blur_px=1.5)), monkeypatch)
    x, _, _ = plate_of_pixels(scene)
    light = light_per_mm2(scene, (0, 0, 0, 0))
    variance = (light * x**2).sum() / light.sum() - ((light * x).sum() / light.sum()) ** 2
    spot = scene.truth(SceneState((0, 0, 0, 0))).spots[SpotPath.BACK]
    expected = spot.radius_matrix_mm2[0, 0] / 4 + (60 / 640) ** 2 * (1.5**2 + 1 / 12)
    assert variance == pytest.approx(expected, rel=5e-3)


def return_matrices() -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Textbook ray matrices of front and back return, from the beam's waist to the hole target."""
    n, radius, thickness = 1.519472583065, 102.4, 4.0

    def way(length: float) -> np.ndarray:
        return np.array([[1, length], [0, 1]])

    enter = np.array([[1, 0], [(1 - n) / (radius * n), 1 / n]])
    leave = np.array([[1, 0], [(1 - n) / radius, n]])  # outward through the front, seen from inside
    front_mirror = np.array([[1, 0], [2 / radius, 1]])  # convex towards the beam
    back_mirror = np.array([[1, 0], [-2 / radius, 1]])  # concave towards the beam
    l1 = way(300.0)
    front = [way(200.0), l1, front_mirror, l1]
    back = [way(200.0), l1, enter, way(thickness), back_mirror, way(thickness), leave, l1]
    return front, back


def carried(matrices: list[np.ndarray]) -> tuple[complex, float]:
    """1/q (1/mm) and Gouy phase of the beam after ray matrices (Kogelnik & Li, Appl. Opt. 5, 1550 (1966)).

    Fields as exp(+ikz): 1/q = 1/R + i lambda / (pi w^2), amplitude on the axis as 1 / (A + B/q).
    """
    start = 1j * 532e-6 / (math.pi * 0.4**2)
    (a, b), (c, d) = np.linalg.multi_dot(matrices[::-1])
    return (c + d * start) / (a + b * start), float(np.angle(a + b * start))


def test_interference_rings_stand_where_two_spherical_waves_agree() -> None:
    # Two-beam interference of concentric waves: r_m^2 grows by 2 lambda / (C1 - C2) per ring (Hecht).
    camera = straight_camera(12.0)
    plain = scene_of(camera=camera)
    fringed = scene_of(camera=camera, nuisances=dataclasses.replace(SHARP, fringe_visibility=1.0))
    x, y, _ = plate_of_pixels(plain)
    ratio = light_per_mm2(fringed, (0, 0, 0, 0)) / light_per_mm2(plain, (0, 0, 0, 0))
    square = x**2 + y**2
    bins = np.linspace(0.05, 12.0, 240)
    which = np.digitize(square.ravel(), bins)
    profile = np.array([ratio.ravel()[which == i].mean() for i in range(1, len(bins))])
    peaks, _ = find_peaks(profile, prominence=0.1)
    at = (bins[peaks] + bins[peaks + 1]) / 2
    front, back = (carried(chain)[0].real for chain in return_matrices())
    spacing = np.polyfit(np.arange(len(at)), at, 1)[0]
    assert len(at) >= 4
    assert spacing == pytest.approx(2 * 532e-6 / abs(front - back), rel=0.01)
    first_ring_mm = math.sqrt(2 * 532e-6 / abs(front - back))
    assert 0.5 < first_ring_mm < 2.0  # common practice, no source


def test_middle_of_the_rings_has_the_phase_of_the_path_through_the_glass() -> None:
    # Path difference 2 n t, Gouy phases, half a wave for the reflection at the denser medium (Hecht, ch. 9).
    camera = straight_camera(2.0)
    plain = scene_of(camera=camera)
    fringed = scene_of(camera=camera, nuisances=dataclasses.replace(SHARP, fringe_visibility=1.0))
    # Off the middle, for there is the hole; its radius is 10 um and the first ring's 0.6 mm.
    ratio = (light_per_mm2(fringed, (0, 0, 0, 0)) / light_per_mm2(plain, (0, 0, 0, 0)))[320, 330]
    (front, front_gouy), (back, back_gouy) = (carried(chain) for chain in return_matrices())
    strengths = np.array([0.0425 * front.imag, 0.0390 * back.imag])
    square = (10.5 * 2.0 / 640) ** 2
    wave_number = 2 * math.pi / 532e-6
    phase = -wave_number * 2 * 1.519472583065 * 4.0 - (front_gouy - back_gouy) + math.pi
    phase += wave_number * (front.real - back.real) * square / 2
    expected = 1 + 2 * math.sqrt(strengths.prod()) / strengths.sum() * math.cos(phase)
    assert ratio == pytest.approx(expected, abs=0.02)
    assert abs(expected - 1) > 0.1


def test_fringe_contrast_is_the_visibility_for_equal_waves() -> None:
    visibility = 0.4
    plain = scene_of(camera=straight_camera(6.0))
    fringed = scene_of(
        camera=straight_camera(6.0), nuisances=dataclasses.replace(SHARP, fringe_visibility=visibility)
    )
    spots = plain.truth(SceneState((0, 0, 0, 0))).spots
    peaks = [spots[path].peak_per_mm2 for path in (SpotPath.FRONT, SpotPath.BACK)]
    ratio = light_per_mm2(fringed, (0, 0, 0, 0)) / light_per_mm2(plain, (0, 0, 0, 0))
    x, y, _ = plate_of_pixels(plain)
    middle = ratio[x**2 + y**2 < 1.0]
    expected = visibility * 2 * math.sqrt(peaks[0] * peaks[1]) / sum(peaks)
    assert (middle.max() - middle.min()) / 2 == pytest.approx(expected, rel=0.03)


def test_returns_fill_the_well_and_the_transmitted_spot_drowns_it() -> None:
    # Full well 10 000 e-; at 20 ms the returns reach about 60 % of it, the transmitted spot 25 times all.
    # Nothing printed here: the cross of the reference target stands right where the spot lands.
    nuisances = dataclasses.replace(SceneNuisances(), speckle_contrast=0.0, ink_albedo=0.85)
    scene = example_scene(nuisances, seed=3)
    state = SceneState(scene.aligned_pose())
    returns = scene.mean_electrons("hole_camera", state, 0.02)
    assert 0.45 < float(np.percentile(returns[400:600, 550:740], 99.5)) / nuisances.full_well_e < 0.75
    transmitted = scene.mean_electrons("reference_camera", state, 0.02)
    assert float(transmitted.max()) > 25 * nuisances.full_well_e


def test_halo_holds_its_share_of_the_power_in_its_width(monkeypatch: pytest.MonkeyPatch) -> None:
    camera = straight_camera(68.0)
    haloed = dataclasses.replace(SHARP, halo_fraction=0.05, halo_width=3.0)
    lens = Lens.singlet("weak", 519.0, -519.0, 3.0, "N-BK7", 25.4)
    scene = with_only(SpotPath.FRONT, scene_of(lens, nuisances=haloed, camera=camera), monkeypatch)
    plain = with_only(SpotPath.FRONT, scene_of(lens, camera=camera), monkeypatch)
    x, y, area = plate_of_pixels(scene)
    light, pure = light_per_mm2(scene, (0, 0, 0, 0)), light_per_mm2(plain, (0, 0, 0, 0))
    assert light.sum() == pytest.approx(pure.sum(), rel=1e-3)
    w_mm = plain.truth(SceneState((0, 0, 0, 0))).spots[SpotPath.FRONT].radii_mm[0]
    outside = x**2 + y**2 > (2.5 * w_mm) ** 2
    share = (light * area)[outside].sum() / (light * area).sum()
    # Power of a Gaussian outside 2.5 w: exp(-12.5); of its halo of three times the radius: exp(-12.5 / 9).
    assert share == pytest.approx(0.95 * math.exp(-12.5) + 0.05 * math.exp(-12.5 / 9), rel=0.03)


def test_soft_rim_follows_the_normal_distribution(monkeypatch: pytest.MonkeyPatch) -> None:
    soft_mm = 0.1
    camera = straight_camera(6.0)
    nuisances = dataclasses.replace(SHARP, rim_soft_um=soft_mm * 1e3)
    scene = with_only(
        SpotPath.BACK, scene_of(hole_radius_mm=1.0, camera=camera, nuisances=nuisances), monkeypatch
    )
    whole = with_only(SpotPath.BACK, scene_of(camera=camera), monkeypatch)
    x, y, _ = plate_of_pixels(scene)
    seen = light_per_mm2(scene, (0, 0, 0, 0)) / light_per_mm2(whole, (0, 0, 0, 0))
    away = np.hypot(x, y) - 1.0
    near = np.abs(away) < 0.4
    assert np.abs(seen - ndtr(away / soft_mm))[near].max() < 0.012


def test_printed_ring_shows_inside_a_return() -> None:
    scene = example_scene(dataclasses.replace(QUIET, ink_albedo=0.08), seed=0)
    camera = scene.camera("hole_camera")
    inside, on_ring = camera.print_to_px(np.array([[4.2, 0.0], [5.0, 0.0]])).round().astype(int)
    electrons = scene.mean_electrons("hole_camera", SceneState((0, 0, 0, 0)), 0.02)
    gaussian = math.exp(-2 * (5.0**2 - 4.2**2) / 4.82**2)
    assert electrons[on_ring[1], on_ring[0]] < 0.3 * gaussian * electrons[inside[1], inside[0]]


def test_corners_are_darker_by_cos_to_the_fourth() -> None:
    # cos^4 law of illumination (handbook optics).
    wide = straight_camera(focal_px=1000.0)
    lamp = dataclasses.replace(SHARP, lamp_falloff=0.0)
    scene = scene_of(camera=wide, nuisances=lamp)
    light = scene.mean_electrons("eye", SceneState(None, shutter_open=False, lamp_on=True), 0.001)
    angle = math.atan(319.5 * math.sqrt(2) / 1000.0)
    assert light[0, 0] / light[300, 300] == pytest.approx(math.cos(angle) ** 4, rel=2e-3)


def test_the_lamp_falls_off_with_the_square_of_the_distance_from_where_it_shines_most() -> None:
    lit = SceneState(None, shutter_open=False, lamp_on=True)
    even, falling = (
        scene_of(nuisances=dataclasses.replace(SHARP, lamp_falloff=falloff)) for falloff in (0.0, 0.25)
    )
    x, y, _ = plate_of_pixels(even)
    ratio = falling.mean_electrons("eye", lit, 0.001) / even.mean_electrons("eye", lit, 0.001)
    away2 = (x / 35 + 0.3) ** 2 + (y / 35 - 0.2) ** 2  # in halves of the plate
    assert ratio == pytest.approx(1 / (1 + 0.25 * away2), rel=1e-5)
