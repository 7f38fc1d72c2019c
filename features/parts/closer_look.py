"""Two looks at a photo: a glance at all of it, and a full look at the pump, or at all of it where the pump fills it."""

from collections.abc import Mapping
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from features.parts.color_cast import ColorCast, cast_of
from features.parts.part_model import PartMaps, PartModel
from features.parts.part_vocabulary import PART_CLASSES, PART_STRIDE, PICTURE_MULTIPLE, PICTURE_PX

NOT_THE_PUMP = ("background", "scale_reference", "companion")
"""Parts of a map that are none of the pump's."""
OF_BOTH_LOOKS = ("view", "pump")
"""Attributes that both looks tell together; all others are told by the full look."""
GLANCE_PX = 320
"""Long side of the picture of the first look: enough to see where the pump is, in a third of a full look's time."""
FULL_LOOK_PX2 = 480 * 480
"""Most pixels of the picture of the full look; a square one of this many costs as much time as one of 8 to 7 at full
length (the parts overlap as well as without this bound, measured on 120 photos; with 448 * 448 by 0.004 less)."""
CAST_PX = 160
"""About as many of the photo's pixels along its longer side are taken to tell the color of the light."""
WORTH_IT = 0.95
"""The full look is at the pump's box when that is smaller than this share of the photo's longer side."""
ROOM = 0.1
"""Surroundings that the full look takes in, of the box's longer side."""
LEAST_CELLS = 160
"""A pump of fewer cells of a glance's map is too small to be sure where it is."""
SAME_PUMP, BEHIND_SOMETHING = 0.15, 0.02
"""Pieces smaller than the first share of the largest are not the pump, or not worth going further away for; those near
the others need the second only: a hose, a hand or a pipe before a pump cuts it into pieces."""
NEAR = 0.5
"""How far off such a piece may be, of the longer side of the box around the others."""


def look_at_pump(model: PartModel, pixels_rgb: NDArray[np.uint8], whole: PartMaps | None = None) -> PartMaps:
    """Maps of the window that shows the pump largest, with what both looks tell of the view and of there being a pump.

    Args:
        model: looks twice.
        pixels_rgb: (H, W, 3) upright photo.
        whole: of a full, sharp look at all of it, where one was taken: better than a glance.
    """
    glance = model.look(pixels_rgb, side_px=GLANCE_PX) if whole is None else whole
    box = pump_box(glance)
    if box is not None and max(box[2] - box[0], box[3] - box[1]) > WORTH_IT * max(pixels_rgb.shape[:2]):
        box = None
    shape = pixels_rgb.shape if box is None else (round(box[3] - box[1]), round(box[2] - box[0]))
    side_px = full_side_px(shape)
    cast = surroundings_cast(pixels_rgb, glance) if glance.attributes["pump"]["yes"] > 0.5 else None
    near = whole
    if near is None or cast is not None or box is not None or side_px != PICTURE_PX:
        near = model.look(pixels_rgb, box, side_px, sharp=True, cast=cast)
    together = {name: _agreed(glance.attributes[name], near.attributes[name]) for name in OF_BOTH_LOOKS}
    return replace(near, attributes={**near.attributes, **together})


def surroundings_cast(pixels_rgb: NDArray[np.uint8], whole: PartMaps) -> ColorCast | None:
    """The color of the light on the photo (H, W, 3), from what the maps of all of it show beside the pump."""
    step = -(-max(pixels_rgb.shape[:2]) // CAST_PX)
    some = pixels_rgb[step // 2 :: step, step // 2 :: step]
    beside = (whole.likeliest == PART_CLASSES.index("background")).astype(np.uint8)
    return cast_of(some, cv2.resize(beside, some.shape[1::-1], interpolation=cv2.INTER_NEAREST) > 0)


def _agreed(one: Mapping[str, float], other: Mapping[str, float]) -> dict[str, float]:
    """What two looks at one photo say together: the glance sees where the pump stands, the full look what it shows."""
    both = {value: share * other[value] for value, share in one.items()}
    total = sum(both.values())
    return {value: share / total for value, share in both.items()} if total > 0 else dict(one)


def full_side_px(shape: tuple[int, ...]) -> int:
    """Long side of the full look's picture of a part of the photo of this height and width."""
    long, short = max(shape[:2]), max(1, min(shape[:2]))
    within = int(np.sqrt(FULL_LOOK_PX2 * long / short)) // PICTURE_MULTIPLE * PICTURE_MULTIPLE
    return min(PICTURE_PX, within)


def pump_cells(maps: PartMaps) -> NDArray[np.bool_]:
    """(h, w) cells of the map that show a part of the pump."""
    return np.asarray(~np.isin(maps.likeliest, [PART_CLASSES.index(name) for name in NOT_THE_PUMP]))


def pump_box(maps: PartMaps) -> tuple[float, float, float, float] | None:
    """Left, top, right, bottom of the pump in photo pixels with some room, within the window; None without a pump."""
    pump = pump_cells(maps).astype(np.uint8)
    _, _, pieces, _ = cv2.connectedComponentsWithStats(cv2.dilate(pump, np.ones((5, 5), np.uint8)))
    areas = pieces[1:, cv2.CC_STAT_AREA]
    finer = max(maps.window.width, maps.window.height) / GLANCE_PX * PART_STRIDE / maps.cell_px
    if not len(areas) or areas.max() < LEAST_CELLS * finer**2:
        return None
    lows, highs = pieces[1:, :2].astype(float), (pieces[1:, :2] + pieces[1:, 2:4]).astype(float)
    large = areas > SAME_PUMP * areas.max()
    low, high = lows[large].min(axis=0), highs[large].max(axis=0)
    gaps = np.maximum(low - highs, lows - high).max(axis=1)
    kept = large | ((areas > BEHIND_SOMETHING * areas.max()) & (gaps < NEAR * (high - low).max()))
    low, high = lows[kept].min(axis=0), highs[kept].max(axis=0)
    room = ROOM * (high - low).max()
    cells = np.array([low - room, high + room])
    corners = maps.window.to_photo(cells * maps.cell_px - 0.5)
    size = np.array([maps.window.width, maps.window.height], float)
    least, most = maps.window.to_photo(np.array([[-0.5, -0.5], size - 0.5]))
    (left, top), (right, bottom) = np.clip(corners, least, most)
    return float(left), float(top), float(right), float(bottom)
