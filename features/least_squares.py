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
"""(K, P) guesses at the parameters -> named groups of (K, N_g) whitened residuals, all guesses at once."""


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
        residuals: of many guesses at once (`in_turn` makes one of a function of a single guess).
        start: (P,) first guess.
        steps: (P,) difference steps, about the size at which the residuals stay linear.
        iterations: at most.

    Returns:
        The solution. Directions that neither data nor priors hold get a huge but finite variance.
    """
    x = start.astype(float).copy()
    damping = 1e-4
    for _ in range(iterations):
        flat, jacobian = _forward_jacobian(residuals, x, steps)
        cost = 0.5 * float(flat @ flat)
        gradient = jacobian.T @ flat
        information = jacobian.T @ jacobian
        for _attempt in range(8):
            damped = information + damping * np.diag(np.diag(information) + 1e-12)
            step = -np.linalg.solve(damped, gradient)
            with np.errstate(over="ignore", invalid="ignore", divide="ignore"):  # a step too far is taken back
                trial = _flatten(residuals((x + step)[None]))[0]
                trial_cost = 0.5 * float(trial @ trial)
            if np.isfinite(trial_cost) and trial_cost <= cost:
                break
            damping *= 8.0
        else:
            break
        x = x + step
        damping = max(damping / 5.0, 1e-10)
        if cost - trial_cost <= 1e-6 * (1.0 + trial_cost):
            break
    return _with_uncertainty(residuals, x, steps)


def lighter_by_tail(off: float, degrees: float) -> float:
    """How much less a belief missed by `off` standard uncertainties costs by Student's t than by a normal one."""
    return max(0.5 * off**2 - 0.5 * (degrees + 1.0) * float(np.log1p(off**2 / degrees)), 0.0)


def in_turn(residuals: Callable[[Array], dict[str, Array]]) -> Residuals:
    """Residuals of many guesses at once from a function of one (P,) guess."""

    def of_all(xs: Array) -> dict[str, Array]:
        every = [residuals(x) for x in xs]
        return {name: np.stack([np.ravel(one[name]) for one in every]) for name in every[0]}

    return of_all


def _flatten(groups: Mapping[str, Array]) -> Array:
    """(K, N) all groups side by side."""
    return np.concatenate(list(groups.values()), axis=1)


def _forward_jacobian(residuals: Residuals, x: Array, steps: Array) -> tuple[Array, Array]:
    """(N,) residuals and their (N, P) derivatives."""
    flat = _flatten(residuals(np.concatenate([x[None], x + np.diag(steps)])))
    return flat[0], ((flat[1:] - flat[0]) / steps[:, None]).T


def _with_uncertainty(residuals: Residuals, x: Array, steps: Array) -> Solution:
    groups = residuals(np.concatenate([x[None], x + np.diag(steps), x - np.diag(steps)]))
    flat, count = _flatten(groups), len(x)
    jacobian = ((flat[1 : 1 + count] - flat[1 + count :]) / (2 * steps)[:, None]).T
    scale = np.sqrt(np.sum(jacobian**2, axis=0)) + 1e-30
    information = (jacobian / scale).T @ (jacobian / scale)
    covariance = np.linalg.inv(information + 1e-12 * np.eye(count)) / np.outer(scale, scale)
    loadings, first = {}, 0
    for name, group in groups.items():
        size = group.shape[1]
        loadings[name] = -covariance @ jacobian[first : first + size].T
        first += size
    cost = 0.5 * float(flat[0] @ flat[0])
    return Solution(x, cost, covariance, loadings, {name: group[0] for name, group in groups.items()})
