"""How sharp a photo is by its own edges: neither scale nor pump is needed to say that it is blurred.

A blurred edge that is blurred once more loses contrast, the less the blurrier it was: with gradients g before and h
after a second blur of known spread s, the first spread was s / sqrt((g / h)^2 - 1) (Zhuo and Sim, "Defocus map
estimation from a single image", Pattern Recognition 44, 2011, from memory). The sharpest edges of each direction count:
what lies out of focus behind the pump does no harm, and a camera that was moved shows across its movement.
"""

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from features.photo_problems import PHOTO_BLURRED
from features.problems import Problem
from features.reduced import reduced

Gray = NDArray[np.float32]
Places = NDArray[np.int64]

BLURRED_SHARE, BLURRED_PX = 0.0007, 1.0
"""Of the longer side, and in pixels: edges that spread further than both are blurred (2.8 px of 4000). Of 41 sharp
renders and phone photos none came above 0.0004; blurred by 0.0015 of their side 37 came above 0.0008."""

_JUDGED_PX = 2048
_FIRST_PX, _SECOND_PX = 1.0, 2.0
"""Spreads of the two blurs; the first one takes the noise's own edges away."""
_REACH_PX = 9
"""How far round a place the gradient after the second blur depends on the picture."""
_DIRECTIONS, _FEWEST = 6, 150
_STRONG_SHARE, _WEAKEST = 0.03, 1.5
"""Edges are the strongest share of a picture, and at least this many gray levels a pixel."""
_SHARPEST_SHARE = 0.1


def blur_problems(pixels: NDArray[np.uint8]) -> tuple[Problem, ...]:
    """What is to be said of the sharpness of a photo (H, W) in gray or (H, W, 3) in RGB.

    Nothing is where it is sharp, or has too few edges to tell.
    """
    gray = pixels if pixels.ndim == 2 else np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), np.uint8)
    longest_px = max(gray.shape)
    spread_px = edge_spread_px(gray)
    if spread_px is None or spread_px <= max(BLURRED_SHARE * longest_px, BLURRED_PX):
        return ()
    return (Problem(PHOTO_BLURRED, f"even its sharpest edges spread over {2.56 * spread_px:.0f} px"),)


def edge_spread_px(gray: NDArray[np.uint8]) -> float | None:
    """Spread (standard deviation) of the sharpest edges, in the direction in which they are least sharp.

    Args:
        gray: (height, width).

    Returns:
        Pixels of this picture, 0 where it is as sharp as pixels are, too few for a wide blur in noise; None where
        too few edges are seen to tell.
    """
    share = min(1.0, _JUDGED_PX / max(gray.shape))
    if share < 1.0:
        gray = reduced(gray, (round(gray.shape[1] * share), round(gray.shape[0] * share)))
    soft = np.asarray(cv2.GaussianBlur(gray.astype(np.float32), (0, 0), _FIRST_PX), np.float32)
    across = np.asarray(cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=0.125))
    down = np.asarray(cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=0.125))
    size: Gray = np.asarray(cv2.magnitude(across, down), np.float32)
    row, column = _crests(size)
    ratio = size[row, column] / np.maximum(_after_second_blur(soft, row, column), 1e-3)
    both = _SECOND_PX / np.sqrt(np.maximum(ratio**2 - 1.0, 1e-3))
    spreads = np.sqrt(np.maximum(both**2 - _FIRST_PX**2, 0.0))
    angle = np.arctan2(down[row, column], across[row, column]) % np.pi
    direction = (angle * (_DIRECTIONS / np.pi)).astype(int) % _DIRECTIONS
    told = [spreads[direction == i] for i in range(_DIRECTIONS) if np.count_nonzero(direction == i) >= _FEWEST]
    return max((float(np.quantile(own, _SHARPEST_SHARE)) / share for own in told), default=None)


def _crests(size: Gray) -> tuple[Places, Places]:
    """Rows and columns where the gradient is steepest among its neighbors, and strong."""
    strong = max(_WEAKEST, float(np.quantile(size[::4, ::4], 1.0 - _STRONG_SHARE)))
    steepest = cv2.compare(size, cv2.dilate(size, np.ones((3, 3), np.uint8)), cv2.CMP_GE)
    places = cv2.findNonZero(cv2.bitwise_and(steepest, cv2.compare(size, strong, cv2.CMP_GT)))  # type: ignore[call-overload]
    column, row = np.zeros((2, 0), np.int64) if places is None else np.asarray(places, np.int64).reshape(-1, 2).T
    return row, column


def _after_second_blur(soft: Gray, row: Places, column: Places) -> Gray:
    """(N,) size of the gradient after the second blur: at few places it is quicker told from what lies about each."""
    smooth = cv2.getGaussianKernel(2 * _REACH_PX - 1, _SECOND_PX, cv2.CV_32F).ravel()
    slope, even = np.convolve(smooth, [0.5, 0.0, -0.5]), np.convolve(smooth, [0.25, 0.5, 0.25])
    bordered = cv2.copyMakeBorder(soft, *(_REACH_PX,) * 4, cv2.BORDER_REFLECT_101)
    about = sliding_window_view(bordered, (2 * _REACH_PX + 1,) * 2)[row, column]
    along_rows = about @ np.stack([slope, even], axis=1).astype(np.float32)
    across, down = np.einsum("nri,ri->in", along_rows, np.stack([even, slope], axis=1).astype(np.float32))
    return np.asarray(np.hypot(across, down))
