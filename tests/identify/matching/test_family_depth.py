"""A family's own joint tells how far a card on its rim lies before the edge."""

from dataclasses import replace

import numpy as np
import pytest

from features.measured import Contribution, MeasuredLength
from identify.matching.family_depth import use_family_depth
from identify.matching.family_table import build_family_table
from identify.matching.posterior import compute_posterior


def chamber(value_mm, offset_mm=7.0, per_offset_mm=0.3, offset_sd_mm=2.2):
    parts = (
        Contribution("edge", "edge", 0.001),
        Contribution("offset", "offset:chamber_diameter", per_offset_mm * offset_sd_mm / value_mm),
    )
    return MeasuredLength("chamber_diameter", value_mm, parts, ("a.jpg",), offset_mm, per_offset_mm)


@pytest.fixture
def two(make):
    low = replace(make.family("LOW", {"chamber_diameter": 212.0}), extras={"joint_rise_mm": "1.5"})
    silent = make.family("SILENT", {"chamber_diameter": 212.0})
    return [low, silent]


def test_expected_reading_moves_by_the_difference_of_the_distances(two, settings):
    """Assumed 7 mm, the family's 1.5 mm and 2.5 mm of lift, 0.3 mm a mm: it reads 0.9 mm too large, by hand."""
    table = build_family_table(two, settings)
    adjusted = use_family_depth(table, [chamber(212.9)], "rim")
    reading = np.exp(adjusted.table.log_mean[0, :2])
    assert reading[0] == pytest.approx(212.9, abs=0.02)
    assert reading[1] == pytest.approx(212.0)
    assert [part.name for part in adjusted.lengths[0].contributions] == ["edge"]


def test_a_card_on_a_cover_lies_lower_than_its_highest_spot(make, settings):
    """Assumed 7 mm; before a cover's joint 20 mm deep a card lies 16.6 mm, give or take 2.2; 0.3 mm a mm, by hand."""
    deep = replace(make.family("DEEP", {"chamber_diameter": 212.0}), extras={"cover_depth_mm": "20"})
    plain = build_family_table([deep], settings)
    adjusted = use_family_depth(plain, [chamber(212.0)], "cover").table
    assert np.exp(adjusted.log_mean[0, 0]) == pytest.approx(212.0 - 0.3 * 9.6, abs=0.03)
    spread = np.sqrt(adjusted.log_variance[0, 0] - plain.log_variance[0, 0])
    assert spread == pytest.approx(0.3 * 2.2 / 212.0, rel=0.02)


def test_a_family_that_does_not_say_is_judged_exactly_as_before(two, settings):
    table = build_family_table(two[1:], settings)
    lengths = [chamber(213.4)]
    plain = compute_posterior(table, lengths, (), settings)
    on_rim = compute_posterior(table, lengths, (), settings, card_at="rim")
    assert on_rim.probability == pytest.approx(plain.probability, abs=1e-12)


def test_the_family_whose_joint_explains_the_reading_gains(two, settings):
    table = build_family_table(two, settings)
    plain = compute_posterior(table, [chamber(212.9)], (), settings).families
    on_rim = compute_posterior(table, [chamber(212.9)], (), settings, card_at="rim").families
    assert plain[0] == pytest.approx(plain[1])
    assert 1.02 < on_rim[0] / on_rim[1] < 3.0


def test_an_offset_shared_with_another_length_stays_shared(two, settings):
    table = build_family_table(two, settings)
    shared = Contribution("offset", "distance:a.jpg", 0.02)
    joint = replace(chamber(212.9), contributions=(shared,))
    other = MeasuredLength("port_spacing", 300.0, (shared,), ("a.jpg",), 0.0, 0.3)
    assert use_family_depth(table, [joint, other], "rim").lengths == (joint, other)
