"""Small dense least squares whose answer knows which residuals each part of its uncertainty came from.

With whitened residuals r(x) in named groups, H = sum over groups of J_g^T J_g is the information and H^-1 the
covariance of the solution. A change e_g of the data of one group moves the solution by -H^-1 J_g^T e_g, so
the variance of a parameter splits exactly into one term a group (law of propagation of uncertainty, JCGM
100:2008, 5.1).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Residuals = Callable[[Array], dict[str, Array]]


@dataclass(frozen=True, eq=False)
class Solution:
    """A solved problem.

    Attributes:
        x: (P,) parameters at the minimum.
        cost: half the sum of squared whitened residuals.
        covariance: (P, P) of x.
        loadings: group -> (P, N_g) response of x to unit whitened errors of that group.
        residuals: group -> whitened residuals at the minimum.
    """

    x: Array
    cost: float
    covariance: Array
    loadings: Mapping[str, Array]
    residuals: Mapping[str, Array]


def solve(residuals: Residuals, start: Array, steps: Array, iterations: int = 60) -> Solution:
    """Levenberg-Marquardt by differences: forward ones on the way, central ones for the uncertainty.

    Args:
        residuals: x -> named groups of whitened residuals, group sizes must not change.
        start: (P,) first guess.
        steps: (P,) difference steps, about the size at which the residuals stay linear.
        iterations: at most.

    Returns:
        The solution. Directions that neither data nor priors hold get a huge but finite variance.
    """
    x = start.astype(float).copy()
    damping = 1e-4
    groups = residuals(x)
    flat = _flatten(groups)
    cost = 0.5 * float(flat @ flat)
    for _ in range(iterations):
        jacobian = _forward_jacobian(residuals, x, flat, steps)
        gradient = jacobian.T @ flat
        information = jacobian.T @ jacobian
        for _attempt in range(8):
            damped = information + damping * np.diag(np.diag(information) + 1e-12)
            step = -np.linalg.solve(damped, gradient)
            trial = residuals(x + step)
            trial_flat = _flatten(trial)
            trial_cost = 0.5 * float(trial_flat @ trial_flat)
            if np.isfinite(trial_cost) and trial_cost <= cost:
                break
            damping *= 8.0
        else:
            break
        gained = cost - trial_cost
        x, groups, flat, cost = x + step, trial, trial_flat, trial_cost
        damping = max(damping / 5.0, 1e-10)
        if gained <= 1e-6 * (1.0 + cost):
            break
    return _with_uncertainty(residuals, x, groups, cost, steps)


def _flatten(groups: Mapping[str, Array]) -> Array:
    return np.concatenate([np.ravel(g) for g in groups.values()])


def _forward_jacobian(residuals: Residuals, x: Array, here: Array, steps: Array) -> Array:
    columns = []
    for i, step in enumerate(steps):
        ahead = x.copy()
        ahead[i] += step
        columns.append((_flatten(residuals(ahead)) - here) / step)
    return np.stack(columns, axis=1)


def _jacobian(residuals: Residuals, x: Array, steps: Array) -> Array:
    columns = []
    for i, step in enumerate(steps):
        ahead, behind = x.copy(), x.copy()
        ahead[i] += step
        behind[i] -= step
        columns.append((_flatten(residuals(ahead)) - _flatten(residuals(behind))) / (2 * step))
    return np.stack(columns, axis=1)


def _with_uncertainty(
    residuals: Residuals, x: Array, groups: Mapping[str, Array], cost: float, steps: Array
) -> Solution:
    jacobian = _jacobian(residuals, x, steps)
    scale = np.sqrt(np.sum(jacobian**2, axis=0)) + 1e-30
    information = (jacobian / scale).T @ (jacobian / scale)
    covariance = np.linalg.inv(information + 1e-12 * np.eye(len(x))) / np.outer(scale, scale)
    loadings, first = {}, 0
    for name, group in groups.items():
        size = group.size
        loadings[name] = -covariance @ jacobian[first : first + size].T
        first += size
    return Solution(x, cost, covariance, loadings, dict(groups))
