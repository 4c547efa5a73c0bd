"""Every kind of bad input ends in one message: file, line, key, what is there, what may be there."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.config import BadInput, load_setup
from station.config.loading import setup_from_texts
from station.demo import BENCH_FILE, RECIPE_FILE, example_text

BENCH, RECIPE = example_text(BENCH_FILE), example_text(RECIPE_FILE)


def problem(bench: str = BENCH, recipe: str = RECIPE) -> BadInput:
    with pytest.raises(BadInput) as caught:
        setup_from_texts(bench, recipe, "BENCH.toml", "RECIPE.toml")
    return caught.value


def swap(text: str, old: str, new: str) -> str:
    assert old in text, f"{old!r} is not in the example any more"
    return text.replace(old, new, 1)


def line_with(text: str, part: str) -> int:
    return next(i for i, row in enumerate(text.splitlines(), 1) if part in row)


def test_the_examples_are_good() -> None:
    setup = setup_from_texts(BENCH, RECIPE, "BENCH.toml", "RECIPE.toml")
    assert setup.lens().effective_focal_length_mm(532.0) == pytest.approx(99.224052893)  # REF, by two tracers
    assert setup.layout().l1_mm == 300.0
    assert setup.beam().waist_z_mm == -200.0


# old text, new text, key, what is found, what is allowed, nearest
BENCH_CASES = [
    ("travel = [-6.0, 6.0]", "travle = [-6.0, 6.0]", "motion.axes[0].travle", "unknown", "travel", "travel"),
    ("[shutter]", "[shuter]", "shuter", "unknown key", "shutter", "shutter"),
    ("[layout]", "[layuot]", "layuot", "unknown key", "layout", "layout"),
    ("{ id = 3, x_mm", "{ id = 3, xmm", "plates.hole_target.fiducials[3].xmm", "unknown key", "x_mm", "x_mm"),
    ("l2_mm = 150.0", "", "layout.l2_mm", "missing", "back vertex", None),
    ("travel = [-6.0, 6.0]", "travel = [6.0, -6.0]", "motion.axes[0].travel", "[6.0, -6.0]", "lower", None),
    ("travel = [-6.0, 6.0]", "travel = 6.0", "motion.axes[0].travel", "6.0", "numbers in brackets", None),
    ('travel = [-6.0, 6.0]', 'travel = ["a", 6.0]', "motion.axes[0].travel[0]", "'a' (text)", "number", None),
    ("step = 0.001", "step = true", "motion.axes[0].step", "true", "number", None),
    ("step = 0.001", "step = 20.0", "motion.axes[0].step", "20.0", "smaller than the travel", None),
    ("step = 0.001", "step = nan", "motion.axes[0].step", "nan", "finite", None),
    ("step = 0.001", "step = inf", "motion.axes[0].step", "inf", "finite", None),
    ('name = "X"', 'name = "Y"', "motion.axes", "'Y' more than once", "once", None),
    ('moves = "decenter_x"', 'moves = "decentre_x"', "motion.axes[0].moves", "decentre_x", "", "decenter_x"),
    ('unit = "mm"', 'unit = "deg"', "motion.axes[0].unit", "'deg'", "decenter_x", None),
    ("travel = [-6.0, 6.0]", "travel = [1.0, 6.0]", "motion.axes[0].null", "0.0", "travel", None),
    ("l1_mm = 300.0", "l1_mm = -300.0", "layout.l1_mm", "-300.0", "greater than 0", None),
    ("l1_mm = 300.0", "l1_mm = 0", "layout.l1_mm", "0", "greater than 0", None),
    ("hole_radius_mm = 1.0", "hole_radius_mm = 35.0", "plates.hole_target.hole_radius_mm", "35", "35", None),
    ("{ id = 3, x_mm = 26.0", "{ id = 3, x_mm = 34.0", "plates.hole_target", "fiducial 3", "plate", None),
    ("{ id = 3, ", "{ id = 2, ", "plates.hole_target.fiducials", "id 2 more than once", "once", None),
    ('side = "front"', 'side = "frnt"', "cameras[0].side", "frnt", "'front' or 'behind'", "front"),
    ('plate = "reference_target"', 'plate = "hole_target"', "cameras", "hole_target, hole", "one", None),
    ('factory = "sim.remote:camera"', 'source = 0\nfactory = "a:b"', "cameras[0]", "both", "either", None),
    ('factory = "sim.remote:clock"', 'factory = "clock"', "clock.factory", "'clock'", "package.module", None),
    ("wavelength_nm = 532.0", "wavelength_nm = 53.2", "beam.wavelength_nm", "53.2", "150", None),
    ("first_s = 0.005", "first_s = 5.0", "cameras[0].exposure.first_s", "5.0", "between", None),
    ("port = ", "prot = ", "motion.prot", "unknown key", "port", "port"),
    ("baud = 115200", 'baud = "115200"', "motion.baud", "'115200' (text)", "whole number", None),
]  # fmt: skip
RECIPE_CASES = [
    ("decenter_um = 10.0", "decenter_um = 0", "tolerance.decenter_um", "0", "greater than 0", None),
    ("tilt_arcsec = 20.0", "tilt_arcsec = -1.0", "tolerance.tilt_arcsec", "-1.0", "greater than 0", None),
    ("tilt_arcsec = 20.0", "tilt_arcsek = 30.0", "tolerance.tilt_arcsek", "unknown", "", "tilt_arcsec"),
    ('glasses = ["N-BK7"]', 'glasses = ["N-BK8"]', "lens.glasses[0]", "'N-BK8'", "N-BK7", "N-BK7"),
    ("wavelength_nm = 532.0", "wavelength_nm = 633.0", "wavelength_nm", "633", "532", None),
    ("radius_mm = 102.4", "radius_mm = 0", "lens.surfaces[0].radius_mm", "0", "plano", None),
    ("radius_mm = 102.4", 'radius_mm = "flat"', "lens.surfaces[0].radius_mm", "'flat'", "plano", None),
    ("radius_mm = 102.4", "radius_mm = 11.0", "lens.clear_aperture_mm", "22.9", "22", None),
    ("thicknesses_mm = [4.0]", "thicknesses_mm = [4.0, 2.0]", "lens.thicknesses_mm", "2 values", "1", None),
    ("thicknesses_mm = [4.0]", "thicknesses_mm = [-4.0]", "lens.thicknesses_mm[0]", "-4.0", "greater", None),
    ("thicknesses_mm = [4.0]", "thicknesses_mm = [0.4]", "lens", "edge thickness", "can be made", None),
    ('coating = "uncoated"', 'coating = "antireflection"', "lens.surfaces[0].reflectance", "", "num", None),
    ("looks = 80", "looks = 80.5", "budget.looks", "80.5", "whole number", None),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "key", "found", "allowed", "near"), BENCH_CASES)
def test_bad_bench(old: str, new: str, key: str, found: str, allowed: str, near: str | None) -> None:
    bad = problem(bench=swap(BENCH, old, new))
    assert (bad.file, bad.key) == ("BENCH.toml", key)
    assert found in bad.found
    assert allowed in bad.allowed
    assert bad.nearest == near
    assert bad.line is not None


@pytest.mark.parametrize(("old", "new", "key", "found", "allowed", "near"), RECIPE_CASES)
def test_bad_recipe(old: str, new: str, key: str, found: str, allowed: str, near: str | None) -> None:
    bad = problem(recipe=swap(RECIPE, old, new))
    assert (bad.file, bad.key) == ("RECIPE.toml", key)
    assert found in bad.found
    assert allowed in bad.allowed
    assert bad.nearest == near
    assert bad.line is not None


def test_wavelength_outside_the_range_of_the_glass() -> None:
    far = "wavelength_nm = 5320.0"
    bad = problem(swap(BENCH, "wavelength_nm = 532.0", far), swap(RECIPE, "wavelength_nm = 532.0", far))
    assert bad.key == "wavelength_nm"
    assert "300 to 2500" in bad.allowed


def test_the_line_is_the_line_of_the_key() -> None:
    text = swap(BENCH, "l1_mm = 300.0", "l1_mm = -300.0")
    assert problem(bench=text).line == line_with(text, "l1_mm = -300.0")
    text = swap(BENCH, "{ id = 15, x_mm = 0.0,", "{ id = 15, x_mm = true,")
    assert problem(bench=text).line == line_with(text, "{ id = 15")
    text = swap(BENCH, 'name = "B"', 'nam = "B"')
    assert problem(bench=text).line == line_with(text, 'nam = "B"')


def test_a_misspelt_key_comes_before_what_it_leaves_missing() -> None:
    bad = problem(bench=swap(BENCH, "l1_mm = 300.0", "l1 = 300.0"))
    assert bad.key == "layout.l1"
    assert bad.others == 1
    assert "1 more problem" in bad.text()


def test_not_toml_names_the_line() -> None:
    text = swap(BENCH, "[layout]", "[layout")
    bad = problem(bench=text)
    assert bad.line == line_with(text, "[layout")


def test_the_message_reads_as_one_piece() -> None:
    assert problem(recipe=swap(RECIPE, '"N-BK7"', '"N-BK8"')).text() == (
        "bad input: RECIPE.toml, line 9, key lens.glasses[0]\n"
        "  found:   'N-BK8'\n"
        "  allowed: N-BAF10, N-BK7, N-SF10, N-SF11, N-SF5, fused silica\n"
        "  nearest: N-BK7"
    )


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    (tmp_path / "BENCH.toml").write_text(BENCH, encoding="utf-8")
    with pytest.raises(BadInput) as caught:
        load_setup(tmp_path / "BENHC.toml", tmp_path / "RECIPE.toml")
    assert caught.value.nearest == "BENCH.toml"
    with pytest.raises(BadInput, match="directory"):
        load_setup(tmp_path, tmp_path)
    (tmp_path / "latin.toml").write_bytes(b'name = "a"\nb = "\xe9"\n')
    with pytest.raises(BadInput, match=r"line 2.*\n.*UTF-8"):
        load_setup(tmp_path / "latin.toml", tmp_path / "RECIPE.toml")
    (tmp_path / "huge.toml").write_bytes(b"#" * 2_000_000)
    with pytest.raises(BadInput, match="2000000 bytes"):
        load_setup(tmp_path / "huge.toml", tmp_path / "RECIPE.toml")


def _lines(text: str) -> list[int]:
    rows = text.splitlines()
    return [i for i, row in enumerate(rows) if re.match(r"\s*\w+ =", row)]


@given(st.data())
def test_whatever_is_broken_only_bad_input_comes(data: st.DataObject) -> None:
    """Swap any value for any other: either it is still good, or BadInput; nothing else is ever raised."""
    check: Callable[[str], object]
    if data.draw(st.booleans()):
        text, check = BENCH, lambda broken: setup_from_texts(broken, RECIPE, "B", "R")
    else:
        text, check = RECIPE, lambda broken: setup_from_texts(BENCH, broken, "B", "R")
    rows = text.splitlines()
    number = data.draw(st.sampled_from(_lines(text)))
    key = rows[number].split("=")[0]
    value = data.draw(
        st.sampled_from(
            ["0", "-1", "true", '"x"', "[]", "{}", "nan", "inf", "1e308", "-0.0", "[[1]]", "2020-01-01"]
        )
        | st.floats(allow_nan=False, allow_infinity=False).map(repr)
        | st.text(max_size=5)
    )
    rows[number] = f"{key}= {value}"
    try:
        check("\n".join(rows))
    except BadInput as bad:
        assert bad.found  # noqa: PT017  it is the content that is checked, whichever way it comes
        assert "Traceback" not in bad.text()  # noqa: PT017  as above
