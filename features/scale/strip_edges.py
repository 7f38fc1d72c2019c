"""Edges along parallel profiles of a picture strip, with how strong and how sharp each is."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Strip = NDArray[np.float32]

FINE_PX, COARSE_PX = 1.0, 2.5
PITCH_PX = 0.5
BORDER = int(4 * COARSE_PX / PITCH_PX)
"""Samples at either end of a profile that only feed the smoothing."""


@dataclass(frozen=True, eq=False)
class StripEdges:
    """Edges, sorted by profile.

    Attributes:
        line: (E,) profile of each edge.
        at: (E,) sub-sample index along the profile.
        step: (E,) change of gray along the profile, signed.
        sharpness: (E,) height looked at finely over coarsely: about 0.8 sharp, below 0.5 for a shadow.
    """

    line: NDArray[np.int64]
    at: Array
    step: Array
    sharpness: Array


def strip_edges(strip: Strip, least_step: float, valid: NDArray[np.bool_] | None = None) -> StripEdges:
    """Find the edges of a strip.

    Args:
        strip: (L, S) gray profiles, `PITCH_PX` from sample to sample, `BORDER` spare samples at either end.
        least_step: smallest gray step that counts.
        valid: (L, S) samples that lie inside the picture.
    """
    fine, coarse = _slope(strip, FINE_PX), _slope(strip, COARSE_PX)
    size = np.abs(fine)
    peak = (size[:, 1:-1] >= size[:, :-2]) & (size[:, 1:-1] > size[:, 2:]) & (size[:, 1:-1] >= least_step)
    peak[:, : BORDER - 1] = peak[:, -BORDER + 1 :] = False
    if valid is not None:
        peak &= valid[:, 1:-1]
    line, index = np.nonzero(peak)
    index = index + 1
    left, middle, right = size[line, index - 1], size[line, index], size[line, index + 1]
    bend = np.minimum(left - 2 * middle + right, -1e-6)
    at = index + np.clip(0.5 * (left - right) / bend, -0.5, 0.5)
    sharpness = middle / np.maximum(np.abs(coarse[line, index]), 0.3 * middle)
    return StripEdges(line.astype(np.int64), at.astype(float), fine[line, index].astype(float), sharpness.astype(float))


def _slope(strip: Strip, sigma_px: float) -> Strip:
    """Derivative of a Gaussian along the profiles, scaled so that an ideal step answers with its height."""
    sigma = sigma_px / PITCH_PX
    taps = np.arange(-int(3.5 * sigma), int(3.5 * sigma) + 1).astype(float)
    kernel = taps * np.exp(-0.5 * np.square(taps / sigma))  # filter2D correlates: positive taps lie ahead
    kernel /= np.abs(kernel).sum() / 2
    row = kernel[None].astype(np.float32)
    return np.asarray(cv2.filter2D(strip, cv2.CV_32F, row, borderType=cv2.BORDER_REPLICATE), np.float32)


def sample(pixels: NDArray[np.uint8] | Strip, at_px: Array) -> Strip:
    """Bilinear samples at (..., 2) pixels of a gray or color picture; edges of the picture are repeated."""
    x, y = at_px[..., 0].astype(np.float32), at_px[..., 1].astype(np.float32)
    got = cv2.remap(pixels, x, y, cv2.INTER_LINEAR, None, cv2.BORDER_REPLICATE)
    return np.asarray(got, np.float32)


def is_inside(shape: tuple[int, ...], at_px: Array) -> NDArray[np.bool_]:
    """Which (..., 2) pixels lie inside a picture of this shape."""
    x, y = at_px[..., 0], at_px[..., 1]
    return np.asarray((x > 0) & (x < shape[1] - 1) & (y > 0) & (y < shape[0] - 1))
