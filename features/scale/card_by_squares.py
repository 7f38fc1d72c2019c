"""Corners of a card whose markers cannot be read: its squares tell where it lies, its print which card it is."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from itertools import chain

import cv2
import numpy as np
from numpy.typing import NDArray

from features.reduced import reduced
from features.scale.card_boards import CARDS, CardBoard
from features.scale.corner_alignment import align_corners, likeness
from features.scale.corner_search import CornersFound, search_corners
from features.scale.square_lattice import WINDOWS_PX, dark_outlines, find_lattices

Array = NDArray[np.float64]

_ENLARGED, _WORK_PX = 2.0, 2048
"""Small pictures are looked at twice as large, large ones at this size."""
_STRETCHED = 2.0
"""A card that lies on the floor is seen half as high as wide: then a picture stretched as much is looked at."""
_LEAST_CORNERS = 12
_OF_MOST = 0.8
"""Where much fewer of a card's corners are seen than of the best one's, it does not lie."""
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
    picture = _resized(gray, scale, scale)
    tries = _tries(gray, picture, scale)
    return next((found for places in tries if (found := _best(gray, picture, scale, places)) is not None), None)


def _tries(gray: NDArray[np.uint8], picture: NDArray[np.uint8], scale: float) -> Iterator[Iterator[Array]]:
    """Possible places of a card in the picture enlarged by `scale`, as seen in it and in one stretched upright."""
    yield chain.from_iterable(find_lattices(dark_outlines(picture, window)) for window in WINDOWS_PX)
    wider = min(1.0, scale)
    higher = _STRETCHED * wider
    outlines = dark_outlines(_resized(gray, wider, higher), WINDOWS_PX[0])
    # Pixel centers: (x + 0.5) s - 0.5, from the stretched picture to the enlarged one.
    x, y = scale / wider, scale / higher
    back = np.array([[x, 0.0, 0.5 * x - 0.5], [0.0, y, 0.5 * y - 0.5], [0.0, 0.0, 1.0]])
    for soft in (False, True):
        yield map(partial(np.matmul, back), find_lattices(outlines, soft))


def _resized(gray: NDArray[np.uint8], wider: float, higher: float) -> NDArray[np.uint8]:
    size = (round(gray.shape[1] * wider), round(gray.shape[0] * higher))
    smaller = wider <= 1.0 and higher <= 1.0
    return np.asarray(
        reduced(gray, size) if smaller else cv2.resize(gray, size, interpolation=cv2.INTER_CUBIC), np.uint8
    )


def _best(
    gray: NDArray[np.uint8], picture: NDArray[np.uint8], scale: float, places: Iterator[Array]
) -> CornersBySquares | None:
    """The card that is most like its print, of those that may lie at places of the picture enlarged by `scale`."""
    best: dict[str, tuple[float, CornersBySquares]] = {}
    for card, found in _seen_most(picture, places):
        px = align_corners(gray, card, found.ids, (found.px + 0.5) / scale - 0.5)
        alike = likeness(gray, card, found.ids, px)
        if alike > best.get(card.size, (_ALIKE, None))[0]:
            best[card.size] = (alike, CornersBySquares(card, found.ids, px))
    order = sorted(best.values(), key=lambda one: -one[0])
    if not order or (len(order) > 1 and order[0][0] - order[1][0] < _MARGIN):
        return None
    return order[0][1]


def _seen_most(picture: NDArray[np.uint8], places: Iterator[Array]) -> list[tuple[CardBoard, CornersFound]]:
    """The cards of which nearly as many corners are seen at a place as anywhere, each place once."""
    seen: list[tuple[CardBoard, CornersFound]] = []
    for px_from_squares in places:
        for card in CARDS.values():
            squares_from_mm = np.diag([1.0 / card.square_mm, 1.0 / card.square_mm, 1.0])
            found = search_corners(picture, card, px_from_squares @ squares_from_mm)
            if len(found.ids) >= _LEAST_CORNERS and not any(card is c and _same(found, f) for c, f in seen):
                seen.append((card, found))
    enough = _OF_MOST * max((len(found.ids) for _, found in seen), default=0)
    return [(card, found) for card, found in seen if len(found.ids) >= enough]


def _same(one: CornersFound, other: CornersFound) -> bool:
    """Whether two findings are of the same corners at the same places."""
    return np.array_equal(one.ids, other.ids) and bool(np.abs(one.px - other.px).max() < 1.0)
