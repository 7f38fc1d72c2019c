"""Geometry: how probable the measured lengths are for each family, one Gaussian in log space, closed form.

With y = log of the measured lengths (their covariance C holds the shared scale error, which is huge when
there was no scale) and a family's log lengths x ~ N(mean, D), D diagonal, the measured lengths follow N(mean,
C + D). A length a family does not know is filled from the broad density of such pumps given the lengths it
does know, so it neither rewards nor punishes. Families are grouped by which of the measured lengths they
know; each group then reduces to one Gaussian of the known lengths with a common matrix P plus each family's
own diagonal.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from identify.matching.broad_lengths import BroadLengths, conditional
from reference_geometry.families import LENGTH_NAMES

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

LOG_2PI = float(np.log(2.0 * np.pi))
_BLOCK = 8192
"""Families worked on at once: all temporaries of a block stay in the processor's cache."""


@dataclass(frozen=True, eq=False)
class LogLengths:
    """Measured lengths as the matcher sees them, each name once.

    Attributes:
        names: n words of LENGTH_NAMES.
        log_mm: (n,) log of the values in mm.
        covariance: (n, n) of those logs, model floor included.
        read_in_photo: (n,) whether a photo told it, so that another edge than the one meant may have been read.
    """

    names: tuple[str, ...]
    log_mm: Array
    covariance: Array
    read_in_photo: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Reduced:
    """The measured lengths seen by families that know the same `known` of them.

    The likelihood of such a family is exp(log_constant) * N(estimate; its log means, spread + its own
    diagonal).

    Attributes:
        known: (k,) rows of the family table that enter.
        estimate: (k,) best estimate of those logs.
        spread: (k, k) its covariance.
        log_constant: what does not depend on the family.
    """

    known: Indices
    estimate: Array
    spread: Array
    log_constant: float


def reduce_to_known(measured: LogLengths, broad: BroadLengths, known_bits: int) -> Reduced:
    """Fold the lengths a group of families does not know into those it does (generalized least squares).

    Args:
        measured: the measured lengths.
        broad: density of lengths nobody knows.
        known_bits: bit i set when the families know LENGTH_NAMES[i].
    """
    columns = np.array([LENGTH_NAMES.index(name) for name in measured.names], dtype=np.intp)
    known = np.array([bool(known_bits >> int(c) & 1) for c in columns], dtype=bool)
    prior = broad.covariance[np.ix_(columns, columns)]
    design = np.eye(len(columns))[:, known]
    observed = measured.log_mm.copy()
    spread = measured.covariance.copy()
    if not known.all():
        unknown = ~known
        slope, rest = conditional(prior, known, unknown)
        design[unknown] = slope
        center = broad.mean[columns]
        observed[unknown] -= center[unknown] - slope @ center[known]
        spread[np.ix_(unknown, unknown)] += rest
    return _least_squares(observed, design, spread, columns[known])


def _least_squares(observed: Array, design: Array, spread: Array, known: Indices) -> Reduced:
    """Write N(observed; design x, spread) as a constant times N(estimate; x, P)."""
    lower = np.linalg.cholesky(spread)
    white = np.linalg.solve(lower, np.column_stack([observed, design]))
    white_y, white_g = white[:, 0], white[:, 1:]
    log_det = 2.0 * float(np.log(np.diag(lower)).sum())
    if not known.size:
        constant = -0.5 * (len(observed) * LOG_2PI + log_det + float(white_y @ white_y))
        return Reduced(known, np.zeros(0), np.zeros((0, 0)), constant)
    q, r = np.linalg.qr(white_g)
    r_inverse = np.linalg.inv(r)
    estimate = r_inverse @ (q.T @ white_y)
    residual = white_y - white_g @ estimate
    log_det_p = -2.0 * float(np.log(np.abs(np.diag(r))).sum())
    dof = len(observed) - len(known)
    constant = -0.5 * (dof * LOG_2PI + log_det - log_det_p + float(residual @ residual))
    return Reduced(known, estimate, r_inverse @ r_inverse.T, constant)


def log_density(reduced: Reduced, log_mean: Array, log_variance: Array, rows: Indices) -> Array:
    """Exact log likelihood of the measured lengths for each family.

    A Cholesky factorization of `spread + diag(own variance)` runs over all families of a block at once,
    column by column, which is far faster than one small factorization a family.

    Args:
        reduced: of the group these families belong to.
        log_mean: (12, N) of the family table.
        log_variance: (12, N) of the family table.
        rows: (n,) families to work on.

    Returns:
        (n,) log likelihoods.
    """
    result = np.full(len(rows), reduced.log_constant)
    size = len(reduced.known)
    if not size:
        return result
    for start in range(0, len(rows), _BLOCK):
        block = rows[start : start + _BLOCK]
        own = log_variance[np.ix_(reduced.known, block)]
        offset = reduced.estimate[:, None] - log_mean[np.ix_(reduced.known, block)]
        squares, log_det = _columnwise_cholesky(reduced.spread, own, offset)
        result[start : start + _BLOCK] -= 0.5 * (size * LOG_2PI + log_det + squares)
    return result


def _columnwise_cholesky(spread: Array, own: Array, offset: Array) -> tuple[Array, Array]:
    """Mahalanobis squares and log determinants of `spread + diag(own[:, f])` for all f at once; (n,) each."""
    size, count = own.shape
    factor = np.zeros((size, size, count))
    white = np.empty((size, count))
    determinant = np.ones(count)
    for i in range(size):
        for j in range(i):
            value = spread[i, j] - np.einsum("kn,kn->n", factor[i, :j], factor[j, :j])
            factor[i, j] = value / factor[j, j]
        pivot = own[i] + spread[i, i] - np.einsum("kn,kn->n", factor[i, :i], factor[i, :i])
        determinant *= pivot
        factor[i, i] = np.sqrt(pivot)
        white[i] = (offset[i] - np.einsum("kn,kn->n", factor[i, :i], white[:i])) / factor[i, i]
    return np.einsum("kn,kn->n", white, white), np.log(determinant)


def log_density_bound_by_one(
    measured: LogLengths, broad: BroadLengths, log_mean: Array, log_variance: Array, known_bits: NDArray[np.uint16]
) -> Array:
    """A cheap upper bound of every row's log likelihood, from the length that tells such pumps apart best.

    A density is that of one length times that of the others given it, which is nowhere above its own peak. The
    covariance of a row lies above the measured one (Loewner order), and so do its Schur complement and that peak's
    determinant.

    Args:
        measured: the measured lengths.
        broad: how much such pumps differ in each length.
        log_mean, log_variance: (12, N) of the family table.
        known_bits: (N,) bit i set where a row knows LENGTH_NAMES[i].

    Returns:
        (N,) upper bounds; rows that do not know that length have the bound of a perfect fit.
    """
    own = np.diag(measured.covariance)
    columns = [LENGTH_NAMES.index(name) for name in measured.names]
    best = int(np.argmax(np.diag(broad.covariance)[columns] / own))
    column = columns[best]
    lower = np.linalg.cholesky(measured.covariance)
    top = -0.5 * (len(columns) * LOG_2PI + 2.0 * float(np.log(np.diag(lower)).sum()))
    bound: Array = log_mean[column] - measured.log_mm[best]
    bound *= bound
    bound /= log_variance[column] + own[best]
    bound *= np.where(known_bits & np.uint16(1 << column), -0.5, 0.0)
    bound += top
    return bound


def log_density_bound(reduced: Reduced, log_mean: Array, rows: Indices, least: Array, most: Array) -> Array:
    """A cheap upper bound of `log_density`, from the largest and smallest own variances of the group.

    `spread + D` lies between `spread + least` and `spread + most` (Loewner order), so its inverse quadratic
    form is never below that of the larger matrix and its determinant never below that of the smaller one.

    Args:
        reduced: of the group.
        log_mean: (12, N) family table.
        rows: (n,) families.
        least: (12,) smallest log variance among them.
        most: (12,) largest.

    Returns:
        (n,) upper bounds.
    """
    size = len(reduced.known)
    if not size:
        return np.full(len(rows), reduced.log_constant)
    small = np.linalg.cholesky(reduced.spread + np.diag(least[reduced.known]))
    large = np.linalg.cholesky(reduced.spread + np.diag(most[reduced.known]))
    whiten = np.linalg.inv(large)
    log_det = 2.0 * float(np.log(np.diag(small)).sum())
    top = reduced.log_constant - 0.5 * (size * LOG_2PI + log_det)
    bound = np.empty(len(rows))
    for start in range(0, len(rows), _BLOCK):
        block = rows[start : start + _BLOCK]
        white = whiten @ (reduced.estimate[:, None] - log_mean[np.ix_(reduced.known, block)])
        bound[start : start + _BLOCK] = top - 0.5 * np.einsum("kn,kn->n", white, white)
    return bound
