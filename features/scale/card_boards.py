"""The two printed scale cards: their geometry in mm, and the marker dictionary they are read with.

Both are OpenCV ChArUco boards of 7 x 5 squares, told apart by their marker ids alone.
"""

from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

CardSize = Literal["pocket", "large"]

COLUMNS, ROWS = 7, 5
MARKER_BITS = 5
DICTIONARY_SIZE = 100
MIRRORED_ID_OFFSET = 1000
"""Ids from here on stand for markers of our cards seen in a mirror: `MIRRORED_ID_OFFSET + id`."""


@dataclass(frozen=True)
class CardBoard:
    """One of the two scale cards.

    Attributes:
        size: its name on the command line.
        square_mm: side of a chessboard square; marker_mm: side of a marker, black border included.
        first_id: id of its first marker; the ids run on without gap.
    """

    size: CardSize
    square_mm: float
    marker_mm: float
    first_id: int

    @property
    def width_mm(self) -> float:
        """Width of the printed pattern."""
        return COLUMNS * self.square_mm

    @property
    def height_mm(self) -> float:
        """Height of the printed pattern."""
        return ROWS * self.square_mm

    @property
    def marker_ids(self) -> range:
        """Ids of its markers, one in each white square."""
        return range(self.first_id, self.first_id + COLUMNS * ROWS // 2)

    @property
    def outline_mm(self) -> NDArray[np.float64]:
        """(4, 2) corners of the pattern: top left, top right, bottom right, bottom left."""
        w, h = self.width_mm, self.height_mm
        return np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])

    @property
    def corners_mm(self) -> NDArray[np.float64]:
        """(24, 2) inner chessboard corners, in the order of their ChArUco ids."""
        return np.asarray(opencv_board(self.size).getChessboardCorners(), np.float64).reshape(-1, 3)[:, :2]

    @property
    def marker_corners_mm(self) -> NDArray[np.float64]:
        """(17, 4, 2) corners of each marker, clockwise from its own top left."""
        return np.asarray(opencv_board(self.size).getObjPoints(), np.float64).reshape(-1, 4, 3)[:, :, :2]


POCKET = CardBoard("pocket", square_mm=12.0, marker_mm=9.0, first_id=0)
LARGE = CardBoard("large", square_mm=36.0, marker_mm=27.0, first_id=17)
CARDS: dict[CardSize, CardBoard] = {"pocket": POCKET, "large": LARGE}


@cache
def opencv_board(size: CardSize) -> Any:
    """The card as OpenCV's board object (current, not legacy pattern)."""
    card = CARDS[size]
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
    ids = np.arange(card.marker_ids.start, card.marker_ids.stop)
    return cv2.aruco.CharucoBoard((COLUMNS, ROWS), card.square_mm, card.marker_mm, dictionary, ids)


def marker_bits(marker_id: int) -> NDArray[np.uint8]:
    """(5, 5) inner bits of a marker, 1 = white."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
    one = np.ascontiguousarray(dictionary.bytesList[marker_id : marker_id + 1])
    return np.asarray(cv2.aruco.Dictionary.getBitsFromByteList(one, MARKER_BITS), np.uint8)


@cache
def marker_reader() -> tuple[Any, NDArray[np.int64]]:
    """A dictionary that reads the 100 markers and our own ones seen in a mirror, all in one pass.

    OpenCV never finds a mirrored marker, so without this a card photographed through a mirror or a mirrored
    webcam would just be "not found". A mirrored marker closer than 5 bits to an ordinary one is left out, and
    two wrong bits at most are corrected, so the two kinds cannot be confused. Chance readings are sorted out
    later by the card's geometry and print.

    Returns:
        The dictionary, and the marker id meant by each of its entries (mirrored ones offset).
    """
    ordinary = [marker_bits(i) for i in range(DICTIONARY_SIZE)]
    bits, ids = list(ordinary), list(range(DICTIONARY_SIZE))
    for marker_id in (*POCKET.marker_ids, *LARGE.marker_ids):
        mirrored = np.fliplr(ordinary[marker_id])
        turned = [np.rot90(mirrored, k) for k in range(4)]
        if min(int((t != other).sum()) for t in turned for other in ordinary) >= 5:
            bits.append(mirrored)
            ids.append(MIRRORED_ID_OFFSET + marker_id)
    as_bytes = [cv2.aruco.Dictionary.getByteListFromBits(np.ascontiguousarray(b)) for b in bits]
    return cv2.aruco.Dictionary(np.concatenate(as_bytes), MARKER_BITS, 2), np.array(ids)
