"""Measured lengths and attributes to the probability of every family and of "not in the set"."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from features.measured import AttributeEvidence, MeasuredLength, log_covariance
from identify.attribute_match import attribute_log_likelihood
from identify.family_table import FamilyTable
from identify.likelihood import Indices, LogLengths, Reduced, log_density, log_density_bound, reduce_to_known
from identify.match_settings import MatchSettings
from reference_geometry.families import LENGTH_NAMES

Array = NDArray[np.float64]

_SCREEN_ABOVE = 20_000
"""Groups smaller than this are worked out exactly at once."""

_SCREEN_MARGIN = 35.0
"""Families provably this many nats below the best get probability 0: together 1e6 * exp(-35) < 1e-9."""

_PILOTS = 512


@dataclass(frozen=True, eq=False)
class Posterior:
    """Probabilities after all evidence.

    Attributes:
        table: the families compared.
        probability: (R,) over all rows, sums to 1.
        log_score: (R,) log prior plus log likelihood, -inf where provably negligible.
        measured: the lengths used, None when there were none.
        attributes: the attribute evidence used.
    """

    table: FamilyTable
    probability: Array
    log_score: Array
    measured: LogLengths | None
    attributes: tuple[AttributeEvidence, ...]

    @property
    def families(self) -> Array:
        """(N,) probability of each family."""
        return self.probability[: self.table.count]

    @property
    def not_in_set(self) -> float:
        """Probability that the pump is not in the set."""
        return float(self.probability[self.table.count :].sum())

    def ranked(self, smallest: float = 0.0) -> Indices:
        """Rows of families with at least this probability, most probable first; ties in the set's order."""
        rows = np.flatnonzero(self.families >= max(smallest, 1e-300))
        order: Indices = rows[np.argsort(-self.families[rows], kind="stable")]
        return order


def usable_lengths(lengths: Sequence[MeasuredLength], settings: MatchSettings) -> LogLengths | None:
    """Lengths the reference set can hold, as logs with their covariance; None when there are none.

    Raises:
        ValueError: when a name occurs twice (merge readings first).
    """
    usable = [length for length in lengths if length.name in LENGTH_NAMES and length.value_mm > 0.0]
    if not usable:
        return None
    names = tuple(length.name for length in usable)
    if len(set(names)) != len(names):
        raise ValueError(f"a length is given twice: {names}")
    covariance = log_covariance(usable) + settings.model_floor**2 * np.eye(len(usable))
    return LogLengths(names, np.log([length.value_mm for length in usable]), covariance)


def compute_posterior(
    table: FamilyTable,
    lengths: Sequence[MeasuredLength],
    attributes: Sequence[AttributeEvidence],
    settings: MatchSettings | None = None,
) -> Posterior:
    """Probability of every family and of "not in the set".

    Args:
        table: the reference set.
        lengths: measured lengths, each name once.
        attributes: evidence, each name once.
        settings: assumptions.
    """
    settings = settings or MatchSettings()
    measured = usable_lengths(lengths, settings)
    score = table.log_prior + attribute_log_likelihood(table, attributes, settings)
    if measured is not None:
        score = _add_geometry(table, measured, score)
    probability = softmax(score / settings.temperature)
    return Posterior(table, probability, score, measured, tuple(attributes))


def softmax(score: Array) -> Array:
    """Exponentials that sum to 1; -inf gives 0."""
    weight = np.exp(score - score.max())
    normalized: Array = weight / weight.sum()
    return normalized


def groups_by_known(table: FamilyTable, names: Sequence[str]) -> list[tuple[int, Indices]]:
    """Rows grouped by which of these lengths they know: (bits, rows)."""
    mask = sum(1 << LENGTH_NAMES.index(name) for name in names)
    bits = table.known_bits & np.uint16(mask)
    present = np.flatnonzero(np.bincount(bits, minlength=1))
    if len(present) == 1:
        return [(int(present[0]), np.arange(table.rows, dtype=np.intp))]
    return [(int(value), np.flatnonzero(bits == value)) for value in present]


def _add_geometry(table: FamilyTable, measured: LogLengths, score: Array) -> Array:
    """Add the lengths' log likelihood to `score`, skipping families that provably can not matter."""
    total = np.full(table.rows, -np.inf)
    waiting: list[tuple[Reduced, Indices, Array]] = []
    for bits, rows in groups_by_known(table, measured.names):
        reduced = reduce_to_known(measured, table.broad, bits)
        if len(rows) <= _SCREEN_ABOVE:
            total[rows] = score[rows] + log_density(reduced, table.log_mean, table.log_variance, rows)
        else:
            for part in _by_spread(table, reduced, rows):
                waiting.append((reduced, part, score[part] + _bound(table, reduced, part)))
    for reduced, rows, bound in waiting:
        pilots = rows[_largest(bound, _PILOTS)]
        total[pilots] = score[pilots] + log_density(reduced, table.log_mean, table.log_variance, pilots)
    for reduced, rows, bound in waiting:
        alive = rows[bound > total.max() - _SCREEN_MARGIN]
        total[alive] = score[alive] + log_density(reduced, table.log_mean, table.log_variance, alive)
    return total


def _bound(table: FamilyTable, reduced: Reduced, rows: Indices) -> Array:
    own = table.log_variance[:, rows] if len(rows) < table.rows else table.log_variance
    return log_density_bound(reduced, table.log_mean, rows, own.min(axis=1), own.max(axis=1))


def _by_spread(table: FamilyTable, reduced: Reduced, rows: Indices) -> list[Indices]:
    """Split rows by the size of their own variances, so that the bound is tight within each part."""
    if not reduced.known.size:
        return [rows]
    typical = table.log_variance[np.ix_(reduced.known, rows)].mean(axis=0)
    octave = np.clip(np.round(np.log2(typical)), -40, 10).astype(np.int8)
    return [rows[octave == value] for value in np.unique(octave)]


def _largest(values: Array, count: int) -> Indices:
    if len(values) <= count:
        return np.arange(len(values), dtype=np.intp)
    best: Indices = np.argpartition(values, -count)[-count:]
    return best
