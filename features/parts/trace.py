"""From a rough circle to sub-pixel edge points on it, at the photo's full resolution.

Scan lines are laid across the expected rim; each may meet several edges (chamfer, shadow, what stands behind). The
points kept are those that lie together on one ellipse, found by random trials on few points and then refined.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from features.edges import ScanEdges, scan_edges
from features.ellipse import Ellipse
from features.parts.front_on import FrontOn

Array = NDArray[np.float64]
Which = Literal["outermost", "strongest"]


@dataclass(frozen=True)
class NotTraced:
    """Why a circle could not be traced. Falsy."""

    reason: str

    def __bool__(self) -> bool:
        return False


@dataclass(frozen=True, eq=False)
class TracedCircle:
    """A circle's edge in the photo.

    Attributes:
        points_px: (N, 2) edge points on it.
        ellipse: through them.
        coverage: share of directions in which its edge was seen, 0..1.
        longest_gap_deg: largest range of directions without any.
        step: mean gray step across the edge going outward (signed).
    """

    points_px: Array
    ellipse: Ellipse
    coverage: float
    longest_gap_deg: float
    step: float


def trace_circle(
    gray: NDArray[np.uint8],
    front: FrontOn,
    center: Array,
    radius: float,
    which: Which = "strongest",
    reach: float = 0.06,
    lines: int = 240,
    seed: int = 0,
) -> TracedCircle | NotTraced:
    """Trace a circle found in the squared-up picture.

    Args:
        gray: (H, W) full-resolution photo.
        front: the squared-up picture.
        center, radius: rough circle in its pixels.
        which: which of several concentric edges within reach is wanted.
        reach: half length of the scan lines as a share of the radius.
        lines: number of scan lines.
        seed: of the random trials.

    Returns:
        The traced circle, or a falsy reason.
    """
    angle = np.linspace(0, 2 * np.pi, lines, endpoint=False)
    outward = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    rim = front.to_photo(center + radius * outward)
    beyond = front.to_photo(center + radius * (1 + reach) * outward)
    reach_px = float(np.median(np.linalg.norm(beyond - rim, axis=1)))
    directions = (beyond - rim) / np.maximum(np.linalg.norm(beyond - rim, axis=1, keepdims=True), 1e-9)
    sigma = float(np.clip(reach_px / 14, 0.9, 2.5))
    edges = scan_edges(gray, rim, directions, max(reach_px, 3.0), sigma)
    if len(np.unique(edges.line)) < 0.15 * lines:
        return NotTraced("too few edges near the expected circle")
    return _agree(edges, lines, which, np.random.default_rng(seed), max(1.0, 0.004 * radius / front.px_per_px))


def _agree(
    edges: ScanEdges, lines: int, which: Which, rng: np.random.Generator, width_px: float
) -> TracedCircle | NotTraced:
    """Largest (or outermost well-supported) family of edges that share an ellipse."""
    best: tuple[float, NDArray[np.bool_]] | None = None
    for _ in range(150):
        pick = rng.choice(len(edges.line), 6, replace=False)
        if len(np.unique(edges.line[pick] * 8 // lines)) < 4:
            continue
        trial = Ellipse.fit(edges.points_px[pick], refine=False)
        if not trial or trial.semi_axes_px[0] > 4 * trial.semi_axes_px[1]:
            continue
        near = np.abs(trial.distances_px(edges.points_px)) < width_px
        share = len(np.unique(edges.line[near])) / lines
        outside = float(np.median(edges.offset_px[near])) if near.any() else 0.0
        merit = share if which == "strongest" else share + 0.25 * outside / max(float(np.ptp(edges.offset_px)), 1.0)
        if share >= 0.2 and (best is None or merit > best[0]):
            best = (merit, near)
    if best is None:
        return NotTraced("edges near the expected circle do not lie on one ellipse")
    near = best[1]
    for shrink in (1.0, 0.7, 0.7):
        ellipse = Ellipse.fit(edges.points_px[near])
        if not ellipse:
            return NotTraced(ellipse.reason)
        near = _nearest_per_line(edges, np.abs(ellipse.distances_px(edges.points_px)), shrink * width_px)
        if near.sum() < 12:
            return NotTraced("too few edge points agree")
    sign = np.sign(np.median(edges.step[near]))
    seen = np.unique(edges.line[near])
    return TracedCircle(
        edges.points_px[near], ellipse, len(seen) / lines, _longest_gap_deg(seen, lines),
        float(np.mean(edges.step[near])) if sign else 0.0,
    )  # fmt: skip


def _nearest_per_line(edges: ScanEdges, distance: Array, width_px: float) -> NDArray[np.bool_]:
    """At most one edge a scan line: the one nearest to the curve."""
    keep = np.zeros(len(distance), bool)
    order = np.lexsort((distance, edges.line))
    first = np.ones(len(order), bool)
    first[1:] = edges.line[order][1:] != edges.line[order][:-1]
    keep[order[first]] = True
    return keep & (distance < width_px)


def _longest_gap_deg(seen: NDArray[np.int64], lines: int) -> float:
    if len(seen) == 0:
        return 360.0
    gaps = np.diff(np.concatenate([seen, seen[:1] + lines]))
    return float(gaps.max() - 1) * 360.0 / lines
