"""From survey and typed values to one answer: candidates, kits, decision, next questions, cautions."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from features.measured import AttributeEvidence, MeasuredLength, log_covariance
from identify.assumed import length_assumptions
from identify.matching.evidence import Evidence, gather_evidence
from identify.matching.family_table import FamilyTable, build_family_table
from identify.matching.inconsistency import Inconsistency
from identify.matching.kit_number import kit_evidence
from identify.matching.misreadings import find_misreadings
from identify.matching.posterior import Posterior, compute_posterior
from identify.matching.reasons import Reason, ReasonMaker
from identify.matching.settings import MatchSettings
from identify.matching.tell_apart import tell_apart
from identify.questions.ranking import RankedQuestion, rank_questions
from identify.repair.cautions import collect_cautions
from identify.repair.decision import Decision, decide
from identify.repair.fluid_cautions import elastomer_doubt
from identify.repair.kit_choice import (
    KitBook,
    KitOffer,
    build_kit_book,
    find_kit_number,
    kit_groups,
    known_by,
    offer_kits,
    sections_of,
)
from identify.repair.replacement import ReplacementTable, find_replacements
from identify.typed.known_values import KnownValue
from identify.wording import feature_words, joined
from reference_geometry.families import Family, ReferenceSet

if TYPE_CHECKING:
    from features.ports import PortSize
    from features.survey import Survey

__all__ = ["Answer", "Candidate", "PreparedReference", "build_answer", "prepare_reference"]

_RIVAL_LEAST = 0.01
"""Families with other kits below this chance are not worth a word on what would tell them from the first."""

_REASONED_CANDIDATES = 10
"""Candidates that get reasons in words; the rest only carry their probability."""


@dataclass(frozen=True)
class Candidate:
    """One family that may be the pump.

    Attributes:
        family: the family.
        probability: after all evidence.
        reasons_for, reasons_against: strongest first; empty for candidates far down the list.
    """

    family: Family
    probability: float
    reasons_for: tuple[Reason, ...] = ()
    reasons_against: tuple[Reason, ...] = ()


@dataclass(frozen=True, eq=False)
class PreparedReference:
    """A reference set ready for matching; build it once when many answers are wanted."""

    reference: ReferenceSet
    table: FamilyTable
    kits: KitBook


@dataclass(frozen=True, eq=False)
class Answer:
    """Everything an answer says. Probabilities of `candidates` and `not_in_set` sum to 1.

    Attributes:
        survey: what the photos gave, None for a call without photos.
        reference_name, is_demo: the reference set.
        measurements: combined lengths; ratio-only ones are in arbitrary units.
        log_covariance: (n, n) covariance of their logarithms, in the same order.
        attributes: combined evidence.
        ports: possible port sizes.
        candidates: most probable first.
        not_in_set: probability that the pump is in no family of the set.
        kits: fluid side first, then by probability, then by elastomer.
        decisions: one a section, fluid side first.
        next_questions: best first.
        tell_apart: what would tell the first two candidates apart, "" when there is only one.
        replacement: what could take the first candidate's place, None when it is not probable enough.
        elastomer, fluid: as said, "" when not.
        inconsistencies: what does not agree.
        assumptions: what the answer rests on.
        cautions: always some.
    """

    survey: Survey | None
    reference_name: str
    is_demo: bool
    measurements: tuple[MeasuredLength, ...]
    log_covariance: NDArray[np.float64]
    attributes: tuple[AttributeEvidence, ...]
    ports: tuple[PortSize, ...]
    candidates: tuple[Candidate, ...]
    not_in_set: float
    kits: tuple[KitOffer, ...]
    decisions: tuple[Decision, ...]
    next_questions: tuple[RankedQuestion, ...]
    tell_apart: str
    replacement: ReplacementTable | None
    elastomer: str
    fluid: str
    inconsistencies: tuple[Inconsistency, ...]
    assumptions: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def decision(self) -> Decision | None:
        """What to do about the fluid-side kit, or the first section there is; None when there are no kits."""
        return self.decisions[0] if self.decisions else None


def prepare_reference(reference: ReferenceSet, settings: MatchSettings | None = None) -> PreparedReference:
    """Turn a reference set into columns and indexes."""
    table = build_family_table(reference.families, settings)
    return PreparedReference(reference, table, build_kit_book(reference))


def build_answer(
    survey: Survey | None,
    knowns: Sequence[KnownValue],
    reference: ReferenceSet | PreparedReference,
    settings: MatchSettings | None = None,
    skip_questions: Collection[str] = (),
    card_at: str = "unknown",
) -> Answer:
    """Match one pump against a reference set and say what follows.

    Args:
        survey: what the photos gave; None for a call without photos.
        knowns: typed values, from `known_values.parse_knowns`.
        reference: the set, or a prepared one.
        settings: the matcher's assumptions.
        skip_questions: codes of questions the customer could not answer, not to be asked again.
        card_at: where the user said the scale lies; on "rim" or "cover" each family's own record tells how deep the
            joint lies behind it.
    """
    settings = settings or MatchSettings()
    ready = reference if isinstance(reference, PreparedReference) else prepare_reference(reference, settings)
    table, evidence = with_kit_number(ready, gather_evidence(survey, knowns, ready.table, settings), settings)
    posterior = compute_posterior(table, evidence.lengths, evidence.attributes, settings, card_at)
    told = {found.about for found in evidence.inconsistencies}
    misread = [found for found in find_misreadings(table, evidence, settings, card_at) if found.about not in told]
    evidence = replace(evidence, inconsistencies=(*evidence.inconsistencies, *misread))
    candidates, not_in_set = _candidates(ready, posterior, evidence, settings)
    offers = _offers(ready, posterior, evidence, settings)
    questions = rank_questions(posterior, ready.kits, evidence, settings, skip_questions)
    assumptions = _assumptions(evidence, settings)
    sections = sections_of(ready.kits)
    doubts = tuple(found.sentence for found in evidence.inconsistencies)
    doubt = elastomer_doubt(evidence.elastomer, evidence.fluid)
    decisions = decide(sections, offers, not_in_set, questions, assumptions, settings, doubts, doubt)
    return Answer(
        survey=survey,
        reference_name=ready.reference.name,
        is_demo=ready.reference.is_demo,
        measurements=evidence.lengths,
        log_covariance=log_covariance(evidence.lengths),
        attributes=evidence.attributes,
        ports=survey.ports if survey else (),
        candidates=candidates,
        not_in_set=not_in_set,
        kits=offers,
        decisions=decisions,
        next_questions=questions,
        tell_apart=_tell_apart(candidates, ready, posterior, evidence, settings),
        replacement=_replacement(candidates, ready, evidence.elastomer, settings),
        elastomer=evidence.elastomer,
        fluid=evidence.fluid,
        inconsistencies=evidence.inconsistencies,
        assumptions=assumptions,
        cautions=collect_cautions(
            ready.reference, evidence, assumptions, [offer.elastomer for offer in offers if offer.elastomer]
        ),
    )


def with_kit_number(
    ready: PreparedReference, evidence: Evidence, settings: MatchSettings
) -> tuple[FamilyTable, Evidence]:
    """An old kit number, if one was said, as evidence; one the set does not know is told."""
    if not evidence.kit_no:
        return ready.table, evidence
    number = find_kit_number(ready.kits, evidence.kit_no)
    if not number:
        sentence = (
            f"No kit of this set has the number {evidence.kit_no}: compare it with the maker's list, or ask whether "
            "it came from this pump."
        )
        found = Inconsistency("kit_no", sentence)
        return ready.table, replace(evidence, inconsistencies=(*evidence.inconsistencies, found))
    own = known_by(ready.kits, ready.table.count, ready.kits.kits[number].section)
    said = kit_evidence(ready.table, number, ready.kits.rows[number], own, settings)
    return said.table, replace(evidence, attributes=(*evidence.attributes, said.evidence))


def _candidates(
    ready: PreparedReference, posterior: Posterior, evidence: Evidence, settings: MatchSettings
) -> tuple[tuple[Candidate, ...], float]:
    """Candidates above the cut with the rest renormalized, so that they and "not in the set" sum to 1."""
    order = posterior.ranked(settings.smallest_listed)
    total = float(posterior.families[order].sum()) + posterior.not_in_set
    reasoner = ReasonMaker.of(posterior, evidence.lengths, settings)
    listed = []
    for place, row in enumerate(order):
        probability = float(posterior.families[row]) / total
        family = ready.reference.families[row]
        if place < _REASONED_CANDIDATES:
            rival = order[1 if place == 0 else 0] if len(order) > 1 else None
            reasons = reasoner.reasons(int(row), None if rival is None else int(rival))
            listed.append(Candidate(family, probability, *reasons))
        else:
            listed.append(Candidate(family, probability))
    return tuple(listed), posterior.not_in_set / total


def _offers(
    ready: PreparedReference, posterior: Posterior, evidence: Evidence, settings: MatchSettings
) -> tuple[KitOffer, ...]:
    return offer_kits(
        ready.kits,
        ready.table.family_ids,
        posterior.families,
        evidence.elastomer,
        settings.smallest_kit_listed,
    )


def _tell_apart(
    candidates: Sequence[Candidate],
    ready: PreparedReference,
    posterior: Posterior,
    evidence: Evidence,
    settings: MatchSettings,
) -> str:
    if len(candidates) < 2:
        return ""
    first, second = (int(row) for row in posterior.ranked(settings.smallest_listed)[:2])
    ids = (candidates[0].family.family_id, candidates[1].family.family_id)
    known = {*(length.name for length in evidence.lengths), *(seen.name for seen in evidence.attributes)}
    words = tell_apart(ready.table, first, second, ids, settings, known)
    groups = kit_groups(ready.kits, ready.table.count)
    if groups[first] != groups[second]:
        return words
    ranked = posterior.ranked(_RIVAL_LEAST)
    other = next((int(row) for row in ranked if groups[row] != groups[first]), None)
    if other is None:
        return f"{words} Both take the same kits."
    ids = (ids[0], ready.table.family_ids[other])
    kit_words = tell_apart(ready.table, first, other, ids, settings, known)
    return f"{words} Both take the same kits; what matters for the kit: {kit_words[0].lower()}{kit_words[1:]}"


def _replacement(
    candidates: Sequence[Candidate], ready: PreparedReference, elastomer: str, settings: MatchSettings
) -> ReplacementTable | None:
    """Only for a family that is probable enough: what fits in place of the wrong pump helps nobody."""
    if not candidates or candidates[0].probability < settings.replacement_threshold:
        return None
    return find_replacements(ready.reference, candidates[0].family.family_id, elastomer=elastomer)


def _assumptions(evidence: Evidence, settings: MatchSettings) -> tuple[str, ...]:
    """What the answer rests on, in words."""
    said = list(evidence.assumptions)
    for length in evidence.lengths:
        if length.offset_mm is not None:
            said.append(
                f"The {length.name.replace('_', ' ')} lies {length.offset_mm:.0f} mm behind the scale's "
                f"plane ({abs(length.per_offset_mm):.2f} mm of size for each mm that is wrong)."
            )
    said.extend(length_assumptions(evidence.lengths))
    told = [name for name in settings.typed_error if name in evidence.typed]
    if told:
        shares = [f"{feature_words(name)} {100 * (1 - settings.typed_error_of(name)):g} %" for name in told]
        told_right = joined(shares, "and")
        said.append(f"What people tell is taken to be right as often as usual (common practice): {told_right}.")
    if any(length.is_ratio_only for length in evidence.lengths):
        said.append("No scale: sizes are compared by their ratios only.")
    said.append(
        f"Before anything was seen, a pump outside the set was given {100 * settings.not_in_set_prior:g} % "
        "and every family of the set the same share of the rest."
    )
    said.append("The pump has not been rebuilt from parts of another one.")
    return tuple(said)
