"""Reasons are in words and numbers a customer can check, and point the right way."""

from dataclasses import replace

import pytest

from features.measured import Contribution, MeasuredLength
from identify.matching.family_table import build_family_table
from identify.matching.posterior import compute_posterior
from identify.matching.reasons import ReasonMaker, strength_words
from identify.matching.tell_apart import tell_apart


def reasons_of(reference, lengths, attributes, settings, row, rival):
    table = build_family_table(reference.families, settings)
    posterior = compute_posterior(table, lengths, attributes, settings)
    return ReasonMaker.of(posterior, lengths, settings).reasons(row, rival)


def test_the_sentence_of_the_issue(make, three, settings):
    """Measured with its interval, this family's, the runner-up's."""
    lengths = (make.length("chamber_diameter", 214.0, edge=0.004, scale=0.006),)
    supporting, against = reasons_of(three, lengths, (), settings, 0, 2)
    assert against == ()
    assert supporting[0].sentence == ("chamber diameter 214.0 ± 3.0 mm; this family 212 mm; the runner-up 231 mm")
    assert 1.0 < supporting[0].bits < 8.0


def test_a_misfit_speaks_against_with_its_size(make, three, settings):
    lengths = (make.length("chamber_diameter", 214.0, edge=0.004, scale=0.006),)
    supporting, against = reasons_of(three, lengths, (), settings, 2, 0)
    assert supporting == ()
    assert "measured 7.4 % smaller" in against[0].sentence
    assert "the first candidate 212 mm" in against[0].sentence
    assert against[0].bits < -20.0
    assert against[0].strength == "strong"


def test_two_lengths_that_fit_singly_but_not_together_are_told(make, three, settings):
    """A loose scale (3 %) lets a small chamber and a large spacing each pass; their ratio does not."""
    lengths = (
        make.length("chamber_diameter", 212.0 * 0.97, scale=0.03),
        make.length("port_spacing", 300.0 * 1.03, scale=0.03),
    )
    supporting, against = reasons_of(three, lengths, (), settings, 0, 1)
    assert {reason.feature for reason in supporting} == {"chamber_diameter", "port_spacing"}
    assert len(against) == 1
    assert "one scale for both" in against[0].sentence


def test_attributes_speak_both_ways_and_unsure_ones_not_at_all(make, three, settings):
    sure = make.attribute("chamber_bolt_count", **{"10": 0.95, "8": 0.05})
    supporting, against = reasons_of(three, (), (sure,), settings, 0, 2)
    assert supporting == ()
    assert against[0].sentence == "chamber bolts 10 (95 %); this family 8; the first candidate 10"
    unsure = make.attribute("chamber_bolt_count", **{"10": 0.7, "8": 0.3})
    assert reasons_of(three, (), (unsure,), settings, 0, 2) == ((), ())


@pytest.mark.parametrize(("bits", "words"), [(0.5, "slight"), (-2.0, "moderate"), (5.0, "strong"), (-9.0, "strong")])
def test_strength(bits, words):
    assert strength_words(bits) == words


def test_what_tells_two_families_apart_is_what_differs_most_for_its_reading_error(three, settings):
    """A and B differ by 40 mm of port spacing (a tape reads to 3 mm); A and C by chamber and bolts."""
    table = build_family_table(three.families, settings)
    words = tell_apart(table, 0, 1, ("A", "B"), settings)
    assert words == "Read the port spacing with a caliper: 300.0 mm for A, 340.0 mm for B."
    assert "chamber diameter" in tell_apart(table, 0, 2, ("A", "C"), settings)


def test_what_is_already_known_is_not_what_would_tell(three, settings):
    """The chamber of A and C tells most; once measured, the port spacing does, then the bolts."""
    table = build_family_table(three.families, settings)
    first = tell_apart(table, 0, 2, ("A", "C"), settings, {"chamber_diameter"})
    assert first == "Read the port spacing with a caliper: 300.0 mm for A, 322.0 mm for C."
    second = tell_apart(table, 0, 2, ("A", "C"), settings, {"chamber_diameter", "port_spacing"})
    assert second == "Count the chamber bolts: 8 for A, 10 for C."


def test_twins_are_said_to_be_twins(make, settings):
    twins = [make.family("A", {"chamber_diameter": 212.0}), make.family("B", {"chamber_diameter": 212.2})]
    table = build_family_table(twins, settings)
    assert tell_apart(table, 0, 1, ("A", "B"), settings).startswith("Nothing recorded tells A and B apart for certain")
    silent = build_family_table([make.family("A", {}), make.family("B", {})], settings)
    assert "casting marks" in tell_apart(silent, 0, 1, ("A", "B"), settings)


def test_a_familys_own_depth_behind_the_card_is_judged_and_told(make, settings):
    """Assumed 7 mm, 60 mm by the family's 72.3 (0.83 of it), 0.3 mm a mm: seen 15.9 mm smaller, so 196.1 mm fits it."""
    deep = replace(make.family("DEEP", {"chamber_diameter": 212.0}), extras={"cover_depth_mm": "72.3"})
    table = build_family_table([deep], settings)
    parts = (Contribution("edge", "edge", 0.002), Contribution("offset", "offset:chamber_diameter", 0.02))
    seen = MeasuredLength("chamber_diameter", 197.0, parts, ("a.jpg",), 7.0, 0.3)
    posterior = compute_posterior(table, [seen], (), settings, card_at="cover")
    supporting, against = ReasonMaker.of(posterior, [seen], settings).reasons(0, None)
    assert against == ()
    assert "this family 212 mm, seen as 195" in supporting[0].sentence
