"""All text of the pages, from the one table `text.csv`: a key, English, Spanish."""

import csv
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Literal

from features.problems import ProblemKind, all_problem_kinds
from identify.questions.catalog import CATALOG, Question
from identify.repair.cautions import ALWAYS
from identify.repair.elastomers import ASK_ALWAYS, ELASTOMERS
from identify.typed.known_values import legal_names
from identify.web.sentences import Sentences, without_typing
from identify.wording import BUDGET_WORDS, CARD_AT_WORDS, FEATURE_WORDS, feature_words, latin, value_words
from reference_geometry.standards import PORT_STANDARDS

Language = Literal["en", "es"]
LANGUAGES: tuple[Language, ...] = ("en", "es")


@cache
def text_table() -> dict[str, dict[str, str]]:
    """Key -> language -> text."""
    table = (files("identify.web") / "text.csv").read_text(encoding="utf-8")
    rows = csv.DictReader(table.splitlines())
    return {row["key"]: {language: row[language] for language in LANGUAGES} for row in rows}


@dataclass(frozen=True)
class Words:
    """The text of one language. What other parts of the program say in English has its Spanish here too."""

    language: Language

    def __call__(self, key: str, **values: object) -> str:
        """The text of a key, with `{name}` filled in.

        Raises:
            KeyError: there is no such key.
        """
        return text_table()[key][self.language].format(**values)

    def feature(self, name: str) -> str:
        """A feature's name in words."""
        return self._said(f"feature.{name}", feature_words(name))

    def value(self, value: str) -> str:
        """An attribute's value in words."""
        return self._said(f"value.{value}", value_words(value))

    def value_meant(self, typed: str) -> str:
        """What was typed in this language, as the program's own word where it is one."""
        plain = latin(typed).strip().lower()
        keys = (key for key in text_table() if key.startswith("value."))
        own = (key.partition(".")[2] for key in keys)
        return next((value for value in own if latin(self.value(value)).lower() == plain), typed)

    def place(self, card_at: str) -> str:
        """Where the scale lies, in words."""
        return self._said(f"place.{card_at}", CARD_AT_WORDS[card_at])

    def cause(self, name: str, english: str) -> str:
        """A cause of uncertainty in words."""
        return self._said(f"cause.{name}", english)

    def meaning(self, kind: ProblemKind) -> str:
        """What is wrong with a photo."""
        return self._said(f"problem.{kind.code}.meaning", kind.meaning)

    def advice(self, kind: ProblemKind) -> str:
        """What to do about it."""
        return self._said(f"problem.{kind.code}.advice", kind.advice)

    def ask(self, question: Question) -> str:
        """A question of the catalog."""
        return self._said(f"question.{question.code}.ask", question.ask)

    def how(self, question: Question) -> str:
        """How a question is answered by looking or measuring."""
        return self._said(f"question.{question.code}.how", without_typing(question.how))

    def caution(self, sentence: str) -> str:
        """A caution that is always said; those made for one answer stay in English."""
        if sentence in ALWAYS:
            return self._said(f"caution.{ALWAYS.index(sentence) + 1}", sentence)
        return self._said("caution.elastomer", sentence) if sentence == ASK_ALWAYS else sentence

    def sentence(self, english: str) -> str:
        """A sentence that was made for one answer; what is not known in this language stays English."""
        return english if self.language == "en" else _sentences(self.language).say(english)

    @property
    def home(self) -> str:
        """Where the pages of this language begin."""
        return "/" if self.language == "en" else f"/{self.language}/"

    def _said(self, key: str, english: str) -> str:
        texts = text_table().get(key)
        return texts[self.language] or english if texts else english


@cache
def kinds_by_code() -> dict[str, ProblemKind]:
    """Problem kinds by their code."""
    return {kind.code: kind for kind in all_problem_kinds()}


@cache
def _sentences(language: Language) -> Sentences:
    """Patterns of a language, with the words it has for what the program names in English."""
    t, words = Words(language), dict[str, str]()
    values = [key.partition(".")[2] for key in text_table() if key.startswith("value.")]
    words |= {value_words(value): t.value(value) for value in values}
    features: dict[str, str] = {}
    for name in (*FEATURE_WORDS, *legal_names()):
        features |= dict.fromkeys((feature_words(name), name.replace("_", " ")), t.feature(name))
    words |= features
    words |= {name: name for name in (*PORT_STANDARDS, *(elastomer.name for elastomer in ELASTOMERS))}
    words |= {english: t.place(place) for place, english in CARD_AT_WORDS.items()}
    words |= {english: t.cause(name, english) for name, english in BUDGET_WORDS.items()}
    words |= {english: t.caution(english) for english in (*ALWAYS, ASK_ALWAYS)}
    for kind in all_problem_kinds():
        words |= {kind.meaning: t.meaning(kind), kind.advice: t.advice(kind)}
    for question in CATALOG:
        words |= {question.ask: t.ask(question), without_typing(question.how): t.how(question)}
    return Sentences(language, words, features)
