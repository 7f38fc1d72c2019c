"""Circles through points, the quick algebraic way; used for first guesses."""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def fit_circle(points: Array) -> tuple[Array, float]:
    """Center (2,) and radius of the algebraic least-squares circle (Kasa) through (N, 2) points."""
    design = np.column_stack([2 * points, np.ones(len(points))])
    a, b, c = np.linalg.lstsq(design, np.sum(points**2, axis=1), rcond=None)[0]
    return np.array([a, b]), float(np.sqrt(max(c + a * a + b * b, 0.0)))


def circles_through(triples: Array) -> tuple[Array, Array]:
    """Centers (T, 2) and radii (T,) of circles through three points each, (T, 3, 2); huge where they lie in line."""
    a, b, c = triples[:, 0], triples[:, 1], triples[:, 2]
    ab, ac = b - a, c - a
    double = 2 * (ab[:, 0] * ac[:, 1] - ab[:, 1] * ac[:, 0])
    double = np.where(np.abs(double) < 1e-9, 1e-9, double)
    bb, cc = (ab**2).sum(axis=1), (ac**2).sum(axis=1)
    offset = np.column_stack([ac[:, 1] * bb - ab[:, 1] * cc, ab[:, 0] * cc - ac[:, 0] * bb]) / double[:, None]
    return a + offset, np.linalg.norm(offset, axis=1)
