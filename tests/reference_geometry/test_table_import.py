"""A table is taken whole or refused whole, with file, line, column and reason for every bad row."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reference_geometry.families import Family
from reference_geometry.table_import import (
    SHOWN_PROBLEMS,
    read_families,
    read_kits,
    read_measurements,
    table_kind,
)
from reference_geometry.table_text import guarded, read_text_table, unguarded, write_text_table

GOOD = {
    "family_id": "F1", "maker": "Nobody", "family": "Model", "size_label": "1 in",
    "connection": "flanged", "port_standard": "ANSI 150", "port_nominal_in": "1 1/2",
    "port_position": "centre", "swivel_flange": "yes", "housing_joint": "bolted",
    "chamber_bolt_count": "8", "wetted_material": "plastic", "chamber_diameter_mm": "300",
    "flange_diameter_mm": "127", "bolt_circle_diameter_mm": "98.4", "bolt_hole_count": "4",
    "port_bore_mm": "38", "port_spacing_mm": "400", "overall_height_mm": "560",
    "overall_width_mm": "390", "air_valve_side": "front", "max_flow_lpm": "400", "notes": "seen twice",
}  # fmt: skip
GOOD_KIT = {
    "kit_no": "K1", "family_id": "F1", "section": "fluid", "elastomer": "PTFE", "contents": "2 diaphragms",
    "price": "320.50", "currency": "USD", "lead_time_days": "14", "stock": "3",
}  # fmt: skip


def write(path: Path, *rows: dict[str, str], delimiter: str = ",", encoding: str = "utf-8", end: str = "\n") -> Path:
    headings = list(rows[0])
    lines = [delimiter.join(headings)]
    lines += [delimiter.join(f'"{row.get(h, "")}"' for h in headings) for row in rows]
    path.write_bytes((end.join(lines) + end).encode(encoding))
    return path


def families_with(tmp_path, **cells):
    return read_families(write(tmp_path / "families.csv", GOOD | cells))


def kits_with(tmp_path, **cells):
    return read_kits(write(tmp_path / "kits.csv", GOOD_KIT | cells))


def test_a_good_row_is_read_into_the_words_of_the_house(tmp_path):
    cells = {"cover_depth_mm": "71", "chamber_diameter_sd_mm": "0.6", "chamber_diameter_n": "4"}
    table = families_with(tmp_path, **cells)
    (family,) = table.families
    assert family.port_standard == "ASME B16.5 Class 150"
    assert family.port_nominal_in == "1-1/2"
    assert family.port_position == "center"
    assert family.swivel_flange is True
    assert family.chamber_bolt_count == 8
    assert (family.lengths["chamber_diameter"].sd_mm, family.lengths["chamber_diameter"].count) == (0.6, 4)
    assert family.extras == {"cover_depth_mm": "71"}
    assert family.notes == "seen twice"
    assert table.lines == (2,)
    assert table.notices == ()


def test_empty_means_not_known(tmp_path):
    cells = {name: "" for name in GOOD if name not in {"family_id", "maker", "family"}}
    (family,) = families_with(tmp_path, **cells).families
    assert family == Family("F1", "Nobody", "Model", "")


def test_only_three_columns_are_needed(tmp_path):
    path = write(tmp_path / "f.csv", {"family_id": "F1", "maker": "Nobody", "family": "Model"})
    assert read_families(path).families == (Family("F1", "Nobody", "Model", ""),)


def test_a_spelling_that_tells_more_is_kept_beside_the_canonical_word(tmp_path):
    threaded = {"connection": "", "port_standard": "BSPT", "wetted_material": "316 stainless",
                "bolt_hole_count": "", "flange_diameter_mm": "", "bolt_circle_diameter_mm": ""}  # fmt: skip
    (family,) = families_with(tmp_path, **threaded).families
    assert (family.connection, family.port_standard, family.wetted_material) == ("threaded", "BSP", "metal")
    assert family.extras["port_standard_as_written"] == "BSPT"
    assert family.extras["wetted_material_as_written"] == "316 stainless"


def test_bolts_of_a_clamp_band_are_not_bolts_round_the_joint(tmp_path):
    (family,) = families_with(tmp_path, housing_joint="clamp band", chamber_bolt_count="2").families
    assert family.housing_joint == "clamp_band"
    assert family.chamber_bolt_count is None
    assert family.extras["band_bolt_count"] == "2"


@pytest.mark.parametrize(
    ("cells", "column", "reason"),
    [
        ({"family_id": ""}, "family_id", "empty"),
        ({"maker": ""}, "maker", "empty"),
        ({"family_id": "x" * 200}, "family_id", "longer"),
        ({"connection": "glued"}, "connection", "not known"),
        ({"port_standard": "ANSI/DIN"}, "port_standard", "no port standard"),
        ({"port_standard": "NPT"}, "port_standard", "threaded"),
        ({"port_nominal_in": "1.37"}, "port_nominal_in", "no nominal"),
        ({"port_position": "top"}, "port_position", "end, center"),
        ({"swivel_flange": "maybe"}, "swivel_flange", "yes, no"),
        ({"housing_joint": "welded"}, "housing_joint", "clamp_band, bolted"),
        ({"wetted_material": "wood"}, "wetted_material", "plastic, metal"),
        ({"air_valve_side": "top"}, "air_valve_side", "front, rear"),
        ({"chamber_bolt_count": "8.5"}, "chamber_bolt_count", "whole number"),
        ({"chamber_bolt_count": "2"}, "chamber_bolt_count", "not believable"),
        ({"bolt_hole_count": "four"}, "bolt_hole_count", "not a number"),
        ({"housing_joint": "clamp", "chamber_bolt_count": "12"}, "chamber_bolt_count", "clamp band"),
        ({"chamber_diameter_mm": "-300"}, "chamber_diameter_mm", "sign"),
        ({"chamber_diameter_mm": "0"}, "chamber_diameter_mm", "more than 0"),
        ({"chamber_diameter_mm": "11.8"}, "chamber_diameter_mm", "not believable"),
        ({"chamber_diameter_mm": "30000"}, "chamber_diameter_mm", "not believable"),
        ({"chamber_diameter_mm": "3e2"}, "chamber_diameter_mm", "not a number"),
        ({"chamber_diameter_mm": "nan"}, "chamber_diameter_mm", "not a number"),
        ({"chamber_diameter_mm": "11.8 in"}, "chamber_diameter_mm", "not a number"),
        ({"bolt_circle_diameter_mm": "127"}, "bolt_circle_diameter_mm", "less than flange_diameter"),
        ({"bolt_circle_diameter_mm": "120", "bolt_hole_diameter_mm": "16"},
         "bolt_circle_diameter_mm", "less than"),
        ({"port_bore_mm": "99"}, "port_bore_mm", "less than bolt_circle"),
        ({"port_spacing_mm": "561"}, "port_spacing_mm", "less than overall_height"),
        ({"thread_pitch_mm": "2.2"}, "thread_pitch_mm", "although the connection is flanged"),
        ({"chamber_diameter_sd_mm": "90"}, "chamber_diameter_sd_mm", "more than 20%"),
        ({"overall_height_mm": "", "overall_height_sd_mm": "2", "port_spacing_mm": ""},
         "overall_height_mm", "empty"),
        ({"chamber_diameter_n": "2.5"}, "chamber_diameter_n", "whole number"),
        ({"max_flow_lpm": "0"}, "max_flow_lpm", "not believable"),
        ({"notes": "bell\x07"}, "notes", "control character"),
        ({"notes": "n" * 30_000}, "notes", "longer than"),
    ],
)  # fmt: skip
def test_a_bad_cell_is_refused_with_file_line_column_and_reason(tmp_path, cells, column, reason):
    refused = families_with(tmp_path, **cells)
    assert not refused
    (problem,) = refused.problems
    assert (problem.file, problem.line, problem.column) == ("families.csv", 2, column)
    assert reason in problem.reason
    assert str(refused) == f"families.csv, line 2, column {column}: {problem.reason}"


@pytest.mark.parametrize(
    ("cells", "column", "reason"),
    [
        ({"kit_no": ""}, "kit_no", "empty"),
        ({"family_id": ""}, "family_id", "empty"),
        ({"section": ""}, "section", "fluid or air"),
        ({"section": "magnet side"}, "section", "fluid, air"),
        ({"price": "ask"}, "price", "not a number"),
        ({"price": "-5"}, "price", "sign"),
        ({"price": "0"}, "price", "not believable"),
        ({"price": "$320", "currency": ""}, "currency", "USD, EUR"),
        ({"price": "320 EUR", "currency": "USD"}, "price", "disagree"),
        ({"currency": "dollars"}, "currency", "three-letter"),
        ({"lead_time_days": "soon"}, "lead_time_days", "not a number of days"),
        ({"lead_time_days": "3 years"}, "lead_time_days", "not a number of days"),
        ({"lead_time_days": "200 weeks"}, "lead_time_days", "not believable"),
        ({"stock": "1.5"}, "stock", "whole number"),
        ({"stock": "-1"}, "stock", "sign"),
        ({"superseded_by": "K1"}, "superseded_by", "by itself"),
    ],
)
def test_a_bad_kit_cell_is_refused_with_file_line_column_and_reason(tmp_path, cells, column, reason):
    refused = kits_with(tmp_path, **cells)
    assert not refused
    assert (refused.problems[0].file, refused.problems[0].line) == ("kits.csv", 2)
    assert any(problem.column == column and reason in problem.reason for problem in refused.problems)


def test_numbers_that_supersede_each_other_in_a_circle_are_refused_once(tmp_path):
    rows = [
        GOOD_KIT | {"kit_no": number, "superseded_by": successor}
        for number, successor in (("K0", "K1"), ("K1", "K2"), ("K2", "K1"), ("K3", ""))
    ]
    refused = read_kits(write(tmp_path / "kits.csv", *rows))
    assert [(p.line, p.column) for p in refused.problems] == [(3, "superseded_by")]
    assert "K1 > K2 > K1" in refused.problems[0].reason


@pytest.mark.parametrize(
    ("cells", "price", "currency"),
    [
        ({"price": "$1,234.50"}, 1234.5, "USD"),
        ({"price": "1.234,50 €", "currency": ""}, 1234.5, "EUR"),
        ({"price": "EUR 320", "currency": ""}, 320.0, "EUR"),
        ({"price": "£88.00", "currency": "gbp"}, 88.0, "GBP"),
        ({"price": "", "currency": ""}, None, ""),
    ],
)
def test_prices_as_people_write_them(tmp_path, cells, price, currency):
    (kit,) = kits_with(tmp_path, **cells).kits
    assert (kit.price, kit.currency) == (price, currency)


@pytest.mark.parametrize(
    ("text", "days"), [("14", 14.0), ("2 weeks", 14.0), ("10 days", 10.0), ("", None), ("3 wk", 21.0)]
)
def test_lead_times_as_people_write_them(tmp_path, text, days):
    (kit,) = kits_with(tmp_path, lead_time_days=text).kits
    assert kit.lead_time_days == days


def test_all_bad_rows_are_told_at_once_and_capped(tmp_path):
    rows = [GOOD | {"family_id": f"F{i}", "chamber_diameter_mm": "x" if i % 2 else "300"} for i in range(100)]
    refused = read_families(write(tmp_path / "f.csv", *rows))
    assert len(refused.problems) == 50
    assert [problem.line for problem in refused.problems[:3]] == [3, 5, 7]
    told = str(refused).splitlines()
    assert len(told) == SHOWN_PROBLEMS + 1
    assert told[-1] == "... and 30 more problems"


def test_several_bad_cells_of_one_row_are_told_together(tmp_path):
    refused = families_with(tmp_path, connection="glued", chamber_diameter_mm="x", port_position="top")
    assert {problem.column for problem in refused.problems} == {
        "connection",
        "chamber_diameter_mm",
        "port_position",
    }


def test_a_repeated_family_or_kit_row_is_refused(tmp_path):
    assert "already on line 2" in str(read_families(write(tmp_path / "f.csv", GOOD, GOOD)))
    assert "already on line 2" in str(read_kits(write(tmp_path / "k.csv", GOOD_KIT, GOOD_KIT)))


def test_one_kit_number_at_two_prices_is_refused(tmp_path):
    refused = read_kits(write(tmp_path / "k.csv", GOOD_KIT, GOOD_KIT | {"family_id": "F2", "price": "99"}))
    assert 'line 3, column price: kit "K1" has "99.0" here and "320.5" on line 2' in str(refused)


def test_a_german_table_with_semicolons_and_decimal_commas_is_read(tmp_path):
    german = {"chamber_diameter_mm": "300,25", "port_bore_mm": "38,1", "overall_height_mm": "1.234,5",
              "bolt_circle_diameter_mm": "98,4",
              "wetted_material": "Kunststoff", "swivel_flange": "ja", "connection": "Flansch"}  # fmt: skip
    for encoding, end in (("utf-8-sig", "\r\n"), ("cp1252", "\r\n"), ("utf-16", "\n")):
        path = write(
            tmp_path / "f.csv",
            GOOD | german | {"notes": "für Säure"},
            delimiter=";",
            encoding=encoding,
            end=end,
        )
        table = read_families(path)
        assert table, table
        (family,) = table.families
        assert family.lengths["chamber_diameter"].mean_mm == 300.25
        assert family.lengths["overall_height"].mean_mm == 1234.5
        assert family.notes == "für Säure"
        assert any("comma is read as the decimal mark" in notice for notice in table.notices)
        assert any("Windows-1252" in notice for notice in table.notices) == (encoding == "cp1252")


def test_a_tab_separated_table_is_read(tmp_path):
    assert read_families(write(tmp_path / "f.csv", GOOD, delimiter="\t"))


def test_a_column_that_looks_misspelled_is_kept_and_pointed_out(tmp_path):
    table = read_families(write(tmp_path / "f.csv", {**GOOD, "thread_pich_mm": "2"}))
    assert table.families[0].extras == {"thread_pich_mm": "2"}
    assert any("thread_pitch_mm" in notice for notice in table.notices)


def test_blank_lines_and_line_breaks_in_cells_do_not_shift_line_numbers(tmp_path):
    path = tmp_path / "f.csv"
    path.write_text('\n\nfamily_id,maker,family,notes\n\nF1,A,B,"two\nlines"\n\nF2,A,B,\nF3,,B,\n', encoding="utf-8")
    refused = read_families(path)
    assert [(problem.line, problem.column) for problem in refused.problems] == [(9, "maker")]


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "empty"),
        (b"\n\n", "empty"),
        (b"family_id,maker,family\n", "no rows"),
        (b"maker,family\nA,B\n", "column family_id is missing"),
        (b"family_id,family_id,maker,family\n1,2,3,4\n", "there twice"),
        (b"family_id,maker,family\nF1,A,B,C\n", "has 4 cells, the heading has 3"),
        (b"family_id,maker,family\nF1,A\n", "has 2 cells, the heading has 3"),
        (b'family_id,maker,family\nF1,"A,B\n', "quote left open"),
        (b"family_id,maker,family,\nF1,A,B,C\n", "under no heading"),
        (b"PK\x03\x04rest", "workbook"),
        (b"\x00\x01\x02\x03", "not a text file"),
        (b"\xff\xd8\xff\xe0\x00\x10JFIF", "not a text file"),
        (b"\x81\x8d\x8f\x90", "neither UTF-8 nor Windows-1252"),
        (b"%PDF-1.7\nbinary", "column family_id, maker, family is missing"),
    ],
)
def test_a_file_that_is_no_table_is_refused_with_the_reason(tmp_path, content, reason):
    path = tmp_path / "families.csv"
    path.write_bytes(content)
    refused = read_families(path)
    assert not refused
    assert reason in str(refused)
    assert str(refused).startswith("families.csv")


def test_a_missing_file_and_a_folder_are_refused(tmp_path):
    assert "no such file" in str(read_families(tmp_path / "none.csv"))
    assert "folder" in str(read_kits(tmp_path))


def test_measurements_are_read_and_bad_ones_refused(tmp_path):
    row = {"measurement_id": "m1", "family_id": "F1", "name": "chamber_diameter", "value_mm": "212,4",
           "measured_on": "31.03.2026", "measured_by": "Kim", "instrument": "caliper"}  # fmt: skip
    (read,) = read_measurements(write(tmp_path / "m.csv", row)).measurements
    assert (read.value_mm, read.measured_on.isoformat()) == (212.4, "2026-03-31")
    for column, bad in (("name", "girth"), ("value_mm", ""), ("value_mm", "2"), ("measured_on", "3/4/2026")):
        refused = read_measurements(write(tmp_path / "m.csv", row | {column: bad}))
        assert [problem.column for problem in refused.problems] == [column]


def test_what_a_table_holds_follows_from_its_headings(tmp_path):
    assert table_kind(write(tmp_path / "a.csv", GOOD)) == "families"
    assert table_kind(write(tmp_path / "b.csv", GOOD_KIT, encoding="utf-16")) == "kits"
    assert table_kind(write(tmp_path / "c.csv", {"measurement_id": "1"})) == "measurements"
    assert table_kind(tmp_path / "none.csv") == "families"


@given(st.text(max_size=30))
def test_guarding_against_formulas_is_undone_exactly(cell):
    assert unguarded(guarded(cell)) == cell
    assert not guarded(cell).startswith(("=", "+", "-", "@", "\t", "\r"))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=50, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_are_a_table_or_a_reason(tmp_path, content):
    path = tmp_path / "any.csv"
    path.write_bytes(content)
    for read in (read_families, read_kits, read_measurements):
        answer = read(path)
        assert answer or answer.problems


def test_a_failed_write_leaves_the_old_file(tmp_path):
    path = tmp_path / "f.csv"
    path.write_text("old", encoding="utf-8")

    def rows():
        yield {"a": "1"}
        raise RuntimeError("power cut")

    with pytest.raises(RuntimeError):
        write_text_table(path, ["a"], rows())
    assert path.read_text(encoding="utf-8") == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["f.csv"]


def test_formulas_reach_a_spreadsheet_as_text(tmp_path):
    write_text_table(tmp_path / "f.csv", ["a"], [{"a": '=HYPERLINK("x")'}, {"a": "@cmd"}, {"a": "plain"}])
    raw = (tmp_path / "f.csv").read_text(encoding="utf-8-sig")
    assert raw.splitlines()[1].startswith("\"'=")
    cells = [row.cells["a"] for row in read_text_table(tmp_path / "f.csv").rows]
    assert cells == ['=HYPERLINK("x")', "@cmd", "plain"]
