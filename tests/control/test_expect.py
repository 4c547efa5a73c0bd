"""What is expected of the bare beam before it is seen."""

from __future__ import annotations

import math

import numpy as np
import pytest

from control.expect import bare_beam
from optics.layout import Beam, Layout
from optics.lens import Lens


@pytest.mark.parametrize("waist_z_mm", [-200.0, 0.0, 500.0])
def test_the_bare_beam_has_the_radius_of_the_complex_beam_parameter(waist_z_mm: float) -> None:
    """1/q = 1/R - i lambda/(pi w^2), q = z + i pi w0^2/lambda: Kogelnik & Li, Appl. Opt. 5, 1550 (1966)."""
    lens = Lens.singlet("REF", 102.4, -102.4, 4.0, "N-BK7", 22.9)
    seen = bare_beam(lens, Layout(300.0, 150.0), Beam(532.0, 0.4, waist_z_mm))
    q_mm = (300.0 + 4.0 + 150.0 - waist_z_mm) + 1j * math.pi * 0.4**2 / 532e-6
    assert seen.radius_mm == pytest.approx(math.sqrt(-532e-6 / math.pi / (1.0 / q_mm).imag), rel=1e-12)
    assert np.sqrt(seen.covariance_mm2[0, 0]) >= 1.0  # its place is what the look is for
    assert seen.relative_power == 1.0
