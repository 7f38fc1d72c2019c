"""Answers that no pump can have together are pointed out with the reason; what can be is left alone."""

import pytest

from features.measured import AttributeEvidence
from features.survey import Survey
from identify.answer import build_answer, prepare_reference
from identify.matching.impossible import find_impossible
from identify.typed.known_values import parse_knowns


def found(*texts):
    knowns, refused = parse_knowns(texts)
    assert not refused
    lengths = tuple(known.as_measured() for known in knowns if hasattr(known, "as_measured"))
    return find_impossible(lengths, knowns)


@pytest.mark.parametrize(
    ("texts", "about", "words"),
    [
        (("bolt_circle=160mm", "flange_diameter=152mm"), "bolt_circle_diameter", "160.0 mm) can not be larger"),
        (("port_spacing=520mm", "overall_height=440mm"), "port_spacing", "within the pump's height"),
        (("foot_spacing_short=203mm", "foot_spacing_long=152mm"), "foot_spacing_short", "swapped"),
        (("connection=threaded", "flange_diameter=152mm"), "flange_diameter", "a threaded port has none"),
        (("connection=threaded", "flange_holes=4"), "bolt_hole_count", "count of flange holes"),
        (("connection=flanged", "thread_pitch=2.3mm"), "thread_pitch", "a flanged port has none"),
        (("connection=flanged", "port_standard=NPT"), "port_standard", "standard of threaded ports"),
        (("joint=clamp band", "bolts=8"), "chamber_bolt_count", "closed by one or two bolts"),
    ],
)
def test_what_can_not_be_together(texts, about, words):
    (only,) = found(*texts)
    assert only.about == about
    assert words in only.sentence


@pytest.mark.parametrize(
    "texts",
    [
        ("bolt_circle=120.7mm", "flange_diameter=152.4mm", "port_bore=51mm"),
        ("connection=flanged", "flange_diameter=152mm", "flange_holes=4"),
        ("connection=threaded", "thread_pitch=2.3mm", "port_standard=bsp"),
        ("joint=clamp band", "bolts=1"),
        ("joint=bolted", "bolts=8"),
        ("foot_spacing_short=152mm", "foot_spacing_long=152mm"),
    ],
)
def test_what_can_be_is_left_alone(texts):
    assert found(*texts) == ()


def test_a_size_that_is_not_the_standards_is_told_with_both():
    """ASME B16.5 Class 150, 1-1/2 in.: flange 127 (inch edition) or 125 mm, 4 holes; the middle is said."""
    port = ("port_standard=asme", "port_nominal_in=1-1/2")
    (wrong,) = found(*port, "flange_diameter=152mm")
    assert "flange diameter of about 126.0 mm, but 152.0 mm" in wrong.sentence
    (holes,) = found(*port, "flange_holes=8")
    assert "has 4 bolt holes, but 8" in holes.sentence
    assert found(*port, "flange_diameter=5in", "bolt_circle=98mm", "flange_holes=4") == ()


def test_an_impossible_answer_holds_an_order_back(demo):
    knowns, _ = parse_knowns(
        ["chamber_diameter=213mm", "flange_diameter=108mm", "connection=threaded", "elastomer=PTFE"]
    )
    answer = build_answer(None, knowns, prepare_reference(demo))
    assert answer.inconsistencies[0].about == "flange_diameter"
    assert all(decision.action != "order" for decision in answer.decisions)


def test_a_magnet_that_sticks_means_metal_and_one_that_does_not_means_little(demo):
    """By hand: sticks to 0.35 of metal and 0.01 of plastic bodies; 0.65 to 0.99 when it does not."""
    ready = prepare_reference(demo)

    def plastic(*texts, seen=()):
        survey = Survey((), (), (), tuple(seen), ()) if seen else None
        answer = build_answer(survey, parse_knowns(texts)[0], ready)
        evidence = next(e for e in answer.attributes if e.name == "wetted_material")
        assert "magnet" not in {question.question.code for question in answer.next_questions}
        return evidence.likelihood["plastic"]

    assert plastic("magnet=sticks") == pytest.approx(0.01 / 0.36)
    assert plastic("magnet=no") == pytest.approx(0.99 / 1.64)
    photo = AttributeEvidence("wetted_material", {"plastic": 0.9, "metal": 0.1})
    assert plastic("magnet=no", seen=[photo]) == pytest.approx(0.9 * 0.99 / (0.9 * 0.99 + 0.1 * 0.65))


def test_an_old_kit_number_speaks_for_the_families_that_take_it(demo):
    """Written another way, and superseded since: it still tells the wet end; an error of 3 % falls on any other kit.

    By Bayes' rule: n families take it and share 95 % with the rest of N; another family's pump has this number on its
    box in 3 % over the number of other wet ends.
    """
    ready = prepare_reference(demo)
    answer = build_answer(None, parse_knowns(["kit_no=mq 10p t"])[0], ready)
    fit = next(kit for kit in answer.kits if kit.kit_no == "MQ-10P-FTV")
    assert fit.supersedes == ("MQ-10P-T",)
    takers = {kit.family_id for kit in demo.kits if kit.kit_no == "MQ-10P-FTV"}
    kits_of = {f.family_id: {k.kit_no for k in demo.kits if k.family_id == f.family_id and k.section == "fluid"}
               for f in demo.families}  # fmt: skip
    others = len({frozenset(kits) for kits in kits_of.values()})  # all wet ends but this one, and "of no kit here"
    share = len(takers) / len(demo.families) * 0.95
    wrong = 0.03 / others
    assert fit.probability == pytest.approx(0.97 * share / (0.97 * share + wrong * (1 - share)), abs=0.01)
    assert "kit_number" not in {question.question.code for question in answer.next_questions}
    assert answer.elastomer == ""
    assert any(question.question.code == "elastomer" for question in answer.next_questions)


def test_a_kit_number_of_another_set_is_told(demo):
    answer = build_answer(None, parse_knowns(["kit_no=ZZ-99"])[0], prepare_reference(demo))
    assert [seen.about for seen in answer.inconsistencies] == ["kit_no"]
    assert "ZZ-99" in answer.inconsistencies[0].sentence
