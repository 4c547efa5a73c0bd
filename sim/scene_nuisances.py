"""What makes the light and the pictures hard: every optical nuisance of the bench as a parameter."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Self


@dataclass(frozen=True, slots=True)
class SceneNuisances:
    """Nuisances of light, plates and cameras, with the values of an ordinary bench as defaults.

    A name that ends in ``_sigma_<unit>`` is a standard deviation; the value itself is drawn once per seed.
    A ``*_time_s`` of ``inf`` means "never". The defaults are engineering judgement (common practice, no
    source) unless a source is named.

    Attributes
    ----------
    beam_offset_sigma_um : float
        Distance of the beam from the centre of the hole, per axis: how well the targets were set.
    beam_slope_sigma_mrad : float
        Slope of the beam against z, per axis.
    pointing_drift_um, pointing_drift_urad : float
        Root-mean-square wander of the beam at z = 0 and of its slope, per axis, about its value at time 0.
    pointing_period_s : float
        Typical period of that wander.
    beam_step_time_s : float
        When the beam is knocked by ``beam_step_mm``.
    beam_step_mm : tuple of float
    power_drift : float
        Relative root-mean-square power wander.
    blocked_time_s : float
        From then on something stands in the beam.
    mode_hop_time_s, mode_hop_nm, mode_hop_power : float
        When the laser hops, by how much in wavelength, and its relative power afterwards.
    fringe_visibility : float
        Degree of coherence between front and back return, 0 to 1 (1 = coherence far longer than the lens).
    speckle_contrast : float
        Contrast on the plate, 0 to 1; a depolarising plate gives 1/sqrt(2) (Goodman, Speckle Phenomena in
        Optics, ch. 3; from memory). Pixels and camera optics lower what is seen.
    speckle_grain_um : float
        Square root of the correlation area (Goodman), in plate coordinates.
    speckle_move_um : float
        How far a spot must move for a new speckle pattern. About a grain for plates that scatter in their
        volume (paper, ceramic); a bare rough surface needs more.
    ghosts : bool
        Second reflections: three-bounce on the hole target, two-bounce on the reference target.
    halo_fraction, halo_width : float
        Part of each spot's power scattered into a halo, and the halo's radius in spot radii.
    stray_per_mm2 : float
        Uniform stray light while the beam is open, in beam powers per mm2 (light scattered by the other
        plate: 0.9 x 0.85 / (pi 554^2 mm2) on the reference case).
    room_level : float
        Room light on the plates, relative to a return of the reference case at its brightest point.
    room_gradient : float
        Relative change of the room light from the middle to the edge of the plate.
    flicker, flicker_hz : float
        Relative amplitude and frequency (twice the mains frequency) of the room light's flicker.
    lamp_brightness : float
        Lamp light on the plates, in the same unit as ``room_level``.
    lamp_falloff : float
        Relative change of lamp light from the middle to the edge.
    paper_albedo, ink_albedo, hole_albedo : float
        Reflectance of the plate, of what is printed, and what still comes out of the hole.
    paper_mottle : float
        Relative root-mean-square unevenness of the plate.
    rim_soft_um : float
        Width (1 sigma) of the hole's soft rim on the plate.
    rim_glint : float
        Extra albedo of the chamfer round the hole at its brightest azimuth.
    rim_width_um : float
        Width of the chamfer.
    dust_specks : float
        Mean number of dark and bright specks per plate.
    dust_size_um : float
        Median radius of a speck.
    full_well_e : float
        Where a pixel saturates.
    photo_response_sigma, dark_offset_sigma_e : float
        Fixed pattern: relative gain from pixel to pixel, offset from pixel to pixel.
    hot_pixels : float
        Mean number of hot pixels per sensor.
    hot_rate_e_per_s : float
        Their mean dark signal.
    distortion_sigma : float
        Deviation of a camera's first radial coefficient from its set-up value.
    camera_turn_sigma_mrad, camera_shift_sigma_mm : float
        Deviation of a camera from its set-up pose, per axis.
    camera_knock_time_s : float
    camera_knock_mrad, camera_knock_mm : tuple of float
        When every camera is knocked, by which rotation vector and shift (bench frame).
    knocked_camera : str
        Name of the camera that is knocked; empty for all.
    plate_shift_sigma_mm, plate_turn_sigma_mrad : float
        How the reference target stands against the bench frame (the hole target defines the frame).
    plate_knock_time_s : float
    plate_knock_mm : tuple of float
    plate_knock_mrad : float
    knocked_plate : str
        Name of the plate that is knocked; empty for all.
    hole_center_sigma_mm : float
        Deviation of the drilled hole from the print, per axis.
    hole_radius_sigma_mm : float
    radius_sigma, thickness_sigma_mm, index_sigma : float
        Deviation of the lens from its prescription: relative radii, each thickness, each index.
    l1_sigma_mm, l2_sigma_mm : float
        Deviation of the distances from the layout.
    waist_sigma : float
        Relative deviation of the beam's waist radius.

    Raises
    ------
    ValueError
        For a value outside its range; the message names the parameter.
    """

    beam_offset_sigma_um: float = 8.0
    beam_slope_sigma_mrad: float = 0.2
    pointing_drift_um: float = 1.0
    pointing_drift_urad: float = 3.0
    pointing_period_s: float = 240.0
    beam_step_time_s: float = math.inf
    beam_step_mm: tuple[float, float] = (0.2, 0.0)
    power_drift: float = 0.01
    blocked_time_s: float = math.inf
    mode_hop_time_s: float = math.inf
    mode_hop_nm: float = 0.08
    mode_hop_power: float = 0.9
    fringe_visibility: float = 0.3
    speckle_contrast: float = 0.7
    speckle_grain_um: float = 60.0
    speckle_move_um: float = 60.0
    ghosts: bool = True
    halo_fraction: float = 0.01
    halo_width: float = 3.0
    stray_per_mm2: float = 8e-7
    room_level: float = 0.04
    room_gradient: float = 0.3
    flicker: float = 0.15
    flicker_hz: float = 100.0
    lamp_brightness: float = 5.0
    lamp_falloff: float = 0.25
    paper_albedo: float = 0.85
    ink_albedo: float = 0.08
    hole_albedo: float = 0.01
    paper_mottle: float = 0.01
    rim_soft_um: float = 20.0
    rim_glint: float = 0.5
    rim_width_um: float = 60.0
    dust_specks: float = 12.0
    dust_size_um: float = 60.0
    full_well_e: float = 10_000.0
    photo_response_sigma: float = 0.005
    dark_offset_sigma_e: float = 1.5
    hot_pixels: float = 20.0
    hot_rate_e_per_s: float = 3_000.0
    distortion_sigma: float = 0.004
    camera_turn_sigma_mrad: float = 3.0
    camera_shift_sigma_mm: float = 0.5
    camera_knock_time_s: float = math.inf
    camera_knock_mrad: tuple[float, float, float] = (0.0, 0.0, 0.0)
    camera_knock_mm: tuple[float, float, float] = (0.5, 0.0, 0.0)
    knocked_camera: str = ""
    plate_shift_sigma_mm: float = 0.1
    plate_turn_sigma_mrad: float = 2.0
    plate_knock_time_s: float = math.inf
    plate_knock_mm: tuple[float, float] = (0.1, 0.0)
    plate_knock_mrad: float = 0.0
    knocked_plate: str = ""
    hole_center_sigma_mm: float = 0.05
    hole_radius_sigma_mm: float = 0.005
    radius_sigma: float = 0.002
    thickness_sigma_mm: float = 0.03
    index_sigma: float = 0.0003
    l1_sigma_mm: float = 0.5
    l2_sigma_mm: float = 0.5
    waist_sigma: float = 0.01

    def __post_init__(self) -> None:
        signed = {"mode_hop_nm", "plate_knock_mrad", "room_gradient"}
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, float | int) and field.name not in signed and not value >= 0.0:
                raise ValueError(f"nuisance {field.name} is {value}; allowed is 0 or more")
        for name in (
            "fringe_visibility",
            "speckle_contrast",
            "halo_fraction",
            "flicker",
            "paper_albedo",
            "ink_albedo",
            "hole_albedo",
        ):
            if getattr(self, name) > 1.0:
                raise ValueError(f"nuisance {name} is {getattr(self, name)}; allowed is 0 to 1")
        for name in ("pointing_period_s", "speckle_grain_um", "speckle_move_um", "halo_width", "full_well_e"):
            if not getattr(self, name) > 0.0:
                raise ValueError(f"nuisance {name} is {getattr(self, name)}; allowed is above 0")

    @classmethod
    def none(cls) -> Self:
        """Return a bench without nuisances: ideal light and plates, cameras with shot and read noise only."""
        drawn = ("_sigma", "_sigma_um", "_sigma_mm", "_sigma_mrad", "_sigma_e")
        zero = {field.name: 0.0 for field in fields(cls) if field.name.endswith(drawn)}
        zero |= dict.fromkeys(_WHAT_ELSE_DISTURBS, 0.0)
        return cls(ghosts=False, **zero)  # type: ignore[arg-type]  # only the float fields are named


_WHAT_ELSE_DISTURBS = (
    "pointing_drift_um",
    "pointing_drift_urad",
    "power_drift",
    "fringe_visibility",
    "speckle_contrast",
    "halo_fraction",
    "stray_per_mm2",
    "room_level",
    "paper_mottle",
    "hole_albedo",
    "rim_soft_um",
    "rim_glint",
    "dust_specks",
    "hot_pixels",
)
