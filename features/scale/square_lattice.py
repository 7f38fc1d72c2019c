"""A card found by its black squares alone, where its markers are too small or too soft to be read.

Black squares of the pattern touch corner to corner, so each tells where its four neighbors lie. Grown from square to
square they make a lattice of 7 by 5; which card it is, and which way round, the print about the corners tells after.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from cv2.typing import MatLike
from numpy.typing import NDArray

from features.scale.card_boards import COLUMNS, ROWS
from features.scale.homography import fit_homography

Array = NDArray[np.float64]

WINDOWS_PX = (41, 91)
"""Sides of the surroundings that a pixel is darker than, where it belongs to a square."""
DARKER = 12
DETACH_PX = 2
"""Squares are made smaller by this much so that neighbors do not touch."""
SMALLEST_PX, LARGEST_PX = 7.0, 110.0
SOLID = 0.88
"""Least share of its four-sided outline that a square's dark area fills: a marker's is full of holes."""
SOFT_SOLID, SOFT_FOUR_SIDED = 0.85, 0.7
"""The same of its hull, and of the smallest four-sided outline about that, of a square whose corners blur has rounded;
a disc would fill pi/4 of the latter."""
NEAR = 0.5
"""How far from where it is expected, in squares, a neighbor may lie."""
LEAST_SQUARES = 9
"""Of 18; fewer dark four-sided things in a row are seen on many a machine."""


@dataclass(frozen=True, eq=False)
class _Squares:
    """Dark four-sided things: centers (N, 2) and half sides (N, 2, 2), the one nearer to the picture's x first."""

    center: Array
    sides: Array


def dark_outlines(picture: NDArray[np.uint8], window_px: int) -> Sequence[MatLike]:
    """Outlines of all places of a picture (h, w) that are darker than the surroundings, a square so wide."""
    darker = cv2.subtract(cv2.blur(picture, (window_px, window_px)), picture)
    dark = cv2.threshold(darker, DARKER, 1, cv2.THRESH_BINARY)[1]
    apart = cv2.erode(dark, np.ones((2 * DETACH_PX + 1,) * 2, np.uint8))
    return cv2.findContours(apart, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]


def find_lattices(outlines: Sequence[MatLike], soft: bool = False) -> Iterator[Array]:
    """Possible places of a card.

    Args:
        outlines: `dark_outlines` of a picture in which a square of the card is 10 to 100 px wide.
        soft: whether squares may have lost their corners to blur; more of what is no square passes for one then.

    Yields:
        (3, 3) homographies from squares (0 .. 7, 0 .. 5 from the pattern's corner) to this picture, for every way that
        the squares seen may lie on a card.
    """
    squares = _dark_squares(outlines, _soft_square if soft else _square)
    taken: set[int] = set()
    for seed in range(len(squares.center)):
        if seed in taken:
            continue
        places = _grown(squares, seed)
        taken |= set(places)
        if len(places) >= LEAST_SQUARES:
            yield from _placements(squares, places)


def _dark_squares(outlines: Sequence[MatLike], four_sided: Callable[[MatLike], Array | None]) -> _Squares:
    centers, sides = [], []
    for outline in outlines:
        if not 4 * (SMALLEST_PX - 2 * DETACH_PX) < len(outline) < 4 * LARGEST_PX:
            continue
        quad = four_sided(outline)
        if quad is None:
            continue
        across = 0.5 * np.array([quad[0] + quad[1] - quad[2] - quad[3], quad[1] + quad[2] - quad[3] - quad[0]]) / 2
        length = np.linalg.norm(across, axis=1)
        if length.min() < 0.3 * length.max() or length.min() < 0.5:
            continue
        across *= (1.0 + (DETACH_PX + 0.5) / length)[:, None]
        centers.append(quad.mean(axis=0))
        sides.append(across)
    return _Squares(np.array(centers).reshape(-1, 2), np.array(sides).reshape(-1, 2, 2))


def _square(outline: MatLike) -> Array | None:
    """(4, 2) corners of a dark place with four sharp ones; None of others."""
    corners = cv2.approxPolyDP(outline, 0.08 * cv2.arcLength(outline, closed=True), closed=True)
    return _filled(outline, corners, SOLID) if len(corners) == 4 and cv2.isContourConvex(corners) else None


def _soft_square(outline: MatLike) -> Array | None:
    """(4, 2) corners of the smallest four-sided outline about a dark place that nearly fills it; None of others."""
    hull = cv2.convexHull(outline)
    if len(hull) < 5 or cv2.contourArea(outline) < SOFT_SOLID * cv2.contourArea(hull):
        return None
    corners = cv2.approxPolyN(hull, 4, ensure_convex=True).reshape(-1, 1, 2)
    return _filled(outline, corners, SOFT_FOUR_SIDED) if len(corners) == 4 else None


def _filled(outline: MatLike, corners: MatLike, share: float) -> Array | None:
    """(4, 2) the corners, if the outline fills at least a share of them."""
    # Areas of outlines through pixels' centers are half a pixel short all round.
    full = cv2.contourArea(outline) >= share * max(float(cv2.contourArea(corners)), 1.0)
    return np.asarray(corners, float).reshape(4, 2) if full else None


def _grown(squares: _Squares, seed: int) -> dict[int, tuple[int, int]]:
    """Squares linked to a seed by their corners: index -> column and row from the seed."""
    places, axes = {seed: (0, 0)}, {seed: squares.sides[seed]}
    queue = [seed]
    while queue:
        here = queue.pop(0)
        for x, y in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
            expected = squares.center[here] + 2 * (x * axes[here][0] + y * axes[here][1])
            size = 2 * float(np.linalg.norm(axes[here], axis=1).min())
            away = np.linalg.norm(squares.center - expected, axis=1)
            found = int(np.argmin(away))
            if away[found] > NEAR * size or found in places:
                continue
            turned = _turned_like(squares.sides[found], axes[here])
            if np.abs(turned - axes[here]).max() > 0.5 * np.linalg.norm(axes[here], axis=1).max():
                continue
            places[found] = (places[here][0] + x, places[here][1] + y)
            axes[found] = turned
            queue.append(found)
    return places


def _turned_like(sides: Array, other: Array) -> Array:
    """Half sides in the order and direction of another square's."""
    first = int(np.argmax(np.abs(sides @ other[0]) / np.linalg.norm(sides, axis=1)))
    both = sides[[first, 1 - first]]
    return np.asarray(both * np.sign(np.sum(both * other, axis=1))[:, None])


def _placements(squares: _Squares, places: dict[int, tuple[int, int]]) -> Iterator[Array]:
    """Homographies for every place of the squares on a card: it may lie on its side, and some may not be seen."""
    index = np.array(list(places))
    lattice = np.array([places[int(i)] for i in index])
    turn = np.array([[0, 1], [-1, 0]])
    # The picture's axes may run either way round; a card is never seen in a mirror here.
    axes = squares.sides[index[0]]
    if axes[0, 0] * axes[1, 1] - axes[0, 1] * axes[1, 0] < 0:
        lattice = lattice * [1, -1]
    for _ in range(4):
        lattice = lattice @ turn
        low, high = lattice.min(axis=0), lattice.max(axis=0)
        for column in range(COLUMNS - int(high[0] - low[0])):
            for row in range(ROWS - int(high[1] - low[1])):
                shift = np.array([column, row]) - low
                if (lattice[0] + shift).sum() % 2:
                    continue  # black squares lie where column and row are both even or both odd
                fit = fit_homography(lattice + shift + 0.5, squares.center[index], robust=True)
                if fit and fit.rms_px < 0.15 * float(np.linalg.norm(axes, axis=1).max()) * 2:
                    yield fit.px_from_mm
