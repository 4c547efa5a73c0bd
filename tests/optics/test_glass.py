import pytest

from optics.errors import OpticsError, UnknownGlassError, WavelengthOutOfRangeError
from optics.glass import GLASSES, Glass, refractive_index

LINE_D_NM, LINE_F_NM, LINE_C_NM = 587.5618, 486.1327, 656.2725


@pytest.mark.parametrize(
    ("name", "index_d"),
    [
        # Manufacturer's published dispersion constants and data sheets (as in the open CC0 refractive-index
        # database); fused silica: Malitson, J. Opt. Soc. Am. 55, 1205 (1965).
        ("N-BK7", 1.51680),
        ("N-SF11", 1.78472),
        ("N-BAF10", 1.67003),
        ("N-SF10", 1.72828),
        ("N-SF5", 1.67271),
        ("fused silica", 1.45846),
    ],
)
def test_index_at_the_d_line(name, index_d):
    assert refractive_index(name, LINE_D_NM) == pytest.approx(index_d, abs=5e-6)


@pytest.mark.parametrize(
    ("name", "abbe"),
    # Abbe numbers from the manufacturer's data sheets, from memory; they test the dispersion too.
    [("N-BK7", 64.17), ("N-SF11", 25.68), ("N-BAF10", 47.11), ("N-SF10", 28.53), ("N-SF5", 32.25)],
)
def test_abbe_number(name, abbe):
    n_d, n_f, n_c = (refractive_index(name, line) for line in (LINE_D_NM, LINE_F_NM, LINE_C_NM))
    assert (n_d - 1) / (n_f - n_c) == pytest.approx(abbe, abs=0.006)


@pytest.mark.parametrize(
    ("wavelength_nm", "index"),
    # Malitson, J. Opt. Soc. Am. 55, 1205 (1965), table of computed indices; from memory.
    [(486.1327, 1.463126), (546.0740, 1.460078), (656.2725, 1.456367)],
)
def test_fused_silica_table(wavelength_nm, index):
    assert refractive_index("fused silica", wavelength_nm) == pytest.approx(index, abs=1e-6)


def test_index_of_the_reference_lens():
    # Frozen: N-BK7 at 532 nm, recomputed from the constants in higher precision.
    assert refractive_index("N-BK7", 532.0) == pytest.approx(1.519472583065, abs=1e-12)


@pytest.mark.parametrize("asked", ["N-BK", "n-bk7", "NBK7"])
def test_unknown_glass_offers_the_nearest(asked):
    with pytest.raises(UnknownGlassError, match=r"nearest is 'N-BK7'"):
        refractive_index(asked, 532.0)


def test_a_name_like_none_of_them_still_gets_an_answer():
    with pytest.raises(UnknownGlassError, match="known are N-BK7, N-SF11"):
        refractive_index("", 532.0)


@pytest.mark.parametrize("name", sorted(GLASSES))
def test_wavelength_outside_the_range_is_refused(name):
    low, high = GLASSES[name].range_nm
    assert refractive_index(name, low) > refractive_index(name, high) > 1.3
    for wavelength in (low - 1, high + 1, float("nan")):
        with pytest.raises(WavelengthOutOfRangeError, match=f"allowed is {low:g} to {high:g} nm"):
            refractive_index(name, wavelength)


def test_constant_index():
    assert refractive_index(Glass.constant("textbook", 1.5), 532.0) == pytest.approx(1.5, abs=1e-15)
    with pytest.raises(OpticsError, match=r"is 0\.9, allowed is 1 or more"):
        Glass.constant("thin", 0.9)
