"""Charts as pictures: real files, the same each time, and what they must show is there."""

import io
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from PIL import Image

from station.quality.capability import Tolerance, capability
from station.quality.control_charts import individuals_chart, individuals_limits, xbar_r_chart
from station.quality.pictures import control_chart_picture, drift_picture, histogram_picture
from station.quality.pictures.style import BLUE, VERMILION


def values(count=60):
    return np.random.default_rng(1).normal(1.0, 3.0, count)


def drift(form="png"):
    t = np.arange(120) * 60.0
    x, y = np.random.default_rng(2).normal(size=(2, 120))
    return drift_picture(t, x + t / 3600, y, form=form)


def histogram(form="png", result=None):
    return histogram_picture(
        values(), Tolerance(-14.0, None), name="tilt y", unit="arcsec", form=form, result=result
    )


def chart(form="png"):
    return control_chart_picture(individuals_chart(values(), name="tilt y", unit="arcsec"), form=form)


def means(form="png"):
    return control_chart_picture(xbar_r_chart(values(100).reshape(20, 5)), form=form)


ALL = pytest.mark.parametrize("make", [chart, means, histogram, drift])


@ALL
def test_pictures_are_real_files_and_the_same_each_time(make):
    first = make()
    with Image.open(io.BytesIO(first)) as image:
        assert image.format == "PNG"
        assert min(image.size) > 300
        # More than paper and ink.
        assert len(image.convert("RGB").getcolors(1 << 20)) > 20
    assert make() == first
    svg = make("svg")
    assert ET.fromstring(svg).tag.endswith("svg")
    assert make("svg") == svg


def pixels_of(picture, colour):
    with Image.open(io.BytesIO(picture)) as image:
        pixels = np.asarray(image.convert("RGB"), dtype=int)
    wanted = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)])
    return int(np.sum(np.abs(pixels - wanted).sum(axis=2) < 12))


def test_points_beyond_a_limit_are_marked_and_named():
    limits = individuals_limits(np.tile([0.0, 2.0, 1.0, 3.0], 20))
    calm = np.tile([0.5, 1.5, 2.0, 1.0], 10)
    wild = calm.copy()
    wild[[5, 15, 25]] = 12.0
    quiet = control_chart_picture(individuals_chart(calm, limits, rules=()))
    loud = control_chart_picture(individuals_chart(wild, limits))
    assert pixels_of(loud, VERMILION) > pixels_of(quiet, VERMILION) + 50
    assert pixels_of(quiet, BLUE) > 500
    assert b"beyond a limit" in control_chart_picture(individuals_chart(wild, limits), form="svg")


def test_words_stand_in_the_pictures_as_text():
    text = chart("svg").decode()
    for word in ("tilt y: single values", "moving range / arcsec", "limit", "mean"):
        assert word in text
    x = values()
    result = capability(individuals_chart(x, name="tilt y"), x, Tolerance(-14.0, None))
    assert "Cpk" in histogram("svg", result).decode()
    few = capability(individuals_chart(x[:20], name="tilt y"), x[:20], Tolerance(-14.0, None))
    assert "no capability: only 20 parts" in histogram("svg", few).decode()
    assert "drifts: +" in drift("svg").decode()


def test_a_histogram_of_equal_values_is_drawn():
    histogram_picture([3.0, 3.0], Tolerance(0.0, 5.0), name="x")


def test_one_new_point_can_be_drawn():
    limits = individuals_limits(values())
    assert control_chart_picture(individuals_chart([2.0], limits)).startswith(b"\x89PNG")
