"""How well a family's attributes agree with what photos and people say, never with a likelihood of 0 or 1."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from features.measured import AttributeEvidence
from identify.matching.family_table import FamilyTable
from identify.matching.settings import COUNT_ATTRIBUTES, MatchSettings

Array = NDArray[np.float64]

_SMOOTHING = 0.5
"""Pseudo-count of every value when the set's frequencies stand in for what a family does not say."""


@dataclass(frozen=True, eq=False)
class AttributeTable:
    """Likelihoods of one attribute for every value a family may have.

    Attributes:
        name: the attribute.
        likelihood: value -> likelihood, never 0, sums to 1 over all values.
        when_unknown: likelihood for a family that does not say, averaged over the set's frequencies.
        log_by_code: (1 + number of words,) log likelihood by the family table's code, code 0 = not known.
    """

    name: str
    likelihood: Mapping[str, float]
    when_unknown: float
    log_by_code: Array


def keep_possible(likelihood: Mapping[str, float], values: Sequence[str], least: float) -> dict[str, float]:
    """A likelihood with no value below `least` over the number of values; sums to 1.

    Only a guard against 0: evidence brings its error rates with it, measured for photos and stated for people,
    and mixing in another one would count the same errors twice.
    """
    total = sum(likelihood.values()) or 1.0
    raised = {v: max(likelihood.get(v, 0.0) / total, least / len(values)) for v in values}
    whole = sum(raised.values()) or 1.0
    return {v: share / whole for v, share in raised.items()}


def value_frequencies(table: FamilyTable, name: str, values: Sequence[str]) -> dict[str, float]:
    """How common each value is in the set, smoothed so that values never met keep a chance."""
    counts = table.frequencies.get(name, {})
    total = sum(counts.values()) + _SMOOTHING * len(values)
    return {value: (counts.get(value, 0) + _SMOOTHING) / total for value in values}


def attribute_table(table: FamilyTable, evidence: AttributeEvidence, settings: MatchSettings) -> AttributeTable:
    """Prepare one attribute's evidence for lookup by code."""
    words = table.words.get(evidence.name, ())
    values = tuple(dict.fromkeys((*words, *evidence.likelihood)))
    likelihood = keep_possible(evidence.likelihood, values, settings.least_share)
    frequency = value_frequencies(table, evidence.name, values)
    unknown = sum(frequency[value] * likelihood[value] for value in values)
    by_code = np.log([unknown, *(likelihood[word] for word in words)])
    return AttributeTable(evidence.name, likelihood, unknown, by_code)


def typed_likelihood(name: str, value: str, values: Sequence[str], error: float) -> dict[str, float]:
    """Likelihood of each true value given that a person said `value`.

    A wrong answer lands anywhere else; a miscount lands mostly one or two away.

    Args:
        name: the attribute.
        value: what was typed.
        values: all values it could have.
        error: how often such an answer is wrong.
    """
    every = tuple(dict.fromkeys((*values, value)))
    others = [v for v in every if v != value]
    if not others:
        return {value: 1.0}
    weight = {v: _miscount_weight(v, value) if name in COUNT_ATTRIBUTES else 1.0 for v in others}
    total = sum(weight.values())
    return {value: 1.0 - error, **{v: error * weight[v] / total for v in others}}


def _miscount_weight(truth: str, said: str) -> float:
    try:
        return float(1.0 / (1.0 + abs(int(truth) - int(said))) ** 2)
    except ValueError:
        return 1.0


def attribute_log_likelihood(
    table: FamilyTable, attributes: Sequence[AttributeEvidence], settings: MatchSettings
) -> Array:
    """Summed log likelihood of all attributes for every row of the family table, (R,)."""
    total = np.zeros(table.rows)
    for evidence in attributes:
        if evidence.name in table.codes and evidence.likelihood:
            total += attribute_table(table, evidence, settings).log_by_code[table.codes[evidence.name]]
    return total
