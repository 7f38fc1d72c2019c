"""Replacements are compared in millimeters and never without their caveats."""

from dataclasses import replace

import pytest

from identify.answer import build_answer, prepare_reference
from identify.answer_json import to_json_object
from identify.repair.kit_parts import rebuild_hours
from identify.repair.replacement import CAVEATS, find_replacements
from identify.typed.known_values import parse_knowns
from reference_geometry.families import ReferenceSet

PORT = {
    "connection": "flanged",
    "port_standard": "ASME B16.5 Class 150",
    "port_nominal_in": "1",
    "port_position": "end",
}
SPANS = {
    "chamber_diameter": 212.0,
    "port_spacing": 300.0,
    "overall_height": 420.0,
    "overall_width": 290.0,
    "foot_spacing_long": 133.0,
    "foot_spacing_short": 94.0,
}


@pytest.fixture
def table(make):
    pump = replace(make.family("PUMP", SPANS, **PORT, max_flow_lpm=178.0), extras={"stroke_mm": "25"})
    twin = replace(make.family("TWIN", SPANS, **PORT, max_flow_lpm=180.0), extras={"stroke_mm": "20"})
    tall = make.family("TALL", {**SPANS, "port_spacing": 338.0, "overall_height": 462.0}, **PORT, swivel_flange=True)
    metric = make.family("METRIC", SPANS, **{**PORT, "port_standard": "EN 1092-1 PN10/16"})
    bigger = make.family("BIGGER", SPANS, **{**PORT, "port_nominal_in": "2"})
    kits = (make.kit("K", "PUMP"), make.kit("K", "TWIN"))
    return find_replacements(ReferenceSet((pump, twin, tall, metric, bigger), kits, "x"), "PUMP")


def test_fit_and_order(table):
    assert [(row.family.family_id, row.fit) for row in table.rows] == [
        ("TWIN", "drop-in"),
        ("TALL", "near drop-in"),
        ("METRIC", "same port size"),
    ]


def test_differences_are_said_in_millimeters(table):
    tall = table.rows[1]
    assert "38 mm taller between ports: pipework changes" in tall.differences
    assert "42 mm taller overall: check the headroom" in tall.differences
    assert tall.swivel_seal_count == 2
    assert any("swivel flanges" in words for words in tall.differences)
    assert "mating flanges" in " ".join(table.rows[2].differences)
    assert table.rows[0].differences == ()


def test_life_hint_only_where_the_set_holds_both(table):
    """Stroke 20 for 25 mm on the same diaphragm: 20 % less flexing."""
    assert "20 % less" in table.rows[0].life_hint
    assert "common practice" in table.rows[0].life_hint
    assert table.rows[1].life_hint == ""


def test_repair_counts_parts_hours_and_prices_side_by_side(table, make):
    """Of kits in two elastomers one is taken; of two air-side kits for other parts one or both."""
    assert [effort.section for effort in table.repairs] == ["fluid"]
    assert table.repair.parts == (6, 6)
    assert table.repair.prices == (310.0, 310.0)
    assert table.repair.hours == rebuild_hours("fluid", [table.pump])
    assert table.rows[1].wearing_parts is None
    pump = make.family("PUMP", SPANS, **PORT)
    kits = (
        make.kit("K", "PUMP"),
        replace(make.kit("L", "PUMP", elastomer="EPDM"), contents="2 diaphragms; 4 balls; 4 seats", price=200.0),
        replace(make.kit("OLD", "PUMP", elastomer="EPDM"), contents="1 set", superseded_by="L"),
        replace(make.kit("AV", "PUMP", "air", ""), contents="1 spool; 6 O-rings", price=90.0),
        replace(make.kit("AS", "PUMP", "air", ""), contents="2 shaft seals", price=30.0),
    )
    own = ReferenceSet((pump,), kits, "x")
    fluid, air = find_replacements(own, "PUMP").repairs
    assert (fluid.parts, fluid.prices) == ((6, 10), (200.0, 310.0))
    assert (air.parts, air.prices) == ((2, 9), (30.0, 120.0))
    as_said = find_replacements(own, "PUMP", elastomer="EPDM").repairs
    assert (as_said[0].parts, as_said[0].prices) == ((10, 10), (200.0, 200.0))
    assert as_said[1] == air
    assert 0.25 < air.hours[0] < fluid.hours[0] < fluid.hours[1] < 8.0


def test_swivel_seals_are_said_even_beside_a_threaded_pump(make):
    pump = make.family("PUMP", SPANS, port_nominal_in="1", connection="threaded", port_standard="NPT")
    loose = make.family("LOOSE", SPANS, **PORT, swivel_flange=True)
    row = find_replacements(ReferenceSet((pump, loose), (), "x"), "PUMP").rows[0]
    assert any("extra wearing parts and leak points" in words for words in row.differences)


def test_never_without_caveats(table):
    assert table.caveats == CAVEATS
    assert any("maker's data" in caveat for caveat in CAVEATS)


def test_missing_spans_are_said_and_bar_drop_in(make):
    pump = make.family("PUMP", SPANS, **PORT)
    partial = make.family("PART", {"port_spacing": 300.0}, **PORT)
    row = find_replacements(ReferenceSet((pump, partial), (), "x"), "PUMP").rows[0]
    assert row.fit == "near drop-in"
    assert "foot spacing, long side not known for both" in row.unknown


def test_a_family_not_in_the_set_is_a_key_error(demo):
    with pytest.raises(KeyError):
        find_replacements(demo, "NOBODY")


def test_every_demo_family_gets_a_table_without_itself(demo):
    for family in demo.families:
        table = find_replacements(demo, family.family_id)
        assert family.family_id not in {row.family.family_id for row in table.rows}
        assert table.repair.parts
        for row in table.rows:
            assert row.family.port_nominal_in == family.port_nominal_in


def test_a_large_set_keeps_the_best_rows_in_order(demo):
    """Few rows are the first of many: keeping only the best loses none of them."""
    for family in demo.families[::7]:
        every = find_replacements(demo, family.family_id, most=100).rows
        assert find_replacements(demo, family.family_id, most=2).rows == every[:2]


def test_only_a_probable_family_is_set_beside_others(make, settings):
    """Two families alike: no pump to replace yet; their maker once typed, there is."""
    first = make.family("A", SPANS, **PORT, maker="Hollin")
    twin = make.family("B", SPANS, **PORT, maker="Corbel")
    prepared = prepare_reference(ReferenceSet((first, twin), (), "x"), settings)
    seen = parse_knowns(["chamber_diameter=212mm", "port_spacing=300mm"])[0]
    unsure = build_answer(None, seen, prepared, settings)
    assert unsure.candidates[0].probability < settings.replacement_threshold
    assert unsure.replacement is None
    assert to_json_object(unsure)["replacement"] is None
    sure = build_answer(None, [*seen, *parse_knowns(["maker=Corbel"])[0]], prepared, settings)
    assert sure.candidates[0].probability >= settings.replacement_threshold
    found = to_json_object(sure)["replacement"]
    assert found["family_id"] == "B"
    assert [row["family_id"] for row in found["alternatives"]] == ["A"]
    assert found["alternatives"][0]["fit"] == "drop-in"
    assert found["caveats"] == list(CAVEATS)
