"""Shop readings are summarized as textbooks do, and worked into a family's lengths without counting twice."""

import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reference_geometry.families import Family, KnownLength
from reference_geometry.measurements import agreement, disagreement, with_readings

readings = st.lists(st.floats(min_value=200.0, max_value=220.0), min_size=1, max_size=12)
several = st.lists(st.floats(min_value=200.0, max_value=220.0), min_size=2, max_size=12)


def test_agreement_of_a_worked_example():
    """By hand: 10, 11, 12 has mean 11, sample standard deviation 1, and 1 / sqrt 3 for the mean."""
    found = agreement([10.0, 11.0, 12.0])
    assert (found.count, found.mean_mm, found.low_mm, found.high_mm, found.sd_mm) == (
        3,
        11.0,
        10.0,
        12.0,
        1.0,
    )
    assert found.mean_uncertainty_mm == pytest.approx(0.57735, abs=1e-5)


def test_one_reading_claims_no_spread():
    found = agreement([10.0])
    assert found.sd_mm is None
    assert found.mean_uncertainty_mm is None
    assert with_readings(None, [10.0]) == KnownLength(10.0, None, 1)


def test_no_reading_changes_nothing():
    listed = KnownLength(213.0, 0.5, 4)
    assert with_readings(listed, []) is listed
    assert with_readings(None, []) is None


def test_readings_replace_a_published_mean_and_keep_its_spread_while_there_is_one_reading():
    assert with_readings(KnownLength(213.0, 0.5, 0), [212.0]) == KnownLength(212.0, 0.5, 1)
    assert with_readings(KnownLength(213.0, 0.5, 0), [212.0, 212.2]).sd_mm == pytest.approx(0.1414, abs=1e-4)


@given(several, readings)
def test_pooling_a_summary_with_readings_equals_having_all_readings(earlier, later):
    """Source: statistics.stdev on all values together."""
    listed = KnownLength(statistics.fmean(earlier), statistics.stdev(earlier), len(earlier))
    pooled = with_readings(listed, later)
    assert pooled.count == len(earlier) + len(later)
    assert pooled.mean_mm == pytest.approx(statistics.fmean(earlier + later), abs=1e-9)
    assert pooled.sd_mm == pytest.approx(statistics.stdev(earlier + later), abs=1e-6)


def test_a_summary_without_spread_lends_none():
    assert with_readings(KnownLength(213.0, None, 5), [212.0]) == KnownLength(
        pytest.approx(212.8333, abs=1e-4), None, 6
    )


def test_disagreement_is_relative_and_zero_when_nothing_is_known():
    assert disagreement(KnownLength(200.0), 210.0) == pytest.approx(0.05)
    assert disagreement(None, 210.0) == 0.0
    assert Family("F", "M", "N", "").lengths == {}
