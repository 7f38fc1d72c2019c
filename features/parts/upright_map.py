"""The part map of a pump seen from the front, turned upright where the phone was tilted.

Rows and columns are those of the turned map; what leaves it is in pixels of the photo.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from features.parts.part_model import PartMaps
from features.parts.part_vocabulary import PART_CLASSES, PART_STRIDE

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

CELL_PX = 2 * PART_STRIDE
"""Pixels of the model's picture a cell here: a front's edges are looked for by far coarser things than single cells."""
NOT_OWN = ("background", "companion", "scale_reference", "other")
"""What does not count for overall sizes: piping, references, and what hangs on the air section."""
CHAMBER = ("chamber_cover", "clamp_band", "bolted_rim")
PORT = ("flange", "port_opening", "threaded_boss")
SAME_PUMP, ROOM = 0.02, 0.12
"""Pieces of the map smaller than this share of the largest, or further from it than this share of its size, are not
the pump."""
LEAST_CELLS = 300
LEAST_HEIGHT = 30
"""A pump of fewer cells, or of fewer rows, is seen too small."""
LEAST_CHAMBER = 0.06
"""Share of the pump that its chambers fill at least, where its front is seen."""


@dataclass(frozen=True)
class NoOutline:
    """Why a map shows no pump from the front. Falsy."""

    reason: str

    def __bool__(self) -> Literal[False]:
        return False


@dataclass(frozen=True, eq=False)
class UprightMap:
    """The part map turned upright.

    Attributes:
        maps: the map; turn_deg: by how much the picture was turned.
        shares: (classes, h, w) of the turned map, `CELL_PX` a cell; own: (h, w) share of the pump's own parts, 0 off
            its pieces.
        to_cells: (2, 3) affine map from upright to the unturned map's columns and rows.
    """

    maps: PartMaps
    turn_deg: float
    shares: Floats
    own: Floats
    to_cells: Array

    @classmethod
    def of(cls, maps: PartMaps, turn_deg: float) -> "UprightMap | NoOutline":
        """The map turned by an angle; a falsy reason where it shows no pump from the front.

        Args:
            maps: of a window that holds the pump.
            turn_deg: counter-clockwise as seen.
        """
        shares = np.ascontiguousarray(_coarser(maps.shares, CELL_PX // maps.cell_px).transpose(1, 2, 0))
        rows, columns = shares.shape[:2]
        turn = cv2.getRotationMatrix2D(((columns - 1) / 2, (rows - 1) / 2), turn_deg, 1.0)
        if turn_deg:
            size = int(np.hypot(rows, columns)) + 2
            turn[:, 2] = turn[:, 2] + 0.5 * (size - np.array([columns, rows]))
            nothing = [1.0] + [0.0] * (len(PART_CLASSES) - 1)
            layers = [
                cv2.warpAffine(shares[..., k], turn, (size, size), borderValue=nothing[k]) for k in range(len(nothing))
            ]
            shares = np.stack(layers, axis=2)
        own = _of(shares, tuple(name for name in PART_CLASSES if name not in NOT_OWN))
        pieces = _pump_pieces(own)
        if pieces.sum() < LEAST_CELLS or np.ptp(np.nonzero(pieces.any(axis=1))[0]) < LEAST_HEIGHT:
            return NoOutline("the pump is seen too small")
        back = np.asarray(cv2.invertAffineTransform(turn), float)
        view = cls(maps, turn_deg, shares.transpose(2, 0, 1), np.where(pieces, own, 0.0).astype(np.float32), back)
        if not view.has_chambers:
            return NoOutline("no chambers are made out to the left and right of an air section")
        return view

    @cached_property
    def chamber(self) -> Floats:
        """(h, w) share of the chambers with their joints."""
        return np.where(self.own > 0, self.share(CHAMBER), 0.0).astype(np.float32)

    @cached_property
    def has_chambers(self) -> bool:
        """Whether chambers are seen that are as large as a front shows them."""
        return bool((self.chamber > 0.5).sum() > LEAST_CHAMBER * (self.own > 0.5).sum())

    @cached_property
    def breadth(self) -> tuple[float, float]:
        """Leftmost and rightmost column of the chambers, the odd cell left out."""
        columns = np.nonzero(self.chamber > 0.5)[1]
        low, high = np.percentile(columns, (1.0, 99.0))
        return float(low), float(high)

    @property
    def middle(self) -> float:
        """Column of the chambers' middle."""
        return 0.5 * sum(self.breadth)

    @property
    def half(self) -> float:
        """Half their breadth in columns."""
        return 0.5 * (self.breadth[1] - self.breadth[0])

    @property
    def cell_px(self) -> float:
        """Photo pixels a cell."""
        return CELL_PX * self.maps.window.scale

    @cached_property
    def axis_row(self) -> float:
        """Row of the chambers' middle."""
        rows = np.nonzero(self.chamber > 0.5)[0]
        low, high = np.percentile(rows, (2.0, 98.0))
        return float(0.5 * (low + high))

    def share(self, names: tuple[str, ...]) -> Floats:
        """(h, w) share of some parts together."""
        return np.asarray(self.shares[[PART_CLASSES.index(name) for name in names]].sum(axis=0), np.float32)

    def to_photo(self, places: Array) -> Array:
        """(N, 2) upright columns and rows to photo pixels."""
        cells = np.asarray(places, float) @ self.to_cells[:, :2].T + self.to_cells[:, 2]
        return self.maps.window.to_photo((cells + 0.5) * CELL_PX - 0.5)

    def from_photo(self, places_px: Array) -> Array:
        """(N, 2) photo pixels to upright columns and rows."""
        cells = self.maps.window.to_cells(places_px, CELL_PX)
        return np.asarray((cells - self.to_cells[:, 2]) @ np.linalg.inv(self.to_cells[:, :2]).T)

    def part_near(self, column: float, row: float) -> str:
        """The own part likeliest about a place."""
        x, y = round(column), round(row)
        patch = self.shares[:, max(y - 2, 0) : y + 3, max(x - 2, 0) : x + 3].sum(axis=(1, 2)).copy()
        patch[[PART_CLASSES.index(name) for name in (*NOT_OWN, "bolt")]] = 0.0
        return PART_CLASSES[int(np.argmax(patch))]


def _coarser(shares: Floats, by: int) -> Floats:
    """(classes, h // by, w // by) means of squares of cells."""
    rows, columns = (side // by for side in shares.shape[1:])
    squares = shares[:, : by * rows, : by * columns].reshape(-1, rows, by, columns, by)
    return np.asarray(squares.mean(axis=(2, 4)), np.float32)


def _of(shares: Floats, names: tuple[str, ...]) -> Floats:
    return np.asarray(shares[..., [PART_CLASSES.index(name) for name in names]].sum(axis=-1), np.float32)


def _pump_pieces(own: Floats) -> NDArray[np.bool_]:
    """(h, w) cells of the pump: its largest piece, and smaller ones near it."""
    solid = (own > 0.5).astype(np.uint8)
    count, pieces, stats, _ = cv2.connectedComponentsWithStats(cv2.dilate(solid, np.ones((3, 3), np.uint8)))
    if count < 2:
        return np.zeros(own.shape, bool)
    areas = stats[1:, cv2.CC_STAT_AREA]
    low = stats[1:, [cv2.CC_STAT_LEFT, cv2.CC_STAT_TOP]]
    high = low + stats[1:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]]
    largest = int(np.argmax(areas))
    room = ROOM * float((high - low)[largest].max())
    near = ((low < high[largest] + room) & (high > low[largest] - room)).all(axis=1)
    kept = 1 + np.nonzero(near & (areas > SAME_PUMP * areas[largest]))[0]
    return np.isin(pieces, kept)
