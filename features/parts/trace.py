"""From a rough circle to sub-pixel edge points on it, at the photo's full resolution.

Scan lines are laid across the expected rim; each may meet several edges (chamfer, shadow, what stands behind). The
points kept are those that lie together on one ellipse, found by random trials on few points and then refined.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal, Protocol, final

import numpy as np
from numpy.typing import NDArray

from features.edges import ScanEdges, scan_edges
from features.ellipse import Ellipse

Array = NDArray[np.float64]
MIN_LINES = 24
"""Scan lines below which nothing is tried."""
Which = Literal["outermost", "strongest"]


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
    """

    points_px: Array
    ellipse: Ellipse
    coverage: float


def trace_circle(
    gray: NDArray[np.uint8],
    front: Squared,
    center: Array,
    radius: float,
    which: Which = "strongest",
    reach: float = 0.06,
    lines: int = 240,
    round_in_front: bool = False,
    seed: int = 0,
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
        seed: of the random trials.
        use: tells for (N, 2) photo pixels on the expected rim whether its edge can be seen there; everywhere when None.

    Returns:
        The traced circle, or a falsy reason.
    """
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
    rng = np.random.default_rng(seed)
    width_px = max(1.0, 0.004 * radius / front.px_per_px)
    if round_in_front:
        families = _circle_families(edges, front.from_photo(edges.points_px), center, radius, lines, rng)
    else:
        families = _ellipse_families(edges, lines, width_px, rng)
    return _agree(edges, families, lines, which, width_px)


@dataclass(frozen=True, eq=False)
class _Family:
    """Edges that share a curve: the part of the scan lines it has, its median offset outward, which edges."""

    share: float
    outward_px: float
    members: NDArray[np.bool_]


def _circle_families(
    edges: ScanEdges, places: Array, center: Array, radius: float, lines: int, rng: np.random.Generator
) -> list[_Family]:
    """Families on circles of the squared-up picture, from random triples."""
    families = []
    width = max(0.8, 0.004 * radius)
    for _ in range(200):
        pick = rng.choice(len(edges.line), 3, replace=False)
        if len(np.unique(edges.line[pick] * 6 // lines)) < 3:
            continue
        (x1, y1), (x2, y2), (x3, y3) = places[pick]
        matrix = 2 * np.array([[x2 - x1, y2 - y1], [x3 - x1, y3 - y1]])
        if abs(np.linalg.det(matrix)) < 1e-6 * radius**2:
            continue
        square = places[pick] ** 2
        middle = np.linalg.solve(matrix, [square[1].sum() - square[0].sum(), square[2].sum() - square[0].sum()])
        if np.linalg.norm(middle - center) > 0.1 * radius:
            continue
        distance = np.linalg.norm(places - middle, axis=1)
        members = np.abs(distance - np.hypot(x1 - middle[0], y1 - middle[1])) < width
        families.append(_family(edges, members, lines))
    return families


def _ellipse_families(edges: ScanEdges, lines: int, width_px: float, rng: np.random.Generator) -> list[_Family]:
    """Families on ellipses of the photo, from random sixes."""
    families = []
    for _ in range(150):
        pick = rng.choice(len(edges.line), 6, replace=False)
        if len(np.unique(edges.line[pick] * 8 // lines)) < 4:
            continue
        trial = Ellipse.fit(edges.points_px[pick], refine=False)
        if not trial or trial.semi_axes_px[0] > 4 * trial.semi_axes_px[1]:
            continue
        families.append(_family(edges, np.abs(trial.distances_px(edges.points_px)) < width_px, lines))
    return families


def _family(edges: ScanEdges, members: NDArray[np.bool_], lines: int) -> _Family:
    outward = float(np.median(edges.offset_px[members])) if members.any() else 0.0
    return _Family(len(np.unique(edges.line[members])) / lines, outward, members)


def _agree(
    edges: ScanEdges, families: list[_Family], lines: int, which: Which, width_px: float
) -> TracedCircle | NotTraced:
    """The largest family, or the outermost of those nearly as large, refined on an ellipse."""
    families = [family for family in families if family.share >= 0.2]
    if not families:
        return NotTraced("edges near the expected circle do not lie on one curve")
    most = max(family.share for family in families)
    enough = (1.0 if which == "strongest" else 0.75) * most
    near = max((f for f in families if f.share >= enough), key=lambda f: f.outward_px).members
    fitted: Ellipse | None = None
    for shrink in (1.0, 0.7, 0.7):
        ellipse = Ellipse.fit(edges.points_px[near])
        if not ellipse:
            return NotTraced(ellipse.reason)
        fitted = ellipse
        near = _nearest_per_line(edges, np.abs(ellipse.distances_px(edges.points_px)), shrink * width_px)
        if near.sum() < 12:
            return NotTraced("too few edge points agree")
    assert fitted is not None
    return TracedCircle(edges.points_px[near], fitted, len(np.unique(edges.line[near])) / lines)


def _nearest_per_line(edges: ScanEdges, distance: Array, width_px: float) -> NDArray[np.bool_]:
    """At most one edge a scan line: the one nearest to the curve."""
    keep = np.zeros(len(distance), bool)
    order = np.lexsort((distance, edges.line))
    first = np.ones(len(order), bool)
    first[1:] = edges.line[order][1:] != edges.line[order][:-1]
    keep[order[first]] = True
    return keep & (distance < width_px)
