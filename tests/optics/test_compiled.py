"""Kernels as machine code are what numpy says they are, wherever their source lies."""

import numpy as np
import pytest

from optics.compiled import compiled

_SOURCE = "def doubled(values):\n    for at in range(len(values)):\n        values[at] *= 2.0\n"


@compiled(any_order=True)
def summed(values):
    total = 0.0
    for value in values:
        total += value
    return total


def test_a_compiled_sum_is_numpys_to_rounding():
    values = np.random.default_rng(0).normal(size=1000)
    assert summed(values) == pytest.approx(np.sum(values), rel=1e-12)
    assert summed(values) == summed(values)


def test_division_by_zero_is_numpys_and_no_exception():
    @compiled()
    def divided(a, b):
        return a / b

    with np.errstate(divide="ignore"):  # as plain Python it is numpy's too, with numpy's warning
        assert np.isinf(divided(np.float64(1.0), np.float64(0.0)))


def test_a_function_without_a_place_to_keep_its_code_is_compiled_all_the_same():
    names: dict = {}
    exec(_SOURCE, names)
    values = np.ones(3)
    compiled()(names["doubled"])(values)
    np.testing.assert_array_equal(values, 2.0)
