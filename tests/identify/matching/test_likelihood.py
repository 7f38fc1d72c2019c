"""The closed form of the geometry is the integral it claims to be."""

from dataclasses import replace

import numpy as np
import pytest

from features.measured import Contribution, MeasuredLength
from identify.matching import posterior
from identify.matching.family_table import build_family_table
from identify.matching.likelihood import log_density, log_density_bound, log_density_bound_by_one, reduce_to_known
from identify.matching.posterior import compute_posterior, usable_lengths
from reference_geometry.families import Family, KnownLength
from tools.bench.posterior_exact import (
    NAMES,
    allowing_a_wrong_one,
    integrated,
    keep_rows,
    random_families,
    random_lengths,
)
from tools.bench.rank_speed import measure_pump, random_table


def test_posterior_is_the_numerical_integral_over_the_scale_error_on_300_random_cases(settings):
    """Checked against scipy's `simpson`, `multivariate_normal` and `norm` to 1e-6 in probability.

    The bench `posterior_exact` does the same on 1,000 cases.
    """
    rng = np.random.default_rng(20)
    worst, cases = 0.0, 0
    while cases < 300:
        whole = build_family_table(random_families(rng), settings)
        for _ in range(40):
            lengths, scale_sd = random_lengths(rng)
            rows = np.append(rng.choice(whole.count, 3, replace=False), whole.rows - 1)
            table = keep_rows(whole, rows)
            likelihood = [allowing_a_wrong_one(table, r, lengths, scale_sd, settings) for r in range(4)]
            if max(likelihood) < 1e-250:
                continue
            expected = np.array(likelihood) / sum(likelihood)
            posterior = compute_posterior(table, lengths, (), settings)
            worst = max(worst, float(np.abs(posterior.probability - expected).max()))
            cases += 1
    assert 0.0 < worst < 1e-6


def test_density_itself_is_the_integral_not_only_its_ratios(settings):
    """The constants are right too, so families that know different lengths can be compared."""
    rng = np.random.default_rng(3)
    table = build_family_table(random_families(rng, 20), settings)
    checked = 0
    for _ in range(40):
        lengths, scale_sd = random_lengths(rng)
        measured = usable_lengths(lengths, settings)
        for row in rng.choice(table.count, 3, replace=False):
            reduced = reduce_to_known(measured, table.broad, int(table.known_bits[row]))
            ours = log_density(reduced, table.log_mean, table.log_variance, np.array([row]))[0]
            theirs = integrated(table, row, lengths, scale_sd, np.full(len(lengths), settings.model_floor))
            if theirs > 1e-200:
                checked += 1
                assert ours == pytest.approx(np.log(theirs), abs=1e-6)
    assert checked > 60


def test_one_length_read_at_another_edge_does_not_rule_the_true_family_out(make, settings):
    """A raised face may be taken for a flange's rim, a cover for its joint: one length wrong, the others right."""
    true = {"chamber_diameter": 212.0, "port_spacing": 340.0, "overall_height": 505.0, "overall_width": 310.0}
    other = {"chamber_diameter": 262.0, "port_spacing": 415.0, "overall_height": 590.0, "overall_width": 350.0}
    table = build_family_table([make.family("TRUE", true), make.family("OTHER", other)], settings)
    read = {**true, "chamber_diameter": 0.86 * 212.0}
    lengths = [make.length(name, value_mm) for name, value_mm in read.items()]
    believed = compute_posterior(table, lengths, (), settings)
    strict = compute_posterior(table, lengths, (), replace(settings, wrong_length=0.0))
    assert believed.families[0] > 0.5
    assert strict.not_in_set > 0.99
    typed = [replace(length, photos=()) for length in lengths]
    assert compute_posterior(table, typed, (), settings).not_in_set > 0.99


def test_without_a_scale_only_ratios_decide(make, three, settings):
    """The same photo read in any unit gives the same answer, and the right one."""
    table = build_family_table(three.families, settings)
    found = []
    for unit in (1.0, 0.01, 37.0):
        lengths = (
            make.length("chamber_diameter", 212.0 * unit, scale=3.0),
            make.length("port_spacing", 340.0 * unit, scale=3.0),
        )
        found.append(compute_posterior(table, lengths, (), settings).families)
    assert found[0][1] > 0.85
    # The prior of the scale (sd 3 in log) is flat enough that a factor of 100 changes nearly nothing.
    assert np.abs(found[0] - found[1]).max() < 0.02
    assert np.abs(found[0] - found[2]).max() < 0.02


def test_bound_lies_above_every_exact_value_and_is_tight_for_equal_spreads(settings):
    rng = np.random.default_rng(5)
    families = [
        Family(f"F{i}", "Hollin", "invented", "", lengths={
            n: KnownLength(float(rng.uniform(150.0, 300.0)), float(rng.uniform(0.2, 3.0)), 5) for n in NAMES
        })
        for i in range(300)
    ]  # fmt: skip
    table = build_family_table(families, settings)
    lengths = [
        MeasuredLength(n, 210.0, (Contribution("edge", n, 0.01), Contribution("reference", "card", 0.01)))
        for n in NAMES
    ]
    measured = usable_lengths(lengths, settings)
    rows = np.arange(table.count)
    reduced = reduce_to_known(measured, table.broad, int(table.known_bits[0]))
    exact = log_density(reduced, table.log_mean, table.log_variance, rows)
    own = table.log_variance[:, rows]
    bound = log_density_bound(reduced, table.log_mean, rows, own.min(axis=1), own.max(axis=1))
    assert np.all(bound >= exact - 1e-9)
    same = np.full_like(own, 1e-4)
    exact = log_density(reduced, table.log_mean, same, rows)
    bound = log_density_bound(reduced, table.log_mean, rows, same.min(axis=1), same.max(axis=1))
    assert np.abs(bound - exact).max() < 1e-9


def test_a_length_nobody_of_two_knows_does_not_shift_their_odds(make, settings):
    one = make.family("A", {"chamber_diameter": 212.0})
    two = make.family("B", {"chamber_diameter": 214.0})
    table = build_family_table([one, two], settings)
    chamber = make.length("chamber_diameter", 213.5, scale=0.0)
    wide = make.length("overall_width", 333.0, scale=0.0)
    alone = compute_posterior(table, [chamber], (), settings).families
    both = compute_posterior(table, [chamber, wide], (), settings).families
    assert both[0] / both[1] == pytest.approx(alone[0] / alone[1], rel=0.02)


def test_a_family_that_does_not_know_a_length_is_neither_rewarded_nor_punished(make, settings):
    """Against a twin that knows it: gains when the twin misfits, loses a little when the twin fits."""
    knows = make.family("KNOWS", {"chamber_diameter": 212.0, "overall_width": 300.0})
    silent = make.family("SILENT", {"chamber_diameter": 212.0})
    table = build_family_table([knows, silent], settings)
    chamber = make.length("chamber_diameter", 212.0)
    fits = compute_posterior(table, [chamber, make.length("overall_width", 300.0)], (), settings).families
    misfits = compute_posterior(table, [chamber, make.length("overall_width", 340.0)], (), settings).families
    assert 2.0 < fits[0] / fits[1] < 40.0
    assert misfits[0] / misfits[1] < 1e-3


def test_a_name_given_twice_is_refused_before_it_counts_twice(make, three, settings):
    table = build_family_table(three.families, settings)
    twice = [make.length("chamber_diameter", 212.0), make.length("chamber_diameter", 213.0)]
    with pytest.raises(ValueError, match="twice"):
        compute_posterior(table, twice, (), settings)


def test_bound_by_one_length_lies_above_every_exact_value_and_is_reached_by_a_lone_length(settings):
    """Families that know all, some or none of the lengths, measured with a shared error and without a scale."""
    rng = np.random.default_rng(8)
    table = build_family_table(random_families(rng, 200), settings)
    for scale_sd in (0.01, 3.0):
        shared = Contribution("reference" if scale_sd < 1 else "scale", "card", scale_sd)
        lengths = [MeasuredLength(n, 210.0, (Contribution("edge", n, 0.01), shared)) for n in NAMES]
        for used in (lengths, lengths[:1]):
            measured = usable_lengths(used, settings)
            bound = log_density_bound_by_one(
                measured, table.broad, table.log_mean, table.log_variance, table.known_bits
            )
            for row in range(table.rows):
                reduced = reduce_to_known(measured, table.broad, int(table.known_bits[row]))
                exact = log_density(reduced, table.log_mean, table.log_variance, np.array([row]))[0]
                assert bound[row] >= exact - 1e-9
                if len(used) == 1 and len(reduced.known) and scale_sd > 1:
                    # One length known to a factor of 20: what a family's own spread adds is nothing beside it.
                    assert bound[row] == pytest.approx(exact, abs=1e-3)


def test_a_screened_set_is_ranked_as_one_worked_out_in_full(monkeypatch, settings):
    """5,000 random families, with the bounds and without: nothing that matters is left out."""
    rng = np.random.default_rng(11)
    table = random_table(5000, rng)
    plain = replace(settings, wrong_length=0.0)
    for row in rng.choice(np.flatnonzero(table.known_bits[:5000] == (1 << 12) - 1), 5):
        lengths = measure_pump(table, int(row), rng)
        in_full = compute_posterior(table, lengths, (), plain).probability
        with monkeypatch.context() as patch:
            patch.setattr(posterior, "_SCREEN_ABOVE", 100)
            screened = compute_posterior(table, lengths, (), plain).probability
        assert np.abs(screened - in_full).max() < 1e-9
        assert (screened == 0).sum() > 2500
