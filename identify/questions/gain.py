"""How much an answer not yet given is expected to tell about the kit, in bits, without any sampling.

The kit groups G and the answer A have the mutual information I(G; A) = H(G) - E[H(G | A)] (Lindley 1956).
Answers in words are summed over exactly. One length is integrated over a grid laid through every family's own
prediction; two lengths by Gauss-Hermite nodes about every family's prediction. Either way the possible
outcomes come as blocks: the joint probability of each outcome and each family, which sum to 1.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from identify.matching.attribute_match import keep_possible, typed_likelihood, value_frequencies
from identify.matching.broad_lengths import conditional
from identify.matching.kit_number import KIT_ATTRIBUTE
from identify.matching.likelihood import Indices
from identify.matching.photo_confusion import packaged_confusion
from identify.matching.posterior import Posterior
from identify.matching.settings import SEEN_ALIKE, MatchSettings
from identify.questions.catalog import Question
from reference_geometry.families import LENGTH_NAMES

Array = NDArray[np.float64]

_SMALLEST = 1e-5
_MOST = 60
_GRID = np.linspace(-6.0, 6.0, 61)
_NODES_PER_LENGTH = 7


@dataclass(frozen=True, eq=False)
class Contenders:
    """The rows that still matter, with what each predicts for every length.

    Attributes:
        posterior: where they come from.
        rows: (C,) rows of the family table, "not in the set" rows included.
        weight: (C,) probabilities, sum 1.
        group: (C,) kit group; all "not in the set" rows share one.
        section_groups: section -> (C,) the same by the kits of that section alone.
        mean, covariance: (C, 12), (C, 12, 12) of the log lengths given all evidence and that row.
    """

    posterior: Posterior
    rows: Indices
    weight: Array
    group: Indices
    section_groups: Mapping[str, Indices]
    mean: Array
    covariance: Array


def gather_contenders(posterior: Posterior, groups: Indices, section_groups: Mapping[str, Indices]) -> Contenders:
    """Keep the most probable rows and predict their lengths.

    Args:
        posterior: what is believed now.
        groups: (N,) kit group of each family.
        section_groups: section -> (N,) group by that section's kits.
    """
    order = np.argsort(-posterior.probability, kind="stable")[:_MOST]
    rows = order[posterior.probability[order] >= _SMALLEST]
    weight = posterior.probability[rows]
    predicted = [_predict(posterior, int(row)) for row in rows]
    return Contenders(
        posterior,
        rows,
        weight / weight.sum(),
        _compact(groups, rows),
        {section: _compact(own, rows) for section, own in section_groups.items()},
        np.array([mean for mean, _ in predicted]),
        np.array([covariance for _, covariance in predicted]),
    )


def _compact(groups: Indices, rows: Indices) -> Indices:
    """Groups of these rows numbered from 0; rows past the families are "not in the set" and share one."""
    own = np.append(groups, -1)[np.minimum(rows, len(groups))]
    _, numbered = np.unique(own, return_inverse=True)
    return numbered.ravel().astype(np.intp)


def _predict(posterior: Posterior, row: int) -> tuple[Array, Array]:
    """All log lengths of a pump of this row: its record, broad density for the rest, then the measured."""
    table = posterior.table
    known = np.array([bool(int(table.known_bits[row]) >> i & 1) for i in range(len(LENGTH_NAMES))])
    unknown = ~known
    design = np.eye(len(known))[:, known]
    mean = np.zeros(len(known))
    covariance = np.zeros((len(known), len(known)))
    mean[known] = table.log_mean[known, row]
    if unknown.any():
        slope, rest = conditional(table.broad.covariance, known, unknown)
        design[unknown] = slope
        mean[unknown] = table.broad.mean[unknown] + slope @ (mean[known] - table.broad.mean[known])
        covariance[np.ix_(unknown, unknown)] = rest
    covariance += design * table.log_variance[known, row] @ design.T
    measured = posterior.measured
    if measured is None:
        return mean, covariance
    seen = [LENGTH_NAMES.index(name) for name in measured.names]
    gain = np.linalg.solve(covariance[np.ix_(seen, seen)] + measured.covariance, covariance[seen]).T
    return mean + gain @ (measured.log_mm - mean[seen]), covariance - gain @ covariance[seen]


@dataclass(frozen=True)
class Gain:
    """What a question is expected to bring.

    Attributes:
        bits: expected information about the kit group.
        sure: section -> expected probability of the then most probable kit fit, less that of now.
    """

    bits: float
    sure: Mapping[str, float]


def entropy_bits(weight: Array) -> float:
    """Entropy of probabilities in bits."""
    positive = weight[weight > 0.0]
    return float(-(positive * np.log2(positive)).sum())


def group_weights(weight: Array, group: Indices) -> Array:
    """Sum weights (..., C) over groups numbered from 0 without gaps, giving (..., G).

    Sums of neighbors instead of a product with an indicator matrix: small products wake the threads of a
    linear algebra library, which wait for each other on a busy machine five times longer than the sums take.
    """
    order = np.argsort(group, kind="stable")
    starts = np.flatnonzero(np.diff(group[order], prepend=-1))
    return np.add.reduceat(weight[..., order], starts, axis=-1)


def expected_gain(contenders: Contenders, question: Question, settings: MatchSettings) -> Gain:
    """Expected information of a question about the kit group, and expected growth of certainty by section."""
    bits = entropy_bits(group_weights(contenders.weight, contenders.group))
    sure = {
        section: -float(group_weights(contenders.weight, group).max())
        for section, group in contenders.section_groups.items()
    }
    for block in outcome_blocks(contenders, question, settings):
        bits -= _entropy_part(group_weights(block, contenders.group))
        for section, group in contenders.section_groups.items():
            sure[section] += float(group_weights(block, group).max(axis=-1).sum())
    rate = question.answer_rate
    return Gain(max(rate * bits, 0.0), {section: max(rate * more, 0.0) for section, more in sure.items()})


def outcome_blocks(contenders: Contenders, question: Question, settings: MatchSettings) -> Iterator[Array]:
    """All outcomes of a question, as blocks (outcomes, C) of joint probability with each row; together 1."""
    applies = _applies(contenders, question.only, settings)
    if question.only:
        yield (contenders.weight * (1.0 - applies))[None, :]
    answers = _answer_weights(contenders, question, applies, settings)
    if not question.lengths:
        yield answers
        return
    mean, covariance = reading_predictions(contenders, question)
    by_length = _on_grid if mean.shape[1] == 1 else _at_nodes
    yield from by_length(mean, covariance, answers)


def _applies(contenders: Contenders, only: str, settings: MatchSettings) -> Array:
    """(C,) probability that the question makes sense for a pump of this row."""
    if not only:
        return np.ones(len(contenders.rows))
    values, truth = true_values(contenders, "connection", settings)
    return truth[:, values.index(only)] if only in values else np.zeros(len(contenders.rows))


def true_values(contenders: Contenders, name: str, settings: MatchSettings) -> tuple[tuple[str, ...], Array]:
    """Values an attribute may have and (C, V) their probabilities for each row, given what was seen of them."""
    table = contenders.posterior.table
    evidence = next((e for e in contenders.posterior.attributes if e.name == name), None)
    values = tuple(dict.fromkeys((*table.words.get(name, ()), *(evidence.likelihood if evidence else ()))))
    if not values:
        return (), np.zeros((len(contenders.rows), 0))
    frequency = value_frequencies(table, name, values)
    unknown = np.array([frequency[value] for value in values])
    if evidence and name not in SEEN_ALIKE:  # those photos tell the answer itself: see `_as_photos_saw`
        seen = keep_possible(evidence.likelihood, values, settings.least_share)
        unknown = unknown * np.array([seen[value] for value in values])
    truth = np.tile(unknown / unknown.sum(), (len(contenders.rows), 1))
    for i, row in enumerate(contenders.rows):
        value = table.value_of(name, int(row))
        if value is not None:
            truth[i] = [float(v == value) for v in values]
    return values, truth


def answer_chances(name: str, values: Sequence[str], settings: MatchSettings, question: Question) -> Array:
    """(V, A) probability of each answer given the true value: of a photo as measured, of people as the settings say."""
    certainty = question.certainty
    if certainty:
        answers = tuple(dict.fromkeys(answer for chances in certainty.values() for answer in chances))
        even = {answer: 1.0 / len(answers) for answer in answers}
        return np.array([[certainty.get(v, even).get(a, 0.0) for a in answers] for v in values])
    measured = packaged_confusion().get(name) if question.kind == "photo" else None
    if measured is not None:
        return np.array([list(measured.seen(value).values()) for value in values])
    error = settings.photo_error if question.kind == "photo" else settings.typed_error_of(name)
    said = [typed_likelihood(name, value, values, error) for value in values]
    return np.array([[row.get(answer, 0.0) for answer in values] for row in said])


def _answer_weights(contenders: Contenders, question: Question, applies: Array, settings: MatchSettings) -> Array:
    """(K, C) joint probability of each combination of answers in words and each row."""
    per_attribute = []
    for name in question.attributes:
        if name == KIT_ATTRIBUTE:
            per_attribute.append(_kit_number_answers(contenders, settings))
            continue
        values, truth = true_values(contenders, name, settings)
        if values:
            chances = truth @ answer_chances(name, values, settings, question)
            per_attribute.append(_as_photos_saw(contenders, name, values, chances).T)
    combined = [contenders.weight * applies]
    if per_attribute:
        combined = [contenders.weight * applies * np.prod(rows, axis=0) for rows in product(*per_attribute)]
    return np.array(combined)


def _as_photos_saw(contenders: Contenders, name: str, values: Sequence[str], chances: Array) -> Array:
    """(C, A) chances of answers, given what photos showed of the very thing that the answer will tell: Bayes' rule.

    Where both are misled alike photos tell the answer itself, besides what they tell of the family.
    """
    seen = next((e.likelihood for e in contenders.posterior.attributes if e.name == name), None)
    if name not in SEEN_ALIKE or not seen or chances.shape[1] != len(values):
        return chances
    told = chances * np.array([seen.get(value, min(seen.values())) for value in values])
    return np.asarray(told / told.sum(axis=1, keepdims=True))


def _kit_number_answers(contenders: Contenders, settings: MatchSettings) -> Array:
    """(G, C) probability that a number of kit group g is read out, given each row: its own, seldom another."""
    group = contenders.section_groups.get("fluid", contenders.group)
    count = int(group.max()) + 1
    error = settings.typed_error_of(KIT_ATTRIBUTE) if count > 1 else 0.0
    same = np.arange(count)[:, None] == group
    return np.where(same, 1.0 - error, error / max(count - 1, 1))


def _entropy_part(joint: Array) -> float:
    """Sum over rows of P(row) H(group | row), for joint probabilities (K, G)."""
    total = joint.sum(axis=-1, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(joint > 0.0, joint * np.log2(joint / total), 0.0)
    return float(-terms.sum())


def reading_predictions(contenders: Contenders, question: Question) -> tuple[Array, Array]:
    """(C, d) and (C, d, d): what each row predicts for the logs of the readings, their errors included."""
    columns = [LENGTH_NAMES.index(reading.name) for reading in question.lengths]
    mean = contenders.mean[:, columns]
    covariance = contenders.covariance[:, columns][:, :, columns] + question.shared_sd**2
    for d, reading in enumerate(question.lengths):
        covariance[:, d, d] += reading.relative_sd**2 + (reading.sd_mm / np.exp(mean[:, d])) ** 2
    return mean, covariance


def _on_grid(mean: Array, covariance: Array, answers: Array) -> Iterator[Array]:
    """One reading, by the trapezoid rule on a grid that is fine wherever any row's prediction is narrow."""
    center, sd = mean[:, 0], np.sqrt(covariance[:, 0, 0])
    nodes = np.unique((center[:, None] + sd[:, None] * _GRID).ravel())
    density = np.exp(-0.5 * ((nodes[:, None] - center) / sd) ** 2) / (sd * np.sqrt(2.0 * np.pi))
    step = np.zeros(len(nodes))
    half = 0.5 * np.diff(nodes)
    step[:-1] += half
    step[1:] += half
    density *= step[:, None]
    for weight in answers:
        yield density * weight


def _at_nodes(mean: Array, covariance: Array, answers: Array) -> Iterator[Array]:
    """Several readings: Gauss-Hermite nodes about every row's prediction, shared by the posterior there."""
    size = mean.shape[1]
    points, weights = np.polynomial.hermite_e.hermegauss(_NODES_PER_LENGTH)
    unit = np.array(list(product(points, repeat=size)))
    share = np.array([np.prod(w) for w in product(weights / weights.sum(), repeat=size)])
    lower = np.linalg.cholesky(covariance)
    nodes = (mean[:, None, :] + np.einsum("cij,qj->cqi", lower, unit)).reshape(-1, size)
    white = np.einsum("cij,ncj->nci", np.linalg.inv(lower), nodes[:, None, :] - mean)
    log_density = -0.5 * (white**2).sum(axis=-1) - np.log(np.einsum("cii->ci", lower)).sum(axis=-1)
    for weight in answers[answers.sum(axis=1) > 0.0]:
        with np.errstate(divide="ignore"):
            scored = log_density + np.log(weight)
        posterior = np.exp(scored - scored.max(axis=1, keepdims=True))
        posterior /= posterior.sum(axis=1, keepdims=True)
        yield posterior * (weight[:, None] * share).ravel()[:, None]
