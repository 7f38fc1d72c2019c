"""What is typed at the bench is sorted into readings and attributes; slips are caught before that."""

from datetime import date

import pytest

from reference_geometry.additions import (
    AdditionRefused,
    family_with,
    measurements_of,
    parse_length,
    parse_pairs,
)
from reference_geometry.families import Family, KnownLength

FAMILY = Family("F1", "Nobody", "Model", "", lengths={"chamber_diameter": KnownLength(213.0, 0.5, 3)})


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("212.4", 212.4),
        ("212,4 mm", 212.4),
        ("21.24cm", 212.4),
        ("8.5in", 215.9),
        ('8.5"', 215.9),
        ("8.5 inches", 215.9),
    ],
)
def test_lengths_with_their_units(text, mm):
    """1 in = 25.4 mm exactly."""
    assert parse_length(text) == pytest.approx(mm, abs=1e-9)


def test_pairs_are_sorted_and_repeats_are_repeat_readings():
    pairs = ["chamber_diameter=212.4", "Chamber-Diameter_mm=212.6", "maker=Nobody", "cover_depth_mm=60"]
    addition = parse_pairs(pairs)
    assert addition.readings == (("chamber_diameter", 212.4), ("chamber_diameter", 212.6))
    assert addition.cells == {"maker": "Nobody", "cover_depth_mm": "60"}


@pytest.mark.parametrize(
    ("pair", "reason"),
    [
        ("chamber_diameter", "not NAME=VALUE"),
        ("chamber_diameter=", "not NAME=VALUE"),
        ("chamber_diametr=212", "did you mean chamber_diameter"),
        ("chamber_diameter=wide", "not a number"),
        ("chamber_diameter=8.5", "not believable"),
        ("family_id=F2", "no length and no attribute"),
        ("chamber_diameter=1,234", "could be"),
    ],
)
def test_pairs_that_make_no_sense_are_refused(pair, reason):
    refused = parse_pairs([pair, "maker=Nobody"])
    assert not refused
    assert reason in refused.reasons[0]


def test_attributes_are_checked_like_a_row_of_a_table():
    made = family_with(None, "F9", {"maker": "Nobody", "family": "Model", "connection": "Flange"})
    assert made.connection == "flanged"
    refused = family_with(None, "F9", {"maker": "Nobody", "connection": "glued"})
    assert {reason.split(":")[0] for reason in refused.reasons} == {"family", "connection"}


def test_setting_one_attribute_keeps_all_else():
    changed = family_with(FAMILY, "F1", {"chamber_bolt_count": "8"})
    assert changed == Family(**{**FAMILY.__dict__, "chamber_bolt_count": 8})


def test_a_reading_far_from_what_is_known_needs_insisting():
    far = parse_pairs(["chamber_diameter=240"])
    refused = measurements_of(FAMILY, far, "Kim", date(2026, 3, 31), "caliper", insist=False)
    assert isinstance(refused, AdditionRefused)
    assert "13% away from the 213 mm known" in refused.reasons[0]
    (kept,) = measurements_of(FAMILY, far, "Kim", date(2026, 3, 31), "caliper", insist=True)
    assert (kept.family_id, kept.name, kept.value_mm, kept.measured_by) == (
        "F1",
        "chamber_diameter",
        240.0,
        "Kim",
    )


def test_every_reading_gets_an_id_of_its_own():
    addition = parse_pairs(["chamber_diameter=213", "chamber_diameter=213"])
    first, second = measurements_of(FAMILY, addition, "", date(2026, 3, 31), "", insist=False)
    assert first.measurement_id != second.measurement_id
