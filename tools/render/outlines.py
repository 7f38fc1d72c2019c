"""Lines that bodies are made from: circles, rounded rectangles and profiles, center lines of bent pipe."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

Points = NDArray[np.float64]


def segments_for(radius_mm: float) -> int:
    """Number of corners of a circle of this radius: 24 for a screw, 192 for the largest chamber joint."""
    return int(np.clip(8 * round(14.0 * np.sqrt(max(radius_mm, 0.1)) / 8.0), 24, 192))


def circle(radius_mm: float, count: int | None = None, turn: float = 0.0) -> Points:
    """(N, 2) corners of a circle, counter-clockwise."""
    n = count or segments_for(radius_mm)
    angles = turn + np.arange(n) * 2.0 * np.pi / n
    return radius_mm * np.column_stack([np.cos(angles), np.sin(angles)])


def rounded_rectangle(width_mm: float, height_mm: float, corner_mm: float, steps: int = 6) -> Points:
    """(4 * (steps + 1), 2) outline about the origin, counter-clockwise."""
    corner = float(np.clip(corner_mm, 1e-3, 0.4999 * min(width_mm, height_mm)))
    angles = np.linspace(0.0, np.pi / 2.0, steps + 1)
    arc = corner * np.column_stack([np.cos(angles), np.sin(angles)])
    inner = np.array([width_mm / 2.0 - corner, height_mm / 2.0 - corner])
    quarters = []
    for k, (sx, sy) in enumerate([(1, 1), (-1, 1), (-1, -1), (1, -1)]):
        c, s = np.round(np.cos(k * np.pi / 2)), np.round(np.sin(k * np.pi / 2))
        quarters.append(arc @ np.array([[c, s], [-s, c]]) + inner * (sx, sy))
    return np.concatenate(quarters)


def rounded_polyline(points: ArrayLike, radii: Sequence[float] | float, steps: int = 4) -> Points:
    """Rounds the inner corners of an open (N, 2) line; a radius is cut to half the shorter neighbor edge."""
    corners = np.asarray(points, dtype=np.float64)
    wanted = [radii] * len(corners) if isinstance(radii, (int, float)) else list(radii)
    out = [corners[0]]
    for k in range(1, len(corners) - 1):
        back, ahead = corners[k - 1] - corners[k], corners[k + 1] - corners[k]
        length_back, length_ahead = np.linalg.norm(back), np.linalg.norm(ahead)
        if wanted[k] <= 0.0 or min(length_back, length_ahead) < 1e-6:
            out.append(corners[k])
            continue
        back, ahead = back / length_back, ahead / length_ahead
        half = 0.5 * np.arccos(np.clip(back @ ahead, -1.0, 1.0))
        if half > 1.55 or half < 0.02:
            out.append(corners[k])
            continue
        cut = min(wanted[k] / np.tan(half), 0.49 * length_back, 0.49 * length_ahead)
        radius = cut * np.tan(half)
        middle = corners[k] + (back + ahead) / np.linalg.norm(back + ahead) * radius / np.sin(half)
        first, last = corners[k] + cut * back - middle, corners[k] + cut * ahead - middle
        sweep_angle = np.pi - 2.0 * half
        for t in np.linspace(0.0, 1.0, steps + 1):
            weight_a = np.sin((1.0 - t) * sweep_angle) / np.sin(sweep_angle)
            weight_b = np.sin(t * sweep_angle) / np.sin(sweep_angle)
            out.append(middle + weight_a * first + weight_b * last)
    out.append(corners[-1])
    return np.array(out)


def inset(outline: Points, by_mm: float) -> Points:
    """The outline moved inward by mitered corners, vertex for vertex (small `by_mm` against its features)."""
    ahead = np.roll(outline, -1, axis=0) - outline
    ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
    behind = np.roll(ahead, 1, axis=0)
    normals_ahead = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    normals_behind = np.column_stack([-behind[:, 1], behind[:, 0]])
    bisector = normals_ahead + normals_behind
    scale = 2.0 / np.maximum(np.einsum("ij,ij->i", bisector, bisector), 0.2)
    return np.asarray(outline + by_mm * bisector * scale[:, None], dtype=np.float64)


def bent_path(corners: ArrayLike, bend_mm: float, steps: int = 10) -> Points:
    """(K, 3) middle line of a pipe through the corners (N, 3), with bends of one radius."""
    points = np.asarray(corners, dtype=np.float64)
    out = [points[0]]
    for k in range(1, len(points) - 1):
        back, ahead = points[k - 1] - points[k], points[k + 1] - points[k]
        lengths = np.linalg.norm(back), np.linalg.norm(ahead)
        back, ahead = back / lengths[0], ahead / lengths[1]
        half = 0.5 * np.arccos(np.clip(back @ ahead, -1.0, 1.0))
        if half > 1.56:
            continue
        cut = min(bend_mm / np.tan(half), 0.98 * lengths[0], 0.98 * lengths[1])
        radius = cut * np.tan(half)
        middle = points[k] + (back + ahead) / np.linalg.norm(back + ahead) * radius / np.sin(half)
        first, last = points[k] + cut * back - middle, points[k] + cut * ahead - middle
        angle = np.pi - 2.0 * half
        for t in np.linspace(0.0, 1.0, steps + 1):
            out.append(middle + (np.sin((1 - t) * angle) * first + np.sin(t * angle) * last) / np.sin(angle))
    out.append(points[-1])
    return np.array(out)


def divided(path: Points, count: int = 33) -> tuple[Points, Points]:
    """The path (K, 3) with its long straight pieces divided, and the share of its length at each point."""
    stations = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    fine = np.unique(np.concatenate([stations, np.linspace(0.0, stations[-1], count)]))
    return np.column_stack([np.interp(fine, stations, path[:, k]) for k in range(3)]), fine / stations[-1]
