"""The first ring made out round a guess: rough, but the right thing, in the right place, of the right shape."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from features.circle_fit import circles_through
from features.ellipse import Ellipse
from features.scale.ring_edges import LINES, RingEdges, contrast_pictures, ring_edges, to_round

Array = NDArray[np.float64]

_TRIALS = 400
_MOST_EDGES = 800
_SHAPE_SD = 0.08
"""How far a guess's shape is off: stretches tried in any direction, as a standard deviation."""

_WIDTH = 0.03
_CLOSED_WIDTH = 0.01
_LEAST_AXIS_RATIO = 0.5
"""A coin tilted more than 60 deg shows more of its side than of its rim."""


@dataclass(frozen=True, eq=False)
class RoughRing:
    """A ring, roughly.

    Attributes:
        ellipse: of the ring.
        closed: part of the rays that have an edge within a hundredth of its radius, 0..1.
    """

    ellipse: Ellipse
    closed: float


def first_ring(pixels: NDArray[np.uint8], rough: Ellipse) -> RoughRing | None:
    """The ring that most rays agree on.

    Each trial is an ellipse through three edges whose shape is the guess's, stretched a little at random.

    Args:
        pixels: (H, W) or (H, W, 3).
        rough: guess, to some 30 % in size and shape.
    """
    edges = ring_edges(contrast_pictures(pixels, rough)[-1][0], rough, 0.4)
    if len(edges.line) < 30:
        return None
    edges = edges.only(np.abs(edges.step) >= np.sort(np.abs(edges.step))[-_MOST_EDGES:][0])
    random = np.random.default_rng(0)
    weight = np.sqrt(np.abs(edges.step))
    picks = random.choice(len(edges.line), size=(_TRIALS, 3), p=weight / weight.sum())
    lines = np.sort(edges.line[picks], axis=1)
    gaps = np.column_stack([lines[:, 1] - lines[:, 0], lines[:, 2] - lines[:, 1], lines[:, 0] + LINES - lines[:, 2]])
    picks = picks[gaps.min(1) > LINES // 8]
    stretch = _stretches(random, len(picks))
    points = edges.radius[:, None] * np.column_stack([np.cos(edges.angle), np.sin(edges.angle)])
    centers, radii = circles_through(np.einsum("tij,tkj->tki", stretch, points[picks]))
    ok = (np.linalg.norm(centers, axis=1) < 0.35) & (radii > 0.65) & (radii < 1.5)
    if not ok.any():
        return None
    centers, radii, stretch = centers[ok], radii[ok], stretch[ok]
    best = _best_trial(edges, points, centers, radii, stretch)
    t = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    circle = centers[best] + radii[best] * np.column_stack([np.cos(t), np.sin(t)])
    back = np.linalg.inv(stretch[best] @ to_round(rough))
    start = Ellipse.fit(rough.center_px + circle @ back.T, refine=False)
    if not isinstance(start, Ellipse):
        return None
    return _tightened(edges.points_px(rough), edges.line, start)


def _stretches(random: np.random.Generator, count: int) -> Array:
    """(T, 2, 2) symmetric stretches near the identity; every third is none at all."""
    p, q = random.normal(0.0, _SHAPE_SD, (2, count))
    p[::3] = q[::3] = 0.0
    return np.stack([1.0 + p, q, q, 1.0 - p], axis=-1).reshape(-1, 2, 2)


def _best_trial(edges: RingEdges, points: Array, centers: Array, radii: Array, stretch: Array) -> int:
    # Written out and in single precision: these are the most numbers of the whole search.
    x, y = points.astype(np.float32).T
    m, c = stretch.astype(np.float32), centers.astype(np.float32)
    across = m[:, 0, 0, None] * x + (m[:, 0, 1, None] * y - c[:, 0, None])
    down = m[:, 1, 0, None] * x + (m[:, 1, 1, None] * y - c[:, 1, None])
    off = np.sqrt(across * across + down * down) * (1.0 / radii[:, None]).astype(np.float32) - np.float32(1.0)
    size = np.abs(edges.step)
    strength = np.minimum(1.0, size / np.quantile(size, 0.8)).astype(np.float32)
    near = strength / np.square(1.0 + np.square(off * np.float32(1.0 / _WIDTH)))
    starts = np.unique(edges.line, return_index=True)[1]
    agreed = np.maximum.reduceat(near, starts, axis=1).sum(1)
    stretched_by = np.hypot(stretch[:, 0, 0] - 1.0, stretch[:, 0, 1])
    return int(np.argmax(agreed * (1.0 - stretched_by)))  # the guess's own shape is likelier


def _tightened(points: Array, line: NDArray[np.int64], start: Ellipse) -> RoughRing | None:
    """Fit an ellipse to the edges near the start, three times with a smaller reach each."""
    ellipse = start
    for tolerance in (0.08, 0.045, 0.03):
        off = np.abs(relative_radius(points, ellipse) - 1)
        order = np.lexsort((off, line))
        near = order[np.unique(line[order], return_index=True)[1]]
        near = near[off[near] < tolerance]
        if len(near) < 0.4 * LINES:
            return None
        fit = Ellipse.fit(points[near], refine=False)
        if not isinstance(fit, Ellipse) or not is_plausible(fit, start):
            return None
        ellipse = fit
    on_it = np.abs(relative_radius(points, ellipse) - 1) < _CLOSED_WIDTH
    return RoughRing(ellipse, len(np.unique(line[on_it])) / LINES)


def relative_radius(points: Array, ellipse: Ellipse) -> Array:
    """1 on the ellipse, 1.1 on one a tenth larger about the same center."""
    return np.asarray(np.linalg.norm((points - ellipse.center_px) @ to_round(ellipse).T, axis=1))


def is_plausible(fit: Ellipse, start: Ellipse) -> bool:
    """Whether a fit is still the thing it started from: size, place, and no more tilted than a coin may be."""
    size = np.sqrt(fit.semi_axes_px.prod() / start.semi_axes_px.prod())
    apart = np.linalg.norm(fit.center_px - start.center_px) / start.semi_axes_px[0]
    return bool(0.7 < size < 1.4 and apart < 0.3 and fit.semi_axes_px[1] > _LEAST_AXIS_RATIO * fit.semi_axes_px[0])
