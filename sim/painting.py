"""The inner loops that paint the light of the spots, row by row: what a row needs stays in the cache."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from optics.compiled import compiled

FIELD_SIZE: Final = 1024
"""Period of the speckle field in texels; the field is stored for two periods each way."""
FIELD_GAP: Final = 24
"""Bits from the real to the imaginary part of a texel."""
FIELD_STEPS: Final = 42
"""Steps of a part of a texel to the field's rms."""
FIELD_ZERO: Final = 128
"""What stands for 0 in a texel."""
FIELD_ONE: Final = 1 << 15
"""What stands for a weight of 1."""
HALO_STEP: Final = 8

Pixels = NDArray[np.float32]
Numbers = NDArray[np.float32]
Indices = NDArray[np.int64]

# 2^f = sum (f ln 2)^k / k!: to 1.2e-7 of itself for f within half of 0, seven terms.
_LOG2_E = np.float32(1 / math.log(2))
_E0, _E1, _E2, _E3, _E4, _E5, _E6 = (np.float32(math.log(2) ** k / math.factorial(k)) for k in range(7))
# sin(pi f) = sum of odd powers: to 5e-8 for f within half of 0, six terms.
_S1, _S3, _S5, _S7, _S9, _S11 = (
    np.float32((-1) ** (k // 2) * math.pi**k / math.factorial(k)) for k in range(1, 12, 2)
)
_FIELD_ZERO, _FIELD_STEP = np.float32(FIELD_ZERO), np.float32(1 / (FIELD_STEPS * FIELD_ONE))
_PER_TURN = np.float32(1 / (2 * math.pi))
_ONE, _TWO, _HALF, _LEAST_POWER = np.float32(1.0), np.float32(2.0), np.float32(0.5), np.float32(-100.0)


@compiled(any_order=True)
def exponentials(values: Numbers, powers: NDArray[np.int32]) -> None:
    """Replace numbers from -69 to 88 by their exponentials, to 4e-6 of themselves (2e-6 from -20 to 20).

    Lower ones give 8e-31. The library's exponential takes them one by one, this loop as many as
    fit into a register. ``powers`` is room for as many numbers.
    """
    for at in range(values.size):
        power = max(values[at] * _LOG2_E, _LEAST_POWER)
        whole = np.floor(power + _HALF)
        part = power - whole
        series = _E0 + part * (_E1 + part * (_E2 + part * (_E3 + part * (_E4 + part * (_E5 + part * _E6)))))
        values[at] = series
        powers[at] = np.int32((np.int32(whole) + 127) << 23)  # the bits of 2^whole
    scales = powers.view(np.float32)
    for at in range(values.size):
        values[at] *= scales[at]


@compiled(any_order=True)
def _exponent(x: np.float32, y: np.float32, shape: Numbers) -> np.float32:
    dx, dy = x - shape[0], y - shape[1]
    exponent: np.float32 = dx * (dx * shape[2] + dy * shape[3]) + dy * dy * shape[4]
    return exponent


@compiled(any_order=True)
def _span(x: Pixels, y: Pixels, shape: Numbers, cut: np.float32, first: int, stop: int) -> tuple[int, int]:
    """Leave out the ends of a row where the exponent is below ``-cut``, to a sixteenth of its length."""
    step = max((stop - first) // 16, 1)
    left, right = first, stop
    while left < stop and _exponent(x[left], y[left], shape) < -cut:
        left += step
    while right > left and _exponent(x[right - 1], y[right - 1], shape) < -cut:
        right -= step
    if left >= right:
        return first, first
    return max(left - step, first), min(right + step, stop)


@compiled(any_order=True)
def _gaussian(light: Numbers, powers: NDArray[np.int32], x: Pixels, y: Pixels, shape: Numbers) -> None:
    """Evaluate peak exp(-2 r^T M^-1 r) along a row; the shape is that of :func:`paint`."""
    center_x, center_y, xx, xy, yy, peak = shape[0], shape[1], shape[2], shape[3], shape[4], shape[5]
    for at in range(light.size):
        dx, dy = x[at] - center_x, y[at] - center_y
        light[at] = dx * (dx * xx + dy * xy) + dy * dy * yy
    exponentials(light, powers)
    for at in range(light.size):
        light[at] *= peak


@compiled(any_order=True)
def _speckle(
    pattern: Numbers,
    x: Pixels,
    y: Pixels,
    place: Numbers,
    field: NDArray[np.uint32],
    mixture: NDArray[np.uint64],
    texels: NDArray[np.uint32],
    sums: NDArray[np.uint64],
) -> None:
    """Speckle intensity along a row, of mean 1: four places of the field, mixed.

    Three loops, of which the first and the last are done for many pixels at once. Both parts of a texel stand
    in one whole number, ``FIELD_GAP`` bits apart, so that one product weighs both and the sums do not reach
    into each other (the four weights together are at most 2). ``texels`` and ``sums`` are room for as many
    numbers as the row has.
    """
    period, wrap = np.int32(2 * FIELD_SIZE), np.int32(FIELD_SIZE - 1)
    across_x, across_y, across = place[0, 0], place[0, 1], place[0, 2] + _HALF
    down_x, down_y, down = place[1, 0], place[1, 1], place[1, 2] + _HALF
    for at in range(pattern.size):
        # The mask wraps negative numbers too (two's complement).
        column = np.int32(np.floor(x[at] * across_x + y[at] * across_y + across)) & wrap
        row = np.int32(np.floor(x[at] * down_x + y[at] * down_y + down)) & wrap
        texels[at] = np.uint32(row * period + column)
    one, two, three, four = mixture[0], mixture[1], mixture[2], mixture[3]
    w_one, w_two, w_three, w_four = mixture[4], mixture[5], mixture[6], mixture[7]
    for at in range(pattern.size):
        texel = np.uint64(texels[at])  # without a sign: nothing is counted from the end, and nothing asks
        sums[at] = (
            np.uint64(field[texel + one]) * w_one
            + np.uint64(field[texel + two]) * w_two
            + np.uint64(field[texel + three]) * w_three
            + np.uint64(field[texel + four]) * w_four
        )
    low, gap = np.uint64((1 << FIELD_GAP) - 1), np.uint64(FIELD_GAP)
    step, zero = _FIELD_STEP, _FIELD_ZERO * np.float32(w_one + w_two + w_three + w_four)
    for at in range(pattern.size):
        real = (np.float32(np.int32(sums[at] & low)) - zero) * step
        imaginary = (np.float32(np.int32(sums[at] >> gap)) - zero) * step
        pattern[at] = real * real + imaginary * imaginary


@compiled(any_order=True)
def speckle_pattern(
    pattern: Pixels,
    x_mm: Pixels,
    y_mm: Pixels,
    place: Numbers,
    field: NDArray[np.uint32],
    mixture: NDArray[np.uint64],
) -> None:
    """Fill a picture with the speckle of one spot; the arguments are those of :func:`paint`."""
    columns = pattern.shape[1]
    texels, sums = np.empty(columns, np.uint32), np.empty(columns, np.uint64)
    for row in range(pattern.shape[0]):
        _speckle(pattern[row], x_mm[row], y_mm[row], place, field, mixture, texels, sums)


@compiled(any_order=True)
def _fringes(
    row: Numbers,
    envelope: Numbers,
    powers: NDArray[np.int32],
    one: Numbers,
    two: Numbers,
    x: Pixels,
    y: Pixels,
    wave: Numbers,
) -> None:
    """Add 2 V sqrt(I1 I2) cos(phase) to a row, washed out by the blur.

    ``wave`` is the middle (x, y), the phase there, its gradient (x, y) and curvature (xx, xy, yy), minus half
    the square of the blur, and twice the visibility.
    """
    middle_x, middle_y, turn, steep_x, steep_y = wave[0], wave[1], wave[2], wave[3], wave[4]
    xx, xy, yy, wash, visible = wave[5], wave[6], wave[7], wave[8], wave[9]
    for at in range(row.size):
        dx, dy = x[at] - middle_x, y[at] - middle_y
        slope_x, slope_y = steep_x + dx * xx + dy * xy, steep_y + dx * xy + dy * yy
        envelope[at] = (slope_x * slope_x + slope_y * slope_y) * wash
    exponentials(envelope, powers)
    for at in range(row.size):
        dx, dy = x[at] - middle_x, y[at] - middle_y
        bent_x, bent_y = dx * xx + dy * xy, dx * xy + dy * yy
        angle = turn + dx * (steep_x + _HALF * bent_x) + dy * (steep_y + _HALF * bent_y)
        turns = angle * _PER_TURN
        turns -= np.floor(turns + _HALF)
        square = turns * turns
        sine = turns * (
            _S1 + square * (_S3 + square * (_S5 + square * (_S7 + square * (_S9 + square * _S11))))
        )
        cosine = _ONE - _TWO * sine * sine
        row[at] += visible * envelope[at] * np.sqrt(one[at] * two[at]) * cosine


@compiled(any_order=True)
def add_gaussian(picture: Pixels, x_mm: Pixels, y_mm: Pixels, shape: Numbers) -> None:
    """Add a Gaussian to a whole picture."""
    light, powers = np.empty(picture.shape[1], np.float32), np.empty(picture.shape[1], np.int32)
    for row in range(picture.shape[0]):
        _gaussian(light, powers, x_mm[row], y_mm[row], shape)
        for column in range(light.size):
            picture[row, column] += light[column]


@compiled(any_order=True)
def _enlarged(row: Numbers, columns: Numbers, halo: Pixels, number: int, ramp: Numbers) -> None:
    """Fill a row with a coarse picture of one sample for each 8 x 8 pixels, linear between their middles."""
    above = max((number - 4) // HALO_STEP, 0)
    below = min((number + 4) // HALO_STEP, halo.shape[0] - 1)
    share = ramp[(number + 4) % HALO_STEP]
    last = columns.size - 1
    for at in range(columns.size):
        columns[at] = halo[above, at] + share * (halo[below, at] - halo[above, at])
    for at in range(4):
        row[at] = columns[0]
        row[HALO_STEP * last + 4 + at] = columns[last]
    for cell in range(last):
        left, rise, begin = columns[cell], columns[cell + 1] - columns[cell], HALO_STEP * cell + 4
        for at in range(HALO_STEP):
            row[begin + at] = left + rise * ramp[at]


@compiled(any_order=True)
def paint(
    light: Pixels,
    response: Pixels,
    x_mm: Pixels,
    y_mm: Pixels,
    halo: Pixels,
    stray: np.float32,
    areas: Indices,
    shapes: Numbers,
    field: NDArray[np.uint32],
    place: Numbers,
    mixtures: NDArray[np.uint64],
    contrast: np.float32,
    fringed: Indices,
    wave: Numbers,
) -> None:
    """Fill a picture with the light that a sensor's pixels answer to.

    Parameters
    ----------
    light : ndarray of float32, shape (height, width)
        Is overwritten.
    response, x_mm, y_mm : ndarray of float32, shape (height, width)
    halo : ndarray of float32, shape (ceil(height / 8), ceil(width / 8))
        Light that is wide enough to be known at the middles of blocks.
    stray : float32
        Even light.
    areas : ndarray of int, shape (n, 4)
        First and end row, first and end column of each spot.
    shapes : ndarray of float32, shape (n, 8)
        x, y, factors of dx^2, dx dy, dy^2 in the exponent, peak; the light ends where the exponent is minus
        the seventh, its speckle where it is minus the eighth number.
    field : ndarray of uint32, shape (4 FIELD_SIZE^2,)
        The speckle field.
    place : ndarray of float32, shape (2, 3)
        Turns (x, y, 1) into column and row of the field.
    mixtures : ndarray of uint64, shape (n, 8)
        Of each spot: where the four patterns begin that are mixed, and how much of each, in ``FIELD_ONE``.
    contrast : float32
    fringed : ndarray of int, shape (4,)
        Where the first two spots interfere, as ``areas``; no rows where they do not.
    wave : ndarray of float32, shape (10,)
    """
    rows, columns = light.shape
    count = shapes.shape[0]
    spots = np.zeros((max(count, 2), columns), np.float32)
    buffer, powers = np.empty(columns, np.float32), np.empty(columns, np.int32)
    texels, sums = np.empty(columns, np.uint32), np.empty(columns, np.uint64)
    coarse = np.empty(halo.shape[1], np.float32)
    painted = np.empty(halo.shape[1] * HALO_STEP, np.float32)
    ramp = ((np.arange(HALO_STEP) + 0.5) / HALO_STEP).astype(np.float32)
    spans = np.zeros((max(count, 2), 2), np.int64)
    even = _ONE - contrast
    for row in range(rows):
        x, y = x_mm[row], y_mm[row]
        _enlarged(painted, coarse, halo, row, ramp)
        for column in range(columns):
            painted[column] += stray
        for spot in range(count):
            spans[spot, 0], spans[spot, 1] = 0, 0
            if not areas[spot, 0] <= row < areas[spot, 1]:
                continue
            shape = shapes[spot]
            first, stop = _span(x, y, shape, shape[6], areas[spot, 2], areas[spot, 3])
            if first == stop:
                continue
            spans[spot, 0], spans[spot, 1] = first, stop
            seen, here = spots[spot, first:stop], painted[first:stop]
            _gaussian(seen, powers[: seen.size], x[first:stop], y[first:stop], shape)
            near, far = _span(x, y, shape, shape[7], first, stop)
            broken, pattern = spots[spot, near:far], buffer[near:far]
            _speckle(pattern, x[near:far], y[near:far], place, field, mixtures[spot], texels, sums)
            # Slices counted from 0: an index that could be negative for all the compiler knows is slow.
            for at in range(broken.size):
                broken[at] *= even + contrast * pattern[at]
            for at in range(here.size):
                here[at] += seen[at]
        if fringed[0] <= row < fringed[1]:
            first = max(fringed[2], spans[0, 0], spans[1, 0])
            stop = min(fringed[3], spans[0, 1], spans[1, 1])
            if first < stop:
                _fringes(
                    painted[first:stop],
                    buffer[first:stop],
                    powers[first:stop],
                    spots[0, first:stop],
                    spots[1, first:stop],
                    x[first:stop],
                    y[first:stop],
                    wave,
                )
        for column in range(columns):
            light[row, column] = painted[column] * response[row, column]
