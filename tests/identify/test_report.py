"""Reports: one content, three ways out (PDF, HTML, terminal); nothing lost, injected or loaded."""

import dataclasses
import io
import re
from datetime import date
from html.parser import HTMLParser

import pymupdf
import pytest
from PIL import Image

from features.measured import AttributeEvidence, Contribution
from features.scale.reference import ScaleReference
from identify.answer import build_answer
from identify.answer_output import drawn_pictures
from identify.answering import Answered
from identify.report.blocks import (
    Blanks,
    Bullets,
    Column,
    Letter,
    Paragraph,
    Picture,
    Pictures,
    ReportContent,
    Section,
    Table,
)
from identify.report.content import DEMO_NOTE, measurement_content, report_content
from identify.report.fonts import paragraph_markup
from identify.report.html_file import html_report
from identify.report.matched import questions_to_ask
from identify.report.measured import seen_section
from identify.report.pdf_file import pdf_report
from identify.report.terminal import console_for, show_content
from identify.typed.known_values import parse_knowns
from identify.typed.options import TypedOptions, understand
from identify.web.sentences import report_in
from identify.web.words import Words
from reference_geometry.demo_set import load_demo_set
from reference_geometry.families import Family, Kit, KnownLength, ReferenceSet

DAY = date(2031, 5, 4)
EVIL = '<b>bold</b> <script>alert(1)</script> <img src="http://example.org/x.png"> &amp; {{7*7}} ${7*7} "\'><a href=x>'
SCRIPTS = "Łódź Größe Ελληνικά Привет 中文 日本語カナ 한국어 עברית ﬁ ½ € \U0001f527 \udcff \x07"


def answered(survey, *known, reference=None):
    understood = understand(TypedOptions(card_at="rim", known=known))
    reference = reference or load_demo_set()
    answer = build_answer(survey, parse_knowns(known)[0], reference)
    return Answered(answer, survey, reference, understood)


@pytest.fixture
def whole(survey):
    made = answered(survey, "overall_height=417mm")
    return report_content(made.answer, DAY, drawn_pictures(made))


def pdf_words(data):
    with pymupdf.open(stream=data) as document:
        return " ".join(" ".join(page.get_text().split()) for page in document)


def words_of(content):
    """Every piece of text of a report."""
    yield from (content.title, content.made, *content.headline)
    for section in content.sections:
        yield section.title
        for block in section.blocks:
            match block:
                case Paragraph(text):
                    yield text
                case Bullets(items):
                    yield from items
                case Letter(lines):
                    yield from lines
                case Blanks(labels):
                    yield from labels
                case Pictures(pictures):
                    yield from (picture.caption for picture in pictures)
                case Table(columns, rows):
                    yield from (column.title for column in columns)
                    yield from (cell for row in rows for cell in row)


class Tags(HTMLParser):
    """Checks that every element is closed in order and collects what a page would load or follow."""

    VOID = ("meta", "img", "br", "link", "hr", "input")

    def __init__(self):
        super().__init__()
        self.open, self.seen, self.text, self.links, self.policy = [], [], [], [], ""

    def handle_starttag(self, tag, attrs):
        self.seen.append(tag)
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), f"attribute twice in {tag}"
        for name, value in attrs:
            assert not name.startswith("on"), f"{tag} carries a handler"
            if name in ("src", "href", "action", "srcset", "data"):
                self.links.append(value)
        if dict(attrs).get("http-equiv") == "Content-Security-Policy":
            self.policy = dict(attrs)["content"]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open[-1:] == [tag], f"</{tag}> closes {self.open[-1:]}"
        self.open.pop()

    def handle_data(self, data):
        self.text.append(data)


def parsed(page):
    tags = Tags()
    tags.feed(page.decode("utf-8"))
    tags.close()
    assert tags.open == []
    return tags


# --- the same content everywhere -------------------------------------------------------------------
def test_a_report_says_everything_a_quote_needs(whole):
    """Values with intervals and budget, ports, candidates, kits, decision, questions, cautions, signing."""
    said = " ".join(words_of(whole))
    for needed in ("4 May 2031", "213.4 ± 3.1 mm", "8.4 in", "height against the reference", "in stock",
                   "ASME B16.5 Class 150", "MQ-CAT-10P-A", "for (strong)", "USD", "days", "Assumed:",
                   "Hello,", "Thank you", "lock it out", "Pump confirmed by", "invented", "EPDM",
                   "pocket scale card"):  # fmt: skip
        assert needed in said, needed
    assert whole.demo_note == DEMO_NOTE
    assert len(whole.headline) == 3


def test_pdf_and_page_say_the_same_words(whole):
    """Every text of the content is found in both, spaces aside (a PDF breaks lines where it likes)."""
    squeezed = {
        "pdf": "".join(pdf_words(pdf_report(whole)).split()),
        "html": "".join("".join(parsed(html_report(whole)).text).split()),
    }
    for text in words_of(whole):
        for kind, words in squeezed.items():
            assert "".join(text.split()) in words, f"{text!r} is not in the {kind}"


def test_the_terminal_shows_the_same_less_what_only_paper_needs(whole, capsys):
    console = console_for()
    console.width = 100
    show_content(whole, console)
    out = capsys.readouterr().out
    for section in whole.sections:
        assert (section.title.upper() in out) == section.on_screen
    assert "Hello," not in out
    assert out.index(whole.headline[0][:30]) == 0


def test_the_customer_gets_no_program_words(whole):
    """The message to the customer has the questions without how they are typed into this program."""
    (letter,) = [b for s in whole.sections for b in s.blocks if isinstance(b, Letter)]
    text = "\n".join(letter.lines)
    assert "Answer:" not in text
    assert "=" not in text
    assert "elastomer" in text.lower()
    assert "lock it out" in text


def test_without_an_elastomer_it_is_asked_for_and_with_one_it_is_repeated(survey):
    open_question = " ".join(words_of(report_content(answered(survey).answer, DAY)))
    assert "can not show the elastomer" in open_question
    said = " ".join(words_of(report_content(answered(survey, "elastomer=EPDM").answer, DAY)))
    assert "Elastomer as said: EPDM" in said


def test_a_set_of_the_shop_is_not_called_a_demo(survey):
    demo = load_demo_set()
    own = ReferenceSet(demo.families, demo.kits, "shop.db")
    content = report_content(answered(survey, reference=own).answer, DAY)
    assert content.demo_note == ""
    assert "invented" not in " ".join(words_of(content)).replace("invented for the demo", "")


def test_measuring_alone_reports_no_pump(survey):
    said = " ".join(words_of(measurement_content(answered(survey).answer, DAY)))
    assert "213.4 ± 3.1 mm" in said
    assert "7 mm behind" in said
    assert "MQ-" not in said
    assert "Before anything was seen" not in said


# --- hostile and foreign text ----------------------------------------------------------------------
def evil_reference():
    family = Family(EVIL, EVIL, EVIL, EVIL, connection="flanged", lengths={"chamber_diameter": KnownLength(213.4, 0.5)})
    kit = Kit(EVIL, EVIL, "fluid", EVIL, EVIL, 12.5, EVIL, 3, 4)
    return ReferenceSet((family,), (kit,), EVIL)


def evil_survey(survey, text):
    photo = dataclasses.replace(survey.photos[0], name=text)
    photo = dataclasses.replace(photo, scale=dataclasses.replace(photo.scale, label=text))
    lengths = tuple(dataclasses.replace(length, photos=(text,)) for length in survey.lengths)
    return dataclasses.replace(survey, photos=(photo,), lengths=lengths)


def test_text_of_users_and_imports_stays_text(survey):
    """File names, families, kits, currencies and scale names full of markup are printed, never obeyed."""
    made = answered(evil_survey(survey, EVIL), reference=evil_reference())
    content = report_content(made.answer, DAY, drawn_pictures(made))
    plain = report_content(answered(survey).answer, DAY, drawn_pictures(answered(survey)))
    page = parsed(html_report(content))
    assert "".join(EVIL.split()) in "".join("".join(page.text).split())
    assert set(page.seen) <= set(parsed(html_report(plain)).seen) | {"ul", "ol", "li"}
    assert all(link.startswith("data:image/jpeg;base64,") for link in page.links)
    assert "".join(["<script>alert(1)</script>"]) in "".join(pdf_words(pdf_report(content)).split())


def test_no_language_stops_a_report(survey, capsys):
    made = answered(evil_survey(survey, SCRIPTS))
    content = report_content(made.answer, DAY, drawn_pictures(made))
    page = html_report(content).decode("utf-8")
    assert "Ελληνικά" in page
    assert "\x07" not in page
    words = pdf_words(pdf_report(content))
    assert "Größe" in words
    assert "€" in words
    show_content(content, console_for())
    assert "\x07" not in capsys.readouterr().out


def test_letters_no_font_holds_are_written_plainly(monkeypatch):
    """Without any other font on the computer: base letters where there are any, else a question mark."""
    monkeypatch.setattr("identify.report.fonts.wide_font", lambda: None)
    assert paragraph_markup("Łódź Česko") == "Lódz Cesko"
    assert paragraph_markup("a<b>&") == "a&lt;b&gt;&amp;"
    assert 'font name="STSong-Light"' in paragraph_markup("中")


# --- the page ---------------------------------------------------------------------------------------
def test_a_page_loads_nothing_from_anywhere(whole):
    page = html_report(whole)
    tags = parsed(page)
    assert {"script", "link", "iframe", "object", "base", "form"}.isdisjoint(tags.seen)
    assert all(link.startswith("data:") for link in tags.links)
    assert b"http" not in page.replace(b"http-equiv", b"")
    assert "default-src 'none'" in tags.policy
    assert b"url(" not in page
    assert b"@import" not in page


def test_a_page_is_declared_and_titled_as_it_should(whole):
    page = html_report(whole).decode()
    assert page.startswith('<!DOCTYPE html>\n<html lang="en">')
    tags = parsed(page.encode())
    assert tags.seen.count("h1") == tags.seen.count("title") == tags.seen.count("main") == 1
    assert 'name="viewport"' in page
    assert "@media print" in page
    assert page.count("<img ") == page.count(" alt=")


# --- the pages of the PDF ----------------------------------------------------------------------------
def test_pdf_pages_are_letter_size_numbered_and_carry_no_private_metadata(whole):
    data = pdf_report(whole)
    with pymupdf.open(stream=data) as document:
        assert [round(v) for v in document[0].rect[2:]] == [612, 792]  # ANSI Letter, 8.5 x 11 in of 72 points
        for number, page in enumerate(document, start=1):
            assert f"{number} / {len(document)}" in page.get_text()
        facts = document.metadata
    assert facts["title"] == whole.title
    assert facts["author"] in ("", "(anonymous)", "anonymous", None)
    assert b"/home" not in data


def test_nothing_is_printed_outside_a_page(survey):
    """Also not with tables of long words, many kits and pictures of odd shapes."""
    tall = Image.new("RGB", (200, 4000), "gray")
    wide = Image.new("RGB", (4000, 150), "gray")
    content = ReportContent(
        "Title " * 12, "4 May 2031", ("word" * 60, "line", "line"), "demo " * 40,
        (
            Section("Pictures", (Pictures(tuple(picture_of(i) for i in (tall, wide, tall))),)),
            Section("One", (Pictures((picture_of(tall),)),)),
            Section("Table", (Table((Column("a"), Column("b", "right", whole=True)),
                                    tuple((f"row{n}" * 30, "x" * 40) for n in range(90))),)),
            Section("Text", (Paragraph("p" * 400),
                             Bullets(tuple("b " * 300 for _ in range(9)), numbered=True),
                             Letter(tuple("letter line " * 9 for _ in range(120))), Blanks(("sign " * 30,)))),
        ),
        "footer " * 60,
    )  # fmt: skip
    with pymupdf.open(stream=pdf_report(content)) as document:
        assert len(document) > 4
        for page in document:
            for x0, y0, x1, y1, *_ in page.get_text("words"):
                assert x0 >= 0
                assert y0 >= 0
                assert x1 <= page.rect.x1 + 1
                assert y1 <= page.rect.y1
            for image in page.get_image_info():
                assert pymupdf.Rect(image["bbox"]) in page.rect


@pytest.mark.parametrize("language", ["en", "es"])
def test_no_heading_is_broken_within_a_word(whole, language):
    """Read back from the PDF as its words stand, word for word."""
    content = report_in(whole, language, Words(language).sentence)
    headings = {word for part in content.sections for block in part.blocks if isinstance(block, Table)
                for column in block.columns for word in re.findall(r"\w+", column.title)}  # fmt: skip
    data = pdf_report(content)
    with pymupdf.open(stream=data) as document:
        printed = {word for page in document for word in re.findall(r"\w+", page.get_text())}
        declared = document.xref_get_key(document.pdf_catalog(), "Lang")[1]
    assert len(headings) > 20
    assert headings - printed == set()
    assert declared == language


def picture_of(image):
    out = io.BytesIO()
    image.save(out, "JPEG")
    return Picture(out.getvalue(), image.width, image.height, "a caption")


def test_an_answer_without_anything_measured_still_makes_a_report(survey):
    made = answered(dataclasses.replace(survey, photos=(), lengths=(), attributes=(), ports=()))
    content = report_content(made.answer, DAY)
    assert "No photo and no length was given" in " ".join(words_of(content))
    assert pdf_report(content).startswith(b"%PDF")
    parsed(html_report(content))


def test_ratios_alone_are_reported_as_ratios(survey):
    """Without a scale no millimeter is printed; the ratio of flange to bolt circle keeps its interval."""
    no_scale = Contribution("scale", "scale", 3.0)
    unscaled = tuple(
        dataclasses.replace(length, offset_mm=None, contributions=(*length.contributions, no_scale))
        for length in survey.lengths
    )  # fmt: skip
    bare = dataclasses.replace(survey.photos[0], scale=None, mm_per_px=0.0, circles=())
    made = answered(dataclasses.replace(survey, lengths=unscaled, photos=(bare,)))
    content = report_content(made.answer, DAY)
    (measured,) = [section for section in content.sections if section.title == "Measured"]
    said = " ".join(words_of(dataclasses.replace(content, headline=(), sections=(measured,))))
    assert "flange diameter over bolt circle" in said
    assert "1.361" in said  # 108.2 / 79.5
    assert " mm" not in said.replace("length in mm", "")


def test_a_scale_without_a_name_or_size_is_drawn_all_the_same(survey, photo):
    """Two clicked points are a line, not an outline."""
    import numpy as np

    from identify.overlay.picture import draw_overlay

    two = np.array([[100.0, 100.0], [900.0, 120.0]])
    points = ScaleReference("points", "two points, 152.4 mm", two, two, 1.0, two, 0.005, "typed")
    assert draw_overlay(photo, dataclasses.replace(survey.photos[0], scale=points)).width == 1600


def phone(*known):
    """The words of an answer without a photo."""
    return " ".join(words_of(report_content(answered(None, *known).answer, DAY)))


def test_on_the_phone_the_answer_says_what_was_told_and_what_the_candidates_differ_in():
    said = phone("connection=flanged", "chamber_diameter=8.4in")
    assert "Known: chamber diameter 213.4 ± 2.0 mm; connection flanged." in said
    assert "Pump still open between 5 families" in said
    assert "ASME B16.5 Class 150, end ports, 8 bolts" in said
    assert "Both take the same kits; what matters for the kit: " in said
    assert "nothing known so far speaks against it" in said


def test_a_question_says_what_it_is_worth_and_the_trouble():
    said = phone("connection=flanged", "chamber_diameter=8.4in")
    assert "bits; the best fluid-side kit then fits with" in said
    assert "about 1 min)" in said


def test_nothing_but_the_elastomer_and_the_fluid_is_asked_once_the_fit_is_settled():
    pump = ("chamber_diameter=292mm", "connection=threaded", "chamber_bolt_count=10", "housing_joint=bolted")
    answer = answered(None, *pump).answer
    assert [question.question.code for question in questions_to_ask(answer)] == ["elastomer", "fluid"]


def test_many_kits_that_hardly_fit_are_counted_and_not_listed():
    said = phone("connection=threaded")
    assert "fluid-side kits may fit, none with more than" in said
    assert "list price" not in said.partition("Ask next")[0]


def test_an_elastomer_commonly_avoided_with_the_fluid_is_not_ordered():
    """NBR swells in ketones (common practice, from memory); PTFE does not."""
    pump = (
        "chamber_diameter=292mm",
        "connection=threaded",
        "chamber_bolt_count=10",
        "housing_joint=bolted",
        "fluid=acetone",
    )
    avoided = answered(None, *pump, "elastomer=NBR").answer.decisions[0]
    assert avoided.action == "ask_elastomer"
    assert "do not order MQ-15-FNB yet. NBR with ketones" in avoided.sentence
    assert answered(None, *pump, "elastomer=PTFE").answer.decisions[0].action == "order"
    assert answered(None, *pump, "elastomer=NBR").answer.decisions[1].action == "order"


@pytest.mark.parametrize(
    ("chances", "told"),
    [
        ((0.8, 0.1, 0.1), ("gray", "80 %", "natural (10 %), blue (10 %)")),
        ((0.3, 0.28, 0.22, 0.2), ("gray or blue", "58 %", "natural (22 %)")),
        ((0.24, 0.2, 0.2, 0.18, 0.18), None),
    ],
)
def test_what_was_seen_is_told_where_one_or_two_values_have_half_the_chance(chances, told):
    """Ten colors, of which the likeliest has a fourth of the chance, tell nobody anything."""
    words = ("gray", "blue", "natural", "white", "red")
    section = seen_section([AttributeEvidence("body_color", dict(zip(words, chances, strict=False)))])
    if told is None:
        assert section is None
    else:
        (row,) = section.blocks[0].rows
        assert row[0] == "body color"
        assert row[1:3] == told[:2]
        assert sorted(row[3].split(", ")) == sorted(told[2].split(", "))
