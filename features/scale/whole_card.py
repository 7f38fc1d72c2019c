"""A card of known size fitted as a whole to the edges about a rough outline.

Tape, fingers and hoses hide parts of its sides, a card on a ground of its own color shows one side only here and there.
Measured alone such a side is lost, or the tape's edge is taken for it; together with the others it is known where it
must lie, and a few of its edges tell it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from features.photo import FocalPrior
from features.scale.known_rectangle import LENS_PART, PosedRectangle, RectangleFit, fit_known_rectangle
from features.scale.rectangle import CORRELATED_LINES, SIDE_ENDS, Rectangle, Side
from features.scale.side_look import LINES, SidesSeen

Array = NDArray[np.float64]

REACHES = (0.06, 0.02)
"""How far from an outline its edges are looked for, first and then, of the card's depth there."""
WIDTHS_PX = (5.0, 3.0, 2.0, 1.3, 1.3, 1.3)
"""From iteration to iteration edges farther than this count less and less: others lie about, on the card and beside."""
NEAR_PX = 1.5
"""An edge of a side lies this near its line, and as much farther as a lens bends it."""
LEAST_EDGES = 40
FARTHEST = 1.5
"""So far from the focal length believed in and from the known ratio of sides, as logarithms, an outline is drawn at
most."""


@dataclass(frozen=True, eq=False)
class WholeCard:
    """A card as fitted.

    Attributes:
        rectangle: its outline, with what is seen across each side.
        fit: the same as `known_rectangle` tells it; its residual is the scatter of the edges about the sides.
    """

    rectangle: Rectangle
    fit: RectangleFit


@dataclass(frozen=True, eq=False)
class _Edges:
    """Edges about an outline: (E,) the side and scan line each belongs to, (E, 2) places, (E,) weights up to 1."""

    side: NDArray[np.int64]
    line: NDArray[np.int64]
    at_px: Array
    weight: Array


def fit_whole_card(
    seen: SidesSeen, quad_px: Array, size_mm: tuple[float, float], focal: FocalPrior, shape: tuple[int, ...]
) -> WholeCard | None:
    """Fit a card's outline to the edges about a rough one.

    Args:
        seen: the photo's sides.
        quad_px: (4, 2) rough corners, clockwise as seen, off by a few percent of a side.
        size_mm: the card's width and height.
        focal: focal length prior.
        shape: of the photo.

    Returns:
        The likelier of the poses that the rough outline allows; None where too little of it shows.
    """
    diagonal = float(np.linalg.norm(quad_px[0] - quad_px[2]))
    rough = fit_known_rectangle(quad_px, 0.01 * diagonal, size_mm, focal, shape)
    if rough is None:
        return None
    outline = PosedRectangle.of(rough.points_mm, focal, shape)
    starts = outline.starts(rough.points_px)
    for reach in REACHES:
        settled: list[tuple[float, Array]] = []
        for start in starts:
            edges = _edges_about(seen, _corners_of(outline, start), reach)
            if edges is None:
                continue
            solved, strength = _settle(outline, edges, start, 7)
            settled.append((strength, solved))
        if not settled:
            return None
        starts = [solved for _, solved in sorted(settled, key=lambda one: -one[0])]
    return _told(seen, outline, starts[0])


def _corners_of(outline: PosedRectangle, p: Array) -> Array:
    """(4, 2) in the picture; a focal length or a ratio of sides that runs away on the way is held."""
    return outline.project(np.concatenate([p[:6], np.clip(p[6:], -FARTHEST, FARTHEST)]))[0]


def _edges_about(seen: SidesSeen, corners: Array, reach: float) -> _Edges | None:
    looks = [(k, look) for k in range(4) if (look := seen.look(corners, k, reach)) is not None]
    if sum(len(look.edges.line) for _, look in looks) < LEAST_EDGES:
        return None
    return _Edges(
        np.concatenate([np.full(len(look.edges.line), k) for k, look in looks]),
        np.concatenate([look.edges.line for _, look in looks]),
        np.concatenate([look.edges_px for _, look in looks]),
        np.concatenate([look.weight for _, look in looks]),
    )


def _off(outline: PosedRectangle, edges: _Edges, p: Array) -> Array:
    """(E,) signed distances of edges from their sides' lines, outward positive."""
    corners = _corners_of(outline, p)
    along = np.roll(corners, -1, axis=0) - corners
    along /= np.maximum(np.linalg.norm(along, axis=1), 1e-9)[:, None]
    outward = np.column_stack([along[:, 1], -along[:, 0]])[edges.side]
    return np.asarray(((edges.at_px - corners[edges.side]) * outward).sum(axis=1))


def _settle(outline: PosedRectangle, edges: _Edges, start: Array, free: int) -> tuple[Array, float]:
    """The first `free` parameters by iterated least squares, and how much of the edges' weight lies on the sides."""
    p = start.copy()
    for width in WIDTHS_PX:
        off, slopes = _slopes(outline, edges, p, free)
        pulled = slopes * _pull(edges, off, width)[:, None]
        held = np.zeros(free)  # the focal length, by weights in units of an edge that is off by the width
        held[6] = CORRELATED_LINES * (width / outline.focal.relative_sd) ** 2
        information, wanted = pulled.T @ slopes + np.diag(held), pulled.T @ off + held * p[:free]
        p[:free] -= np.linalg.lstsq(information, wanted, rcond=1e-12)[0]
    return p, float(_pull(edges, _off(outline, edges, p), WIDTHS_PX[-1]).sum())


def _pull(edges: _Edges, off: Array, width_px: float) -> Array:
    """(E,) weights of edges by how far they are off."""
    return np.asarray(edges.weight / (1.0 + (off / width_px) ** 2) ** 2)


def _slopes(outline: PosedRectangle, edges: _Edges, p: Array, free: int) -> tuple[Array, Array]:
    """(E,) distances and their (E, free) derivatives, by differences."""
    off = _off(outline, edges, p)
    steps = np.array([1e-5, 1e-5, 1e-5, *[1e-5 * p[5]] * 3, 1e-5, 1e-5])[:free]
    moved = [_off(outline, edges, p + step * np.eye(8)[k]) for k, step in enumerate(steps)]
    return off, np.column_stack([(one - off) / step for one, step in zip(moved, steps, strict=True)])


def _told(seen: SidesSeen, outline: PosedRectangle, p: Array) -> WholeCard | None:
    corners = _corners_of(outline, p)
    edges = _edges_about(seen, corners, REACHES[-1])
    if edges is None or p[5] <= 0:
        return None
    diagonal = float(max(np.linalg.norm(corners[0] - corners[2]), np.linalg.norm(corners[1] - corners[3])))
    near_px = float(np.hypot(NEAR_PX, 2.0 * LENS_PART * diagonal))
    off, slopes = _slopes(outline, edges, p, 8)
    near = np.abs(off) < near_px
    if not near.any():
        return None
    sides = [_side(seen, corners, k, edges, near, off) for k in range(4)]
    if any(side is None for side in sides):
        return None
    kept = [side for side in sides if side is not None]
    scatter = max(float(np.sqrt(np.average(off[near] ** 2, weights=edges.weight[near] + 1e-6))), 0.1)
    information = (slopes[near] / scatter).T @ (slopes[near] / scatter) / CORRELATED_LINES
    information[6, 6] += 1.0 / outline.focal.relative_sd**2
    covariance = np.linalg.pinv(information)
    free, _ = _settle(outline, edges, p, 8)
    flat = outline.points_mm[:, :2]
    fit = RectangleFit(
        points_mm=flat - flat.min(axis=0),
        points_px=corners,
        residual_px=scatter,
        diagonal_px=diagonal,
        tilt_deg=outline.tilt_deg(p),
        ratio_off=float(free[7]),
        ratio_sd=float(np.sqrt(covariance[7, 7])),
    )
    return WholeCard(Rectangle(corners, (kept[0], kept[1], kept[2], kept[3])), fit)


def _side(seen: SidesSeen, corners: Array, k: int, edges: _Edges, near: NDArray[np.bool_], off: Array) -> Side | None:
    """Side k as `rectangle` has it, seen across where it shows; None for one out of the picture."""
    look = seen.look(corners, k, REACHES[-1])
    if look is None:
        return None
    mine = near & (edges.side == k)
    shown = np.unique(edges.line[mine])
    rms_px = float(np.sqrt(np.mean(off[mine] ** 2))) if mine.any() else NEAR_PX
    ends = look.at_px(SIDE_ENDS, np.zeros(2))
    return Side(ends[0], ends[1], len(shown) / LINES, rms_px, look.colors[shown], look.middle)
