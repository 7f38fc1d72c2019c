"""Why a family is likely or not: each feature that speaks for or against it, in words and numbers."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import exp, log, log2, sqrt

import numpy as np

from features.measured import COVERAGE_95, MeasuredLength
from identify.matching.attribute_match import AttributeTable, attribute_table
from identify.matching.likelihood import Array
from identify.matching.posterior import Posterior
from identify.matching.settings import MatchSettings
from identify.wording import chance_words, feature_words, value_words
from reference_geometry.families import LENGTH_NAMES

_CLEARLY_OFF = 2.0
"""Standard deviations beyond which a length speaks against a family."""

_SHIFT_TOLD = 0.003
"""From this relative change on it is said that a family's own depth behind the card moves what is seen of it."""

_LIKELY = 0.5
_UNLIKELY = 0.2


@dataclass(frozen=True)
class Reason:
    """One feature's word on one family.

    Attributes:
        feature: length or attribute.
        supports: True when it speaks for the family.
        sentence: what was seen, what the family has, what the rival has.
        bits: weight of evidence in bits against a pump of no known family (log2 of the likelihood ratio).
        strength: "strong", "moderate" or "slight".
    """

    feature: str
    supports: bool
    sentence: str
    bits: float
    strength: str


def strength_words(bits: float) -> str:
    """Weight of evidence in words: above 4 bits (16 to 1) strong, above 1.5 (about 3 to 1) moderate."""
    size = abs(bits)
    return "strong" if size > 4.0 else "moderate" if size > 1.5 else "slight"


@dataclass(frozen=True, eq=False)
class ReasonMaker:
    """Everything needed to reason about the families of one posterior.

    Attributes:
        posterior: the probabilities.
        lengths: the measured lengths, in the order of `posterior.measured`.
        attributes: prepared attribute evidence.
    """

    posterior: Posterior
    lengths: tuple[MeasuredLength, ...]
    attributes: tuple[AttributeTable, ...]

    @classmethod
    def of(cls, posterior: Posterior, lengths: Sequence[MeasuredLength], settings: MatchSettings) -> "ReasonMaker":
        """Prepare once for all families."""
        tables = tuple(
            attribute_table(posterior.table, evidence, settings)
            for evidence in posterior.attributes
            if evidence.name in posterior.table.codes and evidence.likelihood
        )
        return cls(posterior, tuple(length for length in lengths if length.name in LENGTH_NAMES), tables)

    def reasons(self, row: int, rival: int | None) -> tuple[tuple[Reason, ...], tuple[Reason, ...]]:
        """Reasons for and against one family, strongest first.

        Args:
            row: the family.
            rival: the family to compare with, None when there is none.
        """
        found = [*self._length_reasons(row, rival), *self._attribute_reasons(row, rival)]
        found.sort(key=lambda reason: -abs(reason.bits))
        return tuple(r for r in found if r.supports), tuple(r for r in found if not r.supports)

    def _length_reasons(self, row: int, rival: int | None) -> list[Reason]:
        """Lengths one by one, those without a scale by their ratios, and what does not fit together."""
        known = [i for i, n in enumerate(self._names()) if self.posterior.table.length_mm(n, row)]
        floating = [i for i in known if self.lengths[i].is_ratio_only]
        fixed = [i for i in known if not self.lengths[i].is_ratio_only]
        found = [self._one_length(i, row, rival) for i in fixed]
        found += [self._one_ratio(i, floating[0], row, rival, "no scale, ratios only") for i in floating[1:]]
        if all(reason.supports for reason in found):
            found += self._odd_pair(fixed, row, rival)
        return found

    def _names(self) -> tuple[str, ...]:
        return self.posterior.measured.names if self.posterior.measured else ()

    def _odd_pair(self, fixed: Sequence[int], row: int, rival: int | None) -> list[Reason]:
        """Two lengths that each fit because the scale is loose, but not both: the worst such pair, if any."""
        pairs = [self._one_ratio(i, j, row, rival, "one scale for both") for i, j in combinations(fixed, 2)]
        odd = [pair for pair in pairs if not pair.supports]
        return [min(odd, key=lambda pair: pair.bits)] if odd else []

    def _one_length(self, i: int, row: int, rival: int | None) -> Reason:
        table, judged, name = self.posterior.table, self.posterior.judged_table, self._names()[i]
        index = LENGTH_NAMES.index(name)
        seen, variance = self._seen(np.eye(len(self.lengths))[i])
        own, own_variance = float(judged.log_mean[index, row]), float(judged.log_variance[index, row])
        broad, broad_variance = float(table.broad.mean[index]), float(table.broad.covariance[index, index])
        bits = _bits(seen - own, variance + own_variance, seen - broad, variance + broad_variance)
        supports = abs(seen - own) <= _CLEARLY_OFF * sqrt(variance + own_variance)
        value, half = _with_interval(self.lengths[i])
        source = ", from its port standard" if int(table.standard_bits[row]) >> index & 1 else ""
        stated = float(table.log_mean[index, row])
        said = f"{feature_words(name)} {value} ± {half} mm; this family {_plain_mm(exp(stated))} mm{source}"
        if abs(own - stated) >= _SHIFT_TOLD:
            said += f", seen as {_plain_mm(exp(own))} mm as deep behind the card as its joint lies"
        other = table.length_mm(name, rival) if rival is not None else None
        if other is not None:
            said += f"; {self._rival_words(row)} {_plain_mm(other[0])} mm"
        if not supports:
            said += f" ({_apart(seen - own, variance + own_variance)})"
        return Reason(name, supports, said, bits, strength_words(bits))

    def _seen(self, weights: Array) -> tuple[float, float]:
        """A sum of measured logs and its variance."""
        measured = self.posterior.judged
        if measured is None:
            return 0.0, 0.0
        return float(weights @ measured.log_mm), float(weights @ measured.covariance @ weights)

    def _rival_words(self, row: int) -> str:
        first = self.posterior.ranked()
        return "the runner-up" if len(first) and int(first[0]) == row else "the first candidate"

    def _one_ratio(self, i: int, base: int, row: int, rival: int | None, remark: str) -> Reason:
        """One length over another, which no common scale error can change."""
        table, above, below = self.posterior.table, self._names()[i], self._names()[base]
        top, bottom = LENGTH_NAMES.index(above), LENGTH_NAMES.index(below)
        contrast = np.zeros(len(self.lengths))
        contrast[i], contrast[base] = 1.0, -1.0
        seen, variance = self._seen(contrast)
        judged = self.posterior.judged_table
        own = float(judged.log_mean[top, row] - judged.log_mean[bottom, row])
        own_variance = float(judged.log_variance[top, row] + judged.log_variance[bottom, row])
        broad = float(table.broad.mean[top] - table.broad.mean[bottom])
        spread = table.broad.covariance
        broad_variance = float(spread[top, top] + spread[bottom, bottom] - 2.0 * spread[top, bottom])
        bits = _bits(seen - own, variance + own_variance, seen - broad, variance + broad_variance)
        supports = abs(seen - own) <= _CLEARLY_OFF * sqrt(variance + own_variance)
        half = exp(seen) * COVERAGE_95 * sqrt(variance)
        said = f"{feature_words(above)} over {feature_words(below)} {exp(seen):.3f} ± {half:.3f} ({remark})"
        said += f"; this family {exp(own):.3f}"
        others = (table.length_mm(above, rival), table.length_mm(below, rival)) if rival is not None else ()
        if others and others[0] and others[1]:
            said += f"; {self._rival_words(row)} {others[0][0] / others[1][0]:.3f}"
        return Reason(above, supports, said, bits, strength_words(bits))

    def _attribute_reasons(self, row: int, rival: int | None) -> list[Reason]:
        table = self.posterior.table
        found = []
        for attribute in self.attributes:
            value = table.value_of(attribute.name, row)
            if value is None:
                continue
            share = attribute.likelihood[value]
            best, best_share = max(attribute.likelihood.items(), key=lambda item: item[1])
            if _UNLIKELY * best_share < share < _LIKELY * best_share:
                continue
            supports = share >= _LIKELY * best_share
            bits = log2(share / attribute.when_unknown)
            said = f"{feature_words(attribute.name)} {value_words(best)} ({chance_words(best_share)})"
            said += "; this family too" if value == best else f"; this family {value_words(value)}"
            other = table.value_of(attribute.name, rival) if rival is not None else None
            if other is not None and other != value:
                said += f"; {self._rival_words(row)} {value_words(other)}"
            found.append(Reason(attribute.name, supports, said, bits, strength_words(bits)))
        return found


def _bits(miss: float, variance: float, broad_miss: float, broad_variance: float) -> float:
    """Weight of evidence of a Gaussian against a broad one, in bits."""
    own = miss * miss / variance + log(variance)
    broad = broad_miss * broad_miss / broad_variance + log(broad_variance)
    return 0.5 * (broad - own) / log(2.0)


def _apart(miss: float, variance: float) -> str:
    side = "larger" if miss > 0 else "smaller"
    percent = 100.0 * abs(exp(miss) - 1.0)
    return f"measured {percent:.1f} % {side}, {abs(miss) / sqrt(variance):.1f} standard deviations"


def _plain_mm(value_mm: float) -> str:
    """At most one decimal, two for small threads, none that is 0."""
    text = f"{value_mm:.1f}" if value_mm >= 5.0 else f"{value_mm:.2f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _with_interval(length: MeasuredLength) -> tuple[str, str]:
    """Value and half of its 95 % interval, the half with two digits at most."""
    half = COVERAGE_95 * length.standard_uncertainty_mm
    digits = 0 if half >= 9.5 else 1 if half >= 0.95 else 2
    return f"{length.value_mm:.{digits}f}", f"{half:.{digits}f}"
