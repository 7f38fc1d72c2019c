"""The figures of the benchmarks are those of scikit-learn and scipy."""

import numpy as np
import pytest
from scipy.stats import binomtest
from sklearn.metrics import brier_score_loss, roc_auc_score

from tools.bench.answer_scores import Share, Verdict, area_under_curve, score
from tools.bench.calibration import error_by_rank, error_by_value, error_if_true, error_interval


def test_area_under_the_curve_is_scikit_learns_with_ties():
    rng = np.random.default_rng(3)
    positive, negative = rng.integers(0, 9, 70) / 8, rng.integers(0, 7, 90) / 8
    truth = np.r_[np.ones(70), np.zeros(90)]
    expected = roc_auc_score(truth, np.r_[positive, negative])
    assert area_under_curve(positive, negative) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(("count", "cases"), [(0, 40), (3, 200), (40, 40)])
def test_limits_of_a_share_are_scipys(count, cases):
    """One-sided 95 % limits are the two ends of a two-sided 90 % interval."""
    exact = binomtest(count, cases).proportion_ci(0.90, method="exact")
    assert (Share(count, cases).lower, Share(count, cases).upper) == pytest.approx((exact.low, exact.high))


@pytest.mark.parametrize("error", [error_by_rank, error_by_value])
def test_calibration_error_is_near_zero_for_honest_chances_and_large_for_boasts(error):
    rng = np.random.default_rng(5)
    chance = rng.uniform(0.5, 1.0, 20_000)
    right = rng.random(20_000) < chance
    assert 0.0 < error(chance, right) < 0.02
    assert error(np.full(20_000, 0.99), right) > 0.2
    few = slice(0, 60)
    low, high = error_interval(chance[few], right[few], error)
    # Of 60 honest chances the error is all chance: what is expected where all are true lies in what is drawn again.
    assert 0.02 < error_if_true(chance[few], error) < high
    assert low < error(chance[few], right[few]) < high


def test_counts_by_hand():
    sure = Verdict(("A", "B"), (0.9, 0.1), 0.0, (("fluid", ("K1",)), ("air", ("AIR",))), 2)
    fooled = Verdict(("A", "B"), (0.6, 0.3), 0.1, (("fluid", ("K1",)),), 2)
    found = score([("A", sure), ("B", fooled)], [fooled], {"A": {"K1", "AIR"}, "B": {"K2", "AIR"}})
    assert (found.first.value, found.third.value) == (0.5, 1.0)
    assert (found.settled.count, found.settled.cases, found.wrong.count) == (3, 4, 1)
    assert found.unknown_settled.value == 1.0
    assert found.brier == pytest.approx(brier_score_loss([1, 0], [0.9, 0.6]))
    # 19 of 20 known: 0.75 named, a third of it wrong; 1 of 20 unknown: always named, always wrong.
    assert found.wrong_with_unknown(0.05) == pytest.approx((0.95 * 0.25 + 0.05) / (0.95 * 0.75 + 0.05))
