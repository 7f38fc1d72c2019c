"""What is seen across a four-sided thing's sides: scan lines, the edges on them, and straight lines these agree on."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from features.scale.strip_edges import BORDER, PITCH_PX, StripEdges, is_inside, sample, strip_edges

Array = NDArray[np.float64]

LINES = 64
"""Scan lines across a side."""
LEAST_REACH_PX = 3.0
_LEFT_OUT = 0.11
"""Part of a side left out at either end; a bank card's corner takes 3.7 and 5.9 % of its sides."""

_TRIALS = 160
_ALIKE = 3.0
"""Lines whose offset and change are this near, in samples, are one."""


@dataclass(frozen=True, eq=False)
class Line:
    """A line that edges across a side agree on.

    Attributes:
        line: (2,) offset in the middle and change over the side, samples.
        support: part of the scan lines with an edge on it.
        rms: scatter of those edges, samples.
        strength: mean over all scan lines of the edge strength found on it.
    """

    line: Array
    support: float
    rms: float
    strength: float


@dataclass(frozen=True, eq=False)
class SideLook:
    """Scan lines across a rough side.

    Attributes:
        start_px, end_px: (2,) its ends.
        colors: (L, S, 3) seen across it; pitch_px: from sample to sample; middle: the sample that lies on it.
        along: (L,) where the scan lines cross it, 0 at its start and 1 at its end.
        edges: what stands out on them.
    """

    start_px: Array
    end_px: Array
    colors: NDArray[np.float32]
    pitch_px: float
    middle: int
    along: Array
    edges: StripEdges

    @cached_property
    def weight(self) -> Array:
        """(E,) how much each edge counts, up to 1: a shadow's is soft and counts little."""
        edges = self.edges
        if len(edges.line) == 0:
            return np.zeros(0)
        size = np.abs(edges.step)
        weight = np.minimum(1.0, size / max(float(np.quantile(size, 0.85)), 6.0))
        strong = weight >= np.quantile(weight, 0.7)
        sharp = float(np.median(edges.sharpness[strong]))
        return np.asarray(weight * np.clip((edges.sharpness / sharp - 0.4) / 0.4, 0.3, 1.0))

    @cached_property
    def lines(self) -> tuple[Line, ...]:
        """Lines that edges agree on, no two alike."""
        return _lines_along(self)

    @property
    def edges_px(self) -> Array:
        """(E, 2) places of the edges in the photo."""
        away = (self.edges.at - self.middle) * self.pitch_px
        return self.at_px(self.along[self.edges.line], away)

    def at_px(self, along: Array, away_px: Array) -> Array:
        """(N, 2) places by (N,) shares of the side and distances from it, outward positive."""
        start, end = self.start_px, self.end_px
        return np.asarray(start + along[:, None] * (end - start) + away_px[:, None] * outward(start, end))


class SidesSeen:
    """Rough sides of one photo as they were looked at, each only once."""

    def __init__(self, pixels_rgb: NDArray[np.uint8]) -> None:
        self._pixels_rgb = pixels_rgb
        self._looks: dict[tuple[float, ...], SideLook | None] = {}

    def look(self, corners_px: Array, k: int, reach: float) -> SideLook | None:
        """Side k of an outline (4, 2), clockwise as seen, and what lies at most a share of its depth there from it.

        None where it is too little in view.
        """
        a, b = corners_px[k], corners_px[(k + 1) % 4]
        depth = float(min(np.linalg.norm(a - corners_px[k - 1]), np.linalg.norm(b - corners_px[(k + 2) % 4])))
        reach_px = max(reach * depth, LEAST_REACH_PX)
        place = (*a.tolist(), *b.tolist(), reach_px)
        if place not in self._looks:
            self._looks[place] = _look_at_side(self._pixels_rgb, a, b, reach_px)
        return self._looks[place]


def _look_at_side(pixels_rgb: NDArray[np.uint8], a: Array, b: Array, reach_px: float) -> SideLook | None:
    length = float(np.linalg.norm(b - a))
    if length < 12:
        return None
    stretch = max(1.0, reach_px / 80.0)  # a wide search is a coarse one
    pitch_px = PITCH_PX * stretch
    half = int(np.ceil(reach_px / pitch_px)) + BORDER
    t = np.linspace(_LEFT_OUT, 1 - _LEFT_OUT, LINES)
    offsets = np.arange(-half, half + 1) * pitch_px
    at = a + t[:, None, None] * (b - a) + offsets[None, :, None] * outward(a, b)
    colors = sample(pixels_rgb, at)
    colors = np.asarray((colors + np.roll(colors, 1, axis=0) + np.roll(colors, -1, axis=0)) / 3, np.float32)
    inside = is_inside(pixels_rgb.shape, at)
    if inside[:, half].mean() < 0.8:
        return None
    edges = strip_edges(_best_mix(colors, half), 2.0, inside)
    return SideLook(a, b, colors, pitch_px, half, t, edges)


def outward(a: Array, b: Array) -> Array:
    """(2,) unit vector away from the inside, which lies to the right of a side: clockwise with y down."""
    along = (b - a) / np.linalg.norm(b - a)
    return np.array([along[1], -along[0]])


def _best_mix(colors: NDArray[np.float32], middle: int) -> NDArray[np.float32]:
    """(L, S) the mixture of colors that best tells inside from outside, scaled like gray."""
    every = max(1, colors.shape[1] // 40)  # neighbors tell the same
    inner = colors[::2, : middle - 2 : every].reshape(-1, 3).astype(float)
    outer = colors[1::2, middle + 3 :: every].reshape(-1, 3).astype(float)
    within = np.cov(inner.T) + np.cov(outer.T) + 9.0 * np.eye(3)
    mix = np.linalg.solve(within, inner.mean(0) - outer.mean(0))
    size = float(np.abs(mix).sum())
    gray = np.array([0.299, 0.587, 0.114])
    mix = gray if size < 1e-6 else mix / size + 0.05 * gray
    return np.asarray(colors @ mix.astype(np.float32), np.float32)


def _lines_along(look: SideLook) -> tuple[Line, ...]:
    edges, weight = look.edges, look.weight
    if len(edges.line) < 12:
        return ()
    u, y = look.along[edges.line] - 0.5, edges.at - look.middle
    random = np.random.default_rng(0)
    one, other = random.choice(len(u), size=(2, _TRIALS), p=weight / weight.sum())
    ok = np.abs(u[one] - u[other]) > 0.2
    slope = (y[one] - y[other])[ok] / (u[one] - u[other])[ok]
    lines = np.column_stack([y[one][ok] - slope * u[one][ok], slope])
    first = np.unique(edges.line, return_index=True)[1]
    score = _line_strength(lines, u, y, weight, first)
    trials = lines[np.argsort(-score)[:24]]
    settled: list[Line] = []
    places = np.zeros((0, 2))
    for trial, found in zip(trials, _settle(trials, u, y, weight, first), strict=True):
        if found is not None and not (np.abs(places - trial) <= _ALIKE).all(axis=1).any():
            settled.append(found)
            places = np.concatenate([places, found.line[None]])
    return tuple(settled)


def _line_strength(lines: Array, u: Array, y: Array, weight: Array, first: NDArray[np.int64]) -> Array:
    off = y - lines[:, :1] - lines[:, 1:] * u
    near = weight / (1.0 + (off / 2.0) ** 2) ** 2
    return np.asarray(np.maximum.reduceat(near, first, axis=1).sum(1) / LINES)


def _settle(lines: Array, u: Array, y: Array, weight: Array, first: NDArray[np.int64]) -> list[Line | None]:
    """Fit lines to the edges near each of (T, 2) trials, None where too few are."""
    enough = np.ones(len(lines), bool)
    for width in (4.0, 2.5, 1.5, 1.5):
        off = y - lines[:, :1] - lines[:, 1:] * u
        pull = weight * np.exp(-0.5 * (off / width) ** 2) * (np.abs(off) < 2.5 * width)
        enough &= np.count_nonzero(pull > 0.02, axis=1) >= 8
        # Normal equations of two unknowns, solved by hand for all trials at once.
        n, su, suu, sy, suy = (pull @ v for v in (np.ones_like(u), u, u * u, y, u * y))
        n, suu = n + 1e-9, suu + 1e-9
        slope = (n * suy - su * sy) / np.maximum(n * suu - su * su, 1e-18)
        lines = np.column_stack([(sy - slope * su) / n, slope])
    off = y - lines[:, :1] - lines[:, 1:] * u
    near = np.abs(off) < 3.0
    enough &= near.sum(axis=1) >= 8
    support = np.maximum.reduceat(near, first, axis=1).sum(axis=1) / LINES
    kept = near * (weight + 1e-6)
    scatter = np.sqrt((kept * off**2).sum(axis=1) / np.maximum(kept.sum(axis=1), 1e-12))
    strength = _line_strength(lines, u, y, weight, first)
    return [
        Line(lines[k], float(support[k]), float(scatter[k]), float(strength[k])) if enough[k] else None
        for k in range(len(lines))
    ]
