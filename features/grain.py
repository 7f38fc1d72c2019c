"""How grainy a picture is from place to place: by so much its gray differs from pixel to pixel where nothing is drawn.

Grain makes edges of its own along every scan line; only steps that stand out of it tell of what is seen.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from features.made_once import made_once

Array = NDArray[np.float64]

_BLOCK_PX = 8
"""Grain is told of squares of so many pixels."""
_MASK = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32) / 6.0
"""Takes away what is even, sloped or an edge along rows or columns, and leaves white noise as strong as it is (after
Immerkaer 1996, Fast noise variance estimation)."""
_MEAN_OF_NORMAL = 0.7979
"""Mean size of a normal deviate, of one standard deviation."""
_STRIPS, _STRIP_PX = 12, 24
"""So many strips of so many rows tell how grainy a whole picture is."""
_GRAINY, _SMOOTHING_PX = 1.2, 0.8
"""Gray levels of grain from which a picture counts as grainy (11 of 48 real photographs do: fine texture counts, too),
and what brings marks of a few pixels back that drown in it."""
_KEPT: dict[int, NDArray[np.float32]] = {}
"""Of each picture that is still in use, by its identity, the grain of its squares."""


def grain_beside(gray: NDArray[np.uint8], curve_px: Array, outward: Array, away_px: float) -> float:
    """Standard deviation of the grain, in gray levels, on the grainier side of a curve.

    Args:
        gray: (H, W), not to be written on while it is in use.
        curve_px: (N, 2) along the curve; outward: (N, 2) unit vectors across it.
        away_px: how far from the curve its own edge and others beside it reach.
    """
    squares = made_once(gray, _KEPT, lambda: _squares(gray))
    aside = (away_px + _BLOCK_PX) * outward
    sides = (squares[_square_at(squares.shape, side)] for side in (curve_px + aside, curve_px - aside))
    return float(max(np.median(side) for side in sides))


def without_grain(gray: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """A picture (H, W) a little smoothed where it is grainy; the same picture where it is not."""
    height = gray.shape[0]
    tops = np.unique(np.linspace(0, max(0, height - _STRIP_PX), _STRIPS).astype(int))
    grain = np.median(np.concatenate([_squares(gray[top : top + _STRIP_PX]).ravel() for top in tops]))
    if grain < _GRAINY:
        return gray
    return np.asarray(cv2.GaussianBlur(gray, (0, 0), _SMOOTHING_PX), np.uint8)


def _square_at(shape: tuple[int, ...], points_px: Array) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(N,) rows and columns of the squares that points lie in, or of the nearest ones."""
    at = np.floor((points_px + 0.5) / _BLOCK_PX).astype(np.int64)
    column, row = np.clip(at, 0, np.array(shape[1::-1]) - 1).T
    return row, column


def _squares(gray: NDArray[np.uint8]) -> NDArray[np.float32]:
    """(H / 8, W / 8) standard deviation of the grain of each square."""
    size = (max(1, gray.shape[1] // _BLOCK_PX), max(1, gray.shape[0] // _BLOCK_PX))
    rough = np.abs(cv2.filter2D(gray, cv2.CV_32F, _MASK)) / np.float32(_MEAN_OF_NORMAL)
    return np.asarray(cv2.resize(rough, size, interpolation=cv2.INTER_AREA), np.float32)
