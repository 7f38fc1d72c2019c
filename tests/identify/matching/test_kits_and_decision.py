"""Kits are summed over families, the elastomer is never guessed, and nothing is ordered below the bar."""

from dataclasses import replace

import numpy as np
import pytest

from identify.matching.settings import MatchSettings
from identify.questions.catalog import find_question
from identify.questions.ranking import RankedQuestion
from identify.repair.decision import decide
from identify.repair.kit_choice import build_kit_book, kit_groups, offer_kits, section_order, sections_of
from identify.repair.kit_parts import kit_parts, rebuild_hours
from reference_geometry.families import ReferenceSet

IDS = ("A", "B", "C")


def offers_for(reference, probability, elastomer=""):
    return offer_kits(build_kit_book(reference), IDS, np.array(probability), elastomer, 0.001)


def decisions_for(reference, probability, elastomer="", questions=(), settings=None):
    offers = offers_for(reference, probability, elastomer)
    sections = sections_of(build_kit_book(reference))
    missing = 1.0 - sum(probability)
    return decide(sections, offers, missing, questions, ("card taped to the rim",), settings or MatchSettings())


def question(sure, minutes_code="tape_port_spacing"):
    return RankedQuestion(find_question(minutes_code), 0.3, 0.1, {"fluid": sure, "air": 0.0}, "fit")


def test_probability_is_summed_over_the_families_that_share_a_kit(three):
    offers = {offer.kit_no: offer for offer in offers_for(three, (0.5, 0.45, 0.03))}
    assert offers["K1"].probability == pytest.approx(0.95)
    assert offers["K3"].probability == pytest.approx(0.03)
    assert offers["AIR"].probability == pytest.approx(0.98)
    assert offers["K1"].families == ("A", "B")
    assert sum(offers["K1"].family_probability) == pytest.approx(offers["K1"].probability)


def test_kits_that_differ_by_elastomer_only_fit_alike_and_are_to_be_asked(three):
    offers = {offer.kit_no: offer for offer in offers_for(three, (0.5, 0.45, 0.03))}
    assert offers["K1"].probability == offers["K2"].probability
    assert offers["K1"].elastomer_status == offers["K2"].elastomer_status == "asked_for"
    assert offers["K1"].same_fit == ("K2",)
    assert offers["AIR"].elastomer_status == "none"


def test_order_is_fluid_first_then_probability_then_elastomer(three):
    numbers = [offer.kit_no for offer in offers_for(three, (0.3, 0.2, 0.45))]
    assert numbers == ["K2", "K1", "K3", "AIR"]
    assert sorted(["air side", "Fluid side", "other"], key=section_order) == [
        "Fluid side",
        "air side",
        "other",
    ]


def test_said_elastomer_marks_but_hides_nothing(three):
    status = {o.kit_no: o.elastomer_status for o in offers_for(three, (0.5, 0.45, 0.03), "epdm")}
    assert status == {"K1": "other", "K2": "as_said", "K3": "other", "AIR": "none"}


def test_groups_are_families_with_the_same_kits(three):
    book = build_kit_book(three)
    groups = kit_groups(book, 3)
    assert groups[0] == groups[1] != groups[2]
    air = kit_groups(book, 3, "air")
    assert len(set(air.tolist())) == 1


def test_kit_certain_although_the_family_is_not(three):
    fluid, air = decisions_for(three, (0.56, 0.435, 0.003), "PTFE")
    assert fluid.action == "order"
    assert fluid.kit_nos == ("K1",)
    assert "PTFE" in fluid.sentence
    assert "99 %" in fluid.sentence
    assert fluid.assumptions == ("card taped to the rim",)
    assert air.action == "order"


def test_without_the_elastomer_only_the_fit_is_settled(three):
    fluid = decisions_for(three, (0.56, 0.435, 0.003))[0]
    assert fluid.action == "ask_elastomer"
    assert set(fluid.kit_nos) == {"K1", "K2"}
    assert "elastomer is not" in fluid.sentence


def test_an_elastomer_no_kit_has_orders_nothing(three):
    fluid = decisions_for(three, (0.56, 0.435, 0.003), "FKM")[0]
    assert fluid.action == "ask_elastomer"
    assert "no kit has the elastomer" in fluid.sentence


def test_below_the_bar_it_is_do_not_order_and_ask(three):
    fluid = decisions_for(three, (0.5, 0.44, 0.03), "PTFE", [question(0.02)])[0]
    assert fluid.action == "ask"
    assert fluid.sentence.startswith("Do not order")
    assert find_question("tape_port_spacing").ask in fluid.sentence
    assert fluid.assumptions == ()


def test_a_cheap_question_that_saves_more_than_it_costs_is_asked_first(three):
    """0.007 surer times 2000 is 14.00, more than six minutes at 1.50; times 1000 it is less."""
    dear_kit = MatchSettings(wrong_kit_cost=2000.0)
    fluid = decisions_for(three, (0.5, 0.492, 0.005), "PTFE", [question(0.007)], dear_kit)[0]
    assert fluid.action == "ask"
    assert "16.00 USD on average" in fluid.sentence
    assert "only 9.00 USD" in fluid.sentence
    cheap_kit = MatchSettings(wrong_kit_cost=1000.0)
    fluid = decisions_for(three, (0.5, 0.492, 0.005), "PTFE", [question(0.007)], cheap_kit)[0]
    assert fluid.action == "order"


def test_mostly_unknown_pumps_get_no_kit(three):
    for decision in decisions_for(three, (0.2, 0.1, 0.05), "PTFE"):
        assert decision.action == "not_in_set"
        assert decision.kit_nos == ()


def test_two_kits_for_different_wear_are_both_named(three, make):
    second = make.kit("AIR-V", "C", section="air", elastomer="")
    reference = ReferenceSet(three.families, (*three.kits, second), "with a valve kit")
    only_c = [kit for kit in reference.kits if kit.kit_no != "AIR" or kit.family_id == "C"]
    air = decisions_for(ReferenceSet(three.families, tuple(only_c), "x"), (0.003, 0.002, 0.99))[1]
    assert air.action == "order"
    assert set(air.kit_nos) == {"AIR", "AIR-V"}
    assert "whichever parts are worn" in air.sentence


def test_a_superseded_number_gives_its_families_to_the_number_of_today(three, make):
    """K1 became K5, which became K9: a chain. K9 is known for A only, yet it fits wherever K1 fitted."""
    kits = [replace(kit, superseded_by="K5") if kit.kit_no == "K1" else kit for kit in three.kits]
    kits += [replace(make.kit("K5", "A"), superseded_by="K9"), replace(make.kit("K9", "A"), price=350.0)]
    reference = ReferenceSet(three.families, tuple(kits), "renumbered")
    fluid = decisions_for(reference, (0.56, 0.435, 0.003), "PTFE")[0]
    assert (fluid.action, fluid.kit_nos) == ("order", ("K9",))
    assert "Number K1 and K5 are superseded by K9." in fluid.sentence
    offers = {offer.kit_no: offer for offer in offers_for(reference, (0.56, 0.435, 0.003))}
    assert not {"K1", "K5"} & set(offers)
    assert offers["K9"].probability == pytest.approx(0.995)
    assert offers["K9"].price == 350.0
    groups = kit_groups(build_kit_book(reference), 3)
    assert groups[0] == groups[1] != groups[2]


def test_a_successor_the_set_does_not_hold_is_named_without_price_or_stock(three):
    kits = [replace(kit, superseded_by="NEW") if kit.kit_no == "K1" else kit for kit in three.kits]
    offers = {o.kit_no: o for o in offers_for(ReferenceSet(three.families, tuple(kits), "x"), (0.5, 0.45, 0.03))}
    assert offers["NEW"].supersedes == ("K1",)
    assert (offers["NEW"].price, offers["NEW"].stock, offers["NEW"].lead_time_days) == (None, None, None)
    assert offers["NEW"].elastomer == "PTFE"


def test_numbers_that_supersede_each_other_stay_as_they_are(three):
    """A circle in a store that two imports made: nothing hangs, nothing is lost."""
    other = {"K1": "K2", "K2": "K1"}
    kits = tuple(replace(kit, superseded_by=other.get(kit.kit_no, "")) for kit in three.kits)
    numbers = {offer.kit_no for offer in offers_for(ReferenceSet(three.families, kits, "x"), (0.5, 0.45, 0.03))}
    assert numbers == {"K1", "K2", "K3", "AIR"}


def test_the_cost_of_a_wrong_kit_stands_beside_that_of_the_next_question(three):
    """By hand: 6 % of 500 is 30; 6 minutes at 2 are 12; 0.04 surer saves 20."""
    costs = MatchSettings(wrong_kit_cost=500.0, cost_per_minute=2.0, cost_currency="EUR")
    fluid = decisions_for(three, (0.5, 0.44, 0.03), "PTFE", [question(0.04)], costs)[0]
    assert (fluid.expected_wrong_cost, fluid.question_cost, fluid.question_saves) == pytest.approx((30, 12, 20))
    for words in ("30.00 EUR on average", "6 % of 500 EUR", "costs 12.00 EUR and saves 20.00 EUR", "pays"):
        assert words in fluid.cost_sentence
    without = decisions_for(three, (0.5, 0.44, 0.03), "PTFE", [], costs)[0]
    assert without.question_cost is None
    assert "no question is left" in without.cost_sentence


@pytest.mark.parametrize(
    ("contents", "counts"),
    [
        ("2 diaphragms PTFE; 4 valve balls; 4 seat O-rings", (2, 4, 4)),
        ("2x diaphragm, 4 x ball, 4x seat", (2, 4, 4)),
        ("diaphragm x 2; ball (4)\ngrease", (2, 4)),
        ("1 main valve spool with sleeve; grease 10 g; 10 g grease", (1,)),
        ("complete kit", ()),
        ("", ()),
    ],
)
def test_kit_contents_are_counted_as_people_write_them(contents, counts):
    assert tuple(part.count for part in kit_parts(contents)) == counts


def test_hours_grow_with_size_and_the_air_side_is_quicker(make):
    """Common practice, from memory: one to five hours for a fluid side."""
    small, large = make.family("S", {"chamber_diameter": 95.0}), make.family("L", {"chamber_diameter": 420.0})
    assert rebuild_hours("fluid", [small])[1] < rebuild_hours("fluid", [large])[1] <= 5.0
    assert rebuild_hours("fluid", [small, large]) == (
        rebuild_hours("fluid", [small])[0],
        rebuild_hours("fluid", [large])[1],
    )
    assert rebuild_hours("air", [large])[1] < rebuild_hours("fluid", [large])[1]
    assert rebuild_hours("muffler", [small]) is None


def test_kits_of_the_demo_set_sum_as_its_rows_say(demo):
    """Against a plain sum over the rows of the kit table."""
    rng = np.random.default_rng(1)
    probability = rng.dirichlet(np.full(len(demo.families), 0.2)) * 0.97
    ids = [family.family_id for family in demo.families]
    chance = dict(zip(ids, probability, strict=True))
    offers = offer_kits(build_kit_book(demo), ids, probability, "", 0.0)
    assert len(offers) == len({kit.kit_no for kit in demo.kits if not kit.superseded_by})
    assert any(offer.supersedes for offer in offers)
    for offer in offers:
        members = {kit.family_id for kit in demo.kits if kit.kit_no == offer.kit_no}
        assert offer.probability == pytest.approx(sum(chance[i] for i in members))
