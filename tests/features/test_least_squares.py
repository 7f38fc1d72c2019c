"""A solver whose steps go too far takes them back without a word, and ends where scipy's solver ends."""

import warnings

import numpy as np
import pytest
from scipy.optimize import least_squares

from features.least_squares import in_turn, solve


def test_a_step_that_overflows_is_taken_back_silently():
    """From far out on the flat side of an exponential the first step leaves the range of numbers."""
    measured = np.array([2.0, 5.0])

    def off(x):
        return np.exp(x) - measured

    start = np.array([-6.0, 1.0])
    first_step = -off(start) / np.exp(start)
    assert first_step[0] > 710  # exp of more than 709.8 is no double
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = solve(in_turn(lambda x: {"data": off(x)}), start, np.full(2, 1e-6))
    assert found.x == pytest.approx(np.log(measured), abs=1e-5)
    assert found.x == pytest.approx(least_squares(off, np.zeros(2)).x, abs=1e-5)
