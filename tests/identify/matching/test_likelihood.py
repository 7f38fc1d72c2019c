"""The closed form of the geometry is the integral it claims to be."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import simpson
from scipy.stats import multivariate_normal, norm

from features.measured import Contribution, MeasuredLength
from identify.matching.family_table import build_family_table
from identify.matching.likelihood import log_density, log_density_bound, reduce_to_known
from identify.matching.posterior import compute_posterior, usable_lengths
from reference_geometry.families import LENGTH_NAMES, Family, KnownLength

NAMES = ("chamber_diameter", "port_spacing", "flange_diameter", "overall_height")


def random_families(rng, count=8):
    """Families that know some of the lengths, with and without measurements of their own."""
    families = []
    for i in range(count):
        known = {}
        for name in NAMES:
            if rng.random() < 0.75:
                sd = float(rng.uniform(0.3, 4.0)) if rng.random() < 0.5 else None
                known[name] = KnownLength(float(rng.uniform(180.0, 260.0)), sd, int(rng.integers(0, 9)))
        families.append(Family(f"F{i}", "Hollin", "invented", "1 in", lengths=known))
    return families


def random_lengths(rng):
    """One to four measured lengths with a scale that is good, poor or missing, and its relative sd."""
    scale_sd = float(rng.choice([0.005, 0.03, 3.0]))
    factor = float(np.exp(scale_sd * rng.standard_normal()))
    lengths = []
    for name in rng.permutation(NAMES)[: int(rng.integers(1, len(NAMES) + 1))]:
        edge = Contribution("edge", f"edge:{name}", float(rng.uniform(0.001, 0.02)))
        value_mm = float(rng.uniform(180.0, 260.0)) * factor
        lengths.append(MeasuredLength(str(name), value_mm, (edge, Contribution("scale", "shared", scale_sd))))
    return tuple(lengths), scale_sd


def keep_rows(table, rows):
    """A family table cut down to a few rows, all priors equal."""
    codes = {name: values[rows] for name, values in table.codes.items()}
    return replace(
        table,
        log_mean=table.log_mean[:, rows],
        log_variance=table.log_variance[:, rows],
        known_bits=table.known_bits[rows],
        standard_bits=table.standard_bits[rows],
        codes=codes,
        log_prior=np.full(len(rows), -np.log(len(rows))),
    )


def brute_force(table, row, lengths, scale_sd, floor):
    """Integrate numerically over the common scale error; everything else is independent of it.

    What a family does not know follows the broad density given what it knows, here through the inverse of the
    precision matrix, which is another way than the program's regression.
    """
    columns = [LENGTH_NAMES.index(length.name) for length in lengths]
    known = np.array([bool(int(table.known_bits[row]) >> c & 1) for c in columns])
    mean = table.broad.mean[columns].copy()
    prior = table.broad.covariance[np.ix_(columns, columns)]
    cover = np.diag(table.log_variance[columns, row] * known)
    if not known.all():
        precision = np.linalg.inv(prior)
        rest = np.linalg.inv(precision[np.ix_(~known, ~known)])
        slope = -rest @ precision[np.ix_(~known, known)]
        mean[~known] += slope @ (table.log_mean[columns, row] - table.broad.mean[columns])[known]
        own = np.diag(table.log_variance[columns, row][known])
        cover[np.ix_(~known, ~known)] = rest + slope @ own @ slope.T
        cover[np.ix_(~known, known)] = slope @ own
        cover[np.ix_(known, ~known)] = (slope @ own).T
    mean[known] = table.log_mean[columns, row][known]
    edges = np.array([length.contributions[0].relative for length in lengths])
    cover += np.diag(edges**2 + floor**2)
    gap = np.log([length.value_mm for length in lengths]) - mean
    weight = np.linalg.solve(cover, np.ones(len(gap)))
    width = 1.0 / np.sqrt(weight.sum() + 1.0 / scale_sd**2)
    peak = weight @ gap * width**2
    errors = peak + width * np.linspace(-9.0, 9.0, 181)
    values = multivariate_normal.pdf(gap - errors[:, None], cov=cover) * norm.pdf(errors, scale=scale_sd)
    return simpson(values, x=errors)


def test_posterior_is_the_numerical_integral_over_the_scale_error_on_1000_random_cases(settings):
    """Checked against scipy's `simpson`, `multivariate_normal` and `norm` to 1e-6 in probability."""
    rng = np.random.default_rng(20)
    worst, cases = 0.0, 0
    while cases < 1000:
        whole = build_family_table(random_families(rng), settings)
        for _ in range(40):
            lengths, scale_sd = random_lengths(rng)
            rows = np.append(rng.choice(whole.count, 3, replace=False), whole.rows - 1)
            table = keep_rows(whole, rows)
            likelihood = [brute_force(table, r, lengths, scale_sd, settings.model_floor) for r in range(4)]
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
            theirs = brute_force(table, row, lengths, scale_sd, settings.model_floor)
            if theirs > 1e-200:
                checked += 1
                assert ours == pytest.approx(np.log(theirs), abs=1e-6)
    assert checked > 60


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
