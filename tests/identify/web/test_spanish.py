"""Spanish is whole: a text that is new somewhere in the program fails here until it has its row in a table."""

import csv
import re
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from features.problems import Problem, all_problem_kinds
from features.survey import combine_surveys
from identify.answer import build_answer, prepare_reference
from identify.overlay.legend import legend_notes
from identify.overlay.pen import lettering_in
from identify.overlay.picture import size_words
from identify.questions.catalog import CATALOG
from identify.report.content import report_content
from identify.typed.options import TypedOptions, understand
from identify.web.case_answer import answer_case, summary_of
from identify.web.case_record import CaseRecord, KeptPhoto
from identify.web.corrections import NotUnderstood, with_scale, with_value
from identify.web.measuring import renamed
from identify.web.sales_panels import answer_panel, known_panel, measured_panel, replacement_panel
from identify.web.sentences import report_in, without_typing
from identify.web.verdict import refused_card, verdict_card
from identify.web.words import Words, _sentences
from reference_geometry.standards.coins import coins
from reference_geometry.store import load_reference
from tests.identify.web.text_walker import ROOT, texts_in, texts_of

T = Words("es")
DAY = date(2026, 3, 1)

# --- every literal of the program -------------------------------------------------------------------------
NOT_ON_PAGES = (
    "features/decode_process.py", "features/ellipse.py", "features/landmarks.py", "features/parts/trace.py",
    "features/plane_solution.py", "features/rim_shape.py", "features/scale/artificial.py",
    "features/standing_circle.py", "identify/__init__.py",
    "identify/__main__.py",
    "identify/answer_models.py", "identify/command_line.py", "identify/commands/", "identify/output_files.py",
    "identify/report/brief.py", "identify/report/fonts.py", "identify/report/html_file.py",
    "identify/report/terminal.py", "identify/typed/costs.py", "identify/typed/options.py", "identify/web/accounts.py",
    "identify/web/closed_files.py", "identify/web/downloads.py", "identify/web/guard.py", "identify/web/measuring.py",
    "identify/web/rest.py", "identify/web/server.py", "identify/web/site.py", "reference_geometry/demo/",
    "reference_geometry/schema.py", "reference_geometry/spellings.py", "reference_geometry/standards/fasteners.py",
    "reference_geometry/store.py", "reference_geometry/store_engine.py",
)  # fmt: skip
"""What they say is for the command line, for other programs, for whoever starts the server, or never leaves them."""

NO_TEXT = re.compile(
    r"aria-\w+|data-\w+|then-\w+|text-anchor|font-weight|sign-(in|out)|photo-view|family-shown|content-length|no-store"
    r"|cache-control|Za-z|const b|Helvetica-Bold|(ASME|JIS) B|UHMW-PE"
)
"""Names of HTML and of standards."""

SAID_BY_CUSTOMERS = re.compile(
    r"ptfe bonded|buna n|epdm pp|thermoplastic vulcanizate|tpe copolyester|methyl ethyl ketone|ethyl acetate"
    r"|(sodium|potassium) hydroxide"
)
"""Words of fluids and elastomers that are read, not said."""

TYPED = re.compile(r"band or bolted|end or center|yes or no|front or rear|mm (thread|foot)|card-at (rim|flange)")
"""How an answer is typed at the command line; `without_typing` takes it off."""

WITHIN = ("disagreement about",)
"""Names of errors, which only the combination of lengths reads."""


def modules():
    found = (path.relative_to(ROOT).as_posix() for home in ("features", "identify", "reference_geometry")
             for path in sorted((ROOT / home).rglob("*.py")))  # fmt: skip
    return [module for module in found if not module.startswith(NOT_ON_PAGES)]


def test_every_run_of_words_in_the_source_stands_in_a_table():
    """Pieces that make up a sentence each stand in the pattern of that sentence."""
    with (ROOT / "identify" / "web" / "sentences.csv").open(encoding="utf-8", newline="") as table:
        patterns = [row["en"] for row in csv.DictReader(table)]
    known = "\n".join([*patterns, *_sentences("es")._words]).lower()
    texts = [text for module in modules() for text in texts_in(module)]
    assert len(texts) > 700
    excused = re.compile("|".join(p.pattern for p in (NO_TEXT, SAID_BY_CUSTOMERS, TYPED)))
    missing = [
        text for text in texts
        if text.words.lower() not in known and not excused.fullmatch(text.words) and text.words not in WITHIN
    ]  # fmt: skip
    assert missing == []


def test_the_walker_sees_what_is_new(tmp_path, monkeypatch):
    (tmp_path / "new.py").write_text('"""Doc string here."""\n\nsaid = f"{3} quite new words, said {4:.1f} times"\n')
    monkeypatch.setattr("tests.identify.web.text_walker.ROOT", tmp_path)
    assert [text.words for text in texts_in("new.py")] == ["quite new words"]


# --- whole reports ----------------------------------------------------------------------------------------
SAME = frozenset(re.findall(
    r"\w+", "bits color control diesel error focal in kit kits local manual material metal min minimum mm natural no "
    "nominal normal original plan px real sales son total untagged usd use usual water zinc zoom plastic de a la son es"
))  # fmt: skip
"""Words that are Spanish too, that customers said, or that stand in the names of families."""

SAID = (
    ("chamber_diameter=212.8",),
    ("chamber_diameter=8.4in", "connection=flanged", "elastomer=NBR", "fluid=diesel"),
    ("chamber_diameter=291", "connection=threaded", "port_bore=41", "fluid=diesel 80 C"),
    ("housing_joint=clamp_band", "chamber_bolt_count=10", "chamber_diameter=364"),
    ("connection=threaded", "flange_diameter=108"),
    ("port_standard=NPT", "connection=flanged"),
    ("chamber_diameter=364", "connection=flanged", "elastomer=EPDM", "fluid=water 95 C"),
    ("chamber_diameter=500",),
    ("kit_no=XX-1", "chamber_diameter=212.8"),
    ("elastomer=Silicone", "maker=Foo"),
    ("port_bore=200", "flange_diameter=152"),
    ("overall_height=100", "chamber_diameter=300", "port_spacing=200"),
    ("foot_spacing_short=300", "foot_spacing_long=200"),
    ("thread_pitch=20", "port_bore=10"),
    ("port_standard=asme", "port_nominal_in=2", "flange_diameter=100", "bolt_hole_count=8"),
    ("body_color=blue", "air_valve_side=front", "air_valve_screw_count=6", "slotted_holes=yes", "swivel_flange=no"),
    ("chamber_bolt_count=8", "housing_joint=bolted", "chamber_diameter=257"),
    ("wetted_material=plastic", "magnet=yes"),
    ("kit_no=MQ-02-FPT", "chamber_diameter=101", "elastomer=PTFE"),
    ("chamber_diameter=212.8", "port_bore=25", "connection=flanged", "overall_height=430", "elastomer=EPDM"),
)


def left_over(english, spanish):
    """Words of an English text that its Spanish still has; parts of names and numbers do not count."""
    words = r"(?<![\w.-])[a-z]{2,}(?![\w-])"
    return (set(re.findall(words, english)) & set(re.findall(words, spanish))) - SAME


def texts(content):
    return [
        *content.headline, content.title, content.made, content.footer, content.demo_note,
        *(text for part in content.sections for text in texts_of(part)),
    ]  # fmt: skip


def assert_whole(content):
    english = texts(report_in(content, "en", str))
    spanish = texts(report_in(content, "es", T.sentence))
    assert len(english) == len(spanish) > 40
    assert {pair: left for pair in zip(english, spanish, strict=True) if (left := left_over(*pair))} == {}
    for one, other in zip(english, spanish, strict=True):
        assert sorted(re.findall(r"\d+", one)) == sorted(re.findall(r"\d+", other))  # no number is lost


@pytest.fixture(scope="module")
def reference():
    return prepare_reference(load_reference())


@pytest.mark.parametrize("said", SAID, ids=lambda said: said[0])
def test_a_whole_report_is_spanish(reference, said):
    """Reasons, decisions, questions, cautions, kits, replacement and message."""
    known = understand(TypedOptions(known=said)).knowns
    assert_whole(report_content(build_answer(None, known, reference), DAY))


PARTICULARS = (
    "1600 x 1200 pixels", "even its sharpest edges spread over 12 px", "a TIFF or camera raw file", "70 MB",
    "more than 64 MB", "its ratio of sides is told to 4 % only, tilted 20 deg", "bank card tilted 58 deg",
    "no full rim near 120, 340 of radius about 60 px", "no round thing with a full rim",
    "no round thing looks enough like a coin",
    "3 of them, 60 and 61 px across",
    "tilted about 40 deg", "25 px across", "5 mirrored markers read",
    "4 markers with ids 1, 2, 3, 4", "marker 3 alone", "squares of 8.1 px; 9 px are needed",
    "2 of 17 markers, 3 of 24 corners seen, squares of 12 px", "the points lie in a line", "3 points, 4 are needed",
    "corners miss the card's grid by 3.2 px", "tilted 75 deg; 70 deg is the limit", "12 of 24 corners seen",
    "edges spread over 5.1 px, squares are 20 px", "bent by 2.1 +/- 0.3 mm", "length 0 mm",
    "a point lies outside the photo of 400 x 300 px", "the points are 3 px apart; 10 are needed", "known to about 8 %",
    "3000 x 2000 pixels left", "2.0 times", "65535 mm makes no sense",
    "chamber diameter: 4.1 standard uncertainties apart",
    "chamber diameter differs by 2.1%", "flange diameter", "the file ends before the picture does",
    "3 pictures in the file",
    "measured by the pocket scale card, the bank card is 3.1 % larger than it should be; their combined standard "
    "uncertainty is 0.6 %", "72 megapixels", "30 s",
)  # fmt: skip
"""What problems are noticed with, as the modules of `features` fill it in."""


@pytest.mark.parametrize("particulars", PARTICULARS)
def test_particulars_of_problems_are_spanish(particulars):
    said = T.sentence(particulars)
    assert left_over(particulars, said) == set()
    assert sorted(re.findall(r"\d+", particulars)) == sorted(re.findall(r"\d+", said))


# --- what a photo gives -----------------------------------------------------------------------------------
@pytest.fixture
def answered(photo_survey, reference):
    """A case with the hand-made survey of one photo in which everything was noticed that can be."""
    noticed = tuple(Problem(kind, PARTICULARS[i % len(PARTICULARS)]) for i, kind in enumerate(all_problem_kinds()))
    survey = renamed(replace(photo_survey, problems=noticed), "IMG_1.jpg")
    photo = KeptPhoto(photo_id="1", name=survey.name, digest="0" * 64, width_px=1600, height_px=1200, card_at="rim")
    moment = datetime(2026, 3, 1, tzinfo=UTC)
    record = CaseRecord(number="ABC-2345", opened=moment, changed=moment, made_by="", photos=(photo,))
    record = record.with_known("connection", "connection=flanged").with_known("port_bore", "port_bore=25")
    return answer_case(record, combine_surveys([survey]), reference)


def seen_words(fragment):
    """What a reader sees of a piece of a page, piece by piece."""
    return [piece.strip() for piece in re.split(r"<[^>]*>", fragment) if re.search(r"[a-z]{2}", piece)]


ENGLISH = frozenset(re.findall(
    r"\w+", "the of and is are not this that with for from by has have was were which but look again check between "
    "none under given least before behind each family seen your pump ask order take wrong known measured size out"
))  # fmt: skip
"""Words no Spanish sentence holds."""


def test_pages_are_spanish(answered):
    record, survey = answered.record, answered.survey.photos[0]
    fragments = [
        answer_panel(T, answered, ""), measured_panel(T, answered), known_panel(T, record),
        replacement_panel(T, answered.answer), verdict_card(T, record, record.photos[0], survey),
        *(refused_card(T, "a.jpg", problem.kind, problem.detail) for problem in survey.problems),
    ]  # fmt: skip
    pieces = [piece for fragment in fragments for piece in seen_words(fragment)]
    assert len(pieces) > 300
    assert [piece for piece in pieces if ENGLISH & set(re.findall(r"[a-z]+", piece.lower()))] == []


@pytest.mark.parametrize("chances", [(0.5, 0.7), (0.999, 0.9999), (0.001, 0.002)])
def test_the_list_of_cases_is_spanish(answered, chances):
    first, *_ = answered.answer.candidates
    kit, *_ = answered.answer.kits
    answer = replace(
        answered.answer, not_in_set=0.0, candidates=(replace(first, probability=chances[0]),),
        kits=(replace(kit, probability=chances[1]),),
    )  # fmt: skip
    for summary in (summary_of(answer), summary_of(replace(answer, not_in_set=1.0))):
        assert left_over(summary, T.sentence(summary)) == set()


def test_a_report_with_photos_is_spanish(answered):
    assert_whole(report_content(answered.answer, DAY))


def test_words_drawn_on_a_photo_are_spanish(answered):
    """With their accents; Pillow's own font has none, so another one is taken."""
    survey = answered.survey.photos[0]
    without = replace(survey, scale=None, circles=())
    lettering = lettering_in(T.sentence)
    drawn = [*legend_notes(survey), *legend_notes(without), "8 chamber bolts seen", "scale: bank card, 0.21 mm per "
             "pixel ± 0.4 %", "chamber diameter (1 of 2)", *(size_words(c.length) for c in survey.circles),
             "257 mm (212 to 312 mm) (10.1 in)", "no scale: ratios only"]  # fmt: skip
    for english in drawn:
        assert left_over(english, lettering.words(english)) == set()
    assert lettering.words("chamber diameter") == "diámetro de la cámara"
    font = lettering.font(40)
    assert bytes(font.getmask("á")) != bytes(font.getmask("ñ"))


# --- what was typed ---------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("name", "value"),
    [("chamber_diameter", "abc"), ("chamber_diameter", "1"), ("chamber_diameter", "9999"), ("connection", "foo"),
     ("chamber_diameter", ""), ("chamber_bolt_count", "x"), ("port_nominal_in", "zz"), ("port_standard", "q"),
     ("chamber_diameter", "20 +/- 50"), ("swivel_flange", "foo")],
)  # fmt: skip
def test_why_a_value_is_refused_is_spanish_and_names_no_codes(answered, name, value):
    with pytest.raises(NotUnderstood) as refused:
        with_value(answered.record, name, value)
    said = T.sentence(refused.value.reason)
    assert left_over(refused.value.reason, said) - {"abc", "foo", "zz"} == set()
    assert "_" not in refused.value.reason
    assert "--" not in refused.value.reason


@pytest.mark.parametrize("coin", ["us-24c", "blabla", "3mm"])
def test_why_a_coin_is_refused_is_spanish(answered, coin):
    with pytest.raises(NotUnderstood) as refused:
        with_scale(answered.record, coin, "")
    assert left_over(refused.value.reason, T.sentence(refused.value.reason)) <= {"us", "eur", "gbp", "blabla"}


def test_a_value_may_be_typed_in_spanish(answered):
    assert T.value_meant("de brida") == "flanged"
    assert T.value_meant(" Plastico ") == "plastic"
    assert T.value_meant("212.8") == "212.8"
    assert Words("en").value_meant("clamp band") == "clamp_band"


def test_coins_are_named_in_spanish():
    assert [coin.label for coin in coins() if T.sentence(coin.label) == coin.label and coin.name != "eur-1"] == []


def test_instructions_have_not_fallen_behind_the_english():
    """A sentence more in English is a sentence more in Spanish."""
    for question in CATALOG:
        english, spanish = without_typing(question.how), T.how(question)
        counts = [len(re.findall(r"[.?!](?: |$)|;", words)) for words in (english, spanish)]
        assert counts[1] >= counts[0], (question.code, english, spanish)
