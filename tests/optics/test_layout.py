import math

import pytest

from optics.errors import LayoutError
from optics.layout import Beam, Layout


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_distances_and_beam_must_be_above_zero(value):
    with pytest.raises(LayoutError, match="l1_mm is"):
        Layout(value, 150)
    with pytest.raises(LayoutError, match="l2_mm is"):
        Layout(300, value)
    with pytest.raises(LayoutError, match="wavelength_nm is"):
        Beam(value, 0.4, -200)
    with pytest.raises(LayoutError, match="waist_radius_mm is"):
        Beam(532, value, -200)


@pytest.mark.parametrize("extra", [{"offset_mm": (math.nan, 0)}, {"slope_mrad": (0, math.inf)}])
def test_beam_must_be_finite(extra):
    with pytest.raises(LayoutError, match="allowed are finite numbers"):
        Beam(532, 0.4, -200, **extra)
    with pytest.raises(LayoutError, match="allowed are finite numbers"):
        Beam(532, 0.4, math.nan)


def test_beam_offset_is_a_pair():
    with pytest.raises(LayoutError, match="two numbers"):
        Beam(532, 0.4, -200, offset_mm=(0.0, 0.0, 0.0))


def test_rayleigh_range():
    # Kogelnik & Li, Appl. Opt. 5, 1550 (1966): z_R = pi w0^2 / lambda; at z_R the radius is sqrt 2 w0.
    assert Beam(532, 0.4, -200).rayleigh_range_mm == pytest.approx(math.pi * 0.16 / 532e-6)
