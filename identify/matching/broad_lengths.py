"""How the lengths of such pumps vary together when no family is known: one broad Gaussian in log space.

It says what a length a family does not know probably is, given those it does know, and what a pump that is in
no set looks like. It starts from common practice and is drawn toward the reference set's own proportions.
"""

from dataclasses import dataclass
from math import log

import numpy as np
from numpy.typing import NDArray

from reference_geometry.families import LENGTH_NAMES

Array = NDArray[np.float64]

_LOG_SIZE_MEAN = log(1.2)
_LOG_SIZE_SD = 0.75
"""Nominal size in inches: 1/4 to 3 in. lie within about two standard deviations (common practice)."""

_PRACTICE: dict[str, tuple[float, float, float]] = {
    # name: (mm at nominal 1 in., power of the nominal size, relative sd); common practice from memory
    "chamber_diameter": (212.0, 0.65, 0.12),
    "flange_diameter": (113.0, 0.48, 0.07),
    "bolt_circle_diameter": (83.0, 0.54, 0.07),
    "bolt_hole_diameter": (16.0, 0.22, 0.12),
    "port_bore": (26.0, 0.95, 0.15),
    "thread_major_diameter": (33.3, 0.80, 0.06),
    "thread_pitch": (2.3, 0.30, 0.20),
    "port_spacing": (300.0, 0.70, 0.18),
    "overall_height": (365.0, 0.70, 0.16),
    "overall_width": (300.0, 0.65, 0.20),
    "foot_spacing_long": (180.0, 0.60, 0.30),
    "foot_spacing_short": (130.0, 0.60, 0.30),
}

_MEAN_WEIGHT = 4.0
"""How many families the common-practice mean counts for."""

_SPREAD_WEIGHT = 12.0
"""How many families the common-practice spread counts for."""

_MAX_ROWS = 2000
_MAX_STEPS = 40


@dataclass(frozen=True, eq=False)
class BroadLengths:
    """Broad density of the logarithms of all lengths, in the order of LENGTH_NAMES.

    Attributes:
        mean: (12,) mean of log(mm).
        covariance: (12, 12) covariance of log(mm).
    """

    mean: Array
    covariance: Array


def practice_lengths() -> BroadLengths:
    """Common practice alone, before any set is seen."""
    table = np.array([_PRACTICE[name] for name in LENGTH_NAMES])
    power = table[:, 1]
    mean = np.log(table[:, 0]) + power * _LOG_SIZE_MEAN
    covariance = _LOG_SIZE_SD**2 * np.outer(power, power) + np.diag(table[:, 2] ** 2)
    return BroadLengths(mean, covariance)


def fit_broad_lengths(log_mean: Array, inflation: float) -> BroadLengths:
    """Broad density drawn from common practice toward a set, then widened.

    The posterior mode of a Gaussian under a normal-inverse-Wishart prior, with missing lengths handled by
    expectation-maximization (Little and Rubin, Statistical Analysis with Missing Data, chapter 11).

    Args:
        log_mean: (12, N) log of the families' mean lengths, NaN where not known; long sets are thinned
            evenly.
        inflation: factor on every standard deviation at the end.
    """
    prior = practice_lengths()
    rows = _thinned(log_mean)
    fitted = prior
    for _ in range(_MAX_STEPS if len(rows) else 0):
        following = _one_step(rows, fitted, prior)
        moved = float(np.max(np.abs(following.mean - fitted.mean)))
        fitted = following
        if moved < 1e-6:
            break
    return BroadLengths(fitted.mean, fitted.covariance * inflation**2)


def _thinned(log_mean: Array) -> Array:
    informative = log_mean[:, np.isfinite(log_mean).any(axis=0)]
    stride = max(1, -(-informative.shape[1] // _MAX_ROWS))
    return np.ascontiguousarray(informative[:, ::stride].T)


def _one_step(rows: Array, now: BroadLengths, prior: BroadLengths) -> BroadLengths:
    """One expectation-maximization step over (n, 12) rows with NaN."""
    filled, spread = _fill_missing(rows, now)
    count = len(rows)
    mean = (_MEAN_WEIGHT * prior.mean + filled.sum(axis=0)) / (_MEAN_WEIGHT + count)
    centered = filled - mean
    shift = mean - prior.mean
    scatter = centered.T @ centered + spread + _MEAN_WEIGHT * np.outer(shift, shift)
    covariance = (_SPREAD_WEIGHT * prior.covariance + scatter) / (_SPREAD_WEIGHT + count)
    return BroadLengths(mean, covariance)


def _fill_missing(rows: Array, now: BroadLengths) -> tuple[Array, Array]:
    """Rows with missing values at their conditional means, and the summed conditional covariance (12, 12)."""
    filled = rows.copy()
    spread = np.zeros_like(now.covariance)
    patterns, which = np.unique(np.isfinite(rows), axis=0, return_inverse=True)
    for index, known in enumerate(patterns):
        members = np.flatnonzero(which.ravel() == index)
        unknown = ~known
        if not unknown.any():
            continue
        slope, rest = conditional(now.covariance, known, unknown)
        residual = rows[np.ix_(members, np.flatnonzero(known))] - now.mean[known]
        filled[np.ix_(members, np.flatnonzero(unknown))] = now.mean[unknown] + residual @ slope.T
        spread[np.ix_(unknown, unknown)] += len(members) * rest
    return filled, spread


def conditional(covariance: Array, known: NDArray[np.bool_], unknown: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Regression of the unknown on the known part of a Gaussian.

    Args:
        covariance: (n, n).
        known: (n,) mask of what is known.
        unknown: (n,) mask of what is wanted.

    Returns:
        (u, k) slope and (u, u) remaining covariance.
    """
    across = covariance[np.ix_(unknown, known)]
    slope = np.asarray(np.linalg.solve(covariance[np.ix_(known, known)], across.T).T, dtype=np.float64)
    rest = covariance[np.ix_(unknown, unknown)] - slope @ across.T
    return slope, 0.5 * (rest + rest.T)
