"""The few questions a technician is asked: answered by a look, with a handful of answers to tap on."""

from dataclasses import dataclass

from identify.answer import Answer
from identify.questions.catalog import Question
from identify.typed.known_words import legal_values
from identify.web.words import Words

MOST_QUESTIONS = 2
"""Beside the one that is always asked: where the scale lies. Three in all."""

DO_NOT_KNOW = "?"
_SHORT_WORDS = 4
_COUNTS = {
    "chamber_bolt_count": ("6", "8", "10", "12", "16"),
    "bolt_hole_count": ("4", "8", "12"),
    "air_valve_screw_count": ("2", "4", "6"),
}


@dataclass(frozen=True)
class SimpleQuestion:
    """One question with its answers.

    Attributes:
        question: of the catalog.
        name: the attribute it answers.
        choices: (what is shown, value), "I do not know" last.
    """

    question: Question
    name: str
    choices: tuple[tuple[str, str], ...]


def simple_questions(t: Words, answer: Answer, taken: tuple[str, ...] = ()) -> tuple[SimpleQuestion, ...]:
    """The questions worth most now among those a look answers.

    Args:
        t: the language.
        answer: as it is now.
        taken: codes of questions that are asked already.
    """
    found = []
    for ranked in answer.next_questions:
        simple = as_simple(t, ranked.question)
        if simple is not None and ranked.question.code not in taken:
            found.append(simple)
    return tuple(found[:MOST_QUESTIONS])


def as_simple(t: Words, question: Question) -> SimpleQuestion | None:
    """A question of the catalog with answers to tap on; None where it has no short list of them."""
    if question.kind != "look" or len(question.attributes) != 1 or question.certainty:
        return None
    name = question.attributes[0]
    values = _COUNTS.get(name) or legal_values(name)
    if len(values) > _SHORT_WORDS + 1 or any(" " in value for value in values):
        return None
    choices = (*((t.value(value), value) for value in values), (t("question.do_not_know"), DO_NOT_KNOW))
    return SimpleQuestion(question, name, choices)
