"""The outermost places of a pump to each side, and the lowest of its feet, read off the part map of its front."""

from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from features.parts.part_vocabulary import PART_CLASSES
from features.parts.upright_map import PORT, Array, Floats, UprightMap

Side = Literal["top", "bottom", "left", "right"]

TOWARD: dict[Side, tuple[float, float]] = {"top": (0.0, -1.0), "left": (-1.0, 0.0), "right": (1.0, 0.0)}
BORDER_CELLS, LEAST_CUT_CELLS = 1.5, 2
"""The picture cuts a pump off that shows at least so many cells this near to its border."""
WITHIN = 2.0
"""So many cells within the edge a place shows what part it is of."""
SPUR_CELLS = 5
"""What is thinner than this may be a thing behind the pump."""
UNEVEN = 0.03
"""A pump without ports to its sides reaches as far to one as to the other, up to this share of its breadth."""
LEAST_FOOT_CELLS, FOOT_ASIDE = 4, 0.1
"""Feet of fewer cells are not told; a foot lies so far from the middle, of half the breadth."""
WIDEST_FOOT, NEAR_GROUND, BETWEEN_FEET = 0.28, 0.15, 0.25
"""Half the width of a foot at most, and how near to the ground is looked between two, of half the breadth; how much of
that feet may fill."""
EDGE_SD, FOOT_EDGE_SD = 0.5, 0.6
"""Error of an edge of the map, in cells."""


@dataclass(frozen=True, eq=False)
class Outermost:
    """The place of the pump that lies furthest to one side.

    Attributes:
        place_px: (2,) in the photo; sd_px: standard uncertainty toward that side.
        part: class of `PART_CLASSES` there; half_px: half the size of that part across, as far as the place is its own.
    """

    place_px: Array
    sd_px: float
    part: str
    half_px: float


def evened(sides: dict[Side, Outermost | None], view: UprightMap) -> dict[Side, Outermost | None]:
    """The sides; where they differ though no port makes them, both are doubted."""
    left, right = sides["left"], sides["right"]
    if left is None or right is None or left.part in PORT or right.part in PORT:
        return sides
    ends = view.from_photo(np.stack([left.place_px, right.place_px]))[:, 0]
    uneven = abs(float(ends.sum()) - 2.0 * view.middle) - 2.0 * UNEVEN * view.half
    if uneven <= 0:
        return sides
    doubt_px = 0.5 * uneven * view.cell_px
    left, right = (replace(one, sd_px=float(np.hypot(one.sd_px, doubt_px))) for one in (left, right))
    return {**sides, "left": left, "right": right}


def cut_sides(view: UprightMap, photo_size: tuple[int, int]) -> set[Side]:
    """Sides on which the pump reaches the border of the photo (width, height)."""
    rows, columns = np.nonzero(view.own > 0.5)
    x, y = view.to_photo(np.stack([columns, rows], 1).astype(float)).T
    near, (width, height) = BORDER_CELLS * view.cell_px, photo_size
    beyond: dict[Side, NDArray[np.bool_]] = {
        "left": x < near, "right": x > width - 1 - near, "top": y < near, "bottom": y > height - 1 - near
    }  # fmt: skip
    return {side for side, cells in beyond.items() if cells.sum() >= LEAST_CUT_CELLS}


def outermost(view: UprightMap, side: Side) -> Outermost | None:
    """The outermost place of the pump's own parts toward a side; a thin spur may be its own, or the background's."""
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (SPUR_CELLS, SPUR_CELLS))
    whole = _furthest(view, view.own, side)
    solid = _furthest(view, np.minimum(view.own, cv2.morphologyEx(view.own, cv2.MORPH_OPEN, kernel)), side)
    if whole is None or solid is None:
        return None
    toward = np.array(TOWARD[side])
    spur = max(float((whole - solid) @ toward), 0.0)
    place, within = solid + 0.5 * spur * toward, solid - WITHIN * toward
    part = view.part_near(*within)
    sd = float(np.hypot(EDGE_SD, 0.5 * spur if spur > 1.0 else 0.0))
    half = _half_across(view, within, side == "top", part)
    return Outermost(view.to_photo(place[None])[0], sd * view.cell_px, part, half * view.cell_px)


def _furthest(view: UprightMap, own: Floats, side: Side) -> Array | None:
    """(2,) column and row of the place that lies furthest to a side."""
    # Rows of the turned map run from the side inward.
    inward = own if side == "top" else own.T[::-1] if side == "right" else own.T
    reached = np.where((inward > 0.5).any(axis=0), (inward > 0.5).argmax(axis=0), inward.shape[0])
    best = int(np.argmin(reached))
    at = int(reached[best])
    if at == 0 or at >= inward.shape[0]:
        return None
    edge = at - (inward[at, best] - 0.5) / max(float(inward[at, best] - inward[at - 1, best]), 1e-3)
    level = np.flatnonzero(reached <= at + 1)
    # Neighbors that reach as far: the middle of that stretch.
    across = float(level[np.abs(level - best) <= _stretch(level, best)].mean())
    if side == "top":
        return np.array([across, edge])
    return np.array([edge if side == "left" else inward.shape[0] - 1 - edge, across])


def _stretch(level: NDArray[np.int64], best: int) -> int:
    """How far from `best` columns of `level` follow one another."""
    gaps = np.abs(level - best)
    reach = 0
    for gap in np.sort(gaps):
        if gap > reach + 2:
            break
        reach = int(gap)
    return reach


def _half_across(view: UprightMap, place: Array, level: bool, part: str) -> float:
    """Half the cells of a part along the row, else the column, through a place."""
    share = view.shares[PART_CLASSES.index(part)]
    column, row = (int(np.clip(round(at), 0, size - 1)) for at, size in zip(place, share.shape[::-1], strict=True))
    mine = (share[row] if level else share[:, column]) > 0.4
    at = column if level else row
    others = np.flatnonzero(~mine)
    before, after = others[others < at], others[others > at]
    first = int(before[-1]) if len(before) else -1
    last = int(after[0]) if len(after) else len(mine)
    return 0.5 * (last - first - 1)


def stand_apart(view: UprightMap, feet: tuple[Outermost, ...]) -> bool:
    """Whether the two feet are pads of their own: on a plate or on rails no foot shows where its holes are."""
    if len(feet) < 2:
        return False
    places = view.from_photo(np.stack([foot.place_px for foot in feet]))
    halves = np.array([foot.half_px for foot in feet]) / view.cell_px
    if halves.max() > WIDEST_FOOT * view.half:
        return False
    first, last = int(places[0, 0] + halves[0]) + 2, int(places[1, 0] - halves[1]) - 1
    band = max(3.0, NEAR_GROUND * view.half)
    low, high = int(places[:, 1].min() - band), int(places[:, 1].max()) + 2
    between = view.share(("feet",))[max(low, 0) : high, first:last] > 0.5
    return between.shape[1] > 0 and float(between.any(axis=0).mean()) < BETWEEN_FEET


def lowest_foot(view: UprightMap, sign: int) -> Outermost | None:
    """The lowest place of the feet to one side of the middle; None where something lies before it."""
    aside = sign * (np.arange(view.own.shape[1]) - view.middle) > FOOT_ASIDE * view.half
    feet = np.where((view.own > 0) & aside, view.share(("feet",)), 0.0)
    seen = feet > 0.5
    if seen.sum() < LEAST_FOOT_CELLS:
        return None
    row = int(np.nonzero(seen.any(axis=1))[0].max())
    lowest = np.flatnonzero(seen[row])
    below = view.share(("companion", "scale_reference"))[row + 1 : row + 3, lowest]
    if row + 1 >= len(feet) or float(below.max(initial=0.0)) > 0.5:
        return None
    column = int(lowest[np.argmax(feet[row, lowest])])
    edge = row + (feet[row, column] - 0.5) / max(float(feet[row, column] - feet[row + 1, column]), 1e-3)
    middle = float(np.flatnonzero(seen[max(row - 1, 0) : row + 1].any(axis=0)).mean())
    place = view.to_photo(np.array([[middle, edge]]))[0]
    return Outermost(place, FOOT_EDGE_SD * view.cell_px, "feet", 0.5 * len(lowest) * view.cell_px)
