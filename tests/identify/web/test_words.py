"""All text stands in one table, in both languages, and nothing on a page asks for text that is not there."""

import csv
import re
import string
from datetime import date
from pathlib import Path

from features.problems import all_problem_kinds
from identify.answer import build_answer, prepare_reference
from identify.questions.catalog import CATALOG
from identify.repair.cautions import ALWAYS
from identify.report.content import report_content
from identify.typed.known_values import legal_names
from identify.typed.options import TypedOptions, understand
from identify.web.sentences import report_in
from identify.web.words import LANGUAGES, Words, text_table
from identify.wording import BUDGET_WORDS, CARD_AT_WORDS, FEATURE_WORDS
from reference_geometry.store import load_reference
from tests.identify.web.text_walker import texts_of

WEB = Path(__file__).resolve().parents[3] / "identify" / "web"
TABLE = text_table()


def fields(text):
    return {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}


def test_no_key_stands_twice():
    with (WEB / "text.csv").open(encoding="utf-8", newline="") as table:
        keys = [row["key"] for row in csv.DictReader(table)]
    assert sorted(keys) == sorted(set(keys))


def test_texts_have_the_same_gaps_in_both_languages():
    for key, row in TABLE.items():
        assert row["es"].strip(), key
        if row["en"]:
            assert fields(row["en"]) == fields(row["es"]), key
        else:  # English stands with what it names: a problem, a question, a feature
            assert key.split(".")[0] in {"problem", "question", "feature", "value", "place", "cause", "caution"}, key


def test_every_text_a_page_asks_for_is_there():
    source = "\n".join(path.read_text("utf-8") for path in WEB.glob("*.py"))
    asked = set(re.findall(r"""\b(?:t|_t)\(["']([a-z_]+\.[a-z_.]+)["']""", source))
    asked |= set(re.findall(r'NotUnderstood\("([a-z_]+\.[a-z_]+)"', source))
    assert len(asked) > 80
    assert asked <= TABLE.keys()


def test_what_the_rest_of_the_program_says_has_its_spanish():
    """A new problem, question or feature needs its row."""
    needed = {f"problem.{kind.code}.{part}" for kind in all_problem_kinds() for part in ("meaning", "advice")}
    needed |= {f"question.{question.code}.{part}" for question in CATALOG for part in ("ask", "how")}
    needed |= {f"feature.{name}" for name in (*FEATURE_WORDS, *legal_names())}
    needed |= {f"caution.{number}" for number in range(1, len(ALWAYS) + 1)}
    needed |= {f"place.{place}" for place in CARD_AT_WORDS} | {f"cause.{name}" for name in BUDGET_WORDS}
    assert sorted(needed - TABLE.keys()) == []


def test_no_page_speaks_of_the_command_line():
    t = Words("en")
    texts = [text for kind in all_problem_kinds() for text in (t.meaning(kind), t.advice(kind))]
    texts += [text for question in CATALOG for text in (t.ask(question), t.how(question))]
    telling = [text for text in texts if "--" in text or "`" in text]
    assert telling == []


def test_patterns_have_the_same_gaps_in_both_languages():
    with (WEB / "sentences.csv").open(encoding="utf-8", newline="") as table:
        rows = list(csv.DictReader(table))
    assert len({row["en"] for row in rows}) == len(rows) > 200
    for row in rows:
        assert fields(row["en"]) == fields(row["es"]), row


def test_what_is_not_known_stays_as_it_is():
    say = Words("es").sentence
    assert say("MQ-CAT-10P-A") == "MQ-CAT-10P-A"
    assert say("A sentence nobody translated yet") == "A sentence nobody translated yet"
    assert Words("en").sentence("in stock") == "in stock"


def test_a_report_for_customers_speaks_of_no_command_line():
    known = understand(TypedOptions(known=("chamber_diameter=212.8",))).knowns
    content = report_content(build_answer(None, known, prepare_reference(load_reference())), date(2026, 3, 1))
    shown = report_in(content, "en", Words("en").sentence)
    whole = " ".join(text for part in shown.sections for text in texts_of(part))
    assert "Which elastomer" in whole
    assert not re.search(r"Answer: |--card-at|worth [\d.]+ bits", whole)


def test_spanish_is_no_copy_of_english():
    same = [key for key, row in TABLE.items() if row["en"] and row["en"] == row["es"]]
    assert len(same) < 0.05 * len(TABLE), same


def test_english_falls_back_to_the_words_of_the_program():
    t = Words("en")
    question = next(q for q in CATALOG if q.code == "connection")
    assert t.ask(question) == question.ask
    assert "Answer:" not in t.how(question)
    assert {Words(language).home for language in LANGUAGES} == {"/", "/es/"}
