"""How many questions on the phone a certain kit takes: suggested, in a fixed order, in a random order.

Run it with `python -m tools.bench.interviews`. No photo: the customer looks and measures, and errs as often
as the settings say. An interview ends when a fluid-side kit fits with the ordering probability or nothing is
left to ask.
"""

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from identify.answer import PreparedReference, prepare_reference, with_kit_number
from identify.matching.attribute_match import typed_likelihood
from identify.matching.evidence import gather_evidence
from identify.matching.family_table import attributes_of
from identify.matching.posterior import Posterior, compute_posterior
from identify.matching.settings import MatchSettings
from identify.questions.catalog import CATALOG, Question
from identify.questions.ranking import rank_questions
from identify.repair.kit_choice import offer_kits
from identify.typed.known_values import KnownValue, TypedAttribute, TypedKit, TypedLength
from reference_geometry.demo_set import load_demo_set
from reference_geometry.families import Family

ASKABLE = tuple(q for q in CATALOG if q.kind != "photo" and q.code not in ("elastomer", "fluid"))
MOST_QUESTIONS = 15
Chooser = Callable[["Interview"], Question | None]


@dataclass
class Interview:
    """One call: what was said so far.

    Attributes:
        family: the true family.
        ready: the reference set.
        settings: error rates.
        rng: the customer's luck.
        knowns: name -> what was typed so far.
        asked: codes asked so far.
    """

    family: Family
    ready: PreparedReference
    settings: MatchSettings
    rng: np.random.Generator
    knowns: dict[str, KnownValue]
    asked: list[str]

    def posterior(self) -> Posterior:
        """What is believed now."""
        evidence = gather_evidence(None, tuple(self.knowns.values()), self.ready.table, self.settings)
        table, evidence = with_kit_number(self.ready, evidence, self.settings)
        return compute_posterior(table, evidence.lengths, evidence.attributes, self.settings)

    def certain(self) -> tuple[bool, bool]:
        """Whether a fluid-side kit may be ordered, and whether it is a right one."""
        offers = offer_kits(self.ready.kits, self.ready.table.family_ids, self.posterior().families, "", 0.0)
        best = offers[0]
        right = self.family.family_id in best.families
        return best.probability >= self.settings.order_threshold, right

    def suggested(self) -> Question | None:
        """The question our ranking puts first."""
        evidence = gather_evidence(None, tuple(self.knowns.values()), self.ready.table, self.settings)
        ranked = rank_questions(self.posterior(), self.ready.kits, evidence, self.settings, self.asked)
        return next((r.question for r in ranked if r.question in ASKABLE), None)

    def answer(self, question: Question) -> None:
        """The customer answers, with the errors the catalog and the settings state."""
        self.asked.append(question.code)
        known = attributes_of(self.family)
        if question.only and known.get("connection", question.only) != question.only:
            self._say("connection", known["connection"])
            return
        if self.rng.random() > question.answer_rate:
            return
        if question.code == "kit_number":
            numbers = [k.kit_no for k in self.ready.reference.kits if k.family_id == self.family.family_id]
            self.knowns["kit_no"] = TypedKit(str(self.rng.choice(numbers)), "")
        for name in question.attributes:
            if name not in known:
                continue
            if question.certainty:
                sticks = self.rng.random() < question.certainty[known[name]]["sticks"]
                self._say("magnet", "yes" if sticks else "no")
            else:
                self._say(name, self._misread(name, known[name]))
        for reading in question.lengths:
            if reading.name in self.family.lengths:
                length = self.family.lengths[reading.name]
                own = (length.sd_mm or 0.004 * length.mean_mm) * self.rng.standard_normal()
                sd_mm = float(np.hypot(reading.sd_mm, reading.relative_sd * length.mean_mm))
                value_mm = length.mean_mm + own + sd_mm * self.rng.standard_normal()
                self.knowns[reading.name] = TypedLength(reading.name, value_mm, sd_mm, "")

    def _say(self, name: str, value: str) -> None:
        self.knowns[name] = TypedAttribute(name, value, "")

    def _misread(self, name: str, value: str) -> str:
        values = self.ready.table.words[name]
        chances = typed_likelihood(name, value, values, self.settings.typed_error_of(name))
        return str(self.rng.choice(list(chances), p=list(chances.values())))


def hold(interview: Interview, choose: Chooser) -> tuple[int, float, bool, bool]:
    """Questions asked, minutes they took, whether a kit became certain, and whether it was right."""
    minutes = 0.0
    while len(interview.asked) < MOST_QUESTIONS:
        certain, right = interview.certain()
        if certain:
            return len(interview.asked), minutes, True, right
        question = choose(interview)
        if question is None:
            break
        minutes += question.minutes
        interview.answer(question)
    certain, right = interview.certain()
    return len(interview.asked), minutes, certain, right


def in_fixed_order(interview: Interview) -> Question | None:
    """The next question of the catalog."""
    return next((q for q in ASKABLE if q.code not in interview.asked), None)


def at_random(interview: Interview) -> Question | None:
    """Any question not asked yet."""
    left = [q for q in ASKABLE if q.code not in interview.asked]
    return left[int(interview.rng.integers(len(left)))] if left else None


def main(arguments: Sequence[str] | None = None) -> None:
    """Print steps and minutes of the three ways."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", type=int, default=1, help="take only every n-th family")
    parser.add_argument("--seed", type=int, default=7)
    options = parser.parse_args(arguments)
    settings = MatchSettings()
    ready = prepare_reference(load_demo_set(), settings)
    ways: dict[str, Chooser] = {
        "suggested": Interview.suggested,
        "fixed order": in_fixed_order,
        "random order": at_random,
    }
    steps: dict[str, float] = {}
    print("way            questions  minutes  kit certain  of these wrong")
    for name, choose in ways.items():
        rng = np.random.default_rng(options.seed)
        held = [
            hold(Interview(family, ready, settings, rng, {}, []), choose)
            for family in ready.reference.families[:: options.every]
        ]
        steps[name] = float(np.mean([count for count, *_ in held]))
        certain = [right for _, _, sure, right in held if sure]
        print(
            f"{name:<13}  {steps[name]:9.2f}  {np.mean([m for _, m, *_ in held]):7.1f}  "
            f"{100 * len(certain) / len(held):9.1f} %  {100 * (1 - np.mean(certain)):12.1f} %"
        )
    for other, bar in (("fixed order", 25), ("random order", 40)):
        saved = 100.0 * (1.0 - steps["suggested"] / steps[other])
        print(f"fewer questions than in {other}: {saved:.0f} % (bar: {bar} %)")


if __name__ == "__main__":
    main()
