"""A four-sided thing measured to sub-pixel: straight lines fitted to its sides, corners where the lines meet.

The corners themselves are never looked at here: a card's are rounded, a sheet's are worn.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from features.scale.side_look import LINES, Line, SideLook, SidesSeen
from features.scale.strip_edges import BORDER, PITCH_PX, StripEdges, is_inside, sample, strip_edges

Array = NDArray[np.float64]

SIDE_ENDS = np.array([0.15, 0.85])
"""Shares of a side between which its line is told."""
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
    seen: SidesSeen | None = None,
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
            side = _measured_side(seen.look(quad, k, reach), outer_strength, least)
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


def _measured_side(look: SideLook | None, outer_strength: float, least_support: float) -> Side | None:
    found = None if look is None else _outer_line(look.lines, outer_strength, least_support)
    if look is None or found is None:
        return None
    offset, change = found.line
    ends = look.at_px(SIDE_ENDS, (offset + change * (SIDE_ENDS - 0.5)) * look.pitch_px)
    middle = look.middle + int(np.rint(offset))
    return Side(ends[0], ends[1], found.support, found.rms * look.pitch_px, look.colors, middle)


def _outer_line(lines: Sequence[Line], outer_strength: float, least_support: float) -> Line | None:
    """The line that is the side: of parallel ones the outermost strong one, for a frame in a card is not its edge."""
    if not lines:
        return None
    best = max(lines, key=lambda line: line.strength)
    outer = [o for o in lines if o.strength > outer_strength * best.strength and o.line[0] > best.line[0] + 2.0]
    chosen = max(outer, key=lambda line: line.strength) if outer else best
    return chosen if chosen.support >= least_support else None


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
