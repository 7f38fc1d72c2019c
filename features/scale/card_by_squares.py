"""Corners of a card whose markers cannot be read: its squares tell where it lies, its print which card it is."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from features.reduced import reduced
from features.scale.card_boards import CARDS, CardBoard
from features.scale.corner_alignment import align_corners, likeness
from features.scale.corner_search import search_corners
from features.scale.square_lattice import find_lattices

Array = NDArray[np.float64]

_ENLARGED, _WORK_PX = 2.0, 2048
"""Small pictures are looked at twice as large, large ones at this size."""
_LEAST_CORNERS = 12
_ALIKE, _MARGIN = 0.85, 0.02
"""Least likeness to the card's print, and how much more than to the other card's. Of unread cards on renders the right
one came to 0.91 to 0.98, the other to 0.85 to 0.95 and by 0.03 to 0.08 less."""


@dataclass(frozen=True, eq=False)
class CornersBySquares:
    """Corners of a card: ids (N,) and where they are seen (N, 2) in the photo."""

    card: CardBoard
    ids: NDArray[np.int64]
    px: Array


def corners_by_squares(gray: NDArray[np.uint8]) -> CornersBySquares | None:
    """Find the card whose black squares are seen best; None where no card's are, or it may be either of the two.

    Args:
        gray: (H, W) full-resolution photo.
    """
    longest = max(gray.shape)
    scale = _ENLARGED if longest <= _WORK_PX else _WORK_PX / longest
    size = (round(gray.shape[1] * scale), round(gray.shape[0] * scale))
    picture = reduced(gray, size) if scale < 1.0 else cv2.resize(gray, size, interpolation=cv2.INTER_CUBIC)
    picture = np.asarray(picture, np.uint8)
    best: dict[str, tuple[float, CornersBySquares]] = {}
    for px_from_squares in find_lattices(picture):
        for card in CARDS.values():
            squares_from_mm = np.diag([1.0 / card.square_mm, 1.0 / card.square_mm, 1.0])
            found = search_corners(picture, card, px_from_squares @ squares_from_mm)
            if len(found.ids) < _LEAST_CORNERS:
                continue
            px = align_corners(gray, card, found.ids, (found.px + 0.5) / scale - 0.5)
            alike = likeness(gray, card, found.ids, px)
            if alike > best.get(card.size, (_ALIKE, None))[0]:
                best[card.size] = (alike, CornersBySquares(card, found.ids, px))
    order = sorted(best.values(), key=lambda one: -one[0])
    if not order or (len(order) > 1 and order[0][0] - order[1][0] < _MARGIN):
        return None
    return order[0][1]
