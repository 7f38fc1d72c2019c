"""What to ask next: questions ranked by expected information about the kit per effort."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from identify.elastomers import kit_has_elastomer
from identify.evidence import Evidence
from identify.kit_choice import KitBook
from identify.match_settings import MatchSettings
from identify.posterior import Posterior
from identify.question_catalog import CATALOG, Question
from identify.question_gain import Gain, expected_gain, gather_contenders

Array = NDArray[np.float64]

_WORTH_ASKING_BITS = 0.003
"""Questions expected to tell less than this are left out."""

_ALWAYS = ("elastomer", "fluid")


@dataclass(frozen=True)
class RankedQuestion:
    """A question with what it is worth now.

    Attributes:
        question: from the catalog.
        gain_bits: expected information about which kit to order.
        bits_per_minute: that per trouble; the ranking.
        sure: how much the probability of the then best kit fit is expected to grow.
        worth: that times the cost of a wrong kit, less the cost of asking, in the settings' currency.
        about: "fit" (which pump body), "elastomer" or "safety".
    """

    question: Question
    gain_bits: float
    bits_per_minute: float
    sure: float
    worth: float
    about: str

    @property
    def ask(self) -> str:
        """The question in words."""
        return self.question.ask

    @property
    def how(self) -> str:
        """How to take it."""
        return self.question.how


def rank_questions(
    posterior: Posterior, groups: NDArray[np.intp], kits: KitBook, evidence: Evidence, settings: MatchSettings
) -> tuple[RankedQuestion, ...]:
    """All questions worth asking, best first; what must be asked anyway comes at least at the end.

    Args:
        posterior: what is believed now.
        groups: (N,) kit group of each family.
        kits: the kits, for the elastomers still open.
        evidence: what is known already; typed answers are not asked again.
        settings: error rates and costs.
    """
    contenders = gather_contenders(posterior, groups)
    ranked = []
    for question in CATALOG:
        if _answered(question, evidence):
            continue
        if question.code == "elastomer":
            gain = Gain(_open_elastomer_bits(posterior.families, kits), 0.0)
        elif question.code == "fluid":
            gain = Gain(0.0, 0.0)
        else:
            gain = expected_gain(contenders, question, settings)
        if gain.bits >= _WORTH_ASKING_BITS or question.code in _ALWAYS:
            ranked.append(_ranked(question, gain, settings))
    return tuple(sorted(ranked, key=lambda r: (-r.bits_per_minute, r.question.minutes, r.question.code)))


def _ranked(question: Question, gain: Gain, settings: MatchSettings) -> RankedQuestion:
    about = {"elastomer": "elastomer", "fluid": "safety"}.get(question.code, "fit")
    worth = gain.sure * settings.wrong_kit_cost - question.minutes * settings.cost_per_minute
    return RankedQuestion(question, gain.bits, gain.bits / question.minutes, gain.sure, worth, about)


def _answered(question: Question, evidence: Evidence) -> bool:
    if question.code == "elastomer":
        return bool(evidence.elastomer)
    if question.code == "fluid":
        return bool(evidence.fluid)
    if question.kind == "photo":
        return False
    wanted = {*question.attributes, *(reading.name for reading in question.lengths)}
    return wanted <= evidence.typed


def _open_elastomer_bits(probability: Array, kits: KitBook) -> float:
    """Expected log2 of the number of elastomers a fitting kit comes in, each taken as equally usual."""
    bits = 0.0
    for (_, rows), numbers in kits.fits.items():
        choices = len({kits.kits[number].elastomer for number in numbers})
        if choices > 1:
            bits += float(probability[list(rows)].sum()) * float(np.log2(choices))
    return bits


def elastomer_choices(kits: KitBook, said: str) -> tuple[str, ...]:
    """Kit numbers whose elastomer is the one said."""
    return tuple(number for number, kit in kits.kits.items() if kit_has_elastomer(kit.elastomer, said))
