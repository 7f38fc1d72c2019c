"""What to ask next: questions ranked by expected information about the kit per effort."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np

from identify.matching.evidence import Evidence
from identify.matching.posterior import Array, Posterior
from identify.matching.settings import MatchSettings
from identify.questions.catalog import CATALOG, Question
from identify.questions.gain import Gain, expected_gain, gather_contenders
from identify.repair.kit_choice import KitBook, kit_groups, sections_of

_WORTH_ASKING_BITS = 0.02
"""Questions expected to tell less than this are left out."""

_ALWAYS = ("elastomer", "fluid")


@dataclass(frozen=True)
class RankedQuestion:
    """A question with what it is worth now.

    Attributes:
        question: from the catalog.
        gain_bits: expected information about which kit to order.
        bits_per_minute: that per trouble, the exchange itself included; the ranking.
        sure: section -> how much the probability of the then best kit fit is expected to grow.
        about: "fit" (which pump body), "elastomer" or "safety".
    """

    question: Question
    gain_bits: float
    bits_per_minute: float
    sure: Mapping[str, float]
    about: str

    @property
    def ask(self) -> str:
        """The question in words."""
        return self.question.ask

    @property
    def how(self) -> str:
        """How to take it."""
        return self.question.how

    def worth(self, section: str, settings: MatchSettings) -> float:
        """Wrong-kit cost it is expected to save in a section, less the cost of asking, in `cost_currency`."""
        saved = self.sure.get(section, 0.0) * settings.wrong_kit_cost
        return saved - settings.question_cost(self.question.minutes)


def rank_questions(
    posterior: Posterior,
    kits: KitBook,
    evidence: Evidence,
    settings: MatchSettings,
    skip: Collection[str] = (),
) -> tuple[RankedQuestion, ...]:
    """All questions worth asking, best first; what must be asked anyway comes at least at the end.

    Args:
        posterior: what is believed now.
        kits: the kits.
        evidence: what is known already; typed answers are not asked again.
        settings: error rates and costs.
        skip: codes of questions the customer could not answer.
    """
    count = posterior.table.count
    by_section = {section: kit_groups(kits, count, section) for section in sections_of(kits)}
    contenders = gather_contenders(posterior, kit_groups(kits, count), by_section)
    ranked = []
    for question in CATALOG:
        if question.code in skip or _answered(question, evidence):
            continue
        if question.code == "elastomer":
            gain = Gain(open_elastomer_bits(posterior.families, kits), {})
        elif question.code == "fluid":
            gain = Gain(0.0, {})
        else:
            gain = expected_gain(contenders, question, settings)
        if gain.bits >= _WORTH_ASKING_BITS or question.code in _ALWAYS:
            ranked.append(_ranked(question, gain, settings))
    return tuple(sorted(ranked, key=lambda r: (-r.bits_per_minute, r.question.minutes, r.question.code)))


def _ranked(question: Question, gain: Gain, settings: MatchSettings) -> RankedQuestion:
    about = {"elastomer": "elastomer", "fluid": "safety"}.get(question.code, "fit")
    minutes = question.minutes + settings.exchange_minutes
    return RankedQuestion(question, gain.bits, gain.bits / minutes, gain.sure, about)


def _answered(question: Question, evidence: Evidence) -> bool:
    if question.code == "elastomer":
        return bool(evidence.elastomer)
    if question.code == "fluid":
        return bool(evidence.fluid)
    if question.code in evidence.typed:
        return True
    wanted = {*question.attributes, *(reading.name for reading in question.lengths)}
    return wanted <= evidence.typed


def open_elastomer_bits(probability: Array, kits: KitBook) -> float:
    """Expected log2 of the number of elastomers a fitting kit comes in, each taken as equally usual."""
    bits = 0.0
    for (_, rows), numbers in kits.fits.items():
        choices = len({kits.kits[number].elastomer for number in numbers})
        if choices > 1:
            bits += float(probability[list(rows)].sum()) * float(np.log2(choices))
    return bits
