"""The part model's logits are made probabilities as Platt's scaling makes them (scikit-learn is the outside check)."""

import numpy as np
import pytest
from sklearn.linear_model import LogisticRegression

from features.parts.part_model import Calibration, calibrated_one
from features.parts.part_vocabulary import ATTRIBUTES
from tools.train.evaluate import scaling_of

NAME = "wetted_material"


def told_with_a_leaning(count=4000, leaning=0.8, sharpness=2.0):
    """(count, 2) probabilities of a model that is too sure and tells the second value too often, and the truth."""
    rng = np.random.default_rng(5)
    truth = rng.integers(0, 2, count)
    evidence = rng.normal(np.where(truth == 1, 1.0, -1.0), 1.0)  # its own log odds are twice the evidence
    odds = sharpness * (2.0 * evidence + leaning)
    second = 1 / (1 + np.exp(-odds))
    return np.column_stack([1 - second, second]), truth


def test_scaling_is_that_of_a_logistic_regression_on_the_log_odds():
    shares, truth = told_with_a_leaning()
    temperature, leanings = scaling_of(shares, truth, leans=True)
    odds = np.log(shares[:, 1] / shares[:, 0])
    outside = LogisticRegression(C=1e9).fit(odds[:, None], truth)
    assert 1 / temperature == pytest.approx(float(outside.coef_[0, 0]), rel=0.01)
    assert leanings[0] - leanings[1] == pytest.approx(float(outside.intercept_[0]), abs=0.02)
    # What was put in comes out: twice too sure, and 0.8 of log odds towards the second value.
    assert temperature == pytest.approx(2.0, rel=0.1)
    assert leanings[1] - leanings[0] == pytest.approx(0.8, abs=0.1)


def test_without_leanings_only_the_sureness_changes():
    shares, truth = told_with_a_leaning()
    _, leanings = scaling_of(shares, truth, leans=False)
    assert not leanings.any()


def test_told_probabilities_come_true_once_calibrated():
    shares, truth = told_with_a_leaning()
    temperature, leanings = scaling_of(shares[::2], truth[::2], leans=True)
    calibration = Calibration({NAME: temperature}, {}, 0.0, {NAME: leanings.tolist()})
    told = np.array([calibrated_one(NAME, np.log(row), calibration) for row in shares[1::2]])
    assert ATTRIBUTES[NAME] == ("plastic", "metal")
    for low, high in ((0.1, 0.3), (0.3, 0.5), (0.5, 0.7), (0.7, 0.9)):
        here = (told[:, 1] > low) & (told[:, 1] <= high)
        assert truth[1::2][here].mean() == pytest.approx(told[here, 1].mean(), abs=4 * 0.5 / np.sqrt(here.sum()))
