"""Expected information is what exact enumeration and independent integration say it is."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import entropy, multivariate_normal, norm

from identify.matching.evidence import gather_evidence
from identify.matching.family_table import build_family_table
from identify.matching.posterior import compute_posterior
from identify.matching.settings import MatchSettings
from identify.questions.catalog import CATALOG, LengthReading, Question, find_question
from identify.questions.gain import expected_gain, gather_contenders, outcome_blocks, reading_predictions
from identify.questions.ranking import rank_questions
from identify.repair.kit_choice import build_kit_book, kit_groups
from identify.typed.known_values import parse_knowns


def contenders_of(reference, settings, lengths=(), attributes=()):
    table = build_family_table(reference.families, settings)
    posterior = compute_posterior(table, lengths, attributes, settings)
    book = build_kit_book(reference)
    groups = kit_groups(book, table.count)
    return gather_contenders(posterior, groups, {"fluid": kit_groups(book, table.count, "fluid")})


def group_entropy(weight, group):
    total = np.bincount(group, weights=weight)
    return entropy(total, base=2)


def test_catalog_is_large_enough_and_complete():
    assert len(CATALOG) >= 15
    assert len({question.code for question in CATALOG}) == len(CATALOG)
    for question in CATALOG:
        assert question.minutes > 0.0
        assert question.ask.endswith((".", "?"))
        assert len(question.how) > 20


def test_an_attribute_question_by_exact_enumeration(three):
    """Bolt count, families sure of 8, 8 and 10, misread in 2 %: every answer and family summed by hand."""
    settings = MatchSettings(not_in_set_prior=1e-9)
    contenders = contenders_of(three, settings)
    ours = expected_gain(contenders, find_question("chamber_bolt_count"), settings)
    prior = np.array([1 / 3, 1 / 3, 1 / 3])
    answers = {"8": np.array([0.98, 0.98, 0.02]), "10": np.array([0.02, 0.02, 0.98])}
    groups = np.array([0, 0, 1])
    expected = group_entropy(prior, groups)
    sure = -2 / 3
    for chance in answers.values():
        joint = prior * chance
        expected -= joint.sum() * group_entropy(joint / joint.sum(), groups)
        sure += np.bincount(groups, weights=joint).max()
    assert ours.bits == pytest.approx(expected, abs=1e-5)
    assert ours.sure["fluid"] == pytest.approx(sure, abs=1e-5)
    assert 0.5 < ours.bits < 0.92


def test_a_length_question_by_adaptive_quadrature(three, make, settings):
    """Against scipy's `quad` over the mixture of all families and unknown pumps."""
    contenders = contenders_of(three, settings, [make.length("chamber_diameter", 221.0, scale=0.02)])
    question = find_question("calliper_chamber")
    ours = expected_gain(contenders, question, settings).bits
    mean, covariance = reading_predictions(contenders, question)
    center, sd = mean[:, 0], np.sqrt(covariance[:, 0, 0])

    def integrand(reading):
        joint = contenders.weight * norm.pdf(reading, center, sd)
        total = joint.sum()
        return total * group_entropy(joint / total, contenders.group) if total > 1e-300 else 0.0

    edges = np.sort(np.concatenate([center + k * sd for k in (-8, -2, 0, 2, 8)]))
    after = sum(quad(integrand, a, b, epsabs=1e-9)[0] for a, b in pairwise(edges) if b > a)
    before = group_entropy(contenders.weight, contenders.group)
    assert ours == pytest.approx(before - after, abs=2e-4)
    assert 0.05 < ours < before


def test_a_two_length_question_by_a_fine_plane_grid(three, make, settings):
    """Gauss-Hermite nodes against a dense sum over the plane; within 3 % of the entropy at stake."""
    wide = replace(settings, model_floor=0.01)
    reference = three
    contenders = contenders_of(reference, wide, [make.length("chamber_diameter", 220.0, scale=0.03)])
    lengths = (LengthReading("chamber_diameter", 2.0, 0.01), LengthReading("port_spacing", 3.0, 0.01))
    question = Question("both", "measure", "?", "", 3.0, lengths=lengths, shared_sd=0.01)
    ours = expected_gain(contenders, question, wide).bits
    mean, covariance = reading_predictions(contenders, question)
    axes = [np.linspace(mean[:, d].min() - 0.5, mean[:, d].max() + 0.5, 260) for d in range(2)]
    x, y = np.meshgrid(*axes, indexing="ij")
    points = np.stack([x.ravel(), y.ravel()], axis=1)
    joint = np.array(
        [w * multivariate_normal.pdf(points, m, c) for w, m, c in zip(contenders.weight, mean, covariance, strict=True)]
    )
    cell = (axes[0][1] - axes[0][0]) * (axes[1][1] - axes[1][0])
    by_group = np.array([joint[contenders.group == g].sum(axis=0) for g in np.unique(contenders.group)]) * cell
    total = by_group.sum(axis=0)
    assert total.sum() == pytest.approx(1.0, abs=0.01)
    inside = np.where(by_group > 0, by_group * np.log2(np.maximum(by_group, 1e-300) / np.maximum(total, 1e-300)), 0.0)
    before = group_entropy(contenders.weight, contenders.group)
    assert ours == pytest.approx(before + inside.sum(), abs=0.03 * before)


@pytest.mark.parametrize("code", [question.code for question in CATALOG if question.kind != "ask"])
def test_outcomes_of_every_question_sum_to_one_and_no_gain_exceeds_what_is_open(demo, make, settings, code):
    lengths = [make.length("chamber_diameter", 213.0, scale=0.03)]
    contenders = contenders_of(demo, settings, lengths)
    total = sum(block.sum() for block in outcome_blocks(contenders, find_question(code), settings))
    assert total == pytest.approx(1.0, abs=1e-3)
    gain = expected_gain(contenders, find_question(code), settings)
    assert -1e-9 <= gain.bits <= group_entropy(contenders.weight, contenders.group)
    assert 0.0 <= gain.sure["fluid"] < 1.0


def test_a_question_nothing_in_the_set_differs_by_tells_nothing(three, settings):
    contenders = contenders_of(three, MatchSettings(not_in_set_prior=1e-12))
    assert expected_gain(contenders, find_question("housing_joint"), settings).bits < 1e-6


def test_what_tells_families_apart_but_not_kits_is_worth_nothing(three, make):
    """A and B share their kits, so the port spacing that tells them apart is no use once C is out."""
    settings = MatchSettings(not_in_set_prior=1e-6)
    sure = [make.length("chamber_diameter", 212.0, scale=0.001)]
    contenders = contenders_of(three, settings, sure)
    assert expected_gain(contenders, find_question("tape_port_spacing"), settings).bits < 0.001


def ranked(reference, texts, settings):
    table = build_family_table(reference.families, settings)
    knowns, refused = parse_knowns(texts)
    assert not refused
    evidence = gather_evidence(None, knowns, table, settings)
    posterior = compute_posterior(table, evidence.lengths, evidence.attributes, settings)
    return rank_questions(posterior, build_kit_book(reference), evidence, settings)


def test_questions_are_ranked_by_bits_per_minute_and_typed_answers_not_asked_again(demo, settings):
    questions = ranked(demo, ["chamber_diameter=213", "connection=flanged"], settings)
    rates = [question.bits_per_minute for question in questions]
    assert rates == sorted(rates, reverse=True)
    codes = [question.question.code for question in questions]
    assert "connection" not in codes
    assert "calliper_chamber" not in codes
    assert codes.count("elastomer") == codes.count("fluid") == 1
    assert questions[0].gain_bits > 0.05


def test_elastomer_and_fluid_are_asked_until_said(demo, settings):
    start = {question.question.code for question in ranked(demo, [], settings)}
    assert {"elastomer", "fluid"} <= start
    after = {q.question.code for q in ranked(demo, ["elastomer=PTFE", "fluid=water"], settings)}
    assert not {"elastomer", "fluid"} & after


def test_answers_are_expected_to_help_and_do_on_average(demo, settings):
    """Averaging over the outcomes of a question leaves the promised entropy."""
    table = build_family_table(demo.families, settings)
    book = build_kit_book(demo)
    groups = kit_groups(book, table.count)
    contenders = contenders_of(demo, settings)
    question = find_question("housing_joint")
    promised = expected_gain(contenders, question, settings).bits
    left = sum(
        block.sum(axis=1) @ [group_entropy(row / row.sum(), contenders.group) for row in block]
        for block in outcome_blocks(contenders, question, settings)
    )
    assert promised == pytest.approx(group_entropy(contenders.weight, contenders.group) - left, abs=1e-9)
    assert len(set(groups.tolist())) > 10
