import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from optics.errors import PrescriptionError, UnknownGlassError
from optics.families import FAMILIES, REF_LENS
from optics.glass import Glass
from optics.lens import Lens, Surface

TEXTBOOK = Glass.constant("textbook", 1.5)
RADII = st.one_of(st.floats(20, 1000), st.floats(-1000, -20), st.just(math.inf))


@pytest.mark.parametrize(
    ("r1", "r2", "t", "efl"),
    # Hecht, Optics, ch. 6 (thick lens) and a standard exercise; from memory, recomputed from
    # 1/f = (n - 1)(1/R1 - 1/R2 + (n - 1) t / (n R1 R2)).
    [(20, -40, 1, 26.8156), (100, -100, 50, 109.0909)],
)
def test_lensmaker_with_thickness(r1, r2, t, efl):
    lens = Lens.singlet("textbook", r1, r2, t, TEXTBOOK, 8.0)
    assert lens.effective_focal_length_mm(587.6) == pytest.approx(efl, abs=5e-5)


def test_back_focal_length():
    # Standard exercise; from memory, recomputed.
    lens = Lens.singlet("textbook", 100, -100, 50, TEXTBOOK, 20.0)
    assert lens.back_focal_length_mm(587.6) == pytest.approx(90.9091, abs=5e-5)


def test_reference_lens():
    # Frozen numbers of the reference bench.
    assert REF_LENS.effective_focal_length_mm(532) == pytest.approx(99.224052893, abs=1e-9)
    assert REF_LENS.back_focal_length_mm(532) == pytest.approx(97.898958673, abs=1e-9)


@given(RADII, RADII, st.floats(8, 12))
def test_lensmaker_formula(r1, r2, t):
    c1, c2 = 1 / r1, 1 / r2
    power = 0.5 * (c1 - c2 + 0.5 * t * c1 * c2 / 1.5)
    lens = Lens.singlet("any", r1, r2, t, TEXTBOOK, 10.0)
    if power == 0:
        assert lens.effective_focal_length_mm(532) == math.inf
    else:
        assert 1 / lens.effective_focal_length_mm(532) == pytest.approx(power, rel=1e-9, abs=1e-15)


@given(RADII, RADII)
def test_turning_round_keeps_the_focal_length(r1, r2):
    lens = Lens.singlet("any", r1, r2, 10.0, "N-BK7", 10.0)
    turned = lens.reversed()
    assert turned.reversed() == lens
    assert turned.name == "any (reversed)"
    assert 1 / turned.effective_focal_length_mm(532) == pytest.approx(
        1 / lens.effective_focal_length_mm(532), rel=1e-9, abs=1e-15
    )


def test_plane_parallel_plate_has_no_focus():
    plate = Lens.singlet("plate", math.inf, math.inf, 5, "N-BK7", 20)
    assert plate.effective_focal_length_mm(532) == math.inf
    assert plate.back_focal_length_mm(532) == math.inf
    assert plate.reversed().surfaces == plate.surfaces


def test_focal_lengths_of_the_families():
    # Nominal focal lengths that the names promise.
    for name, f in {
        "biconvex f50": 50,
        "biconvex f100": 99.2,
        "biconvex f200": 200,
        "biconvex f500": 500,
        "biconcave f-100": -100,
        "plano-convex, convex first": 100,
        "plano-convex, plano first": 100,
    }.items():
        assert FAMILIES[name].effective_focal_length_mm(532) == pytest.approx(f, rel=1e-3)


def test_cemented_doublet_in_closed_form():
    # Two thin elements in contact: powers add (Hecht, Optics, ch. 5).
    crown, flint = Glass.constant("crown", 1.5), Glass.constant("flint", 1.6)
    thin = 1e-6
    lens = Lens(
        "doublet", (Surface(60.0), Surface(-40.0), Surface(-200.0)), (thin, thin), (crown, flint), 1e-4
    )
    power = 0.5 * (1 / 60 + 1 / 40) + 0.6 * (-1 / 40 + 1 / 200)
    assert lens.effective_focal_length_mm(532) == pytest.approx(1 / power, rel=1e-6)
    assert lens.reversed().glasses == (flint, crown)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Surface(0.0), "radius_mm is 0.0"),
        (lambda: Surface(math.nan), "radius_mm is nan"),
        (lambda: Surface(10.0, "silvered"), "coating is 'silvered'"),
        (lambda: Surface(10.0, "antireflection"), "reflectance of the coating is None"),
        (lambda: Surface(10.0, "antireflection", 1.0), "reflectance of the coating is 1.0"),
        (lambda: Surface(10.0, "uncoated", 0.1), "given for an uncoated surface"),
        (lambda: Lens.singlet("a", 100, -100, 0.0, "N-BK7", 1e-3), "thickness is 0.0 mm"),
        (lambda: Lens.singlet("a", 100, -100, math.inf, "N-BK7", 20), "thickness is inf mm"),
        (lambda: Lens.singlet("a", 100, -100, 4, "N-BK7", -1.0), "clear_aperture_mm is -1.0"),
        (lambda: Lens.singlet("a", 9, -100, 4, "N-BK7", 20), "does not reach 10 mm"),
        (lambda: Lens.singlet("a", 50, -50, 1, "N-BK7", 20), "cross inside the clear aperture"),
        (lambda: Lens("a", (Surface(9),), (), (), 5), "1 surfaces, 0 thicknesses"),
        (lambda: Lens("a", (Surface(9), Surface(-9)), (1, 1), ("N-BK7",), 5), "2 thicknesses"),
    ],
)
def test_lenses_that_cannot_exist_are_refused(make, message):
    with pytest.raises(PrescriptionError, match=message):
        make()


def test_unknown_glass_is_refused_with_the_lens():
    with pytest.raises(UnknownGlassError):
        Lens.singlet("a", 100, -100, 4, "N-BK8", 20)
