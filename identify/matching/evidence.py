"""All that is known of one pump, from photos and from people, one value a name, contradictions told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from features.combine import summed
from features.measured import AttributeEvidence, Contribution, MeasuredLength, log_covariance
from identify.matching.attribute_match import typed_likelihood
from identify.matching.family_table import OTHER_MAKER, FamilyTable, port_word
from identify.matching.impossible import find_impossible
from identify.matching.inconsistency import Inconsistency
from identify.matching.settings import MAGNET_STICKS, SEEN_ALIKE, MatchSettings
from identify.typed.known_values import (
    KnownValue,
    TypedAttribute,
    TypedElastomer,
    TypedFluid,
    TypedKit,
    TypedLength,
    known_name,
)
from reference_geometry.families import PORT_LENGTHS

if TYPE_CHECKING:
    from features.survey import Survey

Array = NDArray[np.float64]

_FLANGE_WORDS = ("flange_diameter", "bolt_circle_diameter", "bolt_hole_diameter")
_THREAD_WORDS = ("thread_major_diameter", "thread_pitch")
_BODY = "wetted_material"
_IMPLIED_CERTAINTY = 0.98
_CONTRADICTION = 0.05
"""A typed value is pointed out when the photos gave it less than this share of what they gave the likeliest."""


@dataclass(frozen=True, eq=False)
class Evidence:
    """What the matcher works from.

    Attributes:
        lengths: one a name, photo and typed readings combined, covariance kept through shared sources.
        attributes: one a name.
        elastomer, fluid, kit_no: as the user said, "" when not said.
        typed: names the user gave.
        inconsistencies: what does not agree.
        assumptions: what was taken for granted, in words.
    """

    lengths: tuple[MeasuredLength, ...]
    attributes: tuple[AttributeEvidence, ...]
    elastomer: str = ""
    fluid: str = ""
    kit_no: str = ""
    typed: frozenset[str] = frozenset()
    inconsistencies: tuple[Inconsistency, ...] = ()
    assumptions: tuple[str, ...] = ()


def gather_evidence(
    survey: Survey | None, knowns: Sequence[KnownValue], table: FamilyTable, settings: MatchSettings
) -> Evidence:
    """Combine photos and typed values."""
    readings = [known for known in knowns if isinstance(known, TypedLength)]
    photo_lengths = survey.lengths if survey else ()
    lengths, surprises = merge_lengths((*photo_lengths, *(r.as_measured() for r in readings)), settings)
    attributes, contradictions = _combine_attributes(survey, knowns, table, settings)
    implied, assumption = _implied_connection(lengths, attributes)
    ports = _port_evidence(survey, lengths)
    return Evidence(
        lengths=lengths,
        attributes=(*attributes, *implied, *ports),
        elastomer=next((k.elastomer for k in knowns if isinstance(k, TypedElastomer)), ""),
        fluid=next((k.fluid for k in knowns if isinstance(k, TypedFluid)), ""),
        kit_no=next((k.kit_no for k in knowns if isinstance(k, TypedKit)), ""),
        typed=frozenset(map(known_name, knowns)),
        inconsistencies=(*surprises, *contradictions, *find_impossible(lengths, knowns)),
        assumptions=assumption,
    )


def merge_lengths(
    lengths: Sequence[MeasuredLength], settings: MatchSettings
) -> tuple[tuple[MeasuredLength, ...], tuple[Inconsistency, ...]]:
    """Combine several values of one name by generalized least squares, everything they share kept.

    With y the logs of all values, C their covariance and H the matrix that says which name each belongs to,
    the best values are W y with W = (H' C^-1 H)^-1 H' C^-1 (Aitken 1935). Each combined value is again a sum
    of the same named sources with weights from W, so the budget and the covariance survive. A typed length so
    gives a photo without scale its scale.

    Two values that disagree beyond their uncertainty are told, and both are given half their distance as a
    further uncertainty, so that neither wins and neither drags the other lengths along.
    """
    names = tuple(dict.fromkeys(length.name for length in lengths))
    if len(names) == len(lengths):
        return tuple(lengths), ()
    widened, found = _told_disagreements(lengths, settings)
    design = np.array([[length.name == name for name in names] for length in widened], dtype=float)
    covariance = log_covariance(widened) + 1e-10 * np.eye(len(widened))
    inverse_design = np.linalg.solve(covariance, design)
    weights = np.linalg.solve(design.T @ inverse_design, inverse_design.T)
    best = weights @ np.log([length.value_mm for length in widened])
    merged = tuple(_combined(name, float(best[i]), weights[i], widened) for i, name in enumerate(names))
    return merged, found


def _combined(name: str, log_mm: float, weights: Array, lengths: Sequence[MeasuredLength]) -> MeasuredLength:
    weighted = [
        replace(part, relative=float(weight) * part.relative)
        for weight, length in zip(weights, lengths, strict=True)
        for part in length.contributions
    ]
    kept = tuple(part for part in summed(weighted) if abs(part.relative) > 1e-9)
    own = [length for length in lengths if length.name == name]
    photos = tuple(dict.fromkeys(photo for length in own for photo in length.photos))
    return replace(own[0], value_mm=float(np.exp(log_mm)), contributions=kept, photos=photos)


def _told_disagreements(
    lengths: Sequence[MeasuredLength], settings: MatchSettings
) -> tuple[list[MeasuredLength], tuple[Inconsistency, ...]]:
    """Pairs of one name that differ by more than both allow: told, and made less sure of."""
    widened = list(lengths)
    found = []
    for i, photo in enumerate(lengths):
        for j in range(i + 1, len(lengths)):
            typed = lengths[j]
            if typed.name != photo.name or photo.is_ratio_only or typed.is_ratio_only:
                continue
            both = log_covariance([photo, typed])
            sd = float(np.sqrt(both[0, 0] + both[1, 1] - 2.0 * both[0, 1] + settings.model_floor**2))
            difference = abs(float(np.log(typed.value_mm / photo.value_mm)))
            if difference <= settings.surprise_sd * sd:
                continue
            found.append(Inconsistency(photo.name, _length_sentence(photo, typed, difference / sd)))
            for index in (i, j):
                source = f"disagreement about {photo.name}, value {index}"
                doubt = Contribution("reading", source, difference / 2.0)
                widened[index] = replace(widened[index], contributions=(*widened[index].contributions, doubt))
    return widened, tuple(found)


def _length_sentence(photo: MeasuredLength, typed: MeasuredLength, apart: float) -> str:
    words = photo.name.replace("_", " ")
    return (
        f"The {words} was typed as {typed.value_mm:.1f} mm but the photo gives {photo.value_mm:.1f} ± "
        f"{1.96 * photo.standard_uncertainty_mm:.1f} mm ({apart:.1f} standard deviations apart): read it "
        "again, and check where the scale lay and that the same edge is meant."
    )


def _combine_attributes(
    survey: Survey | None, knowns: Sequence[KnownValue], table: FamilyTable, settings: MatchSettings
) -> tuple[list[AttributeEvidence], list[Inconsistency]]:
    """Photo evidence times typed evidence, name by name."""
    combined = {evidence.name: evidence for evidence in (survey.attributes if survey else ())}
    contradictions = []
    typed = [known for known in knowns if isinstance(known, TypedAttribute)]
    for known in (_in_set_words(k, table) for k in typed if k.name != "magnet"):
        photo = combined.get(known.name)
        values = (*table.words.get(known.name, ()), *(photo.likelihood if photo else ()))
        said = typed_likelihood(known.name, known.value, values, settings.typed_error_of(known.name))
        if photo:
            total = sum(photo.likelihood.values()) or 1.0
            share = photo.likelihood.get(known.value, 0.0) / total
            if share < _CONTRADICTION * max(photo.likelihood.values()) / total:
                contradictions.append(_contradiction(known, photo, share))
        before = None if known.name in SEEN_ALIKE else photo
        combined[known.name] = _times(known.name, said, before, settings)
    for known in (k for k in typed if k.name == "magnet"):
        said = {body: p if known.value == "yes" else 1.0 - p for body, p in MAGNET_STICKS.items()}
        combined[_BODY] = _times(_BODY, said, combined.get(_BODY), settings)
    return list(combined.values()), contradictions


def _times(
    name: str, said: Mapping[str, float], before: AttributeEvidence | None, settings: MatchSettings
) -> AttributeEvidence:
    """What was said and what was known before, as one piece of evidence that sums to 1."""
    floor = settings.least_share / len(said)
    seen = before.likelihood if before else {}
    both = {v: p * (max(seen.get(v, 0.0), floor) if before else 1.0) for v, p in said.items()}
    total = sum(both.values())
    return AttributeEvidence(name, {v: p / total for v, p in both.items()}, before.photos if before else ())


def _in_set_words(known: TypedAttribute, table: FamilyTable) -> TypedAttribute:
    """A maker's name as the set spells it, or "another maker" when the set has none of that name."""
    if known.name != "maker" or not table.words.get("maker"):
        return known
    spelled = {word.casefold(): word for word in table.words["maker"]}
    return replace(known, value=spelled.get(known.value.casefold(), OTHER_MAKER))


def _contradiction(known: TypedAttribute, photo: AttributeEvidence, share: float) -> Inconsistency:
    seen, probability = max(photo.likelihood.items(), key=lambda item: item[1])
    words = known.name.replace("_", " ")
    return Inconsistency(
        known.name,
        f"The {words} was typed as {_readable(known.value)} but the photos show {_readable(seen)} "
        f"({100 * probability:.0f} %, {_readable(known.value)} {100 * share:.0f} %): look again, or check "
        "that the photos are of this pump.",
    )


def _readable(value: str) -> str:
    return value.replace("_", " ")


def _implied_connection(
    lengths: Sequence[MeasuredLength], attributes: Sequence[AttributeEvidence]
) -> tuple[tuple[AttributeEvidence, ...], tuple[str, ...]]:
    """A flange length means a flanged port, a thread length a threaded one, when nobody said otherwise."""
    if any(evidence.name == "connection" for evidence in attributes):
        return (), ()
    names = {length.name for length in lengths}
    flange = next((name for name in _FLANGE_WORDS if name in names), "")
    thread = next((name for name in _THREAD_WORDS if name in names), "")
    if bool(flange) == bool(thread):
        return (), ()
    value, other = ("flanged", "threaded") if flange else ("threaded", "flanged")
    likelihood = {value: _IMPLIED_CERTAINTY, other: 1.0 - _IMPLIED_CERTAINTY}
    words = (flange or thread).replace("_", " ")
    return (AttributeEvidence("connection", likelihood),), (f"The port is taken as {value}: a {words} was given.",)


def _port_evidence(survey: Survey | None, lengths: Sequence[MeasuredLength]) -> tuple[AttributeEvidence, ...]:
    """The survey's port table, unless lengths it was made from are compared anyway (it would count twice)."""
    if survey is None or not survey.ports or any(length.name in PORT_LENGTHS for length in lengths):
        return ()
    likelihood = {port_word(port.standard, port.nominal_in): port.probability for port in survey.ports}
    return (AttributeEvidence("port", likelihood),)
