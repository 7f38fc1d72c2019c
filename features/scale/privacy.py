"""Make what is printed on a bank card unreadable before a picture of it is kept."""

import cv2
import numpy as np
from numpy.typing import NDArray

_CELLS_ACROSS = 12
"""Blocks along the longer side of the outline: about 7 mm on a bank card, twice the height of its digits."""


def blur_inside(pixels_rgb: NDArray[np.uint8], outline_px: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Replace the inside of an outline by coarse blocks of its mean colors.

    Averages are taken over blocks larger than any digit and the rest is thrown away, so nothing can be
    brought back by sharpening, as it can after a mild blur.

    Args:
        pixels_rgb: (H, W, 3) picture; left untouched.
        outline_px: (N, 2) polygon, may reach beyond the picture.

    Returns:
        (H, W, 3) a new picture.
    """
    out = pixels_rgb.copy()
    height, width = pixels_rgb.shape[:2]
    corners = np.asarray(outline_px, float)
    low = np.clip(np.floor(corners.min(0)).astype(int), 0, (width, height))
    high = np.clip(np.ceil(corners.max(0)).astype(int) + 1, 0, (width, height))
    part = out[low[1] : high[1], low[0] : high[0]]
    if part.size == 0:
        return out
    longest = float(max(np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1)))
    cell = max(2.0, longest / _CELLS_ACROSS)
    size = (max(1, round(part.shape[1] / cell)), max(1, round(part.shape[0] / cell)))
    blocks = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
    smooth = cv2.resize(blocks, part.shape[1::-1], interpolation=cv2.INTER_LINEAR)
    mask = np.zeros(part.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.rint(corners - low).astype(np.int32)], 1)
    part[mask > 0] = np.asarray(smooth, np.uint8)[mask > 0]
    return out
