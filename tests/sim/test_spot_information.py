"""The information in a picture against published limits of localisation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sim.spot_information import Bright, Hidden, PictureNoise, Told, what_is_told

W_MM, PIXEL_MM = 2.0, 0.05
BY_PLACES = Hidden(hole=(0.0, 0.0, 0.0))  # hides nothing, but makes places count instead of rings
NOISE = {"pixel_mm2": PIXEL_MM**2, "floor_e2": 1e-6, "speckle_mm2": 0.0, "frames": 1}


def told(*spots: Bright, hidden: Hidden = BY_PLACES, **noise: float) -> Told:
    return what_is_told(spots, PictureNoise(**NOISE | noise), hidden)


def one(**changes: float) -> Bright:
    return Bright(
        **{"x_mm": 0.0, "y_mm": 0.0, "radius_mm": W_MM, "peak_e": 1000.0, "radius_relative_sigma": 1.0}
        | changes
    )


def sigma_mm(found: Told, spot: int = 0) -> float:
    part = slice(2 * spot, 2 * spot + 2)
    return math.sqrt(float(np.trace(found.covariance_mm2[part, part])) / 2)


def photons(peak_e: float) -> float:
    return peak_e * math.pi * W_MM**2 / 2 / PIXEL_MM**2


def test_photons_alone() -> None:
    # Thompson et al., Biophys. J. 82, 2775 (2002): s^2 / N.
    assert sigma_mm(told(one())) == pytest.approx(W_MM / 2 / math.sqrt(photons(1000.0)), rel=0.04)


def test_background_alone() -> None:
    # The same paper's background term is 8 pi s^4 b^2 / (a^2 N^2), with N = 2 pi s^2 peak / a^2 photons and
    # b^2 the variance of a pixel of area a^2; so 2 b^2 a^2 / (pi peak^2).
    floor_e2, peak_e = 1e6, 10.0
    expected = math.sqrt(2 * floor_e2 / math.pi) / peak_e * PIXEL_MM
    assert sigma_mm(told(one(peak_e=peak_e), floor_e2=floor_e2)) == pytest.approx(expected, rel=0.03)


def test_speckle_sets_a_floor() -> None:
    # Dorsch, Haeusler, Herrmann, Appl. Opt. 33, 1306 (1994), from memory: about 0.2 x contrast x grain per
    # axis, whatever the spot's size and the exposure.
    grain_mm, contrast = 0.06, 1.0
    for radius_mm in (1.0, 4.0):
        for peak_e in (500.0, 5000.0):
            spot = one(radius_mm=radius_mm, peak_e=peak_e)
            found = sigma_mm(told(spot, speckle_mm2=(contrast * grain_mm) ** 2, floor_e2=30.0))
            assert found == pytest.approx(0.2 * contrast * grain_mm, rel=0.45)


def test_frames_average_photons_but_not_speckle() -> None:
    assert sigma_mm(told(one(), frames=16)) == pytest.approx(sigma_mm(told(one())) / 4, rel=1e-6)
    speckled = [sigma_mm(told(one(), speckle_mm2=0.0036, floor_e2=30.0, frames=n)) for n in (1, 16)]
    assert speckled[1] > 0.7 * speckled[0]


def test_two_that_come_together_are_lost_as_the_square() -> None:
    # Two Gaussians of one width: the limit grows as 1 / d^2 of their distance.
    s = W_MM / 2
    pair = [sigma_mm(told(one(), one(x_mm=d * s), floor_e2=30.0)) for d in (0.1, 0.2)]
    assert pair[0] / pair[1] == pytest.approx(4.0, rel=0.15)
    far = told(one(), one(x_mm=8 * s))
    assert sigma_mm(far) == pytest.approx(sigma_mm(told(one())), rel=0.02)


def test_what_is_hidden_does_not_tell() -> None:
    def hole(radius_mm: float) -> Hidden:
        return Hidden(hole=(0.0, 0.0, radius_mm))

    whole, holed = told(one(), floor_e2=30.0), told(one(), hidden=hole(1.0), floor_e2=30.0)
    assert sigma_mm(holed) > sigma_mm(whole)
    assert holed.significance[0] < whole.significance[0]
    nothing = told(one(), hidden=hole(99.0), floor_e2=30.0)
    assert nothing.significance[0] < 1e-3
    right = Hidden(edges=np.array([[-1.0, 0.0, -4.0]]))  # of x = 4
    beside = told(one(), one(x_mm=9.0), hidden=right, floor_e2=30.0)
    assert beside.significance[0] < 1e-3  # and does not spoil what is told of the other
    assert sigma_mm(beside, 1) == pytest.approx(sigma_mm(told(one(), floor_e2=30.0)), rel=0.02)


def test_a_known_radius_helps_a_pair() -> None:
    def pair(sigma: float) -> float:
        spots = one(radius_relative_sigma=sigma), one(x_mm=0.3, radius_relative_sigma=sigma)
        return sigma_mm(told(*spots, floor_e2=30.0))

    assert pair(0.002) < pair(1.0)


@pytest.mark.parametrize("count", [1, 2])
@pytest.mark.parametrize("peak_e", [3.0, 3000.0])
def test_spots_by_themselves_are_told_as_by_the_whole_sum(count: int, peak_e: float) -> None:
    spots = [
        one(x_mm=0.3 + 12.0 * k, y_mm=0.2, radius_mm=W_MM / (1 + k), peak_e=peak_e) for k in range(count)
    ]
    noise = {"floor_e2": 60.0, "speckle_mm2": 2e-5, "frames": 2}
    rings, places = told(*spots, hidden=Hidden(), **noise), told(*spots, **noise)
    assert np.allclose(rings.covariance_mm2, places.covariance_mm2, rtol=1e-6, atol=1e-12)
    assert rings.significance == pytest.approx(places.significance, rel=1e-6)


def test_spots_that_overlap_are_not_taken_for_single_ones() -> None:
    alone = sigma_mm(told(one(), hidden=Hidden()))
    beside = one(x_mm=W_MM)
    assert sigma_mm(told(one(), beside, hidden=Hidden())) > 1.05 * alone


def test_an_overlapping_pair_at_the_hole_and_the_edge_against_a_sum_over_pixels() -> None:
    # Fisher's information for a Gaussian likelihood, pixel by pixel, inverted by numpy.
    spots = one(x_mm=0.8, radius_relative_sigma=0.02), one(x_mm=-0.9, y_mm=0.6, radius_mm=3.0, peak_e=400.0)
    noise = PictureNoise(pixel_mm2=PIXEL_MM**2, floor_e2=40.0, speckle_mm2=3e-4, frames=2)
    pitch = 0.02
    x, y = np.meshgrid(np.arange(-6.0, 6.0, pitch) + pitch / 2, np.arange(-6.0, 6.0, pitch) + pitch / 2)
    within = [np.hypot(x - s.x_mm, y - s.y_mm) < 1.5 * s.radius_mm for s in spots]
    shown = (within[0] | within[1]) & (np.hypot(x - 0.5, y + 0.2) > 0.8) & (0.6 * x + 0.8 * y < 2.0)
    rows = []
    for s in spots:
        dx, dy, per_mm2 = x - s.x_mm, y - s.y_mm, 4.0 / s.radius_mm**2
        square = (dx**2 + dy**2) * per_mm2
        light = s.peak_e * np.exp(-square / 2)
        rows += [light * dx * per_mm2, light * dy * per_mm2, light * square, light]
    rows.append(np.full_like(x, math.sqrt(noise.floor_e2)))
    light, speckled = rows[3] + rows[7], rows[3] ** 2 + rows[7] ** 2
    variance = (light + noise.floor_e2) * noise.pixel_mm2 / noise.frames + noise.speckle_mm2 * speckled
    table = np.array(rows)[:, shown]
    information = (table * (pitch**2 / variance[shown])) @ table.T
    information[2, 2] += 1.0 / spots[0].radius_relative_sigma ** 2
    information[6, 6] += 1.0 / spots[1].radius_relative_sigma ** 2
    expected = np.linalg.inv(information)[np.ix_([0, 1, 4, 5], [0, 1, 4, 5])]
    hidden = Hidden(np.array([[0.6, 0.8, 2.0]]), (0.5, -0.2, 0.8))
    found = what_is_told(spots, noise, hidden)
    scale = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    assert np.abs((found.covariance_mm2 - expected) / scale).max() < 0.12  # hole and edge cut whole nodes off
    assert np.allclose(found.root_mm, np.linalg.cholesky(found.covariance_mm2), rtol=1e-9, atol=1e-15)


def test_two_of_which_nothing_shows_tell_nothing() -> None:
    nothing = told(one(), one(x_mm=1.0), hidden=Hidden(hole=(0.0, 0.0, 99.0)))
    assert max(nothing.significance) < 1e-3
    assert np.isfinite(nothing.covariance_mm2).all()
