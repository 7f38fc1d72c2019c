"""A four-sided thing measured to sub-pixel: straight lines fitted to its sides, corners where the lines meet.

The corners themselves are never looked at here: a card's are rounded, a sheet's are worn.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from features.scale.strip_edges import BORDER, PITCH_PX, StripEdges, is_inside, sample, strip_edges

Array = NDArray[np.float64]

LINES = 64
"""Scan lines across a side."""
_LEFT_OUT = 0.11
"""Part of a side left out at either end; a bank card's corner takes 3.7 and 5.9 % of its sides."""

_TRIALS = 160
_ALIKE = 3.0
"""Lines whose offset and change are this near, in samples, are one."""
_LEAST_SUPPORT, _LEAST_AT_FIRST = 0.45, 0.3
"""Of a side, and where it is only looked for: among all that lies farther off fewer of its edges are told."""
CORRELATED_LINES = 4.0
"""Neighboring scan lines share noise, JPEG blocks and texture: so many count as one."""


@dataclass(frozen=True, eq=False)
class Side:
    """One side.

    Attributes:
        start_px, end_px: (2,) two points of its line, near its ends.
        support: part of the scan lines with an edge on the line.
        rms_px: scatter of those edges about the line.
        colors, middle: (L, S, 3) seen across it, and the sample that lies on it.
    """

    start_px: Array
    end_px: Array
    support: float
    rms_px: float
    colors: NDArray[np.float32]
    middle: int

    @cached_property
    def contrast(self) -> float:
        """Difference of the colors a little inside and a little outside the line, largest channel, in gray levels."""
        near, far = 4, 12
        inner = self.colors[:, max(self.middle - far, 0) : max(self.middle - near, 1)].reshape(-1, 3)
        outer = self.colors[:, self.middle + near : self.middle + far].reshape(-1, 3)
        if len(inner) == 0 or len(outer) == 0:
            return 0.0
        return float(np.abs(np.median(inner, axis=0) - np.median(outer, axis=0)).max())

    @property
    def offset_sd_px(self) -> float:
        """Standard uncertainty of the line's place at its ends."""
        count = max(self.support * LINES / CORRELATED_LINES, 2.0)
        return 2.0 * max(self.rms_px, 0.05) / float(np.sqrt(count))


@dataclass(frozen=True, eq=False)
class Rectangle:
    """A measured four-sided thing.

    Attributes:
        corners_px: (4, 2) where neighboring sides' lines meet, clockwise as seen.
        sides: side k runs from corner k to corner k + 1.
    """

    corners_px: Array
    sides: tuple[Side, Side, Side, Side]

    @property
    def corner_sd_px(self) -> float:
        """Standard uncertainty of a corner's coordinate."""
        return float(np.sqrt(np.mean([side.offset_sd_px**2 for side in self.sides])))

    @property
    def support(self) -> float:
        """Support of the worst side."""
        return min(side.support for side in self.sides)


def measure_rectangle(
    pixels_rgb: NDArray[np.uint8],
    quad_px: Array,
    outer_strength: float = 0.9,
    may_be: Callable[[Array], bool] = lambda _corners_px: True,
    seen: "SidesSeen | None" = None,
) -> Rectangle | None:
    """Measure a four-sided thing from a rough outline.

    Args:
        pixels_rgb: (H, W, 3) full resolution.
        quad_px: (4, 2) rough corners, clockwise as seen, off by at most some 5 % of a side.
        outer_strength: of parallel lines the outermost is the side when it is at least this strong against
            the strongest. Low for a card with a printed frame, high for one beside a parallel line of its
            ground.
        may_be: asked of the (4, 2) corners as first measured, to some percent: whether to measure on.
        seen: sides of this photo looked at already, for who measures one outline several times.

    Returns:
        The measured shape, or None when a side has no straight edge or the shape may not be it.
    """
    quad = np.asarray(quad_px, float)
    seen = seen or SidesSeen(pixels_rgb)
    sides: list[Side] = []
    for reach, least in ((0.07, _LEAST_AT_FIRST), (0.03, _LEAST_AT_FIRST), (0.012, _LEAST_SUPPORT)):
        sides = []
        for k in range(4):
            a, b = quad[k], quad[(k + 1) % 4]
            depth = min(np.linalg.norm(quad[k] - quad[k - 1]), np.linalg.norm(b - quad[(k + 2) % 4]))
            side = _measured_side(seen, a, b, max(reach * float(depth), 3.0), outer_strength, least)
            if side is None:
                return None
            sides.append(side)
        corners = [_meet(sides[k - 1], sides[k]) for k in range(4)]
        if any(c is None for c in corners):
            return None
        moved = np.array(corners, float)
        if np.linalg.norm(moved - quad, axis=1).max() > 0.25 * np.linalg.norm(quad[0] - quad[2]):
            return None
        quad = moved
        if not may_be(quad):
            return None
    return Rectangle(quad, (sides[0], sides[1], sides[2], sides[3]))


@dataclass(frozen=True, eq=False)
class _Line:
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
        colors: (L, S, 3) seen across it; pitch_px: from sample to sample; middle: the sample that lies on it.
        along: (L,) where the scan lines cross it, 0 at its start and 1 at its end.
        edges: what stands out on them.
    """

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
    def lines(self) -> "tuple[_Line, ...]":
        """Lines that edges agree on, no two alike."""
        return _lines_along(self)

    def edges_px(self, a: Array, b: Array) -> Array:
        """(E, 2) places of the edges, of a side looked at from a to b, (2,) each."""
        away = (self.edges.at - self.middle) * self.pitch_px
        return np.asarray(a + self.along[self.edges.line][:, None] * (b - a) + away[:, None] * _outward(a, b))


class SidesSeen:
    """Rough sides of one photo as they were looked at, each only once."""

    def __init__(self, pixels_rgb: NDArray[np.uint8]) -> None:
        self._pixels_rgb = pixels_rgb
        self._looks: dict[tuple[float, ...], SideLook | None] = {}

    def look(self, a: Array, b: Array, reach_px: float) -> SideLook | None:
        """Lines along the side from a to b, (2,) each, at most so far from it; None where it is too little in view."""
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
    at = a + t[:, None, None] * (b - a) + offsets[None, :, None] * _outward(a, b)
    colors = sample(pixels_rgb, at)
    colors = np.asarray((colors + np.roll(colors, 1, axis=0) + np.roll(colors, -1, axis=0)) / 3, np.float32)
    inside = is_inside(pixels_rgb.shape, at)
    if inside[:, half].mean() < 0.8:
        return None
    edges = strip_edges(_best_mix(colors, half), 2.0, inside)
    return SideLook(colors, pitch_px, half, t, edges)


def _outward(a: Array, b: Array) -> Array:
    """(2,) unit vector away from the inside, which lies to the right of a side: clockwise with y down."""
    along = (b - a) / np.linalg.norm(b - a)
    return np.array([along[1], -along[0]])


def _measured_side(
    seen: SidesSeen, a: Array, b: Array, reach_px: float, outer_strength: float, least_support: float
) -> Side | None:
    look = seen.look(a, b, reach_px)
    found = None if look is None else _outer_line(look.lines, outer_strength, least_support)
    if look is None or found is None:
        return None
    offset, change = found.line
    away = look.pitch_px * _outward(a, b)
    ends = [a + u * (b - a) + (offset + change * (u - 0.5)) * away for u in (0.15, 0.85)]
    middle = look.middle + int(np.rint(offset))
    return Side(ends[0], ends[1], found.support, found.rms * look.pitch_px, look.colors, middle)


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


def _lines_along(look: SideLook) -> tuple[_Line, ...]:
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
    settled: list[_Line] = []
    places = np.zeros((0, 2))
    for trial, found in zip(trials, _settle(trials, u, y, weight, first), strict=True):
        if found is not None and not (np.abs(places - trial) <= _ALIKE).all(axis=1).any():
            settled.append(found)
            places = np.concatenate([places, found.line[None]])
    return tuple(settled)


def _outer_line(lines: Sequence[_Line], outer_strength: float, least_support: float) -> _Line | None:
    """The line that is the side: of parallel ones the outermost strong one, for a frame in a card is not its edge."""
    if not lines:
        return None
    best = max(lines, key=lambda line: line.strength)
    outer = [o for o in lines if o.strength > outer_strength * best.strength and o.line[0] > best.line[0] + 2.0]
    chosen = max(outer, key=lambda line: line.strength) if outer else best
    return chosen if chosen.support >= least_support else None


def _line_strength(lines: Array, u: Array, y: Array, weight: Array, first: NDArray[np.int64]) -> Array:
    off = y - lines[:, :1] - lines[:, 1:] * u
    near = weight / (1.0 + (off / 2.0) ** 2) ** 2
    return np.asarray(np.maximum.reduceat(near, first, axis=1).sum(1) / LINES)


def _settle(lines: Array, u: Array, y: Array, weight: Array, first: NDArray[np.int64]) -> list[_Line | None]:
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
        _Line(lines[k], float(support[k]), float(scatter[k]), float(strength[k])) if enough[k] else None
        for k in range(len(lines))
    ]


def _meet(one: Side, other: Side) -> Array | None:
    d, e = one.end_px - one.start_px, other.end_px - other.start_px
    cross = d[0] * e[1] - d[1] * e[0]
    if abs(cross) < 0.15 * np.linalg.norm(d) * np.linalg.norm(e):
        return None
    between = other.start_px - one.start_px
    return np.asarray(one.start_px + d * (between[0] * e[1] - between[1] * e[0]) / cross)


def lines_running_on(pixels_rgb: NDArray[np.uint8], rectangle: Rectangle) -> int:
    """How many of the 8 side ends run on straight beyond their corner, as lines of a grid or tiles do.

    Args:
        pixels_rgb: (H, W, 3) full resolution.
        rectangle: as measured.
    """
    count = 0
    for k in range(4):
        a, b = rectangle.corners_px[k], rectangle.corners_px[(k + 1) % 4]
        along = (b - a) / np.linalg.norm(b - a)
        outward = np.array([along[1], -along[0]])
        for corner, way in ((a, -1.0), (b, 1.0)):
            t = way * np.linspace(0.05, 0.20, 24) * float(np.linalg.norm(b - a))
            offsets = np.arange(-8 - BORDER, 9 + BORDER) * PITCH_PX
            at = corner + t[:, None, None] * along + offsets[None, :, None] * outward
            strip = np.asarray(sample(pixels_rgb, at).mean(-1), np.float32)
            least = max(6.0, 0.35 * rectangle.sides[k].contrast)
            count += _holds_a_line(strip_edges(strip, least, is_inside(pixels_rgb.shape, at)), t)
    return count


def _holds_a_line(edges: StripEdges, t: Array) -> bool:
    """Whether most profiles have an edge near their middle and these lie on one straight line."""
    near = np.abs(edges.at - 8 - BORDER) < 6.0
    line, at, size = edges.line[near], edges.at[near], np.abs(edges.step[near])
    order = np.lexsort((-size, line))
    first = order[np.unique(line[order], return_index=True)[1]]
    if len(first) < 0.75 * len(t):
        return False
    u, y = t[line[first]], at[first]
    off = y - np.polyval(np.polyfit(u, y, 1), u)
    return bool(np.median(np.abs(off)) < 0.8)
