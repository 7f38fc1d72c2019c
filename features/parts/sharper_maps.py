"""Draws a part map to the photo's own edges: a border the model drew goes to where the color changes beside it.

The guided filter (He, Sun and Tang 2013, IEEE TPAMI 35 (6)) with the picture that the model saw as its guide, in the
fast form: what links shares to colors is found on the map's cells and applied to every pixel (He and Sun 2015, arXiv
1505.00996).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

REACH_CELLS = 2
"""Half the side of the square of cells in which shares are taken for a linear function of color."""
LEAST_SPREAD = 0.01
"""Spread of color, of the whole range, below which a square counts as of one color: there the map stays as it is."""
LEAST_SHARE, SHOWN = 0.02, 0.3
"""A part that fills no cell to these shares is left out, or not drawn anew."""


def sharpened(shares: Floats, picture_rgb: NDArray[np.uint8]) -> Floats:
    """The map at one cell a pixel of the picture.

    Args:
        shares: (classes, h, w) probabilities of the parts, one cell for as many pixels down as across.
        picture_rgb: (H, W, 3) the same window; the last cells may reach beyond it.

    Returns:
        (classes, H, W).
    """
    height, width = picture_rgb.shape[:2]
    rows, columns = shares.shape[1:]
    cell = -(-height // rows)
    size = (columns * cell, rows * cell)
    beyond = (0, size[1] - height, 0, size[0] - width)
    guide = cv2.copyMakeBorder(picture_rgb, *beyond, cv2.BORDER_REPLICATE).astype(np.float32) / 255
    channels = _planes(guide)
    colors = _Colors.of(_planes(cv2.resize(guide, (columns, rows), interpolation=cv2.INTER_AREA)))
    told = _enlarged(colors.told, size)
    fine = np.zeros((len(shares), *size[::-1]), np.float32)
    # One part after the other: planes of this size stay in the processor's cache.
    for share, whole in zip(shares, fine, strict=True):
        if share.max() < LEAST_SHARE:
            continue
        plain = _enlarged(share, size)
        if share.max() > SHOWN:
            slopes, rest = colors.linked(share)
            drawn = _enlarged(rest, size)
            for slope, channel in zip(slopes, channels, strict=True):
                drawn += _enlarged(slope, size) * channel
            plain += told * (drawn - plain)
        np.clip(plain, 0.0, 1.0, out=whole)
    return fine[:, :height, :width]


@dataclass(frozen=True, eq=False)
class _Colors:
    """What the squares round all cells hold of color.

    Attributes:
        planes, means: 3 of (h, w); inverse: 3 times 3 of (h, w), the inverse of their covariance.
        told: (h, w) how far color can tell anything, 0 where there is but one.
    """

    planes: Sequence[Floats]
    means: Sequence[Floats]
    inverse: Sequence[Sequence[Floats]]
    told: Floats

    @classmethod
    def of(cls, planes: Sequence[Floats]) -> "_Colors":
        least = np.float32(LEAST_SPREAD**2)
        means = [_mean(plane) for plane in planes]
        (rr, rg, rb), (_, gg, gb), (_, _, bb) = (
            [_mean(planes[i] * planes[j]) - means[i] * means[j] for j in range(3)] for i in range(3)
        )
        spread = rr + gg + bb
        rr, gg, bb = rr + least, gg + least, bb + least
        # A symmetric matrix is inverted by its cofactors, for all cells at once.
        top = (gg * bb - gb * gb, rb * gb - rg * bb, rg * gb - rb * gg)
        middle = (rr * bb - rb * rb, rg * rb - rr * gb)
        determinant = rr * top[0] + rg * top[1] + rb * top[2]
        a, b, c, d, e, f = (part / determinant for part in (*top, *middle, rr * gg - rg * rg))
        told = np.asarray(spread / (spread + least), np.float32)
        return cls(planes, means, ((a, b, c), (b, d, e), (c, e, f)), _mean(told))

    def linked(self, share: Floats) -> tuple[list[Floats], Floats]:
        """A share (h, w) as a linear function of color round each cell: 3 slopes (h, w), and the rest (h, w)."""
        mean = _mean(share)
        common = [_mean(share * plane) - mean * own for plane, own in zip(self.planes, self.means, strict=True)]
        slopes = [_products(row, common) for row in self.inverse]
        return [_mean(slope) for slope in slopes], _mean(mean - _products(slopes, self.means))


def _products(ours: Sequence[Floats], theirs: Sequence[Floats]) -> Floats:
    """Sum of three products."""
    return np.asarray(ours[0] * theirs[0] + ours[1] * theirs[1] + ours[2] * theirs[2], np.float32)


def _planes(picture: NDArray[Any]) -> list[Floats]:
    """3 of (h, w) from (h, w, 3)."""
    return [np.asarray(plane, np.float32) for plane in cv2.split(picture)]


def _mean(plane: Floats) -> Floats:
    """(h, w) means over the square round each cell."""
    side = 2 * REACH_CELLS + 1
    return np.asarray(cv2.blur(plane, (side, side)), np.float32)


def _enlarged(plane: Floats, size: tuple[int, int]) -> Floats:
    return np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_LINEAR), np.float32)
