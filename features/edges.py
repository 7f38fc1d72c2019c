"""Sub-pixel edges along short scan lines laid across an expected curve."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from features.srgb import light_of

Array = NDArray[np.float64]

SHIFTED = 2
"""Samples of half a pixel by which an edge's place in the light may differ from that in the coded gray.

Lens and pixels blur the light; the picture's code stretches what is dark, and with it moves the steepest place into the
dark side, by a quarter of a pixel in a usual photo. Holes would come out small by that.
"""

_APART_PX = 1.5
"""Parallels three in number lie no further apart than this; further ones are five."""


@dataclass(frozen=True, eq=False)
class ScanEdges:
    """Edges met along scan lines, several a line.

    Attributes:
        line: (E,) index of the scan line.
        points_px: (E, 2) sub-pixel places.
        offset_px: (E,) signed distance from the expected curve, positive along the line's direction.
        step: (E,) change of gray level across the edge along the direction (signed).
        lit_px: (E, 2) places where the light changes most: where the edges truly lie, though not as smoothly.
    """

    line: NDArray[np.int64]
    points_px: Array
    offset_px: Array
    step: Array
    lit_px: Array


def scan_edges(
    gray: NDArray[np.uint8] | NDArray[np.float32],
    origins_px: Array,
    directions: Array,
    reach_px: float,
    sigma_px: float = 1.2,
    least_step: float = 4.0,
    beside_px: Array | None = None,
) -> ScanEdges:
    """Find all edges along scan lines.

    Gray is sampled along each line (and averaged over neighboring parallels), smoothed by the derivative of a
    Gaussian; local extrema of the slope above `least_step` are edges, placed by a parabola through three samples.

    Args:
        gray: (H, W).
        origins_px: (L, 2) where lines cross the expected curve.
        directions: (L, 2) unit vectors along the lines.
        reach_px: half length of a line.
        sigma_px: smoothing.
        least_step: smallest gray step that counts.
        beside_px: (L, 2) how far to either side the parallels reach, along the curve; a pixel where None.

    Returns:
        Edges in line order; lines leaving the picture give none there.
    """
    pitch = 0.5
    half = int(np.ceil((reach_px + 3 * sigma_px) / pitch))
    along: Array = np.arange(-half, half + 1).astype(float) * pitch
    beside = np.stack([-directions[:, 1], directions[:, 0]], axis=1) if beside_px is None else beside_px
    profile, inside = _profiles(gray, origins_px, directions, along, beside)
    sigma = sigma_px / pitch
    taps: Array = np.arange(-int(4 * sigma), int(4 * sigma) + 1).astype(float)
    kernel = -taps * np.exp(-0.5 * (taps / sigma) ** 2)
    # An ideal step of height h then gives a peak slope of h times the kernel's peak share.
    kernel /= np.sum(np.abs(kernel)) / 2
    mask = kernel[::-1][None].astype(np.float32)
    slope = cv2.filter2D(profile, cv2.CV_32F, mask, borderType=cv2.BORDER_REPLICATE)
    slope = -slope if _rises_negative(kernel) else slope
    size = np.abs(slope)
    peak = (size[:, 1:-1] >= size[:, :-2]) & (size[:, 1:-1] > size[:, 2:]) & (size[:, 1:-1] >= least_step)
    peak &= inside[:, 1:-1] & (np.abs(along[1:-1]) <= reach_px)[None]
    line, at = np.nonzero(peak)
    at = at + 1
    coded, _ = _peak_between(size, line, at)
    light = np.abs(
        cv2.filter2D(light_of(profile).astype(np.float32), cv2.CV_32F, mask, borderType=cv2.BORDER_REPLICATE)
    )
    near = np.clip(at[:, None] + np.arange(-SHIFTED, SHIFTED + 1), 1, size.shape[1] - 2)
    best = near[np.arange(len(at)), np.argmax(light[line[:, None], near], axis=1)]
    lit, is_peak = _peak_between(light, line, best)
    offset, lit = (along[0] + pitch * places for places in (coded, np.where(is_peak, lit, coded)))
    points, lit_px = (origins_px[line] + places[:, None] * directions[line] for places in (offset, lit))
    return ScanEdges(line, points, offset, slope[line, at].astype(float), lit_px)


def _peak_between(
    size: NDArray[np.float32], line: NDArray[np.int64], at: NDArray[np.int64]
) -> tuple[Array, NDArray[np.bool_]]:
    """(E,) samples between which a slope is steepest, by a parabola, and whether it is steepest there at all."""
    left, mid, right = size[line, at - 1].astype(float), size[line, at].astype(float), size[line, at + 1].astype(float)
    curve = left - 2 * mid + right
    is_peak = (curve < 0) & (mid >= left) & (mid >= right)
    shift = np.where(is_peak, 0.5 * (left - right) / np.where(curve == 0, 1.0, curve), 0.0)
    return at + np.clip(shift, -0.5, 0.5), is_peak


def _rises_negative(kernel: Array) -> bool:
    """Whether a rising step would answer negative under correlation with the flipped kernel."""
    step = np.concatenate([np.zeros(len(kernel)), np.ones(len(kernel))])
    return bool(np.correlate(step, kernel[::-1], mode="valid").sum() < 0)


def _profiles(
    gray: NDArray[np.uint8] | NDArray[np.float32], origins_px: Array, directions: Array, along: Array, beside_px: Array
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Sample (L, S) gray values along lines, averaged over parallels as far to either side as told."""
    (x, y), (right, down), (aside_x, aside_y) = (one.T[..., None] for one in (origins_px, directions, beside_px))
    x, y = x + right * along, y + down * along
    total = np.zeros(x.shape, np.float32)
    at_x, at_y = np.empty_like(total), np.empty_like(total)
    farthest = float(np.linalg.norm(beside_px, axis=1).max(initial=0.0))
    shares = np.linspace(-1.0, 1.0, 3 if farthest <= _APART_PX else 5)
    for share in shares:
        np.add(x, share * aside_x, out=at_x, casting="same_kind")
        np.add(y, share * aside_y, out=at_y, casting="same_kind")
        total += cv2.remap(gray, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    total /= np.float32(len(shares))
    return total, _inside(gray.shape, x, y)


def _inside(shape: tuple[int, ...], x: Array, y: Array) -> NDArray[np.bool_]:
    """(L, S) which samples of straight lines lie well inside a picture: all of a line whose two ends do."""

    def inside(x: Array, y: Array) -> NDArray[np.bool_]:
        return np.asarray((x > 1) & (x < shape[1] - 2) & (y > 1) & (y < shape[0] - 2))

    if inside(x[:, [0, -1]], y[:, [0, -1]]).all():
        return np.ones(x.shape, bool)
    return inside(x, y)


def hidden_by(shape: tuple[int, ...], outlines_px: Sequence[Array]) -> NDArray[np.uint8]:
    """A picture of this shape (rows, columns), 1 where one of the things with these outlines (M, 2) is, 0 elsewhere."""
    hidden = np.zeros(shape[:2], np.uint8)
    for outline in outlines_px:
        cv2.fillPoly(hidden, [np.round(outline).astype(np.int32)], 1)
    return hidden
