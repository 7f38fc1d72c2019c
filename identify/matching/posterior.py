"""Measured lengths and attributes to the probability of every family and of "not in the set"."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from features.measured import AttributeEvidence, MeasuredLength, log_covariance
from identify.matching.attribute_match import attribute_log_likelihood
from identify.matching.family_depth import family_depth_mm, use_family_depth
from identify.matching.family_table import FamilyTable
from identify.matching.likelihood import (
    Indices,
    LogLengths,
    Reduced,
    log_density,
    log_density_bound,
    log_density_bound_by_one,
    reduce_to_known,
)
from identify.matching.reference_doubts import reference_cases
from identify.matching.settings import MatchSettings
from identify.matching.thread_readings import thread_cases
from reference_geometry.families import LENGTH_NAMES

Array = NDArray[np.float64]

_SCREEN_ABOVE = 20_000
"""Sets smaller than this are worked out exactly at once."""

_SCREEN_MARGIN = 35.0
"""Families provably this many nats below the best get probability 0: together 1e6 * exp(-35) < 1e-9."""

ENOUGH_TO_DOUBT = 3
"""Lengths among which one may be doubted."""

_FIRST_MARGIN = 50.0
"""Families whose bound by one length alone is this many nats below the best bound are looked at last, if at all."""

_PILOTS = 64
_PILOT_GROUPS = 8


@dataclass(frozen=True, eq=False)
class Posterior:
    """Probabilities after all evidence.

    Attributes:
        table: the families compared.
        probability: (R,) over all rows, sums to 1.
        log_score: (R,) log prior plus log likelihood, -inf where provably negligible.
        measured: the lengths used, None when there were none.
        attributes: the attribute evidence used.
        judged_table, judged: table and lengths as the geometry compared them: where the card lay on the joint or the
            cover, each family's own depth has moved its expected reading and taken the place of the survey's.
    """

    table: FamilyTable
    probability: Array
    log_score: Array
    measured: LogLengths | None
    attributes: tuple[AttributeEvidence, ...]
    judged_table: FamilyTable
    judged: LogLengths | None

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
    in_photo = np.array([bool(length.photos) for length in usable])
    return LogLengths(names, np.log([length.value_mm for length in usable]), covariance, in_photo)


def compute_posterior(
    table: FamilyTable,
    lengths: Sequence[MeasuredLength],
    attributes: Sequence[AttributeEvidence],
    settings: MatchSettings | None = None,
    card_at: str = "unknown",
) -> Posterior:
    """Probability of every family and of "not in the set".

    Args:
        table: the reference set.
        lengths: measured lengths, each name once.
        attributes: evidence, each name once.
        settings: assumptions.
        card_at: where the scale lay; on a chamber's rim or cover a family's own record tells how far before
            the joint's edge.
    """
    settings = settings or MatchSettings()
    measured = usable_lengths(lengths, settings)
    score = table.log_prior + attribute_log_likelihood(table, attributes, settings)
    judged_table, judged = table, measured
    if measured is not None and family_depth_mm(table, card_at) is not None:
        adjusted = use_family_depth(table, lengths, card_at)
        judged_table, lengths, judged = adjusted.table, adjusted.lengths, usable_lengths(adjusted.lengths, settings)
    if judged is not None:
        score = _add_geometry_of_cases(judged_table, lengths, judged, score, settings)
    probability = softmax(score / settings.temperature)
    return Posterior(table, probability, score, measured, tuple(attributes), judged_table, judged)


def softmax(score: Array) -> Array:
    """Exponentials that sum to 1; -inf gives 0."""
    normalized: Array = np.zeros(len(score))
    finite = np.flatnonzero(score > -np.inf)
    weight = np.exp(score[finite] - score.max())
    normalized[finite] = weight / weight.sum()
    return normalized


def groups_by_known(
    table: FamilyTable, names: Sequence[str], rows: Indices | None = None
) -> list[tuple[int, int, Indices]]:
    """Rows (all, or these) grouped by which of these lengths they know: (bits, class of spread, rows)."""
    mask = np.uint16(sum(1 << LENGTH_NAMES.index(name) for name in names))
    some = slice(None) if rows is None else rows
    key = (table.known_bits[some] & mask) << np.uint16(3)
    if table.rows > _SCREEN_ABOVE:
        key |= table.spread_classes.of_row[some]
    order = np.argsort(key, kind="stable")
    sizes = np.bincount(key)
    ends = np.cumsum(sizes)
    if rows is not None:
        order = rows[order]
    return [
        (int(value) >> 3, int(value) & 7, order[ends[value] - sizes[value] : ends[value]])
        for value in np.flatnonzero(sizes)
    ]


@dataclass(frozen=True, eq=False)
class _Waiting:
    """A large group whose upper bounds are known: log prior and attributes included."""

    reduced: Reduced
    rows: Indices
    bound: Array


def _add_geometry_of_cases(
    table: FamilyTable, lengths: Sequence[MeasuredLength], measured: LogLengths, score: Array, settings: MatchSettings
) -> Array:
    """Add the lengths' log likelihood to `score`, summed over what nobody can say for sure.

    That is a thread's wall and the edge of its mouth, and whether a coin or a plain card is another thing. In large
    sets, where it would cost a pass for every case, the one Gaussian of all cases stands for them.
    """
    if table.rows > _SCREEN_ABOVE:
        return _add_doubted_geometry(table, measured, score, settings)
    total = np.full(table.rows, -np.inf)
    for with_scale, log_chance in reference_cases(lengths, settings):
        for case in thread_cases(table, with_scale):
            told = usable_lengths(case.lengths, settings) or measured
            so_far = score + log_chance + case.log_chance
            total = np.logaddexp(total, _add_doubted_geometry(table, told, so_far, settings))
    return total


def _add_doubted_geometry(table: FamilyTable, measured: LogLengths, score: Array, settings: MatchSettings) -> Array:
    """Add the lengths' log likelihood to `score`, allowing that one of them was read at another edge.

    A sum over which one is wrong, if any: the wrong one keeps its place but is believed within `wrong_length_sd` only.
    Of two lengths that disagree nobody can say which is wrong, so it takes three. In large sets, where it would cost a
    pass for every length, all lengths are taken to be right.
    """
    doubtful = np.flatnonzero(measured.read_in_photo)
    wrong = settings.wrong_length
    if len(measured.names) < ENOUGH_TO_DOUBT or wrong <= 0.0 or table.rows > _SCREEN_ABOVE:
        return _add_geometry(table, measured, score)
    total: Array = np.log1p(-len(doubtful) * wrong) + _add_geometry(table, measured, score)
    for i in doubtful:
        covariance = measured.covariance.copy()
        covariance[i, i] += settings.wrong_length_sd**2
        doubted = _add_geometry(table, replace(measured, covariance=covariance), score)
        total = np.logaddexp(total, np.log(wrong) + doubted)
    return total


def _add_geometry(table: FamilyTable, measured: LogLengths, score: Array) -> Array:
    """Add the lengths' log likelihood to `score`, skipping families that provably can not matter.

    Small sets are worked out exactly. Of a large one first one length is compared in every row, which leaves out most;
    of those left a closer bound is taken group by group.
    """
    total = np.full(table.rows, -np.inf)
    if table.rows <= _SCREEN_ABOVE:
        reductions: dict[int, Reduced] = {}
        for bits, _, rows in groups_by_known(table, measured.names):
            if bits not in reductions:
                reductions[bits] = reduce_to_known(measured, table.broad, bits)
            _work_out(table, reductions[bits], rows, score, total)
        return total
    bound = log_density_bound_by_one(measured, table.broad, table.log_mean, table.log_variance, table.known_bits)
    bound += score
    cut = float(bound.max()) - _FIRST_MARGIN
    _add_screened(table, measured, score, total, np.flatnonzero(bound > cut))
    least = float(total.max()) - _SCREEN_MARGIN
    if least < cut:
        _add_screened(table, measured, score, total, np.flatnonzero((bound > least) & (bound <= cut)))
    return total


def _add_screened(table: FamilyTable, measured: LogLengths, score: Array, total: Array, rows: Indices) -> None:
    """Work out those of some rows that may matter.

    Of each group first an upper bound is taken for every row; the rows that look best are worked out, and then every
    row whose bound comes near the best value found.
    """
    waiting: list[_Waiting] = []
    classes = table.spread_classes
    reductions: dict[int, Reduced] = {}
    for bits, number, members in groups_by_known(table, measured.names, rows):
        if bits not in reductions:
            reductions[bits] = reduce_to_known(measured, table.broad, bits)
        reduced = reductions[bits]
        if not reduced.known.size:
            _work_out(table, reduced, members, score, total)
            continue
        bound = log_density_bound(reduced, table.log_mean, members, classes.least[number], classes.most[number])
        waiting.append(_Waiting(reduced, members, bound + score[members]))
    waiting.sort(key=lambda group: -float(group.bound.max()))
    for group in waiting[:_PILOT_GROUPS]:
        _work_out(table, group.reduced, group.rows[_largest(group.bound, _PILOTS)], score, total)
    least = total.max() - _SCREEN_MARGIN
    for group in waiting:
        _work_out(table, group.reduced, group.rows[group.bound > least], score, total)


def _work_out(table: FamilyTable, reduced: Reduced, rows: Indices, score: Array, total: Array) -> None:
    """Write the exact score of these rows into `total`."""
    total[rows] = score[rows] + log_density(reduced, table.log_mean, table.log_variance, rows)


def _largest(values: Array, count: int) -> Indices:
    if len(values) <= count:
        return np.arange(len(values), dtype=np.intp)
    best: Indices = np.argpartition(values, -count)[-count:]
    return best
