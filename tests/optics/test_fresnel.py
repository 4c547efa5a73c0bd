import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optics.families import REF_BEAM, REF_LAYOUT, REF_LENS
from optics.fresnel import coated_reflectance, fresnel_reflectance
from optics.glass import refractive_index
from optics.lens import Lens, Surface
from optics.trace import SpotPath, trace

INDEX = st.floats(1.0, 2.5)


def test_normal_incidence():
    # Textbook (Hecht, Optics, ch. 4): ((n - 1)/(n + 1))^2 = 4 % for n = 1.5; N-BK7 at 532 nm recomputed.
    assert fresnel_reflectance(1.0, 1.5, 1.0) == pytest.approx(0.04, abs=1e-15)
    assert fresnel_reflectance(1.0, refractive_index("N-BK7", 532), 1.0) == pytest.approx(0.042511, abs=5e-7)


def test_brewster_angle():
    # Textbook: at tan(i) = n the p part vanishes, and the s part is ((n^2 - 1)/(n^2 + 1))^2.
    n = 1.5
    cos_in = math.cos(math.atan(n))
    assert fresnel_reflectance(1.0, n, cos_in) == pytest.approx(0.5 * ((n * n - 1) / (n * n + 1)) ** 2)


@given(INDEX, INDEX, st.floats(0, 1))
def test_reflectance_is_a_fraction_and_the_same_both_ways(n1, n2, cos_in):
    cos_in = max(cos_in, 1e-3)
    forward = fresnel_reflectance(n1, n2, cos_in)
    assert 0.0 <= forward <= 1.0 + 1e-12
    sin_out = n1 / n2 * math.sqrt(1 - cos_in**2)
    if sin_out < 0.999:
        back = fresnel_reflectance(n2, n1, -math.sqrt(1 - sin_out**2))
        assert back == pytest.approx(forward, abs=1e-9)  # Stokes relations
    elif sin_out > 1:
        assert forward == pytest.approx(1.0, abs=1e-12)


@given(INDEX, INDEX, st.floats(0.05, 1))
def test_energy_is_conserved(n1, n2, cos_in):
    # Transmittances from the amplitude coefficients, T = n2 cos t / (n1 cos i) |t|^2 (Hecht, Optics, ch. 4).
    sin_out = n1 / n2 * math.sqrt(1 - cos_in**2)
    if sin_out > 0.999:
        return
    cos_out = math.sqrt(1 - sin_out**2)
    t_s = 2 * n1 * cos_in / (n1 * cos_in + n2 * cos_out)
    t_p = 2 * n1 * cos_in / (n2 * cos_in + n1 * cos_out)
    passed = 0.5 * (t_s**2 + t_p**2) * n2 * cos_out / (n1 * cos_in)
    assert fresnel_reflectance(n1, n2, cos_in) + passed == pytest.approx(1.0, abs=1e-12)


def test_coating():
    assert coated_reflectance(Surface(10.0, "antireflection", 0.005), 1.0, 1.5, 0.5) == 0.005
    assert coated_reflectance(Surface(10.0), 1.0, 1.5, 1.0) == pytest.approx(0.04)


def test_powers_at_the_null():
    # Frozen numbers of the reference bench, uncoated: 4.25 %, 3.90 %, 91.7 %.
    landings = trace(REF_LENS, REF_LAYOUT, REF_BEAM, (0, 0, 0, 0))
    r = fresnel_reflectance(1.0, refractive_index("N-BK7", 532), 1.0)
    powers = {path: landing.power_fraction[0] for path, landing in landings.items()}
    assert powers[SpotPath.FRONT] == pytest.approx(0.0425, abs=5e-5)
    assert powers[SpotPath.BACK] == pytest.approx(0.0390, abs=5e-5)
    assert powers[SpotPath.TRANSMITTED] == pytest.approx(0.917, abs=5e-4)
    assert powers[SpotPath.GHOST_REFERENCE] == pytest.approx(r**2 * (1 - r) ** 2)
    assert powers[SpotPath.GHOST_HOLE] == pytest.approx(r**3 * (1 - r) ** 2)


def test_all_paths_together_carry_the_beam():
    # Geometric series of all bounces between two like surfaces: everything leaves, nothing is made.
    landings = trace(REF_LENS, REF_LAYOUT, REF_BEAM, (0.5, 0.2, 3.0, -2.0))
    total = sum(landing.power_fraction[0] for landing in landings.values())
    r = fresnel_reflectance(1.0, refractive_index("N-BK7", 532), 1.0)
    assert total == pytest.approx(1.0 - r**4, abs=1e-6)
    assert total < 1.0


def test_coated_lens():
    lens = Lens.singlet("coated", 102.4, -102.4, 4, "N-BK7", 20, "antireflection", 0.0025)
    landings = trace(lens, REF_LAYOUT, REF_BEAM, (0, 0, 0, 0))
    assert landings[SpotPath.FRONT].power_fraction == pytest.approx(np.array([0.0025]))
    assert landings[SpotPath.BACK].power_fraction == pytest.approx(np.array([0.9975**2 * 0.0025]))
    assert landings[SpotPath.TRANSMITTED].power_fraction == pytest.approx(np.array([0.9975**2]))
