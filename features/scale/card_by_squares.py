"""Corners of a card whose markers cannot be read: its squares tell where it lies, its print which card it is."""

from dataclasses import dataclass
from functools import cache
from itertools import islice

import cv2
import numpy as np
from numpy.typing import NDArray

from features.reduced import resized
from features.scale.card_boards import CARDS, COLUMNS, ROWS, CardBoard, CardSize, opencv_board
from features.scale.corner_alignment import aligned_corners
from features.scale.corner_search import search_corners
from features.scale.square_lattice import LOOKS, dark_blots, find_lattices, placements

Array = NDArray[np.float64]

_ENLARGED, _WORK_PX = 2.0, 2048
"""Small pictures are looked at twice as large, large ones at this size."""
_SMALLER = 0.5
"""Then once more so much smaller: the squares of a card near the lens, out of focus, are larger than is looked for."""
_MOST_LATTICES = 8
"""So many are looked at; a photo without a card seldom shows one, but a perforated plate shows many."""
_CELL_PX, _PRINT_SOFT = 12, 0.125
"""Side of a square in the straightened picture, and how soft the print is there, in squares."""
_LEAST_LIKE, _MORE_LIKE = 1.7, 0.8
"""Least correlation of the white squares' insides with the print, and how much more than at the next likely place, both
over sqrt(M) of M squares compared. Of 200 drawn cards, soft, slanted and half covered, 99 % came to 1.83 and 0.81; of
387 boards of OpenCV's other dictionaries 99 % stayed below 1.36 and 1.01, and none came over both."""
_SOFT = 0.1
"""Softness of the print, in squares, by which corners are looked for where few are seen by a sharp one's."""
_MOST_CORNERS = 18
_LEAST_CORNERS = 6


@dataclass(frozen=True, eq=False)
class CornersBySquares:
    """Corners of a card: ids (N,) and where they are seen (N, 2) in the photo."""

    card: CardBoard
    ids: NDArray[np.int64]
    px: Array


@dataclass(frozen=True, eq=False)
class _Place:
    """A way a card may lie.

    Attributes:
        card: which one; px_from_squares: (3, 3) from its squares to the picture.
        alike: how like its white squares' insides are to the print's, -1..1; compared: how many were compared.
    """

    card: CardBoard
    px_from_squares: Array
    alike: float
    compared: int


def corners_by_squares(gray: NDArray[np.uint8]) -> CornersBySquares | None:
    """Find the card whose black squares are seen; None where no card's are, or it may be either of the two.

    Args:
        gray: (H, W) full-resolution photo.
    """
    longest = max(gray.shape)
    scale = _ENLARGED if longest <= _WORK_PX else _WORK_PX / longest
    return _seen_at(gray, scale) or _seen_at(gray, _SMALLER * scale)


def _seen_at(gray: NDArray[np.uint8], scale: float) -> CornersBySquares | None:
    """`corners_by_squares` in the picture resized once."""
    picture = resized(gray, scale)
    for window_px, share in LOOKS:
        for squares, center in islice(find_lattices(dark_blots(picture, window_px, share)), _MOST_LATTICES):
            place = _surely(_places(picture, squares, center))
            found = None if place is None else _corners_at(gray, picture, scale, place)
            if found is not None:
                return found
    return None


def _places(picture: NDArray[np.uint8], squares: Array, center: Array) -> list[_Place]:
    """The ways a card may lie by squares seen, those first whose white squares hold what is printed there."""
    places = []
    for px_from_squares in placements(squares, center):
        on_card = np.floor(cv2.perspectiveTransform(center[None], np.linalg.inv(px_from_squares))[0]).astype(int)
        cells = _white_cells(on_card)
        seen = _cells(_straight(picture, px_from_squares), cells)
        for card in CARDS.values():
            alike = float(np.mean(np.sum(seen * _cells(_print(card.size), cells), axis=1)))
            places.append(_Place(card, px_from_squares, alike, len(cells)))
    return sorted(places, key=lambda place: -place.alike)


def _surely(places: list[_Place]) -> _Place | None:
    """The most likely place, if it is like the print beyond chance and no other one is nearly."""
    if len(places) < 2 or not places[0].compared:
        return None
    best, steadier = places[0], np.sqrt(places[0].compared)
    alike, more = steadier * best.alike, steadier * (best.alike - places[1].alike)
    return best if alike > _LEAST_LIKE and more > _MORE_LIKE else None


def _white_cells(black: NDArray[np.int64]) -> NDArray[np.int64]:
    """(M, 2) columns and rows of white squares beside at least two of the black ones (K, 2)."""
    beside = np.zeros((ROWS + 2, COLUMNS + 2), int)
    black = black[((black >= 0) & (black < [COLUMNS, ROWS])).all(axis=1)]
    for x, y in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        np.add.at(beside, (black[:, 1] + 1 + y, black[:, 0] + 1 + x), 1)
    rows, columns = np.nonzero(beside[1:-1, 1:-1] >= 2)
    return np.column_stack([columns, rows])


def _straight(picture: NDArray[np.uint8], px_from_squares: Array) -> NDArray[np.float32]:
    step = 1.0 / _CELL_PX
    squares_from_cell = np.array([[step, 0, 0.5 * step], [0, step, 0.5 * step], [0, 0, 1.0]])
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    size = (COLUMNS * _CELL_PX, ROWS * _CELL_PX)
    straight = cv2.warpPerspective(picture, px_from_squares @ squares_from_cell, size, flags=how)
    return np.asarray(cv2.GaussianBlur(straight, (0, 0), 0.7), np.float32)


def _cells(straight: NDArray[np.float32], cells: NDArray[np.int64]) -> NDArray[np.float32]:
    """(M, S) what squares (M, 2) hold beyond what all markers show, each of unit length."""
    held = _insides(straight)[cells[:, 1], cells[:, 0]]
    for known in _common():
        held = held - np.outer(held @ known, known)
    return np.asarray(held / (np.linalg.norm(held, axis=1, keepdims=True) + 1e-3), np.float32)


def _insides(straight: NDArray[np.float32]) -> NDArray[np.float32]:
    """(ROWS, COLUMNS, S) pixels of each square but its outermost."""
    each = straight.reshape(ROWS, _CELL_PX, COLUMNS, _CELL_PX).transpose(0, 2, 1, 3)
    return np.asarray(each[:, :, 1:-1, 1:-1].reshape(ROWS, COLUMNS, -1))


@cache
def _common() -> NDArray[np.float32]:
    """(2, S) what tells no marker from another, of unit length: brightness, and a black frame in white paper."""
    even = np.ones((_CELL_PX - 2, _CELL_PX - 2), np.float32)
    rows, columns = np.nonzero(np.indices((ROWS, COLUMNS)).sum(axis=0) % 2)
    mean = np.mean([_insides(_print(card.size))[rows, columns] for card in CARDS.values()], axis=(0, 1))
    mean = mean.reshape(even.shape)
    framed = np.mean([np.rot90(one, k) for one in (mean, mean.T) for k in range(4)], axis=0)
    framed = framed - framed.mean()
    return np.array([one.ravel() / np.linalg.norm(one) for one in (even, framed)], np.float32)


@cache
def _print(size: CardSize) -> NDArray[np.float32]:
    large = opencv_board(size).generateImage((8 * COLUMNS * _CELL_PX, 8 * ROWS * _CELL_PX), marginSize=0)
    small = cv2.resize(large, (COLUMNS * _CELL_PX, ROWS * _CELL_PX), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.GaussianBlur(small, (0, 0), _PRINT_SOFT * _CELL_PX), np.float32)


def _corners_at(
    gray: NDArray[np.uint8], picture: NDArray[np.uint8], scale: float, place: _Place
) -> CornersBySquares | None:
    """The corners of a card that lies at a place of the picture enlarged by `scale`, those that are like its print."""
    card = place.card
    px_from_mm = place.px_from_squares @ np.diag([1.0 / card.square_mm, 1.0 / card.square_mm, 1.0])
    found = search_corners(picture, card, px_from_mm)
    if len(found.ids) < _MOST_CORNERS:
        found = max(found, search_corners(picture, card, px_from_mm, _SOFT), key=lambda f: len(f.ids))
    if len(found.ids) < _LEAST_CORNERS:
        return None
    px, fits = aligned_corners(gray, card, found.ids, (found.px + 0.5) / scale - 0.5)
    if fits.sum() < _LEAST_CORNERS:
        return None
    return CornersBySquares(card, found.ids[fits], px[fits])
