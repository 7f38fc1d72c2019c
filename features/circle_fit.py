"""A circle through points, the quick algebraic way; used for first guesses."""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def fit_circle(points: Array) -> tuple[Array, float]:
    """Center (2,) and radius of the algebraic least-squares circle (Kasa) through (N, 2) points."""
    design = np.column_stack([2 * points, np.ones(len(points))])
    a, b, c = np.linalg.lstsq(design, np.sum(points**2, axis=1), rcond=None)[0]
    return np.array([a, b]), float(np.sqrt(max(c + a * a + b * b, 0.0)))
