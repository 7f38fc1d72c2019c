"""Numbers are read the one way they can be read, and refused where they can be read in two."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reference_geometry.family_rows import number_cell
from reference_geometry.numbers_in_text import decimal_mark, parse_number


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("212", 212.0), ("212.4", 212.4), ("212,4", 212.4), ("1.234,50", 1234.5),
        ("1,234.50", 1234.5),
        ("1 234,5", 1234.5), ("1'234.5", 1234.5), ("0,125", 0.125),
        ("0.125", 0.125), (".5", 0.5), (",5", 0.5),
        ("1,234,567", 1234567.0), ("1.234.567", 1234567.0), ("12345.678", 12345.678), (" 7 ", 7.0),
    ],
)  # fmt: skip
def test_numbers_with_one_reading(text, value):
    assert parse_number(text, "mixed") == value


@pytest.mark.parametrize(
    ("text", "mark", "value"),
    [("1,234", ",", 1.234), ("1,234", ".", 1234.0), ("1.234", ".", 1.234), ("1.234", ",", 1234.0),
     ("1.234", "unknown", 1.234)],
)  # fmt: skip
def test_the_tables_decimal_mark_decides_between_two_readings(text, mark, value):
    assert parse_number(text, mark) == value


@pytest.mark.parametrize(("text", "mark"), [("1,234", "unknown"), ("1,234", "mixed"), ("1.234", "mixed")])
def test_two_readings_and_nothing_to_decide_by_are_refused(text, mark):
    refused = parse_number(text, mark)
    assert not refused
    assert "could be 1.234 or 1234" in refused.reason


@pytest.mark.parametrize("text", ["", "-5", "+5", "−5", "1e3", "nan", "inf", "12,34,5", "1..2", "abc", "5 mm", "٣"])
def test_what_is_no_plain_number_is_refused(text):
    assert not isinstance(parse_number(text), float) or text == "٣"


@pytest.mark.parametrize(
    ("cells", "delimiter", "mark"),
    [
        (["212,4", "110"], ";", ","), (["212.4", "110"], ";", "."), (["212,4"], ",", ","),
        (["212"], ",", "unknown"),
        (["212,4", "212.4"], ";", "mixed"), (["1,234"], ";", ","),
        (["1,234"], ",", "unknown"), ([], "\t", "unknown"),
    ],
)  # fmt: skip
def test_the_decimal_mark_of_a_table_follows_from_its_sure_cells(cells, delimiter, mark):
    assert decimal_mark(cells, delimiter) == mark


@given(st.floats(min_value=1e-6, max_value=1e9, allow_nan=False))
def test_every_number_written_reads_back_exactly(value):
    for mark in (".", "unknown"):
        assert parse_number(number_cell(value), mark) == value


@given(st.text(max_size=20), st.sampled_from([".", ",", "mixed", "unknown"]))
def test_any_text_is_a_positive_number_or_a_reason(text, mark):
    answer = parse_number(text, mark)
    assert answer >= 0.0 if isinstance(answer, float) else answer.reason
