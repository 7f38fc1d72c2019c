"""The corners of a card of size ID-1: how round they are, and what lies about them."""

import numpy as np
from numpy.typing import NDArray

from features.scale.homography import apply_homography, local_scale_px_per_mm
from features.scale.strip_edges import BORDER, sample, strip_edges

Array = NDArray[np.float64]

WIDTH_MM, HEIGHT_MM, RADIUS_MM = 85.60, 53.98, 3.18
"""ISO/IEC 7810, ID-1."""
_LEAST_RAYS, _MOST_RAY_SPREAD = 6, 0.5


def corner_roundness(pixels_rgb: NDArray[np.uint8], px_from_mm: Array) -> Array:
    """How round the corners of a card-sized thing are: 0 for the radius of ID-1, 1 for a sharp corner.

    Rays run from where an ID-1 corner's arc has its center. On an arc the edge lies at the radius on every
    ray, on a sharp corner up to 41 % farther.

    Returns:
        (4,) weighted median over the middle rays of each corner; nan where no edge is seen.
    """
    angles = np.deg2rad(np.linspace(25, 65, 13))
    scale = local_scale_px_per_mm(px_from_mm, np.array([WIDTH_MM / 2, HEIGHT_MM / 2]))
    pitch_mm = 0.5 / scale  # PITCH_PX, in mm
    reach = np.arange(-BORDER, int(5.6 / pitch_mm) + BORDER) * pitch_mm + 1.4
    out = []
    for cx, cy in ((0, 0), (1, 0), (1, 1), (0, 1)):
        sign = np.array([2.0 * cx - 1.0, 2.0 * cy - 1.0])
        center = np.array([cx * WIDTH_MM, cy * HEIGHT_MM]) - sign * RADIUS_MM
        rays = np.column_stack([np.cos(angles), np.sin(angles)]) * sign
        mm = center + rays[:, None, :] * reach[None, :, None]
        px = apply_homography(px_from_mm, mm.reshape(-1, 2)).reshape(mm.shape)
        out.append(_roundness(sample(pixels_rgb, px), angles, np.asarray(reach)))
    return np.array(out)


def _roundness(colors: NDArray[np.float32], angles: Array, reach: Array) -> float:
    """From (rays, samples, 3) colors along the rays of one corner."""
    inner = colors[:, reach < 2.2].reshape(-1, 3).astype(float)
    outer = colors[:, reach > 5.2].reshape(-1, 3).astype(float)
    within = np.cov(inner.T) + np.cov(outer.T) + 9.0 * np.eye(3)
    mix = np.linalg.solve(within, inner.mean(0) - outer.mean(0))
    if np.abs(mix).sum() < 1e-6:
        return float("nan")
    strip = np.asarray(colors @ (mix / np.abs(mix).sum()).astype(np.float32), np.float32)
    edges = strip_edges(strip, 2.0)
    found, weights = [], []
    for ray, angle in enumerate(angles):
        mine = np.flatnonzero(edges.line == ray)
        if len(mine) == 0:
            continue
        strongest = mine[int(np.argmax(np.abs(edges.step[mine])))]
        radius = float(np.interp(edges.at[strongest], np.arange(len(reach)), reach))
        apart = RADIUS_MM / max(np.cos(angle), np.sin(angle)) - RADIUS_MM
        found.append((radius - RADIUS_MM) / apart)
        weights.append(apart**2)  # where arc and sharp corner lie near each other, an edge tells little
    if len(found) < _LEAST_RAYS:
        return float("nan")
    low, middle, high = _weighted_quantiles(np.array(found), np.array(weights), (0.25, 0.5, 0.75))
    return float(middle) if high - low <= _MOST_RAY_SPREAD else float("nan")


def _weighted_quantiles(values: Array, weights: Array, shares: tuple[float, ...]) -> Array:
    """Values below which these shares of the weight lie."""
    order = np.argsort(values)
    reached = (np.cumsum(weights[order]) - 0.5 * weights[order]) / weights.sum()
    return np.asarray(np.interp(shares, reached, values[order]))


def corners_in_the_open(pixels_rgb: NDArray[np.uint8], px_from_mm: Array) -> int:
    """How many corners have the same ground on both sides and ahead, and another color inside.

    A corner in a pattern of squares has not.
    """
    count = 0
    grid = np.stack(np.meshgrid(np.linspace(-1, 1, 9), np.linspace(-1, 1, 9)), axis=-1).reshape(-1, 2)
    for cx, cy in ((0, 0), (1, 0), (1, 1), (0, 1)):
        sign = np.array([2.0 * cx - 1.0, 2.0 * cy - 1.0])
        corner = np.array([cx * WIDTH_MM, cy * HEIGHT_MM])
        colors = []
        for step, half in (
            ((-7.5, 2.0), (4, 1.2)),
            ((2.0, 2.0), (1.2, 1.2)),
            ((2.0, -7.5), (1.2, 4)),
            ((-5, -5), (2, 2)),
        ):
            px = apply_homography(px_from_mm, corner + sign * np.array(step) + np.array(half) * grid)
            colors.append(sample(pixels_rgb, px[None])[0].mean(0))
        ground, inner = np.array(colors[:3]), colors[3]
        spread = float(np.ptp(ground, axis=0).max())
        count += spread < 0.7 * float(np.abs(inner - np.median(ground, axis=0)).max())
    return count
