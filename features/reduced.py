"""Pictures made smaller by averaging, by halves, of which the way to and fro is known, or to any size; or made larger.

Any smaller size is made by halves first, which are averaged by much faster code than other shares.
"""

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from features.made_once import made_once

SHARP_TO_PX = 2000
"""Long side up to which a photo is about as sharp as it has pixels. In larger ones lens, mosaic and the phone's noise
filter spread an edge over several, beside which grain and sharpening draw edges of their own: of 52 rendered photos of
12 megapixels with a card in the plane, flanges were 1.1 % off (95th percentile 2.6) where circles were looked for in
all pixels, 0.36 (1.35) where in the halved photo, bolt circles 0.38 and 0.29, openings 0.31 and 0.17 %, chambers 0.57
(8.4) and 0.48 (2.1) %."""
_HALVES: dict[int, dict[int, NDArray[np.uint8]]] = {}
"""Of each picture that is still in use, by its identity, those made of it by so many halvings."""


def halvings_of(shape: tuple[int, ...]) -> int:
    """How often a photo of this shape (rows, columns) is to be halved until it is as sharp as it has pixels."""
    return max(0, int(np.rint(np.log2(max(shape) / SHARP_TO_PX))))


def halved(picture: NDArray[np.uint8], times: int) -> NDArray[np.uint8]:
    """A picture, (H, W) or (H, W, channels), of which each side was halved so many times.

    It is made once as long as the picture is in use, and so is not to be written on. Where it has an odd side, the last
    row or column is left out, so that a pixel is the mean of two by two everywhere.
    """
    if times <= 0:
        return picture
    made = made_once(picture, _HALVES, dict)
    if times not in made:
        last = halved(picture, times - 1)
        height, width = (side // 2 for side in last.shape[:2])
        whole = last[: 2 * height, : 2 * width]
        made[times] = np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), np.uint8)
    return made[times]


def in_halved(points_px: NDArray[np.float64], times: int) -> NDArray[np.float64]:
    """(N, 2) pixels of a picture to those of the one halved so many times; pixel centers are whole numbers."""
    return np.asarray((points_px + 0.5) / 2**times - 0.5)


def from_halved(points_px: NDArray[np.float64], times: int) -> NDArray[np.float64]:
    """The way back of `in_halved`."""
    return np.asarray((points_px + 0.5) * 2**times - 0.5)


def matrix_from_halved(times: int) -> NDArray[np.float64]:
    """(3, 3) of `from_halved`, for homographies."""
    scale = 2.0**times
    middle = 0.5 * (scale - 1.0)
    return np.array([[scale, 0.0, middle], [0.0, scale, middle], [0.0, 0.0, 1.0]])


def reduced(picture: NDArray[np.uint8], size: tuple[int, int]) -> NDArray[np.uint8]:
    """Make a picture smaller by averaging areas.

    Args:
        picture: (H, W) or (H, W, channels).
        size: (width, height) wanted; a picture that is as small is returned as it is.
    """
    width, height = size
    shrunk: Any = picture
    while shrunk.shape[1] >= 2 * width and shrunk.shape[0] >= 2 * height:
        if shrunk.shape[0] % 2 == shrunk.shape[1] % 2 == 0:
            shrunk = halved(shrunk, 1)
            continue
        half = (max(width, shrunk.shape[1] // 2), max(height, shrunk.shape[0] // 2))
        shrunk = cv2.resize(shrunk, half, interpolation=cv2.INTER_AREA)
    if shrunk.shape[1::-1] != (width, height):
        shrunk = cv2.resize(shrunk, (width, height), interpolation=cv2.INTER_AREA)
    return np.asarray(shrunk, np.uint8)


def resized(picture: NDArray[np.uint8], scale: float) -> NDArray[np.uint8]:
    """A picture (H, W) made smaller by averaging areas, or larger by cubic curves; the same where the scale is 1."""
    size = (round(picture.shape[1] * scale), round(picture.shape[0] * scale))
    if scale <= 1.0:
        return reduced(picture, size)
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_CUBIC), np.uint8)
