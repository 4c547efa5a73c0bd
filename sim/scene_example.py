"""The example bench: reference lens, two targets, two cameras; for tests, benchmarks, and to copy from."""

from __future__ import annotations

from optics.layout import Beam, Layout
from optics.lens import Lens
from sim.camera_geometry import CameraSetup
from sim.scene import Scene
from sim.scene_nuisances import SceneNuisances
from vision.plate import PlateSpec, hole_target, reference_target

EXPOSURE_RETURNS_S = 0.02
EXPOSURE_TRANSMITTED_S = 0.0004
EXPOSURE_LAMP_S = {"hole_camera": 0.003, "reference_camera": 0.15}


def example_lens() -> Lens:
    """Return the biconvex lens of the reference case, focal length 99 mm."""
    return Lens.singlet("biconvex-100", 102.4, -102.4, 4.0, "N-BK7", 25.4)


def example_layout() -> Layout:
    """Return the distances of the reference case."""
    return Layout(l1_mm=300.0, l2_mm=150.0)


def example_beam() -> Beam:
    """Return the green beam of the reference case."""
    return Beam(wavelength_nm=532.0, waist_radius_mm=0.4, waist_z_mm=-200.0)


def example_plates() -> dict[str, PlateSpec]:
    """Return hole target and reference target."""
    return {plate.name: plate for plate in (hole_target(), reference_target())}


def example_cameras() -> dict[str, CameraSetup]:
    """Return one camera per plate; the one for the transmitted spot looks through a filter."""
    return {
        "hole_camera": CameraSetup(plate="hole_target"),
        "reference_camera": CameraSetup(
            plate="reference_target", field_mm=40.0, azimuth_deg=90.0, filter_transmission=0.02
        ),
    }


def example_scene(
    nuisances: SceneNuisances | None = None,
    seed: int = 0,
    *,
    lens: Lens | None = None,
    cameras: dict[str, CameraSetup] | None = None,
) -> Scene:
    """Return the scene of the example bench.

    Parameters
    ----------
    nuisances : SceneNuisances, optional
    seed : int
    lens : Lens, optional
        Another lens than the reference one.
    cameras : dict, optional
        Other cameras than the example ones.
    """
    return Scene(
        lens or example_lens(),
        example_layout(),
        example_beam(),
        example_plates(),
        cameras or example_cameras(),
        nuisances or SceneNuisances(),
        seed,
    )
