"""Attributes never rule a family out for good, and silence is neither reward nor punishment."""

import numpy as np
import pytest

from features.measured import AttributeEvidence
from identify.matching.attribute_match import attribute_table, keep_possible, typed_likelihood
from identify.matching.family_table import build_family_table
from identify.matching.posterior import compute_posterior


def test_no_likelihood_is_ever_zero_or_one(three, settings):
    table = build_family_table(three.families, settings)
    certain = AttributeEvidence("wetted_material", {"metal": 1.0, "plastic": 0.0})
    found = attribute_table(table, certain, settings)
    assert sum(found.likelihood.values()) == pytest.approx(1.0)
    assert 0.0 < found.likelihood["plastic"] < 0.01
    assert 0.98 < found.likelihood["metal"] < 1.0
    assert np.all(np.exp(found.log_by_code) > 0.0)


def test_measured_error_rates_of_photos_are_taken_as_they_are():
    """A photo's evidence carries its measured errors: 0.97 to 0.03 stays that, only a 0 is lifted.

    By hand: (0.7, 0.3, 0) with 0.03 over three values gives (0.7, 0.3, 0.01) / 1.01.
    """
    assert keep_possible({"a": 0.97, "b": 0.03}, ("a", "b"), 0.01) == pytest.approx({"a": 0.97, "b": 0.03})
    lifted = keep_possible({"a": 0.7, "b": 0.3}, ("a", "b", "c"), 0.03)
    assert lifted == pytest.approx({"a": 0.7 / 1.01, "b": 0.3 / 1.01, "c": 0.01 / 1.01})


def test_a_family_that_does_not_say_gets_the_frequency_weighted_likelihood(make, settings):
    """By hand: 2 metal, 1 plastic, half a count each extra: (2.5 a + 1.5 b) / 4 with a, b = (1, 0.005) / 1.005."""
    metal = [make.family(f"M{i}", {}, wetted_material="metal") for i in range(2)]
    rest = [make.family("P", {}, wetted_material="plastic"), make.family("S", {})]
    table = build_family_table([*metal, *rest], settings)
    found = attribute_table(table, AttributeEvidence("wetted_material", {"metal": 1.0, "plastic": 0.0}), settings)
    assert found.when_unknown == pytest.approx((2.5 + 1.5 * 0.005) / 1.005 / 4)
    posterior = compute_posterior(table, (), (AttributeEvidence("wetted_material", {"metal": 1.0}),), settings)
    m, p, s = posterior.families[0], posterior.families[2], posterior.families[3]
    assert p < s < m


def test_a_miscount_is_near_not_anywhere():
    near = typed_likelihood("chamber_bolt_count", "8", ("6", "8", "10", "16"), 0.02)
    assert sum(near.values()) == pytest.approx(1.0)
    assert near["8"] == pytest.approx(0.98)
    assert near["10"] == pytest.approx(near["6"])
    assert near["10"] > 5.0 * near["16"]


def test_a_value_no_family_has_is_kept_as_possible(three, settings):
    table = build_family_table(three.families, settings)
    found = attribute_table(table, AttributeEvidence("chamber_bolt_count", {"24": 0.9, "8": 0.1}), settings)
    assert found.likelihood["24"] > 0.85
    posterior = compute_posterior(table, (), (AttributeEvidence("chamber_bolt_count", {"24": 1.0}),), settings)
    assert posterior.not_in_set > 2.0 * settings.not_in_set_prior


def test_evidence_multiplies_as_odds_do(three, settings):
    """8 bolts at 90 % against 10 at 10 %: odds of A to C are 9 to 1."""
    table = build_family_table(three.families, settings)
    seen = AttributeEvidence("chamber_bolt_count", {"8": 0.9, "10": 0.1})
    posterior = compute_posterior(table, (), (seen,), settings)
    assert posterior.families[0] / posterior.families[2] == pytest.approx(9.0)
