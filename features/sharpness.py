"""How sharp a photo is by its own edges: neither scale nor pump is needed to say that it is blurred.

A blurred edge that is blurred once more loses contrast, the less the blurrier it was: with gradients g before and h
after a second blur of known spread s, the first spread was s / sqrt((g / h)^2 - 1) (Zhuo and Sim, "Defocus map
estimation from a single image", Pattern Recognition 44, 2011, from memory). The sharpest edges of each direction count:
what lies out of focus behind the pump does no harm, and a camera that was moved shows across its movement.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from features.photo_problems import PHOTO_BLURRED
from features.problems import Problem
from features.reduced import reduced

Gray = NDArray[np.float32]

BLURRED_SHARE, BLURRED_PX = 0.0007, 1.0
"""Of the longer side, and in pixels: edges that spread further than both are blurred (2.8 px of 4000). Of 41 sharp
renders and phone photos none came above 0.0004; blurred by 0.0015 of their side 37 came above 0.0008."""

_JUDGED_PX = 2048
_FIRST_PX, _SECOND_PX = 1.0, 2.0
"""Spreads of the two blurs; the first one takes the noise's own edges away."""
_DIRECTIONS, _FEWEST = 6, 150
_STRONG_SHARE, _WEAKEST = 0.03, 1.5
"""Edges are the strongest share of a picture, and at least this many gray levels a pixel."""
_SHARPEST_SHARE = 0.1


def blur_problems(pixels_rgb: NDArray[np.uint8]) -> tuple[Problem, ...]:
    """What is to be said of a photo's sharpness: nothing where it is sharp, or has too few edges to tell."""
    gray = np.asarray(cv2.cvtColor(pixels_rgb, cv2.COLOR_RGB2GRAY), np.uint8)
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
    soft = cv2.GaussianBlur(gray.astype(np.float32), (0, 0), _FIRST_PX)
    across, down = _gradients(np.asarray(soft))
    before: Gray = np.asarray(cv2.magnitude(across, down), np.float32)
    edges = _crests(before)
    after = np.asarray(cv2.magnitude(*_gradients(np.asarray(cv2.GaussianBlur(soft, (0, 0), _SECOND_PX)))))[edges]
    ratio = before[edges] / np.maximum(after, 1e-3)
    both = _SECOND_PX / np.sqrt(np.maximum(ratio**2 - 1.0, 1e-3))
    spreads = np.sqrt(np.maximum(both**2 - _FIRST_PX**2, 0.0))
    direction = ((np.arctan2(down[edges], across[edges]) % np.pi) * (_DIRECTIONS / np.pi)).astype(int) % _DIRECTIONS
    told = [spreads[direction == i] for i in range(_DIRECTIONS) if np.count_nonzero(direction == i) >= _FEWEST]
    return max((float(np.quantile(own, _SHARPEST_SHARE)) / share for own in told), default=None)


def _gradients(picture: Gray) -> tuple[Gray, Gray]:
    """Gray levels a pixel, to the right and down."""
    return (
        np.asarray(cv2.Sobel(picture, cv2.CV_32F, 1, 0, scale=0.125)),
        np.asarray(cv2.Sobel(picture, cv2.CV_32F, 0, 1, scale=0.125)),
    )


def _crests(gradient: Gray) -> NDArray[np.bool_]:
    """Where the gradient is steepest among its neighbors, and strong."""
    strong = max(_WEAKEST, float(np.quantile(gradient[::4, ::4], 1.0 - _STRONG_SHARE)))
    crests: NDArray[np.bool_] = (gradient >= cv2.dilate(gradient, np.ones((3, 3), np.uint8))) & (gradient > strong)
    return crests
