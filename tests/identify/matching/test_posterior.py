"""Families, unknown pumps and the screening that makes large sets fast."""

from dataclasses import replace

import numpy as np
import pytest

from identify.matching import posterior as posterior_module
from identify.matching.family_table import NEAR_SHARE, NEAR_SPREAD, build_family_table, own_relative_sd
from identify.matching.posterior import compute_posterior
from identify.matching.settings import MatchSettings
from reference_geometry.families import Family, KnownLength, ReferenceSet


def test_probabilities_sum_to_one_and_the_right_family_leads(make, three, settings):
    table = build_family_table(three.families, settings)
    lengths = (make.length("chamber_diameter", 213.0), make.length("port_spacing", 301.0))
    found = compute_posterior(table, lengths, (), settings)
    assert found.probability.sum() == pytest.approx(1.0, abs=1e-12)
    assert [table.family_ids[row] for row in found.ranked(0.5)] == ["A"]
    assert 0.9 < found.families[0] < 0.999999


def test_with_nothing_known_the_prior_comes_back(three, settings):
    table = build_family_table(three.families, settings)
    found = compute_posterior(table, (), (), settings)
    assert found.not_in_set == pytest.approx(settings.not_in_set_prior, abs=1e-9)
    assert found.families == pytest.approx([0.95 / 3] * 3, abs=1e-9)


def test_an_unknown_pump_is_not_forced_into_a_family(make, three, settings):
    """Six percent off every family in two lengths: a look-alike size, but none of these."""
    table = build_family_table(three.families, settings)
    lengths = (make.length("chamber_diameter", 196.0), make.length("port_spacing", 318.0))
    found = compute_posterior(table, lengths, (), settings)
    assert found.not_in_set > 0.999


def test_an_empty_set_says_not_in_the_set(make, settings):
    table = build_family_table((), settings)
    found = compute_posterior(table, (make.length("chamber_diameter", 212.0),), (), settings)
    assert found.not_in_set == pytest.approx(1.0)


def test_a_standard_flange_alone_does_not_make_a_pump_known(make, settings):
    """Many pumps carry a 2 in. ASME flange, so its three exact sizes say little of the family."""
    known = make.family("A", {"chamber_diameter": 360.0}, port_standard="ASME B16.5 Class 150", port_nominal_in="2")
    table = build_family_table([known], settings)
    flange = (
        make.length("flange_diameter", 151.2),
        make.length("bolt_circle_diameter", 120.7),
        make.length("bolt_hole_diameter", 19.1, edge=0.02),
    )
    by_flange = compute_posterior(table, flange, (), settings)
    other_chamber = (*flange, replace(make.length("chamber_diameter", 330.0), photos=()))
    with_chamber = compute_posterior(table, other_chamber, (), settings)
    # The prior is 95 %; the flange supports the one family with this flange, but within what the ports' own
    # frequency allows, and a chamber 8 % off by a calliper tells it is another pump.
    assert by_flange.not_in_set > 0.002
    assert with_chamber.not_in_set > 0.95


def test_flange_lengths_come_from_the_standard_when_a_family_does_not_repeat_them(make, settings):
    """ASME B16.5 Class 150, 1 in.: bolt circle 79.4 mm; EN 1092-1 DN25: 85 mm (tables of the standards)."""
    asme = make.family("ASME", {"chamber_diameter": 212.0}, port_standard="ASME B16.5 Class 150", port_nominal_in="1")
    en = make.family("EN", {"chamber_diameter": 212.0}, port_standard="EN 1092-1 PN10/16", port_nominal_in="1")
    table = build_family_table([asme, en], settings)
    assert table.length_mm("bolt_circle_diameter", 0)[0] == pytest.approx(79.4, abs=0.1)
    assert table.length_mm("bolt_circle_diameter", 1)[0] == pytest.approx(85.0, abs=0.1)
    assert table.value_of("bolt_hole_count", 0) == "4"
    found = compute_posterior(table, (make.length("bolt_circle_diameter", 85.3),), (), settings)
    assert found.families[1] > 0.85


def test_a_swivel_flange_is_given_a_wider_spread(make, settings):
    port = {"port_standard": "ASME B16.5 Class 150", "port_nominal_in": "1"}
    fixed = make.family("FIXED", {}, swivel_flange=False, **port)
    loose = make.family("LOOSE", {}, swivel_flange=True, **port)
    table = build_family_table([fixed, loose], settings)
    assert table.length_mm("bolt_circle_diameter", 1)[1] > 1.5 * table.length_mm("bolt_circle_diameter", 0)[1]


def random_set(count, rng):
    families = []
    for i in range(count):
        lengths = {
            "chamber_diameter": KnownLength(float(rng.uniform(100, 400)), 0.5, 4),
            "port_spacing": KnownLength(float(rng.uniform(150, 500)), None, int(rng.integers(0, 5))),
        }
        if rng.random() < 0.5:
            lengths["overall_height"] = KnownLength(float(rng.uniform(200, 700)))
        families.append(Family(f"F{i}", f"M{i % 7}", "x", "", chamber_bolt_count=6 + 2 * int(rng.integers(4)),
                               lengths=lengths))  # fmt: skip
    return tuple(families)


def test_screening_changes_no_probability_by_more_than_a_billionth(make, settings, monkeypatch):
    rng = np.random.default_rng(11)
    table = build_family_table(random_set(4000, rng), settings)
    lengths = (make.length("chamber_diameter", 251.0), make.length("port_spacing", 333.0))
    evidence = (make.attribute("chamber_bolt_count", **{"8": 0.9, "10": 0.1}),)
    exact = compute_posterior(table, lengths, evidence, settings)
    monkeypatch.setattr(posterior_module, "_SCREEN_ABOVE", 100)
    monkeypatch.setattr(posterior_module, "_PILOTS", 8)
    screened = compute_posterior(table, lengths, evidence, settings)
    assert np.isinf(screened.log_score).sum() > 2000
    assert np.abs(screened.probability - exact.probability).max() < 1e-9


def test_order_of_families_and_of_lengths_does_not_matter(make, three, settings):
    lengths = [make.length("chamber_diameter", 213.0), make.length("port_spacing", 318.0)]
    forward = compute_posterior(build_family_table(three.families, settings), lengths, (), settings)
    turned = ReferenceSet(three.families[::-1], three.kits, "turned")
    backward = compute_posterior(build_family_table(turned.families, settings), lengths[::-1], (), settings)
    assert forward.families == pytest.approx(backward.families[::-1], abs=1e-9)


def test_temperature_flattens_and_one_changes_nothing(make, three):
    lengths = (make.length("chamber_diameter", 214.0), make.length("port_spacing", 310.0))
    table = build_family_table(three.families)
    plain = compute_posterior(table, lengths, (), MatchSettings())
    same = compute_posterior(table, lengths, (), MatchSettings(temperature=1.0))
    flat = compute_posterior(table, lengths, (), MatchSettings(temperature=3.0))
    assert np.array_equal(plain.probability, same.probability)
    assert flat.probability.max() < plain.probability.max()


def test_a_family_measured_often_is_trusted_to_its_own_spread(settings):
    """Tolerance and measurements pooled, plus sampling: by hand, (4 t^2 + 9 s^2) / 13 * 1.1 at n = 10."""
    metal = Family("A", "M", "x", "", wetted_material="metal")
    known = KnownLength(200.0, 2.0, 10)
    by_hand = ((4 * 0.004**2 + 9 * 0.01**2) / 13 * 1.1) ** 0.5
    assert own_relative_sd(metal, "chamber_diameter", known, settings) == pytest.approx(by_hand)
    once = KnownLength(200.0, None, 1)
    assert own_relative_sd(metal, "chamber_diameter", once, settings) == pytest.approx(0.004 * 2**0.5)
    published = KnownLength(200.0)
    assert own_relative_sd(metal, "chamber_diameter", published, settings) == pytest.approx(0.004)


def test_a_joint_known_roughly_leaves_room_for_a_pump_built_after_the_family(make, settings):
    """By hand: a tenth of the unknown pumps lie about their model by 7 %, the others about all pumps far wider.

    The rougher the joint is known, the nearer comes the chance of such a copy to its share before anything is seen.
    """
    known = {"chamber_diameter": KnownLength(212.0, 0.4)}
    table = build_family_table((make.family("A", known, housing_joint="bolted", chamber_bolt_count=8),), settings)
    found = []
    for sd in (0.003, 0.05):
        joint = make.length("chamber_diameter", 212.0, edge=sd, scale=1e-6)
        found.append(compute_posterior(table, (joint,), ()).not_in_set)
    prior = settings.not_in_set_prior / (1 - settings.not_in_set_prior)
    for sd, none in zip((0.003, 0.05), found, strict=True):
        own = np.hypot(np.hypot(sd, settings.model_floor), 0.4 / 212.0)
        near = NEAR_SHARE * prior * own / np.hypot(own, NEAR_SPREAD)
        broad = (1 - NEAR_SHARE) * prior * own * np.sqrt(2 * np.pi)
        wide = table.broad.covariance[0, 0] + own**2
        broad *= np.exp(-0.5 * (np.log(212.0) - table.broad.mean[0]) ** 2 / wide) / np.sqrt(2 * np.pi * wide)
        assert none == pytest.approx((near + broad) / (1 + near + broad), rel=1e-5)
    assert 3 * found[0] < found[1]
