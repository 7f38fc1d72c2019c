"""How right and how honest answers are: the bars of matching, counted over pumps whose family is known.

`verdict_of` takes a whole answer (of photos, for one), `quick_verdict` a survey without putting anything into words.
Both give what `score` counts. Every share of errors comes with the 95 % upper limit its number of cases allows.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta

from features.survey import Survey
from identify.answer import Answer, PreparedReference
from identify.matching.evidence import gather_evidence
from identify.matching.posterior import compute_posterior
from identify.matching.settings import MatchSettings
from identify.repair.decision import decide
from identify.repair.kit_choice import offer_kits, sections_of
from tools.bench.calibration import error_by_rank, error_if_true, error_interval

Array = NDArray[np.float64]

SETTLED = ("order", "ask_elastomer")
"""Decisions that name a kit as fitting."""


@dataclass(frozen=True)
class Verdict:
    """What an answer comes down to.

    Attributes:
        families: ids, most probable first.
        chances: of the same.
        not_in_set: chance of an unknown pump.
        settled: (section, kit numbers) of kits named as fitting.
        sections: number of sections decided about.
    """

    families: tuple[str, ...]
    chances: tuple[float, ...]
    not_in_set: float
    settled: tuple[tuple[str, tuple[str, ...]], ...]
    sections: int


def verdict_of(answer: Answer) -> Verdict:
    """The verdict of a whole answer."""
    return Verdict(
        tuple(c.family.family_id for c in answer.candidates),
        tuple(c.probability for c in answer.candidates),
        answer.not_in_set,
        tuple((d.section, d.kit_nos) for d in answer.decisions if d.action in SETTLED),
        len(answer.decisions),
    )


def quick_verdict(ready: PreparedReference, survey: Survey, settings: MatchSettings) -> Verdict:
    """The verdict of a survey as if no question were left to ask: more kits are named than in a whole answer."""
    evidence = gather_evidence(survey, (), ready.table, settings)
    posterior = compute_posterior(ready.table, evidence.lengths, evidence.attributes, settings)
    offers = offer_kits(ready.kits, ready.table.family_ids, posterior.families, "", settings.smallest_kit_listed)
    sections = sections_of(ready.kits)
    decisions = decide(sections, offers, posterior.not_in_set, (), ("none",), settings)
    order = posterior.ranked(settings.smallest_listed)
    return Verdict(
        tuple(ready.table.family_ids[int(row)] for row in order),
        tuple(float(posterior.families[row]) for row in order),
        posterior.not_in_set,
        tuple((d.section, d.kit_nos) for d in decisions if d.action in SETTLED),
        len(decisions),
    )


@dataclass(frozen=True)
class Share:
    """A share of cases with the limits its count allows (Clopper and Pearson 1934, one-sided 95 % each)."""

    count: int
    cases: int

    @property
    def value(self) -> float:
        """The share itself, 0 of no cases."""
        return self.count / max(self.cases, 1)

    @property
    def upper(self) -> float:
        """95 % upper limit."""
        return 1.0 if self.count >= self.cases else float(beta.ppf(0.95, self.count + 1, self.cases - self.count))

    @property
    def lower(self) -> float:
        """95 % lower limit."""
        return 0.0 if self.count == 0 else float(beta.ppf(0.05, self.count, self.cases - self.count + 1))


@dataclass(frozen=True)
class Scores:
    """Figures over pumps of the set and pumps that are not in it.

    Attributes:
        first, third: true family first, among three.
        kits: the first candidate takes the kits that the true family takes.
        settled: kits named, of all section decisions.
        wrong: of these for pumps of the set.
        unknown_settled: unknown pumps for which any kit was named.
        calibration_error, calibration_interval: expected calibration error of the first candidate's chance, and
            its 95 % bootstrap interval.
        calibration_if_true: what that error comes to on so few pumps where every stated chance is true.
        brier: mean squared error of the first candidate's chance.
        log_loss: mean negative log chance of the true family.
        auroc: of "not in the set".
    """

    first: Share
    third: Share
    kits: Share
    settled: Share
    wrong: Share
    unknown_settled: Share
    calibration_error: float
    calibration_interval: tuple[float, float]
    calibration_if_true: float
    brier: float
    log_loss: float
    auroc: float

    def wrong_with_unknown(self, share_unknown: float) -> float:
        """Share of named kits that are wrong when this share of pumps is not in the set."""
        known = (1.0 - share_unknown) * self.settled.value
        unknown = share_unknown * self.unknown_settled.value
        return (known * self.wrong.value + unknown) / max(known + unknown, 1e-12)


def score(known: Sequence[tuple[str, Verdict]], unknown: Sequence[Verdict], kits_of: Mapping[str, set[str]]) -> Scores:
    """Count everything.

    Args:
        known: (true family, verdict) of pumps in the set.
        unknown: verdicts of pumps that are not.
        kits_of: kit numbers by family.
    """
    right = np.array([verdict.families[:1] == (family,) for family, verdict in known])
    alike = sum(kits_of.get(v.families[0]) == kits_of[family] for family, v in known if v.families)
    third = sum(family in verdict.families[:3] for family, verdict in known)
    named = [(family, numbers) for family, verdict in known for _, numbers in verdict.settled]
    wrong = sum(not set(numbers) <= kits_of[family] for family, numbers in named)
    top = np.array([verdict.chances[0] if verdict.chances else 0.0 for _, verdict in known])
    truth = [dict(zip(v.families, v.chances, strict=True)).get(family, 1e-6) for family, v in known]
    return Scores(
        first=Share(int(right.sum()), len(known)),
        third=Share(third, len(known)),
        kits=Share(alike, len(known)),
        settled=Share(len(named), sum(verdict.sections for _, verdict in known)),
        wrong=Share(wrong, len(named)),
        unknown_settled=Share(sum(bool(verdict.settled) for verdict in unknown), len(unknown)),
        calibration_error=error_by_rank(top, right),
        calibration_interval=error_interval(top, right, error_by_rank),
        calibration_if_true=error_if_true(top, error_by_rank),
        brier=float(np.mean((top - right) ** 2)),
        log_loss=float(-np.log(truth).mean()),
        auroc=area_under_curve(
            np.array([verdict.not_in_set for verdict in unknown]),
            np.array([verdict.not_in_set for _, verdict in known]),
        ),
    )


def area_under_curve(positive: Array, negative: Array) -> float:
    """Probability that a positive scores above a negative, ties half (the area under the ROC curve)."""
    ordered = np.sort(negative)
    below = np.searchsorted(ordered, positive, side="left")
    through = np.searchsorted(ordered, positive, side="right")
    return float((0.5 * (below + through)).mean() / max(len(negative), 1))


def print_scores(scores: Scores) -> None:
    """Every figure beside its bar."""
    low, high = scores.calibration_interval
    for line in (
        f"first candidate right          {100 * scores.first.value:7.2f} %   (bar: at least 95 %; true value at least "
        f"{100 * scores.first.lower:.2f} %)",
        f"among the first three          {100 * scores.third.value:7.2f} %   (bar: at least 99 %)",
        f"kits named as fitting          {100 * scores.settled.value:7.2f} % of {scores.settled.cases} decisions",
        f"  of these wrong               {100 * scores.wrong.value:7.2f} %   (bar: at most 0.5 %; "
        f"{scores.wrong.count} of {scores.wrong.cases}, true value at most {100 * scores.wrong.upper:.2f} %)",
        f"  with 1 pump in 20 unknown    {100 * scores.wrong_with_unknown(0.05):7.2f} % wrong",
        f"unknown pumps given a kit      {100 * scores.unknown_settled.value:7.2f} %",
        f'AUROC of "not in the set"      {scores.auroc:7.3f}     (bar: at least 0.95)',
        f"expected calibration error     {scores.calibration_error:7.3f}     (bar: at most 0.03; bootstrap "
        f"{low:.3f} to {high:.3f}; {scores.calibration_if_true:.3f} where every chance is true)",
        f"Brier score of the first       {scores.brier:7.3f}",
        f"log loss of the true family    {scores.log_loss:7.3f}",
    ):
        print(line)
