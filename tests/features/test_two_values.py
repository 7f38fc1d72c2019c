"""The interval of a length that hangs on one of two cases, beside a million of its errors as numpy draws them."""

from dataclasses import replace

import numpy as np
import pytest

from features.combine import combine_lengths
from features.measured import COVERAGE_95, Contribution, MeasuredLength
from features.two_values import TwoValues

DRAWN = 1_000_000


@pytest.mark.parametrize("own_sd", [0.004, 0.02, 0.1])
@pytest.mark.parametrize(("first_chance", "apart"), [(0.75, -0.13), (0.6, 0.05), (0.9, 0.13)])
def test_an_interval_misses_as_often_on_either_side(first_chance, apart, own_sd):
    """2.5 of 100 drawn errors below it and as many above (JCGM 101:2008, 7.7: by drawing)."""
    value_mm, doubt = TwoValues("which", first_chance).unknown("edge", 50.0, apart)
    length = MeasuredLength("port_bore", value_mm, (doubt, Contribution("offset", "depth", own_sd)))
    random = np.random.default_rng(3)
    truth = 50.0 * np.exp(np.where(random.random(DRAWN) < first_chance, 0.0, apart) + random.normal(0.0, own_sd, DRAWN))
    low, high = length.interval_mm
    assert np.mean(truth < low) == pytest.approx(0.025, abs=0.001)
    assert np.mean(truth > high) == pytest.approx(0.025, abs=0.001)
    assert np.std(np.log(truth)) == pytest.approx(length.relative_sd, rel=0.01)


def test_what_is_normal_keeps_the_factor_of_a_normal_quantity():
    length = MeasuredLength("port_bore", 50.0, (Contribution("offset", "depth", 0.02),))
    assert length.interval_mm == pytest.approx((50.0 * np.exp(-COVERAGE_95 * 0.02), 50.0 * np.exp(COVERAGE_95 * 0.02)))


def test_photos_that_share_the_doubt_do_not_make_it_normal():
    """Three photos of one mouth: their own errors shrink, the two cases stay as far apart."""
    value_mm, doubt = TwoValues("which", 0.75).unknown("edge", 50.0, -0.13)
    one = MeasuredLength("port_bore", value_mm, (doubt, Contribution("edge", "0", 0.01)), ("0.jpg",))
    own = [
        replace(one, contributions=(doubt, Contribution("edge", f"{i}", 0.01)), photos=(f"{i}.jpg",)) for i in range(3)
    ]
    (together,) = combine_lengths(own).lengths
    alone, joined = np.log(one.interval_mm), np.log(together.interval_mm)
    assert 0.13 < np.ptp(joined) < np.ptp(alone) < 2 * COVERAGE_95 * one.relative_sd
