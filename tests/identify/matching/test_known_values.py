"""What people type is read as they mean it or refused with the way out."""

import pytest

from identify.questions.catalog import CATALOG
from identify.typed.known_values import (
    KnownRefused,
    TypedAttribute,
    TypedElastomer,
    TypedFluid,
    TypedLength,
    legal_names,
    parse_known,
    parse_knowns,
    parse_length_mm,
)
from reference_geometry.families import LENGTH_NAMES


@pytest.mark.parametrize(
    ("text", "value_mm"),
    [
        ("216", 216.0),
        ("216 mm", 216.0),
        ("216mm", 216.0),
        ("21.6cm", 216.0),
        ("0.216 m", 216.0),
        ("8.5in", 215.9),  # 25.4 mm to the inch exactly (international yard and pound agreement, 1959)
        ("8,5 in", 215.9),
        ('8.5"', 215.9),
        ("8-1/2in", 215.9),
        ("8 1/2 in", 215.9),
        ("8-1/2 inches", 215.9),
        ("3/4in", 19.05),
        (".75 in", 19.05),
        ("1ft", 304.8),
    ],
)
def test_lengths(text, value_mm):
    known = parse_known(f"chamber_diameter={text}") if value_mm > 100 else parse_known(f"port_bore={text}")
    assert isinstance(known, TypedLength)
    assert known.value_mm == pytest.approx(value_mm, rel=1e-12)


def test_name_with_and_without_unit_and_in_other_spellings():
    for name in ("chamber_diameter", "chamber_diameter_mm", "Chamber Diameter", "chamber-diameter"):
        assert parse_known(f"{name}=212").name == "chamber_diameter"


def test_own_uncertainty_is_a_95_percent_interval():
    known = parse_known("chamber_diameter=8.5 +/- 0.1 in")
    assert known.sd_mm == pytest.approx(2.54 / 1.96)
    assert parse_length_mm("216 ± 1.96 mm") == (216.0, pytest.approx(1.0))
    assert parse_known("port_spacing=300").sd_mm == 3.0
    assert known.as_measured().budget_mm() == {"reading": pytest.approx(2.54 / 1.96)}


@pytest.mark.parametrize(
    ("text", "name", "value"),
    [
        ("connection=Flange", "connection", "flanged"),
        ("connection=threads", "connection", "threaded"),
        ("housing_joint=clamp", "housing_joint", "clamp_band"),
        ("housing joint=Bolts", "housing_joint", "bolted"),
        ("port_position=centre", "port_position", "center"),
        ("wetted_material=aluminium", "wetted_material", "metal"),
        ("material=PP", "wetted_material", "plastic"),
        ("bolts=8", "chamber_bolt_count", "8"),
        ("chamber_bolt_count=08 bolts", "chamber_bolt_count", "8"),
        ("port_standard=ANSI 150", "port_standard", "ASME B16.5 Class 150"),
        ("port_standard=din pn16", "port_standard", "EN 1092-1 PN10/16"),
        ("port_standard=bspt", "port_standard", "BSP"),
        ("port_nominal_in=1.5", "port_nominal_in", "1-1/2"),
        ("port_nominal_in=1 1/2 in", "port_nominal_in", "1-1/2"),
        ("port_nominal_in=DN40", "port_nominal_in", "1-1/2"),
        ("swivel_flange=true", "swivel_flange", "yes"),
        ("slotted=no", "slotted_holes", "no"),
        ("body_colour=Dark Grey", "body_color", "dark_gray"),
        ("maker=Hollin", "maker", "Hollin"),
    ],
)
def test_attributes(text, name, value):
    assert parse_known(text) == TypedAttribute(name, value, text)


def test_elastomer_and_fluid_are_taken_as_said():
    assert parse_known("elastomer=PTFE") == TypedElastomer("PTFE", "elastomer=PTFE")
    assert parse_known("fluid=nitric acid 20 %") == TypedFluid("nitric acid 20 %", "fluid=nitric acid 20 %")


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("chamber_diameter", "NAME=VALUE"),
        ("chamber_diamter=212", "Did you mean chamber_diameter?"),
        ("colour_of_hat=red", "Names are:"),
        ("chamber_diameter=", "no value"),
        ("chamber_diameter=big", "is no length"),
        ("chamber_diameter=212 furlongs", "is no length"),
        ("chamber_diameter=-5", "is no length"),
        ("chamber_diameter=0", "no length of a pump"),
        ("chamber_diameter=99999", "no length of a pump"),
        ("chamber_diameter=8/0 in", "no length of a pump"),
        ("chamber_diameter=212 +/- 300", "says nothing"),
        ("connection=glued", "flanged, threaded"),
        ("chamber_bolt_count=many", "whole number"),
        ("chamber_bolt_count=900", "whole number"),
        ("port_nominal_in=7/9", "nominal size"),
        ("family_id=MQ-1", "what the tool works out"),
    ],
)
def test_refusals_are_falsy_and_say_the_way_out(text, part):
    refused = parse_known(text)
    assert isinstance(refused, KnownRefused)
    assert not refused
    assert part in refused.reason
    assert text in str(refused)


def test_a_name_given_twice():
    accepted, refused = parse_knowns(["bolts=8", "chamber_bolt_count=10", "connection=flanged", "connection=flange"])
    assert [known.name for known in accepted] == ["chamber_bolt_count", "connection"]
    assert len(refused) == 1
    assert "already given" in refused[0].reason


def test_every_length_name_is_legal_and_every_example_in_the_catalog_can_be_typed():
    assert set(LENGTH_NAMES) < set(legal_names())
    examples = 0
    for question in CATALOG:
        _, _, answer = question.how.partition("Answer: ")
        for word in answer.rstrip(".").split():
            if "=" in word:
                examples += 1
                assert parse_known(word.rstrip(".,")), word
    assert examples >= 20
