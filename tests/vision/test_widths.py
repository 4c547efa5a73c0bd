"""Second-moment widths on synthetic beams whose widths are known."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.measure import inertia_tensor_eigvals

from vision.widths import BeamWidths, NoWidths, second_moment_widths

Y, X = np.mgrid[0:300, 0:400].astype(float)


def beam(center, w_major, w_minor, angle):
    """Gaussian beam, 1/e^2 radii ``w`` along its axes, major axis at ``angle`` from x."""
    along = (X - center[0]) * np.cos(angle) + (Y - center[1]) * np.sin(angle)
    across = (Y - center[1]) * np.cos(angle) - (X - center[0]) * np.sin(angle)
    return np.exp(-2 * (along / w_major) ** 2 - 2 * (across / w_minor) ** 2), along, across


@settings(max_examples=40)
@given(
    x=st.floats(180, 220),
    y=st.floats(140, 160),
    w=st.floats(14, 40),
    ratio=st.floats(0.4, 0.95),
    angle=st.floats(-0.75, 0.75),
)
def test_gaussian_beam_has_twice_its_radius(x, y, w, ratio, angle):
    """ISO 11146-1:2021 (from memory): D4sigma of a TEM00 beam is twice its 1/e^2 radius, along both axes."""
    image, _, _ = beam((x, y), w, ratio * w, angle)
    widths = second_moment_widths(image, pitch=0.01)
    assert isinstance(widths, BeamWidths)
    assert widths.center == pytest.approx((0.01 * x, 0.01 * y), abs=1e-5)
    assert widths.width_major == pytest.approx(0.02 * w, rel=1e-4)
    assert widths.width_minor == pytest.approx(0.02 * ratio * w, rel=1e-4)
    assert widths.azimuth_rad == pytest.approx(angle, abs=1e-3)
    assert widths.ellipticity == pytest.approx(ratio, rel=1e-4)


@pytest.mark.parametrize(("m", "n"), [(0, 0), (1, 0), (2, 1), (3, 2)])
def test_hermite_gauss_beams_are_wider_by_the_root_of_their_order(m, n):
    """Siegman, Proc. SPIE 1224, 2 (1990), from memory: the second-moment width grows as sqrt(2 m + 1)."""
    image, _, _ = beam((200, 150), 20, 20, 0.0)
    hermite = np.polynomial.hermite.hermval
    u, v = (X - 200) * np.sqrt(2) / 20, (Y - 150) * np.sqrt(2) / 20
    profile = image * hermite(u, [0] * m + [1]) ** 2 * hermite(v, [0] * n + [1]) ** 2
    widths = second_moment_widths(profile)
    assert widths.width_x == pytest.approx(40 * np.sqrt(2 * m + 1), rel=1e-4)
    assert widths.width_y == pytest.approx(40 * np.sqrt(2 * n + 1), rel=1e-4)


def test_agrees_with_image_moments_of_a_general_library():
    """scikit-image's inertia tensor is the covariance of the intensity."""
    image, _, _ = beam((200, 150), 30, 12, 0.6)
    image = image * (1 + 0.3 * np.sin(X / 7)) + 0.5 * beam((230, 140), 20, 20, 0)[0]
    widths = second_moment_widths(image)
    major, minor = inertia_tensor_eigvals(image)
    assert widths.width_major == pytest.approx(4 * np.sqrt(major), rel=1e-3)
    assert widths.width_minor == pytest.approx(4 * np.sqrt(minor), rel=1e-3)


def test_a_beam_that_fills_the_frame():
    """The frame cuts the integration area at 3.3 standard deviations, which costs a few per cent."""
    image, _, _ = beam((200, 150), 90, 90, 0)
    widths = second_moment_widths(image[:, 50:350])
    assert widths.width_x == pytest.approx(180, rel=0.03)
    assert widths.width_y == pytest.approx(180, rel=0.03)


def test_noise_is_kept_out_by_the_integration_area():
    """Over the whole frame the same noise spoils the width; within three widths it does not."""
    rng = np.random.default_rng(1)
    image = beam((200, 150), 16, 16, 0)[0] + rng.normal(0, 0.01, X.shape)
    widths = second_moment_widths(image)
    assert widths.width_major == pytest.approx(32, rel=0.02)


@pytest.mark.parametrize("image", [np.zeros((20, 20)), -np.ones((20, 20)), np.zeros((0, 5)), np.eye(1)])
def test_no_light_has_no_widths(image):
    assert isinstance(second_moment_widths(image), NoWidths)
