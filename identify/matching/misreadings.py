"""One value that fits nothing while all the others agree: most likely misread, so it is pointed out."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from features.measured import AttributeEvidence, MeasuredLength
from identify.matching.attribute_match import attribute_table
from identify.matching.evidence import Evidence
from identify.matching.family_table import FamilyTable
from identify.matching.inconsistency import Inconsistency
from identify.matching.likelihood import Indices
from identify.matching.posterior import Array, Posterior, compute_posterior
from identify.matching.settings import MatchSettings
from identify.wording import chance_words, feature_words, value_words
from reference_geometry.families import LENGTH_NAMES

_MOST_ROWS = 20_000
"""Above this many families the check is left out: it costs one matching a value."""

_FIT_LEFT = 0.05
"""A value is suspected when families that fit it, and unknown pumps, keep less than this without it."""

_SMALLEST = 1e-4
_MISFIT_SD = 3.5
_UNLIKELY_SHARE = 0.05


@dataclass(frozen=True)
class _Suspect:
    """A value that fits almost nothing all else points to, and how much it still fits."""

    about: str
    sentence: str
    fitting: float


def find_misreadings(
    table: FamilyTable, evidence: Evidence, settings: MatchSettings, card_at: str = "unknown"
) -> tuple[Inconsistency, ...]:
    """Values that contradict what all the others agree on; at most one, the most telling.

    Each value in turn is left out. It is suspected when the families that all the rest points to do not fit
    it.
    """
    if table.rows > _MOST_ROWS or len(evidence.lengths) + len(evidence.attributes) < 2:
        return ()
    suspects = [
        *_suspect_lengths(table, evidence, settings, card_at),
        *_suspect_attributes(table, evidence, settings, card_at),
    ]
    if not suspects:
        return ()
    worst = min(suspects, key=lambda suspect: suspect.fitting)
    return (Inconsistency(worst.about, worst.sentence),)


def _suspect_lengths(
    table: FamilyTable, evidence: Evidence, settings: MatchSettings, card_at: str
) -> Iterator[_Suspect]:
    everything = compute_posterior(table, evidence.lengths, evidence.attributes, settings, card_at)
    for length in evidence.lengths:
        rest = [other for other in evidence.lengths if other is not length]
        if length.is_ratio_only or length.name not in LENGTH_NAMES:
            continue
        without = compute_posterior(table, rest, evidence.attributes, settings, card_at)
        order = without.ranked(_SMALLEST)
        off = [_left_out_residual(everything, int(row), length.name) for row in order]
        fitting = without.not_in_set + sum(
            float(without.families[row]) for row, sd in zip(order, off, strict=True) if sd < _MISFIT_SD
        )
        if fitting < _FIT_LEFT and not _agrees_alone(table, int(order[0]), length):
            sentence = _length_words(table, without, int(order[0]), length, off[0])
            yield _Suspect(length.name, sentence, fitting)


def _agrees_alone(table: FamilyTable, row: int, length: MeasuredLength) -> bool:
    """Whether a length by itself is what the family has: then another is the wrong one, however they share errors."""
    known = table.length_mm(length.name, row)
    return known is not None and abs(float(np.log(length.value_mm / known[0]))) < length.relative_sd


def _left_out_residual(posterior: Posterior, row: int, name: str) -> float:
    """How many standard deviations a length is off, given the family and all other lengths; 0 when not known.

    For a Gaussian with covariance S and residual r the left-out residual is (S^-1 r)_i / sqrt((S^-1)_ii).
    """
    measured, table = posterior.judged, posterior.judged_table
    if measured is None or table.length_mm(name, row) is None:
        return 0.0
    use = [i for i, n in enumerate(measured.names) if table.length_mm(n, row)]
    columns = [LENGTH_NAMES.index(measured.names[i]) for i in use]
    residual: Array = measured.log_mm[use] - table.log_mean[columns, row]
    covariance = measured.covariance[np.ix_(use, use)] + np.diag(table.log_variance[columns, row])
    precision = np.linalg.inv(covariance)
    i = [measured.names[k] for k in use].index(name)
    return float(abs(precision[i] @ residual) / np.sqrt(precision[i, i]))


def _pointed_at(table: FamilyTable, without: Posterior, row: int) -> str:
    """The family all else points to, in words that say when others come close."""
    chance = float(without.families[row])
    alike = "" if chance > 1.0 - _FIT_LEFT else " and its like"
    return f"{table.family_ids[row]}{alike} ({chance_words(chance)})"


def _length_words(table: FamilyTable, without: Posterior, row: int, length: MeasuredLength, off: float) -> str:
    words = feature_words(length.name)
    known = table.length_mm(length.name, row)
    has = f"has {known[0]:.1f} mm" if known else "differs"
    return (
        f"All but the {words} points to {_pointed_at(table, without, row)}, which {has}, not "
        f"{length.value_mm:.1f} mm ({off:.1f} standard deviations): measure it again and check which edge is "
        f"meant."
    )


def _suspect_attributes(
    table: FamilyTable, evidence: Evidence, settings: MatchSettings, card_at: str
) -> Iterator[_Suspect]:
    for attribute in evidence.attributes:
        if attribute.name not in table.codes:
            continue
        rest = [other for other in evidence.attributes if other is not attribute]
        without = compute_posterior(table, evidence.lengths, rest, settings, card_at)
        shares = attribute_table(table, attribute, settings).likelihood
        best = max(shares.values())
        order = without.ranked(_SMALLEST)
        values = [table.value_of(attribute.name, int(row)) for row in order]
        fitting = without.not_in_set + sum(
            float(without.families[row])
            for row, value in zip(order, values, strict=True)
            if value is None or shares[value] >= _UNLIKELY_SHARE * best
        )
        if fitting < _FIT_LEFT:
            yield _Suspect(attribute.name, _attribute_words(table, without, order, attribute), fitting)


def _attribute_words(table: FamilyTable, without: Posterior, order: Indices, attribute: AttributeEvidence) -> str:
    row = int(order[0])
    said = max(attribute.likelihood.items(), key=lambda item: item[1])[0]
    has = value_words(table.value_of(attribute.name, row) or "")
    return (
        f"All but the {feature_words(attribute.name)} points to {_pointed_at(table, without, row)}, which "
        f"has {has}, not {value_words(said)}: look again."
    )
