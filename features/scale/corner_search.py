"""Find a card's chessboard corners once a few of its markers say roughly where it lies.

The picture is straightened by the rough homography and every corner's printed neighborhood is looked for near
its place. So a corner counts only where its own neighborhood is seen, and needs no decoded marker beside it:
that keeps working on small, soft, dirty, bent and half-covered cards, where reading markers has long failed.
"""

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from features.scale.card_boards import COLUMNS, ROWS, CardBoard, CardSize, opencv_board
from features.scale.homography import apply_homography, fit_homography

_CELL_PX = 24
"""Side of a square in the straightened picture."""

_PATCH_SQUARES = 0.46
"""Half side of the neighborhood compared; it reaches into the markers, so it is particular to each corner."""

_REACH_SQUARES = 0.45
"""How far from its place a corner is looked for; half a square further on lies the next pattern."""

_ALIKE = 0.72
"""Least normalized correlation with the print; textures that are not the card stay below 0.6."""

_ROUNDS = 4

SHARP = 0.05
"""Softness of a photo that is as sharp as most."""


@dataclass(frozen=True, eq=False)
class CornersFound:
    """Corners seen in the photo.

    Attributes:
        ids: (N,) ChArUco corner ids.
        px: (N, 2) photo pixels.
        px_from_mm: (3, 3) homography fitted to them, or the one given when too few were seen.
    """

    ids: NDArray[np.int64]
    px: NDArray[np.float64]
    px_from_mm: NDArray[np.float64]


def search_corners(
    gray: NDArray[np.uint8], card: CardBoard, px_from_mm: NDArray[np.float64], softness: float = SHARP
) -> CornersFound:
    """Look for all 24 corners, refitting the homography as more of them are seen.

    Args:
        gray: (height, width) picture in which a square is about 20 to 60 px wide.
        card: which card.
        px_from_mm: (3, 3) rough homography from the card to this picture.
        softness: how soft the print is seen, in squares.

    Returns:
        Corners seen, to about a twentieth of a square.
    """
    found = CornersFound(np.zeros(0, np.int64), np.zeros((0, 2)), px_from_mm)
    for _ in range(_ROUNDS):
        again = _one_round(gray, card, found.px_from_mm, softness)
        if len(again.ids) <= len(found.ids):
            break
        found = again
    return found


def _one_round(
    gray: NDArray[np.uint8], card: CardBoard, px_from_mm: NDArray[np.float64], softness: float
) -> CornersFound:
    margin = _CELL_PX  # a square's width round the card
    step = card.square_mm / _CELL_PX
    start = (0.5 - margin) * step
    mm_from_cell = np.array([[step, 0, start], [0, step, start], [0, 0, 1.0]])
    px_from_cell = px_from_mm @ mm_from_cell
    size = (COLUMNS * _CELL_PX + 2 * margin, ROWS * _CELL_PX + 2 * margin)
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    straight = cv2.warpPerspective(gray, px_from_cell, size, flags=how, borderMode=cv2.BORDER_REPLICATE)
    straight = np.asarray(cv2.GaussianBlur(straight, (0, 0), 0.7), np.uint8)

    half, reach = round(_PATCH_SQUARES * _CELL_PX), round(_REACH_SQUARES * _CELL_PX)
    ids, cells = [], []
    for i, patch in enumerate(_patches(card.size, softness)):
        column, row = i % (COLUMNS - 1) + 1, i // (COLUMNS - 1) + 1
        x, y = margin + column * _CELL_PX, margin + row * _CELL_PX
        window = straight[y - half - reach : y + half + reach, x - half - reach : x + half + reach]
        if window.std() < 4:
            continue
        alike = cv2.matchTemplate(window, patch, cv2.TM_CCOEFF_NORMED)
        _, best, _, at = cv2.minMaxLoc(alike)
        if best >= _ALIKE:
            dx, dy = _peak(np.asarray(alike, np.float32), (at[0], at[1]))
            ids.append(i)
            cells.append((x - 0.5 + dx - reach, y - 0.5 + dy - reach))
    if len(ids) < 4:
        return CornersFound(np.zeros(0, np.int64), np.zeros((0, 2)), px_from_mm)
    px = apply_homography(px_from_cell, np.array(cells))
    kept = np.array(ids, np.int64)
    inside = (px >= 1).all(1) & (px < np.array(gray.shape[::-1]) - 2).all(1)
    kept, px = kept[inside], px[inside]
    fit = fit_homography(card.corners_mm[kept], px, robust=True)
    return CornersFound(kept, px, fit.px_from_mm if fit else px_from_mm)


def _peak(score: NDArray[np.float32], at: tuple[int, int]) -> tuple[float, float]:
    """Peak of a score map to sub-pixel, by a parabola through its neighbors in x and in y."""
    x, y = at
    return x + _vertex(score[y], x), y + _vertex(score[:, x], y)


def _vertex(values: NDArray[np.float32], i: int) -> float:
    if not 0 < i < len(values) - 1:
        return 0.0
    left, middle, right = (float(v) for v in values[i - 1 : i + 2])
    curvature = left - 2 * middle + right
    return 0.0 if curvature >= 0 else float(np.clip(0.5 * (left - right) / curvature, -0.5, 0.5))


@cache
def _patches(size: CardSize, softness: float) -> tuple[NDArray[np.uint8], ...]:
    """The printed neighborhood of each corner, as soft as a photo shows it."""
    print_px = (COLUMNS * _CELL_PX, ROWS * _CELL_PX)
    picture = opencv_board(size).generateImage(print_px, marginSize=0)
    picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), softness * _CELL_PX), np.uint8)
    half = round(_PATCH_SQUARES * _CELL_PX)
    patches = []
    for row in range(1, ROWS):
        for column in range(1, COLUMNS):
            x, y = column * _CELL_PX, row * _CELL_PX
            patches.append(np.ascontiguousarray(picture[y - half : y + half, x - half : x + half]))
    return tuple(patches)
