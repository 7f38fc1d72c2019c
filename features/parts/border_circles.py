"""Circles through the border that the part map draws of a round part, in a picture in which that part is a circle.

A border may run round two things that are told as one, half of it each: both circles are kept, edges decide.
"""

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from features.circle_fit import circles_through

Array = NDArray[np.float64]

LEAST_BORDER, BORDER_WIDTH = 32, 0.02
"""Least number of border points (of 180 directions) that must lie on one circle, and how near, over its radius."""
DIRECTIONS, LEAST_GAP = 16, 3
"""Directions whose border points circles are tried through, and how many apart those of one circle lie at least."""
STARTS, ROUNDS = 8, 3
"""How many of the best circles settle, and in how many rounds."""
ALTERNATIVES, NEARLY = 3, 0.6
"""How many circles are told at most, and what share of the best one's points another must have."""
SAME_CIRCLE = 0.03
"""Circles this near together, in place and size over their size, are one."""


def robust_circles(points: Array, radius_guess: float) -> list[tuple[Array, float, float]]:
    """The circle most points lie on, and another where nearly as many do: center, radius, share; none where few do.

    Circles through three points of an even choice all round are tried, and settle where their own points put them
    (Tukey's weights): whether one point more is there changes little.
    """
    if len(points) < LEAST_BORDER:
        return []
    width = BORDER_WIDTH * radius_guess
    circles = _likely(np.column_stack(circles_through(points[_triples(points)])), radius_guess)
    if not len(circles):
        return []
    circles = circles[np.argsort(-_pulls(points, circles, width).sum(axis=1), kind="stable")]
    settled = distinct(circles, STARTS)
    for _ in range(ROUNDS):
        pulls = _pulls(points, settled, width)
        settled = np.array([_settled(points, one, pull) for one, pull in zip(settled, pulls, strict=True)])
    settled = _likely(settled, radius_guess)
    pulled = _pulls(points, settled, width).sum(axis=1)
    settled = settled[np.argsort(-pulled, kind="stable")][: int(np.sum(pulled >= NEARLY * pulled.max(initial=0.0)))]
    away = np.linalg.norm(points - settled[:, None, :2], axis=2) - settled[:, 2:]
    agree = (np.abs(away) < width).sum(axis=1)
    kept = distinct(np.column_stack([settled, agree])[agree >= LEAST_BORDER], ALTERNATIVES)
    return [(one[:2], float(one[2]), float(one[3]) / len(points)) for one in kept]


def distinct(circles: Array, most: int) -> Array:
    """The first of (T, >= 3) circles that are not the same as one before, so many at most."""
    kept = np.zeros(0, np.int64)
    left = np.ones(len(circles), bool)
    while left.any() and len(kept) < most:
        first = int(np.argmax(left))
        kept = np.append(kept, first)
        left &= _moved(circles[first], circles) >= SAME_CIRCLE
    return np.asarray(circles[kept])


def _likely(circles: Array, radius_guess: float) -> Array:
    """Those of (T, 3) circles that are about as large as was guessed."""
    return np.asarray(circles[(circles[:, 2] > 0.7 * radius_guess) & (circles[:, 2] < 1.45 * radius_guess)])


def is_same_circle(one: tuple[Array, float], other: tuple[Array, float]) -> bool:
    """Whether two circles (center, radius) lie so near together that either stands for both."""
    return bool(_moved(np.array([*one[0], one[1]]), np.array([*other[0], other[1]])) < SAME_CIRCLE)


def _moved(one: Array, others: Array) -> Array:
    """(T,) how far circles (x, y, radius ..) lie from one in place and size together, over its size."""
    moved = np.hypot(*(others[..., :2] - one[:2]).T) + np.abs(others[..., 2] - one[2])
    return np.asarray(moved / max(float(one[2]), 1e-9))


def _triples(points: Array) -> NDArray[np.int64]:
    """(T, 3) indices of points at all threes of evenly spread directions about their middle, not too near together."""
    away = points - points.mean(axis=0)
    angle = np.arctan2(away[:, 1], away[:, 0])
    order = np.argsort(angle)
    at = np.searchsorted(angle[order], -np.pi + 2 * np.pi * (np.arange(DIRECTIONS) + 0.5) / DIRECTIONS)
    threes = np.array(list(combinations(range(DIRECTIONS), 3)))
    gaps = np.column_stack([np.diff(threes, axis=1), threes[:, 0] + DIRECTIONS - threes[:, 2]])
    return np.asarray(order[at % len(points)][threes[gaps.min(axis=1) >= LEAST_GAP]])


def _pulls(points: Array, circles: Array, width: float) -> Array:
    """(T, N) how surely each point lies on each of (T, 3) circles: Tukey's weights."""
    x, y, radius = circles.T[..., None]
    off = (np.hypot(points[:, 0] - x, points[:, 1] - y) - radius) / (2.0 * width)
    return np.asarray(np.maximum(0.0, 1.0 - off * off) ** 2)


def _settled(points: Array, circle: Array, pull: Array) -> Array:
    """(3,) the weighted algebraic circle (Kasa), or the same one where too few points pull."""
    if np.count_nonzero(pull) < LEAST_BORDER // 2:
        return circle
    root = np.sqrt(pull)
    design = np.column_stack([2 * points, np.ones(len(points))]) * root[:, None]
    a, b, c = np.linalg.lstsq(design, (points**2).sum(axis=1) * root, rcond=None)[0]
    return np.array([a, b, np.sqrt(max(c + a * a + b * b, 0.0))])
