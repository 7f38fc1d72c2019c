"""What the pages show of an answer: numbers where they belong, both units, nothing of a customer taken for markup."""

import re
from dataclasses import replace
from datetime import UTC, datetime
from math import pi, sqrt
from xml.etree import ElementTree

import numpy as np
import pytest

from features.survey import combine_surveys
from identify.answer import prepare_reference
from identify.web.case_answer import answer_case, summary_of
from identify.web.case_record import CaseRecord, Confirmed, KeptPhoto
from identify.web.first_look import Glance
from identify.web.guide_pictures import guide
from identify.web.html_parts import lengths_both_ways, text
from identify.web.measuring import renamed
from identify.web.photo_drawing import drawing
from identify.web.plots import budget_plot, calibration_plot, plane_plot, telling_dimensions
from identify.web.sales_panels import answer_panel, case_list, known_panel, measured_panel, replacement_panel
from identify.web.simple_questions import MOST_QUESTIONS, simple_questions
from identify.web.technician_page import pump_words
from identify.web.verdict import glanced_card, verdict_of
from identify.web.words import LANGUAGES, Words
from reference_geometry.store import load_reference

EVIL = "<img src=x onerror=alert(1)>{{7*7}}${7*7}.jpg"
T = Words("en")


@pytest.fixture(scope="module")
def reference():
    return prepare_reference(load_reference())


@pytest.fixture
def answered(photo_survey, reference):
    """A case with the hand-made survey of one photo, under a name that is out for trouble."""
    named = renamed(photo_survey, EVIL)
    photo = KeptPhoto(photo_id="1", name=EVIL, digest="0" * 64, width_px=1600, height_px=1200, card_at="rim")
    moment = datetime(2026, 3, 1, tzinfo=UTC)
    record = CaseRecord(number="ABC-2345", opened=moment, changed=moment, made_by=EVIL, photos=(photo,), note=EVIL)
    record = record.with_known("maker", f"maker={EVIL}").with_known("connection", "connection=flanged")
    return answer_case(record, combine_surveys([named]), reference)


def in_xml(fragment):
    return ElementTree.fromstring(f"<x>{re.sub(r'&(?!#|amp|lt|gt|quot)', '&amp;', fragment)}</x>")


@pytest.mark.parametrize("language", LANGUAGES)
def test_nothing_a_customer_typed_is_taken_for_markup_or_template(answered, language):
    t = Words(language)
    panels = [
        answer_panel(t, answered, ""), measured_panel(t, answered), known_panel(t, answered.record),
        case_list(t, [answered.record], ""), replacement_panel(t, answered.answer), plane_plot(t, answered.answer),
    ]  # fmt: skip
    whole = "".join(panels)
    assert "onerror" in whole
    assert "<img src=x" not in whole
    assert "{" not in whole
    assert "$" not in whole


def test_the_answer_says_what_must_be_said(answered):
    whole = answer_panel(T, answered, "")
    assert "Demo data" in whole
    assert "lock it out" in whole
    assert "Which elastomer" in whole
    for kit in answered.answer.kits[:3]:
        assert kit.kit_no in whole


def test_every_length_can_be_read_in_both_units():
    """One inch is 25.4 mm exactly (ISO 31-1)."""
    both = lengths_both_ways("about 254.0 ± 25.4 mm, then 50.8 to 76.2 mm and 4 bolts")
    inches = re.findall(r'class="u-in">(.*?)</span>', both)
    assert [word.replace("\u00a0", " ") for word in inches] == ["10.000 ± 1.000 in", "2.000 to 3.000 in"]
    assert "4 bolts" in both
    differences = re.findall(r'class="u-in">(.*?)</span>', lengths_both_ways("254.0 x 50.8 mm (+12.7, -25.4)"))
    assert differences[0].replace("\u00a0", " ") == "10.000 x 2.000 in (+0.500, -1.000)"
    assert text("a\x00b<") == "ab&lt;"


def test_a_measured_value_stands_with_interval_and_origin(answered):
    shown = measured_panel(T, answered)
    length = next(x for x in answered.answer.measurements if x.name == "chamber_diameter")
    half = (length.interval_mm[1] - length.interval_mm[0]) / 2
    assert f"{length.value_mm:.1f} ± {half:.1f} mm" in shown.replace("\u00a0", " ")
    assert "pocket scale card" in shown


# --- pictures ---------------------------------------------------------------------------------------------
def test_the_band_of_the_plane_plot_is_the_measured_interval(answered):
    """Its edges are read back from the drawing with the axis marks as a rule."""
    names = telling_dimensions(answered.answer)
    length = next(x for x in answered.answer.measurements if x.name == names[0])
    svg = in_xml(plane_plot(T, answered.answer)).find(".//svg")
    across = [m for m in svg.iter("text") if m.get("class") == "u-mm" and m.get("text-anchor") == "middle"]
    marks = [(float(m.get("x")), float(m.text)) for m in across if re.fullmatch(r"[\d.]+", m.text)]
    slope, start = np.polyfit([x for x, _ in marks], [mm for _, mm in marks], 1)
    band = next(r for r in svg.iter("rect") if r.get("class") == "p-band" and float(r.get("height")) > 200)
    low = start + slope * float(band.get("x"))
    high = start + slope * (float(band.get("x")) + float(band.get("width")))
    assert [low, high] == pytest.approx(length.interval_mm, abs=abs(slope))


def test_the_plane_plot_shows_the_likeliest_candidate(answered):
    """A dimension that only the unlikely families have places nobody who matters."""
    first, *others = answered.answer.candidates
    only_others = {name for c in others[:11] for name in c.family.lengths} - {"chamber_diameter", "port_bore"}
    lengths = {name: known for name, known in first.family.lengths.items() if name not in only_others}
    assert only_others
    bare = replace(first, family=replace(first.family, lengths=lengths), probability=0.9)
    answer = replace(answered.answer, candidates=(bare, *others))
    assert set(telling_dimensions(answer)) <= lengths.keys()
    assert first.family.family_id in plane_plot(T, answer)


def test_bars_of_the_budget_add_up_as_squares(answered):
    """The law of propagation for uncorrelated contributions (JCGM 100:2008, 5.1.2)."""
    length = next(x for x in answered.answer.measurements if x.name == "chamber_diameter")
    svg = in_xml(budget_plot(T, [length])).find(".//svg")
    widths = [float(bar.get("width")) for bar in svg.iter("rect")]
    assert widths[0] == pytest.approx(sqrt(sum(width**2 for width in widths[1:])), rel=0.03)
    assert widths[0] == max(widths)


def test_calibration_counts_right_answers_against_those_said():
    moment = datetime(2026, 3, 1, tzinfo=UTC)
    cases = []
    for number, (best, truth, chance) in enumerate([("A", "A", 0.9), ("A", "B", 0.6), ("C", "", 0.5)]):
        confirmed = Confirmed(
            family_id=truth, by="kim", on=moment, best_family_id=best, best_probability=chance, probability=chance,
            pulls={"chamber_diameter": 0.5 if number else 3.0},
        )  # fmt: skip
        cases.append(CaseRecord(number="ABC-2345", opened=moment, changed=moment, made_by="kim", confirmed=confirmed))
    shown = calibration_plot(T, cases)
    assert "Of 3 confirmed cases the first candidate was right in 1" in shown
    assert "2.0" in shown  # 0.9 + 0.6 + 0.5
    assert "2 of 3 lengths" in shown
    assert "No case has been confirmed" in calibration_plot(T, [])


def test_the_guide_is_drawn_in_both_languages():
    for language in LANGUAGES:
        assert len(in_xml(guide(Words(language))).findall(".//svg")) == 4


# --- over the photo ---------------------------------------------------------------------------------------
def circumference(points):
    ring = np.array([*points, points[0]])
    return np.linalg.norm(np.diff(ring, axis=0), axis=1).sum()


def test_a_candidate_is_outlined_to_the_scale_of_the_photo(answered, reference):
    """A family's circle drawn over a photo of known scale has its own size: circumference = pi x diameter."""
    family = next(f for f in reference.reference.families if f.family_id == "MQ-CAT-15M-N")
    survey = answered.survey.photos[0]
    shown = drawing(T, answered.record, answered.record.photos[0], survey, family)
    ring = next(o for o in shown["candidate"]["outlines"] if o["name"] == "chamber_diameter")
    measured = next(c for c in survey.circles if c.name == "chamber_diameter")
    px_per_mm = circumference(measured.outline_px) / (pi * measured.length.value_mm)
    drawn_mm = circumference(ring["points"]) / px_per_mm / pi
    assert drawn_mm == pytest.approx(family.lengths["chamber_diameter"].mean_mm, rel=0.003)
    rings = [o["dots"] for o in shown["candidate"]["outlines"] if "dots" in o]
    (bolts,) = [dots for dots in rings if len(dots) == family.chamber_bolt_count]
    assert np.ptp(np.array(bolts), axis=0).max() < np.ptp(np.array(ring["points"]), axis=0).max()


def tilted_ring(turns, share=1.0):
    """Points of a circle seen slanted, at turns round the circle itself."""
    flat = share * np.stack([np.cos(2 * pi * turns), np.sin(2 * pi * turns)], axis=1)
    slanted: np.ndarray = np.array([700.0, 640.0]) + flat @ np.array([[340.0, 60.0], [-80.0, 210.0]])
    return slanted


@pytest.mark.parametrize(("seen", "missing"), [(12, 0), (12, 5), (0, 0)])
def test_bolts_of_a_candidate_are_turned_as_the_bolts_seen_are(answered, reference, seen, missing):
    """Bolts drawn on a slanted circle at a known turn: a family with as many has its own where they are."""
    family = next(f for f in reference.reference.families if f.chamber_bolt_count == 12)
    survey = answered.survey.photos[0]
    first = next(c for c in survey.circles if c.name == "chamber_diameter")
    size = family.lengths["chamber_diameter"].mean_mm
    circle = replace(first, outline_px=tilted_ring(np.arange(180) / 180), length=replace(first.length, value_mm=size))
    bolts = tilted_ring((np.arange(seen) + 0.37) / 12, 0.9)[missing:] if seen else np.zeros((0, 2))
    turned = replace(survey, circles=(circle,), marks_px={"chamber_bolts": bolts})
    shown = drawing(T, answered.record, answered.record.photos[0], turned, family)
    (dots,) = [np.array(o["dots"]) for o in shown["candidate"]["outlines"] if "dots" in o]
    assert len(dots) == 12
    if seen:
        away = np.linalg.norm(dots[None] - bolts[:, None], axis=2).min(axis=1)
        assert 0.0 < away.max() < 2.0
    else:
        assert dots[:, 1].min() == pytest.approx(tilted_ring(np.arange(720) / 720, 0.94)[:, 1].min(), abs=2.0)


def test_another_number_of_bolts_starts_at_a_bolt_that_was_seen(answered, reference):
    family = next(f for f in reference.reference.families if f.chamber_bolt_count == 10)
    survey = answered.survey.photos[0]
    first = next(c for c in survey.circles if c.name == "chamber_diameter")
    size = family.lengths["chamber_diameter"].mean_mm
    circle = replace(first, outline_px=tilted_ring(np.arange(180) / 180), length=replace(first.length, value_mm=size))
    bolts = tilted_ring((np.arange(8) + 0.37) / 8, 0.9)
    turned = replace(survey, circles=(circle,), marks_px={"chamber_bolts": bolts})
    shown = drawing(T, answered.record, answered.record.photos[0], turned, family)
    (dots,) = [np.array(o["dots"]) for o in shown["candidate"]["outlines"] if "dots" in o]
    topmost = bolts[np.argmin(bolts[:, 1])]
    assert np.linalg.norm(dots - topmost, axis=1).min() < 2.0


def test_without_a_scale_no_candidate_is_outlined(answered, reference):
    survey, family = answered.survey.photos[0], reference.reference.families[0]
    floating = tuple(replace(c, length=_without_scale(c.length)) for c in survey.circles)
    floated = replace(survey, circles=floating)
    shown = drawing(T, answered.record, answered.record.photos[0], floated, family)
    assert shown["candidate"]["outlines"] == []
    assert any("no scale" in shape.get("mm", "") for shape in shown["shapes"])


def _without_scale(length):
    from features.measured import NO_SCALE_RELATIVE_SD, Contribution

    unknown = Contribution("scale", "scale:x", NO_SCALE_RELATIVE_SD)
    return replace(length, contributions=(*length.contributions, unknown))


# --- words for the technician -----------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("problems", "scale", "level"),
    [
        ((), "pocket scale card", "good"),
        ((("focal_unknown", ""),), "pocket scale card", "good"),
        ((("card_blurred", ""),), "pocket scale card", "usable"),
        ((("no_scale", ""),), "", "again"),
        ((("card_mirrored", ""), ("no_scale", "")), "", "again"),
        ((("coin_not_found", ""),), "pocket scale card", "usable"),
        ((("nothing_found", ""),), "pocket scale card", "again"),
        ((("no such code", ""),), "pocket scale card", "good"),
    ],
)
def test_a_photo_is_good_usable_or_to_be_taken_again(problems, scale, level):
    assert verdict_of(problems, scale).level == level


@pytest.mark.parametrize(
    ("glance", "level", "words"),
    [
        (Glance("pocket scale card", ()), "good", "pocket scale card"),
        (Glance("bank card", (("photo_blurred", "spread"),)), "usable", "The photo is blurred."),
        (Glance("", (("no_scale", ""),)), "again", "Lay the printed scale card"),
        (Glance("", ()), "wait", "The coin is looked for"),
    ],
)
def test_a_glance_says_good_or_not_why_and_what_to_do(glance, level, words):
    card = glanced_card(T, EVIL, glance)
    assert f'class="verdict {level}"' in card
    assert words in card
    assert "<img" not in card


def test_nobody_is_called_likely_where_the_set_most_likely_does_not_hold_the_pump(answered):
    first = answered.answer.candidates[0]
    likely = replace(answered.answer, candidates=(replace(first, probability=0.6),), not_in_set=0.4)
    unknown = replace(answered.answer, candidates=(replace(first, probability=0.3),), not_in_set=0.7)
    assert pump_words(T, likely).startswith("Most likely pump")
    assert "not in the set (70 %)" in pump_words(T, unknown)


def test_kits_of_both_sides_are_listed(answered):
    shown = answer_panel(T, answered, "")
    for side in ("fluid", "air"):
        own = [kit for kit in answered.answer.kits if kit.section == side and kit.probability >= 0.01]
        assert own
        assert own[0].kit_no in shown


def test_names_in_the_plane_plot_do_not_cover_each_other(answered):
    """Boxes of the drawn names, at 7 px a letter of a 12 px font, do not overlap."""
    svg = in_xml(plane_plot(T, answered.answer)).find(".//svg")
    ids = {candidate.family.family_id for candidate in answered.answer.candidates}
    boxes = []
    for name in (node for node in svg.iter("text") if node.text in ids):
        x, y, width = float(name.get("x")), float(name.get("y")), 7.0 * len(name.text)
        left = x - width if name.get("text-anchor") == "end" else x
        boxes.append((left, y - 11, left + width, y))
    assert boxes
    for i, a in enumerate(boxes):
        for b in boxes[i + 1 :]:
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]


@pytest.mark.parametrize("language", LANGUAGES)
def test_nothing_of_a_plot_is_cut_off(answered, language):
    """Texts at 6.6 px a letter of a 12 px font, as the browser's own font has it, lie within the drawing."""
    t = Words(language)
    for figure in (plane_plot(t, answered.answer), budget_plot(t, answered.answer.measurements)):
        svg = in_xml(figure).find(".//svg")
        width = float(svg.get("viewBox").split()[2])
        rows = [node for node in svg.findall("text") if node.text]
        assert len(rows) > 6
        for node in rows:
            x, long = float(node.get("x")), 6.6 * len(node.text)
            left = {"end": x - long, "middle": x - long / 2}.get(node.get("text-anchor"), x)
            assert left >= 0.0, node.text
            assert left + long <= width, node.text


def test_few_questions_with_answers_to_tap_on(answered):
    questions = simple_questions(T, answered.answer)
    assert len(questions) <= MOST_QUESTIONS == 2
    for asked in questions:
        assert 3 <= len(asked.choices) <= 7
        assert asked.choices[-1] == ("I do not know", "?")
        assert "Answer:" not in T.how(asked.question)


def test_a_case_says_its_answer_in_one_line(answered):
    assert re.search(r"%", summary_of(answered.answer))
