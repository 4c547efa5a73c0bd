"""The bound's own code: against closed forms, the full covariance of a speckle field, and direct sums."""

from __future__ import annotations

import crlb
import numpy as np
import pytest
from made_frames import MadeFrame, MadeSpot
from scipy import stats

from vision.image import Sensor


def test_one_spot_agrees_with_the_closed_form() -> None:
    """Thompson et al., Biophys. J. 82, 2775 (2002), from memory; shot noise only: sigma / sqrt(N)."""
    spot = MadeSpot(640.0, 512.0, 12.0, 4000.0)
    quiet = Sensor(read_noise_e=0.05, gain_e_per_dn=0.1, full_scale_dn=65_535)
    limit = crlb.center_limits_px(MadeFrame((spot,), light_e=(0.0, 0.0, 0.0), sensor=quiet))[0]
    assert limit == pytest.approx(crlb.thompson_px(spot, 0.0, 0.0), rel=0.02)
    # A background makes it worse; the closed form holds it known, the bound fits a plane to it.
    dim = MadeSpot(640.0, 512.0, 12.0, 40.0)
    bound = crlb.center_limits_px(MadeFrame((dim,), light_e=(50.0, 0.0, 0.0)))[0]
    assert 12.0 / np.sqrt(2 * np.pi * 144 * 40.0) < bound < 1.1 * crlb.thompson_px(dim, 50.0, 4.0)


@pytest.mark.parametrize("z", [-1.0, 0.0, 1.0, 2.5])
def test_censored_normal_agrees_with_direct_integration(z: float) -> None:
    x = np.linspace(-12.0, z, 200_001)
    below = np.trapezoid(x**2 * stats.norm.pdf(x), x)
    above = stats.norm.pdf(z) ** 2 / stats.norm.sf(z)
    assert crlb.censored_normal(np.array([z]))[0] == pytest.approx(below + above, rel=1e-4)


@pytest.mark.parametrize("t", [0.3, 1.0, 3.0])
def test_censored_exponential_keeps_the_share_that_is_seen(t: float) -> None:
    """Censored exponential: the information is that of the share seen, 1 - exp(-t) (textbook)."""
    assert crlb.censored_gamma(np.array([t]), 1.0)[0] == pytest.approx(1.0 - np.exp(-t), rel=6e-3)


def test_speckle_agrees_with_the_full_covariance_of_the_field() -> None:
    size, grain = 41, 2.0
    frame = MadeFrame(
        (MadeSpot(20.0, 20.0, 6.0, 800.0),),
        grain_px=grain,
        contrast=0.3,
        shape=(size, size),
        light_e=(20.0, 0.0, 0.0),
    )
    y, x = (a.ravel().astype(float) for a in np.mgrid[:size, :size])
    signal = frame.expected(x, y)
    rows = crlb._derivatives(frame, x, y)
    apart2 = (x[:, None] - x[None, :]) ** 2 + (y[:, None] - y[None, :]) ** 2
    field = np.outer(signal, signal) * frame.contrast**2 * np.exp(-np.pi * apart2 / grain**2)
    sensor = frame.sensor
    alone = signal + 20.0 + sensor.read_noise_e**2 + sensor.gain_e_per_dn**2 / 12.0
    full = rows @ np.linalg.solve(field + np.diag(alone), rows.T)
    exact = np.sqrt(np.diag(np.linalg.inv(full))[:2])
    assert crlb.center_limits_px(frame)[0] == pytest.approx(exact.mean(), rel=0.06)


def test_hole_and_saturation_cost_information() -> None:
    spot = MadeSpot(640.0, 512.0, 12.0, 5000.0)
    free = crlb.center_limits_px(MadeFrame((spot,)))[0]
    assert crlb.center_limits_px(MadeFrame((spot,), hole=(640.0, 512.0, 18.0)))[0] > 1.2 * free
    bright = MadeSpot(640.0, 512.0, 12.0, 9900.0)
    brighter = MadeSpot(640.0, 512.0, 12.0, 40_000.0)
    gain = [crlb.center_limits_px(MadeFrame((s,)))[0] for s in (bright, brighter)]
    assert gain[1] > gain[0] * np.sqrt(9900.0 / 40_000.0) * 1.1
