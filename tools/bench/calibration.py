"""How far stated chances are from what came true: expected calibration errors, and what chance alone makes of them."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Chances = NDArray[np.float64]
Outcomes = NDArray[np.bool_]
BINS = 10
DRAWS = 200


def error_by_value(chances: Chances, right: Outcomes) -> float:
    """Gap between stated and observed frequency over ten equal intervals of the chance, weighed by how many lie there.

    The expected calibration error of Guo et al. 2017 (arXiv 1706.04599).

    Args:
        chances: (N,) stated; right: (N,) whether it came true.
    """
    bins = np.minimum((chances * BINS).astype(int), BINS - 1)
    parts = [bins == b for b in range(BINS)]
    return float(sum(part.mean() * abs(chances[part].mean() - right[part].mean()) for part in parts if part.any()))


def error_by_rank(chances: Chances, right: Outcomes) -> float:
    """The same over ten groups that hold equally many cases, the least likely ones first; arguments alike."""
    groups = np.array_split(np.argsort(chances), BINS)
    return float(np.mean([abs(chances[part].mean() - right[part].mean()) for part in groups if len(part)]))


def error_if_true(chances: Chances, error: Callable[[Chances, Outcomes], float]) -> float:
    """Mean error of outcomes drawn by the (N,) chances themselves: what it comes to on so few where all are true."""
    rng = np.random.default_rng(0)
    return float(np.mean([error(chances, rng.random(len(chances)) < chances) for _ in range(DRAWS)]))


def error_interval(
    chances: Chances, right: Outcomes, error: Callable[[Chances, Outcomes], float]
) -> tuple[float, float]:
    """95 % of the errors of as many cases drawn again (bootstrap)."""
    rng = np.random.default_rng(0)
    drawn = [rng.integers(len(right), size=len(right)) for _ in range(DRAWS)]
    low, high = np.quantile([error(chances[again], right[again]) for again in drawn], [0.025, 0.975])
    return float(low), float(high)
