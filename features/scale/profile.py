"""Gray profiles across edges, and the blur they show."""

import cv2
import numpy as np
from numpy.typing import NDArray

from features.scale.card_boards import COLUMNS, ROWS, CardBoard
from features.scale.homography import apply_homography

_SAMPLES = 41


def edge_blur_px(
    gray: NDArray[np.uint8], px_from_mm: NDArray[np.float64], card: CardBoard, corner_ids: NDArray[np.int64]
) -> float:
    """Blur of the picture at a card: standard deviation of the edge spread, in px.

    Between two neighboring seen corners runs a side of a square; the gray profile across its middle, within
    the white border of the marker, is black on one side and white on the other.

    Returns:
        The median over all such sides; 0 when none could be read.
    """
    seen = set(corner_ids.tolist())
    across = COLUMNS - 1
    half = (card.square_mm - card.marker_mm) / 2
    lines = []
    for i in seen:
        column, row = i % across, i // across
        if column + 1 < across and i + 1 in seen:
            lines.append((column + 1.5, row + 1.0, 0.0, 1.0))
        if row + 1 < ROWS - 1 and i + across in seen:
            lines.append((column + 1.0, row + 1.5, 1.0, 0.0))
    widths = []
    for cx, cy, nx, ny in lines:
        middle, normal = np.array([cx, cy]) * card.square_mm, np.array([nx, ny])
        along = np.linspace(-1.0, 1.0, _SAMPLES)[:, None] * half * normal
        width = _spread(gray, apply_homography(px_from_mm, middle + along))
        if width is not None:
            widths.append(width)
    return float(np.median(widths)) if widths else 0.0


def _spread(gray: NDArray[np.uint8], px: NDArray[np.float64]) -> float | None:
    """Standard deviation of the edge spread along one profile, from its 25 and 75 % crossings."""
    values = sample(gray, px)
    if values is None:
        return None
    low, high = float(values[:5].mean()), float(values[-5:].mean())
    if abs(high - low) < 20:
        return None
    level = (values - low) / (high - low)
    inside = np.flatnonzero((level[:-1] < 0.25) & (level[1:] >= 0.25))
    upper = np.flatnonzero((level[:-1] < 0.75) & (level[1:] >= 0.75))
    if len(inside) == 0 or len(upper) == 0:
        return None
    at25 = inside[-1] + (0.25 - level[inside[-1]]) / (level[inside[-1] + 1] - level[inside[-1]])
    at75 = upper[0] + (0.75 - level[upper[0]]) / (level[upper[0] + 1] - level[upper[0]])
    step = float(np.linalg.norm(px[-1] - px[0])) / (len(px) - 1)
    return abs(float(at75 - at25)) * step / (2 * 0.6745)


def sample(gray: NDArray[np.uint8], px: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Bilinear gray values at (N, 2) pixels; None when a point lies outside."""
    height, width = gray.shape[:2]
    if (px < 0).any() or (px[:, 0] > width - 1).any() or (px[:, 1] > height - 1).any():
        return None
    low = np.floor(px.min(0)).astype(int)
    high = np.ceil(px.max(0)).astype(int) + 2
    part = gray[low[1] : high[1], low[0] : high[0]]
    local = (px - low).astype(np.float32)
    got = cv2.remap(part, local[None, :, 0], local[None, :, 1], cv2.INTER_LINEAR)
    return np.asarray(got[0], np.float64)
