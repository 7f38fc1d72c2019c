"""What users type is read as meant or refused in one sentence; files are written whole or not at all."""

import math

import pytest

from identify.output_files import NotWritten, OutputPlan, write_atomically
from identify.typed.costs import TypedCosts
from identify.typed.options import TypedOptions, WrongUsage, check_places, parse_coin, positive_mm, understand
from identify.wording import (
    base_letters,
    chance_words,
    inch_words,
    joined,
    latin,
    lead_time_words,
    length_words,
    price_words,
    stock_words,
    tied,
)


# --- typed values ----------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("typed", "mm"),
    [
        ("24.26mm", 24.26),
        ("24.26", 24.26),
        ("2.4 cm", 24.0),
        ("0.955in", 24.257),
        ("1-1/2 in", 38.1),
        ('1"', 25.4),
    ],
)
def test_lengths_are_read_with_their_unit(typed, mm):
    """The inch is 25.4 mm exactly (ISO 80000-3)."""
    assert positive_mm(typed) == pytest.approx(mm)


@pytest.mark.parametrize("typed", ["", "mm", "-3mm", "0", "nan", "inf", "1e5mm", "3 yards", "1/0 in"])
def test_what_is_no_length_is_none(typed):
    assert positive_mm(typed) is None


@pytest.mark.parametrize(
    ("name", "mm"),
    [("us-25c", 24.26), ("eur-2", 25.75), ("eur-1", 23.25), ("EUR 2", 25.75), ("25.75mm", 25.75)],
)
def test_coins_go_by_name_or_by_diameter(name, mm):
    """Diameters: United States Mint (24.26 mm); Council Regulation (EU) 729/2014 (25.75 and 23.25 mm)."""
    diameter, label, relative_sd = parse_coin(name)
    assert diameter == pytest.approx(mm)
    assert label
    assert 0 < relative_sd <= 0.01


def test_a_coin_with_corners_is_trusted_less_than_a_round_one():
    """The 12-sided UK pound measures 23.43 mm over its points and 23.03 mm over its flats (Royal Mint)."""
    assert parse_coin("gbp-1")[2] > parse_coin("eur-1")[2]
    assert parse_coin("gbp-1")[2] >= (23.43 - 23.03) / 23.43 / 2


@pytest.mark.parametrize(
    ("typed", "head", "mm"),
    [
        ("M10", "M10", 16.5),
        (" m8 nut ", "M8", 13.0),
        ("1/2 head", "1/2", 19.05),
        ("3/8 BOLT", "3/8", 14.29),
        ("1/2in", "", 12.7),
        ("17mm", "", 17.0),
    ],
)
def test_points_across_a_bolt_head_are_as_far_apart_as_its_size_says(typed, head, mm):
    """ISO 4014 and DIN 931 (M10: 16 and 17 mm), ASME B18.2.1; an inch size alone stays a length."""
    scale = understand(TypedOptions(scale_points=f"100,100,140,130={typed}")).request.scale
    assert scale.two_points_head == head
    assert scale.two_points_mm == pytest.approx(mm, abs=0.01)


@pytest.mark.parametrize("typed", ["M11", "M", "head", "9/8 head", "M10x1.5 left"])
def test_a_head_of_no_published_size_is_refused_with_an_example(typed):
    with pytest.raises(WrongUsage, match="=M10"):
        understand(TypedOptions(scale_points=f"100,100,140,130={typed}"))


def test_nothing_typed_means_nothing_assumed():
    understood = understand(TypedOptions())
    assert understood.request.card_at == "unknown"
    assert understood.request.scale.coin_diameter_mm is None
    assert understood.request.scale.two_points_px is None
    assert understood.request.scale.sheets == ()
    assert understood.request.look_at == ()
    assert understood.request.known == {}
    assert understood.knowns == ()


def test_the_place_of_the_coin_is_a_hint_for_the_scale_not_for_the_pump():
    typed = TypedOptions(coin="eur-1", look_at=("coin=900,640,120", "bore=10,20,30"))
    request = understand(typed).request
    assert request.scale.coin_near_px == (900, 640, 120)
    assert [hint.name for hint in request.look_at] == ["port_bore"]
    with pytest.raises(WrongUsage, match="name it with --coin"):
        understand(TypedOptions(look_at=("coin=900,640,120",)))


def test_known_lengths_reach_the_survey_in_millimeters():
    understood = understand(TypedOptions(known=("Port Bore=1.5in", "connection=Threads")))
    assert understood.request.known == {"port_bore_mm": "38.1", "connection": "threaded"}


def test_every_misunderstood_known_value_is_named_at_once():
    with pytest.raises(WrongUsage) as wrong:
        understand(TypedOptions(known=("conection=flanged", "port_bore=wide")))
    assert "conection" in str(wrong.value)
    assert "wide" in str(wrong.value)
    assert wrong.value.option == "--known"


# --- words -----------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("value", "low", "high", "said"),
    [
        (257.31, 255.2, 259.4, "257.3 ± 2.1 mm"),
        (38.1, 37.88, 38.32, "38.10 ± 0.22 mm"),
        (215.0, 190.0, 240.0, "215 ± 25 mm"),
        (257.0, 200.0, 330.0, "257 mm (200 to 330 mm)"),
        (9.996, 9.95, 10.04, "9.996 ± 0.045 mm"),
        (100.0, 100.0, 100.0, "100.0 mm"),
    ],
)
def test_lengths_keep_two_digits_of_their_uncertainty(value, low, high, said):
    """JCGM 100:2008, 7.2.6: two significant digits of the uncertainty, the value to the same decimal."""
    assert length_words(value, low, high) == said


def test_a_length_nobody_knows_is_not_printed_as_a_number():
    assert length_words(math.nan, 1, 2) == "not known"
    assert length_words(5, 1, math.inf) == "not known"


def test_inches_keep_the_digits_the_interval_deserves():
    assert inch_words(257.3, 255.2, 259.4) == "10.13 in"
    assert inch_words(257.3, 240.0, 275.0) == "10.1 in"
    assert inch_words(25.4, 25.4, 25.4) == "1.000 in"


def test_chances_are_never_a_false_certainty():
    assert [chance_words(p) for p in (0.0, 0.004, 0.5, 0.994, 0.9999, 1.0)] == [
        "under 1 %", "under 1 %", "50 %", "99 %", "over 99 %", "over 99 %",
    ]  # fmt: skip


def test_prices_stock_and_lead_times_say_when_they_are_not_known():
    assert price_words(None, "USD") == "price not known"
    assert price_words(1234.5, "USD") == "1,234.50 USD"
    assert lead_time_words(None) == "lead time not known"
    assert [lead_time_words(d) for d in (0, 1, 5, 28)] == [
        "same day",
        "1 day",
        "5 days",
        "28 days (about 4 weeks)",
    ]
    assert [stock_words(n) for n in (None, 0, 3)] == ["stock not known", "none in stock", "3 in stock"]


def test_words_for_fonts_with_few_letters():
    assert latin("Größe ±5 Łódź 中\n", "±") == "Grosse ±5 Lodz ??"
    assert base_letters("č") == "c"
    assert joined(["a", "b", "c"]) == "a, b or c"
    assert joined(["a", "b"], "and") == "a and b"
    assert joined([]) == ""


def test_numbers_stay_with_their_units_at_the_end_of_a_line():
    assert tied("257.3 ± 2.1 mm (86 %) in 3 inches") == "257.3\u00a0±\u00a02.1\u00a0mm (86\u00a0%) in 3 inches"


# --- files -----------------------------------------------------------------------------------------
def test_a_file_is_replaced_whole_or_not_at_all(tmp_path, monkeypatch):
    target = tmp_path / "a.pdf"
    write_atomically(target, b"old")
    write_atomically(target, b"new")
    assert target.read_bytes() == b"new"

    def failing(*_):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("identify.output_files.os.fsync", failing)
    with pytest.raises(NotWritten, match=r"a\.pdf was not written: Input/output error"):
        write_atomically(target, b"half")
    assert target.read_bytes() == b"new"
    assert [p.name for p in tmp_path.iterdir()] == ["a.pdf"]


def test_overlay_names_differ_even_where_case_does_not_count(tmp_path):
    plan = OutputPlan(tmp_path)
    photos = [tmp_path / "A.jpg", tmp_path / "a.png", tmp_path / "sub" / "A.jpg"]
    assert [p.name for p in plan.overlay_paths(photos)] == [
        "A_measured.jpg",
        "a_measured-2.jpg",
        "A_measured-3.jpg",
    ]
    assert OutputPlan().overlay_paths(photos) == []


@pytest.mark.parametrize(
    ("typed", "kit", "minute", "currency", "order_at"),
    [
        (TypedCosts("350EUR"), 350.0, 1.5, "EUR", 0.99),
        (TypedCosts("eur 350", "2,50"), 350.0, 2.5, "EUR", 0.99),
        (TypedCosts(order_at="99.5 %"), 400.0, 1.5, "USD", 0.995),
        (TypedCosts("0", "0"), 0.0, 0.0, "USD", 0.99),
    ],
)
def test_costs_as_people_write_them(typed, kit, minute, currency, order_at):
    settings = understand(TypedOptions(costs=typed)).settings
    assert (settings.wrong_kit_cost, settings.cost_per_minute) == (kit, minute)
    assert (settings.cost_currency, settings.order_threshold) == (currency, pytest.approx(order_at))


@pytest.mark.parametrize(
    ("typed", "option"),
    [
        (TypedCosts("much"), "--wrong-kit-cost"),
        (TypedCosts("-5"), "--wrong-kit-cost"),
        (TypedCosts(minute_cost="1.5.2"), "--minute-cost"),
        (TypedCosts("350EUR", "2USD"), "--minute-cost"),
        (TypedCosts(order_at="20"), "--order-at"),
        (TypedCosts(order_at="100"), "--order-at"),
    ],
)
def test_costs_that_mean_nothing_are_refused_by_name(typed, option):
    with pytest.raises(WrongUsage) as wrong:
        understand(TypedOptions(costs=typed))
    assert wrong.value.option == option


def test_card_places_one_a_photo():
    request = understand(TypedOptions(card_at=" Rim, flange")).request
    assert [request.in_photo(number).card_at for number in (0, 1)] == ["rim", "flange"]
    assert request.card_at == "unknown"
    one = understand(TypedOptions(card_at="rim")).request
    assert [one.in_photo(number).card_at for number in (0, 1)] == ["rim", "rim"]


@pytest.mark.parametrize("typed", ["rim,", "rim,lid", "rim;flange"])
def test_card_places_not_understood(typed):
    with pytest.raises(WrongUsage, match="once a photo"):
        understand(TypedOptions(card_at=typed))


def test_as_many_card_places_as_photos():
    understood = understand(TypedOptions(card_at="rim,flange"))
    check_places(understood, 2)
    with pytest.raises(WrongUsage, match="2 places are named for 3 photos"):
        check_places(understood, 3)
