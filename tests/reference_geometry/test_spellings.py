"""Sizes, standards and coins are found by the names people really use, and nothing else is guessed at."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reference_geometry.standards import (
    NOMINAL_SIZES,
    PORT_STANDARDS,
    coins,
    find_coin,
    find_flat_reference,
    parse_port_standard,
    parse_size,
    size_of,
)

ONE_AND_A_HALF = [
    "1.5", "1-1/2", "1 1/2", "1½", "1 ½", "DN40", "dn 40", "DN-40", '1-1/2"', "1-1/2 in", "1.5 in.",
    "1,5", "1.50", "NPS 1-1/2", "40A", "40 mm", "1-1/2 inch", " 1-1/2 ", "1 - 1/2", "G1-1/2", "1½″",
]  # fmt: skip


@pytest.mark.parametrize("spelling", ONE_AND_A_HALF)
def test_one_and_a_half_inches_by_many_names(spelling):
    size = parse_size(spelling)
    assert size
    assert (size.nominal_in, size.dn, size.inches) == ("1-1/2", 40, 1.5)


@pytest.mark.parametrize("size", NOMINAL_SIZES, ids=lambda s: s.nominal_in)
def test_every_size_reads_back_from_its_own_spellings(size):
    for spelling in (size.nominal_in, size.nominal_in.replace("-", " "), repr(size.inches), f"DN{size.dn}"):
        assert parse_size(spelling) == size
    assert size_of(size.nominal_in) == size


@pytest.mark.parametrize(
    "nonsense",
    ["", "abc", "7", "1.37", "1/0", "1/3", "DN41", "-1", "1-1/2-1/2", "1e0", "½½", "NPT"],
)
def test_what_is_no_nominal_size_is_refused_with_a_reason(nonsense):
    refused = parse_size(nonsense)
    assert not refused
    assert refused.reason


@given(st.text(max_size=12))
def test_any_text_is_a_size_or_a_reason(text):
    answer = parse_size(text)
    assert answer in NOMINAL_SIZES or answer.reason


@pytest.mark.parametrize(
    ("spelling", "name", "detail"),
    [
        ("ANSI 150", "ASME B16.5 Class 150", ""), ("ASME 150#", "ASME B16.5 Class 150", ""),
        ("ANSI", "ASME B16.5 Class 150", ""), ("ansi class 150 RF", "ASME B16.5 Class 150", ""),
        ("150 lb", "ASME B16.5 Class 150", ""), ("ASME B16.5", "ASME B16.5 Class 150", ""),
        ("DIN PN16", "EN 1092-1 PN10/16", "PN16"), ("DIN", "EN 1092-1 PN10/16", ""),
        ("PN10/PN16", "EN 1092-1 PN10/16", ""), ("EN 1092-1 PN10", "EN 1092-1 PN10/16", "PN10"),
        ("JIS 10K", "JIS B2220 10K", ""), ("JIS", "JIS B2220 10K", ""), ("JIS B2220", "JIS B2220 10K", ""),
        ("NPT", "NPT", ""), ("FNPT", "NPT", "female"), ("NPT(F)", "NPT", "female"),
        ("BSP", "BSP", ""), ("BSPT", "BSP", "taper"), ("BSPP", "BSP", "parallel"), ("BSP-T", "BSP", "taper"),
        ("G", "BSP", "parallel"), ("Rc", "BSP", "taper"), ("Rp", "BSP", "parallel"),
        ("ISO 228-1", "BSP", "parallel"), ("ISO 7-1", "BSP", "taper"),
    ],
)  # fmt: skip
def test_port_standards_by_their_trade_names(spelling, name, detail):
    standard = parse_port_standard(spelling)
    assert standard, standard
    assert (standard.name, standard.detail, standard.spelling) == (name, detail, spelling)
    assert standard.connection == ("threaded" if name in {"NPT", "BSP"} else "flanged")


@pytest.mark.parametrize("name", PORT_STANDARDS)
def test_canonical_names_read_back(name):
    assert parse_port_standard(name).name == name


@pytest.mark.parametrize("spelling", ["ANSI/DIN", "ANSI 300", "PN40", "JIS 5K", "tri-clamp", "", "thread", "150/300"])
def test_other_or_several_standards_are_refused(spelling):
    refused = parse_port_standard(spelling)
    assert not refused
    assert spelling in refused.reason


@pytest.mark.parametrize("coin", coins(), ids=lambda c: c.name)
def test_every_coin_is_found_by_name_label_and_aliases(coin):
    for spelling in (coin.name, coin.name.upper(), coin.name.replace("-", " "), coin.label, *coin.aliases):
        assert find_coin(spelling) is coin, spelling


@pytest.mark.parametrize(
    ("spelling", "name"),
    [("2 euro", "eur-2"), ("€2", "eur-2"), ("2€", "eur-2"), ("euro 2", "eur-2"), ("quarter", "us-25c"),
     ("US quarter", "us-25c"), ("usd-25c", "us-25c"), ("25 cents us", "us-25c"), ("£1", "gbp-1"),
     ("50p", "gbp-50p"),
     ("20 euro cent", "eur-20c"), ("toonie", "cad-2"), ("¥500", "jpy-500"), ("1 franc", "chf-1")],
)  # fmt: skip
def test_coins_by_everyday_names(spelling, name):
    assert find_coin(spelling).name == name


@pytest.mark.parametrize("name", ["25c", "1", "", "eur-3", "gold coin", "24.26mm", "us-25"])
def test_a_name_that_fits_no_coin_or_several_is_refused(name):
    refused = find_coin(name)
    assert not refused
    assert refused.reason


def test_a_wrong_coin_name_suggests_near_ones():
    assert "us-25c" in find_coin("us-25").reason


@pytest.mark.parametrize("name", ["A4", "a4", "ID-1", "id1", "Letter"])
def test_flat_references_by_name(name):
    assert find_flat_reference(name)
