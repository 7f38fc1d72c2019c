"""Why a family is likely or not: each feature that speaks for or against it, in words and numbers."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log, log2, sqrt

import numpy as np
from scipy.special import ndtri

from features.measured import COVERAGE_95, MeasuredLength
from identify.attribute_match import AttributeTable, attribute_table
from identify.family_table import FamilyTable
from identify.known_values import READING_SD_MM
from identify.likelihood import LogLengths
from identify.match_settings import MatchSettings
from identify.posterior import Posterior
from identify.wording import chance_words, feature_words, value_words
from reference_geometry.families import LENGTH_NAMES

_CLEARLY_OFF = 2.0
"""Standard deviations beyond which a length speaks against a family."""

_TELLING = 2.5
"""d' from which a look or a reading is said to tell two families apart: wrong about once in ten."""

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
    def of(
        cls, posterior: Posterior, lengths: Sequence[MeasuredLength], settings: MatchSettings
    ) -> "ReasonMaker":
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
        measured = self.posterior.measured
        if measured is None:
            return []
        if any(length.is_ratio_only for length in self.lengths):
            return self._ratio_reasons(measured, row, rival)
        return [r for i in range(len(measured.names)) if (r := self._one_length(measured, i, row, rival))]

    def _one_length(self, measured: LogLengths, i: int, row: int, rival: int | None) -> Reason | None:
        table, name = self.posterior.table, measured.names[i]
        own = table.length_mm(name, row)
        if own is None:
            return None
        variance = float(measured.covariance[i, i])
        index = LENGTH_NAMES.index(name)
        miss = float(measured.log_mm[i] - table.log_mean[index, row])
        total = variance + float(table.log_variance[index, row])
        broad = variance + float(table.broad.covariance[index, index])
        broad_miss = float(measured.log_mm[i] - table.broad.mean[index])
        bits = (_log_normal(miss, total) - _log_normal(broad_miss, broad)) / log(2.0)
        supports = abs(miss) <= _CLEARLY_OFF * sqrt(total)
        value, half = _with_interval(self.lengths[i])
        source = ", from its port standard" if int(table.standard_bits[row]) >> index & 1 else ""
        family = f"this family {own[0]:.{_decimals(own[0])}f} mm{source}"
        said = f"{feature_words(name)} {value} ± {half} mm; {family}"
        other = table.length_mm(name, rival) if rival is not None else None
        if other is not None:
            said += f"; {self._rival_words(row)} {other[0]:.{_decimals(other[0])}f} mm"
        if not supports:
            said += f" ({_apart(miss, total)})"
        return Reason(name, supports, said, bits, strength_words(bits))

    def _rival_words(self, row: int) -> str:
        first = self.posterior.ranked()
        return "the runner-up" if len(first) and int(first[0]) == row else "the first candidate"

    def _ratio_reasons(self, measured: LogLengths, row: int, rival: int | None) -> list[Reason]:
        """Without a scale: each length over the best known one that the family also has."""
        table = self.posterior.table
        known = [i for i, name in enumerate(measured.names) if table.length_mm(name, row)]
        if len(known) < 2:
            return []
        base = known[0]
        return [self._one_ratio(measured, i, base, row, rival) for i in known[1:]]

    def _one_ratio(self, measured: LogLengths, i: int, base: int, row: int, rival: int | None) -> Reason:
        table = self.posterior.table
        top, bottom = LENGTH_NAMES.index(measured.names[i]), LENGTH_NAMES.index(measured.names[base])
        contrast = np.zeros(len(measured.names))
        contrast[i], contrast[base] = 1.0, -1.0
        seen = float(contrast @ measured.log_mm)
        variance = float(contrast @ measured.covariance @ contrast)
        own = float(table.log_mean[top, row] - table.log_mean[bottom, row])
        total = variance + float(table.log_variance[top, row] + table.log_variance[bottom, row])
        spread = table.broad.covariance
        broad = variance + float(spread[top, top] + spread[bottom, bottom] - 2.0 * spread[top, bottom])
        broad_miss = seen - float(table.broad.mean[top] - table.broad.mean[bottom])
        bits = (_log_normal(seen - own, total) - _log_normal(broad_miss, broad)) / log(2.0)
        supports = abs(seen - own) <= _CLEARLY_OFF * sqrt(total)
        half = exp(seen) * COVERAGE_95 * sqrt(variance)
        said = (
            f"{feature_words(measured.names[i])} over {feature_words(measured.names[base])} {exp(seen):.3f} "
            f"± {half:.3f}"
            f" (no scale, ratios only); this family {exp(own):.3f}"
        )
        if (
            rival is not None
            and table.length_mm(measured.names[i], rival)
            and table.length_mm(measured.names[base], rival)
        ):
            other = exp(float(table.log_mean[top, rival] - table.log_mean[bottom, rival]))
            said += f"; {self._rival_words(row)} {other:.3f}"
        return Reason(measured.names[i], supports, said, bits, strength_words(bits))

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


def _log_normal(miss: float, variance: float) -> float:
    return -0.5 * (miss * miss / variance + log(2.0 * np.pi * variance))


def _apart(miss: float, variance: float) -> str:
    side = "larger" if miss > 0 else "smaller"
    percent = 100.0 * abs(exp(miss) - 1.0)
    return f"measured {percent:.1f} % {side}, {abs(miss) / sqrt(variance):.1f} standard deviations"


def _decimals(value_mm: float) -> int:
    return 0 if value_mm >= 150.0 else 1 if value_mm >= 5.0 else 2


def _with_interval(length: MeasuredLength) -> tuple[str, str]:
    """Value and half of its 95 % interval, the half with two digits at most."""
    half = COVERAGE_95 * length.standard_uncertainty_mm
    digits = 0 if half >= 9.5 else 1 if half >= 0.95 else 2
    return f"{length.value_mm:.{digits}f}", f"{half:.{digits}f}"


def tell_apart(
    table: FamilyTable, first: int, second: int, ids: tuple[str, str], settings: MatchSettings
) -> str:
    """One sentence on what would tell two families apart best.

    Every length and attribute both families know is rated by d', the difference over its standard deviation
    when a person reads it; an attribute read wrongly with probability e counts as the d' that errs as often.
    """
    contrasts = [*_length_contrasts(table, first, second, ids)]
    contrasts += _attribute_contrasts(table, first, second, ids, settings)
    if not contrasts:
        return f"Nothing recorded tells {ids[0]} and {ids[1]} apart; casting marks or the nameplate would."
    apart, words = max(contrasts)
    if apart < _TELLING:
        return f"Nothing recorded tells {ids[0]} and {ids[1]} apart for certain; closest: {words}"
    return words[0].upper() + words[1:]


def _length_contrasts(
    table: FamilyTable, first: int, second: int, ids: tuple[str, str]
) -> list[tuple[float, str]]:
    contrasts = []
    for name in LENGTH_NAMES:
        one, two = table.length_mm(name, first), table.length_mm(name, second)
        if one is None or two is None:
            continue
        sd = sqrt(0.5 * (one[1] ** 2 + two[1] ** 2) + READING_SD_MM[name] ** 2)
        digits = max(_decimals(one[0]), 1)
        values = f"{ids[0]} {one[0]:.{digits}f} mm, {ids[1]} {two[0]:.{digits}f} mm"
        contrasts.append((abs(one[0] - two[0]) / sd, f"the {feature_words(name)} differs: {values}."))
    return contrasts


def _attribute_contrasts(
    table: FamilyTable, first: int, second: int, ids: tuple[str, str], settings: MatchSettings
) -> list[tuple[float, str]]:
    contrasts = []
    for name in table.codes:
        one, two = table.value_of(name, first), table.value_of(name, second)
        if name in ("maker", "port") or one is None or two is None or one == two:
            continue
        apart = -2.0 * float(ndtri(settings.typed_error_of(name)))
        values = f"{ids[0]} {value_words(one)}, {ids[1]} {value_words(two)}"
        contrasts.append((apart, f"the {feature_words(name)} differs: {values}."))
    return contrasts
