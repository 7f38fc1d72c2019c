"""From a rough circle to sub-pixel edge points on it, at the photo's full resolution.

Scan lines are laid across the expected rim; each may meet several edges (chamfer, shadow, what stands behind). The
points kept are those that lie together on one curve (see `features.parts.rim_waves`).
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal, Protocol, final

import numpy as np
from numpy.typing import NDArray

from features.circle_fit import fit_circle
from features.edges import ScanEdges, scan_edges
from features.ellipse import Ellipse
from features.parts.rim_waves import NearEdges, RimWave, find_waves

Array = NDArray[np.float64]
MIN_LINES = 24
"""Scan lines below which nothing is tried."""
_WIDTH, _WIDTH_PX = 0.004, 0.8
"""How far from a curve an edge may lie and count as on it: relative to the radius or in photo pixels, the larger."""

_RIM_WIDTH = 0.035
"""How much larger the outermost edge of a rim may be than its plainest: a clamp band is that wide, a chamfer less."""

Which = Literal["outermost", "strongest"]
"""Which of several concentric edges is wanted: the outermost of those well supported, or the best supported."""
_ENOUGH = 0.75
"""Support of an outermost edge, relative to the best supported one."""


class Squared(Protocol):
    """A picture in which the wanted circle is a circle, or nearly one: `FrontOn`, or one made from an ellipse."""

    @property
    def px_per_px(self) -> float:
        """Its pixels per photo pixel."""
        ...

    def to_photo(self, points: Array) -> Array:
        """(N, 2) its pixels to photo pixels."""
        ...

    def from_photo(self, points_px: Array) -> Array:
        """(N, 2) photo pixels to its pixels."""
        ...


@dataclass(frozen=True)
class NotTraced:
    """Why a circle could not be traced. Falsy."""

    reason: str

    def __bool__(self) -> Literal[False]:
        return False


@final
@dataclass(frozen=True, eq=False)
class TracedCircle:
    """A circle's edge in the photo.

    Attributes:
        points_px: (N, 2) edge points on it.
        ellipse: through them.
        coverage: share of directions in which its edge was seen, 0..1.
        support: the same of the directions in which it was looked for.
        chance: what a curve laid anywhere among these edges would have of that.
    """

    points_px: Array
    ellipse: Ellipse
    coverage: float
    support: float
    chance: float

    @property
    def evidence(self) -> float:
        """How much more of it was seen than chance would give, 0 (nothing) .. 1 (all of it)."""
        return (self.support - self.chance) / max(1.0 - self.chance, 0.1)


def trace_circle(
    gray: NDArray[np.uint8],
    front: Squared,
    center: Array,
    radius: float,
    which: Which = "strongest",
    reach: float = 0.06,
    lines: int = 240,
    round_in_front: bool = False,
    use: Callable[[Array], NDArray[np.bool_]] | None = None,
) -> TracedCircle | NotTraced:
    """Trace a circle found in the squared-up picture.

    Args:
        gray: (H, W) full-resolution photo.
        front: the squared-up picture.
        center, radius: rough circle in its pixels.
        which: which of several concentric edges within reach is wanted.
        reach: half length of the scan lines as a share of the radius.
        lines: number of scan lines.
        round_in_front: the squared-up picture's slant is measured, not guessed, so the circle is a circle there.
        use: tells for (N, 2) photo pixels on the expected rim whether its edge can be seen there; everywhere when None.

    Returns:
        The traced circle, or a falsy reason.
    """
    traced: TracedCircle | NotTraced = NotTraced("no edge was looked for")
    # Again about the best supported curve, so that where the search began no longer matters; then the edge is chosen.
    steps: tuple[tuple[Which, float], ...] = (("strongest", reach), (which, max(0.4 * reach, min(reach, _RIM_WIDTH))))
    for want, far in steps:
        traced = _trace_once(gray, front, center, radius, want, far, lines, round_in_front, use)
        if not traced:
            return traced
        center, radius = fit_circle(front.from_photo(traced.ellipse.points_px()))
    return traced


def _trace_once(
    gray: NDArray[np.uint8],
    front: Squared,
    center: Array,
    radius: float,
    which: Which,
    reach: float,
    lines: int,
    round_in_front: bool,
    use: Callable[[Array], NDArray[np.bool_]] | None,
) -> TracedCircle | NotTraced:
    angle = np.linspace(0, 2 * np.pi, lines, endpoint=False)
    outward = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    rim = front.to_photo(center + radius * outward)
    kept = np.arange(lines) if use is None else np.flatnonzero(use(rim))
    if len(kept) < min(MIN_LINES, lines):
        return NotTraced("the circle's edge is hidden")
    rim = rim[kept]
    beyond = front.to_photo(center + radius * (1 + reach) * outward[kept])
    reach_px = float(np.median(np.linalg.norm(beyond - rim, axis=1)))
    directions = (beyond - rim) / np.maximum(np.linalg.norm(beyond - rim, axis=1, keepdims=True), 1e-9)
    sigma = float(np.clip(reach_px / 14, 0.9, 2.5))
    edges = scan_edges(gray, rim, directions, max(reach_px, 3.0), sigma)
    edges = replace(edges, line=kept[edges.line])
    if len(np.unique(edges.line)) < 0.15 * lines:
        return NotTraced("too few edges near the expected circle")
    places = (front.from_photo(edges.points_px) - center) / radius
    near = NearEdges(edges.line, np.arctan2(places[:, 1], places[:, 0]), np.linalg.norm(places, axis=1) - 1.0, lines)
    width = max(_WIDTH_PX * front.px_per_px / radius, _WIDTH)
    waves = find_waves(near, width, 0.0 if round_in_front else 0.5 * reach)
    looked = _LookedAt(lines, len(kept), min(1.0, len(edges.line) / len(kept) * width / reach))
    return _agree(edges, waves, looked, which, width, width * radius / front.px_per_px)


@dataclass(frozen=True)
class _LookedAt:
    """Scan lines of the whole turn, those looked at, and the share of them that has an edge on any curve by chance."""

    lines: int
    used: int
    chance: float


def _agree(
    edges: ScanEdges, waves: list[RimWave], looked: _LookedAt, which: Which, width: float, width_px: float
) -> TracedCircle | NotTraced:
    """The curve most edges lie on, or the outermost of those with nearly as many, refined on an ellipse."""
    if not waves:
        return NotTraced("edges near the expected circle do not lie on one curve")
    most = max(wave.share for wave in waves)
    enough = most * (1.0 if which == "strongest" else _ENOUGH)
    chosen = max((wave for wave in waves if wave.share >= enough), key=lambda wave: wave.outward)
    near = np.abs(chosen.off) < width
    fitted: Ellipse | None = None
    for shrink in (1.0, 0.7, 0.7):
        if near.sum() < 12:
            return NotTraced("too few edge points agree")
        ellipse = Ellipse.fit(edges.points_px[near])
        if not ellipse:
            return NotTraced(ellipse.reason)
        fitted = ellipse
        near = _nearest_per_line(edges, np.abs(ellipse.distances_px(edges.points_px)), max(shrink * width_px, 0.7))
    assert fitted is not None
    if near.sum() < 12:
        return NotTraced("too few edge points agree")
    met = len(np.unique(edges.line[near]))
    return TracedCircle(edges.points_px[near], fitted, met / looked.lines, met / looked.used, looked.chance)


def _nearest_per_line(edges: ScanEdges, distance: Array, width_px: float) -> NDArray[np.bool_]:
    """At most one edge a scan line: the one nearest to the curve."""
    keep = np.zeros(len(distance), bool)
    order = np.lexsort((distance, edges.line))
    first = np.ones(len(order), bool)
    first[1:] = edges.line[order][1:] != edges.line[order][:-1]
    keep[order[first]] = True
    return keep & (distance < width_px)
