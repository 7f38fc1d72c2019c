"""Where round things may lie: edges vote for the centers they face, for many radii at once.

A quick, generous first look at reduced size. Whatever it proposes is judged anew by the rim itself.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

_RADIUS_STEP = 1.15
_LEAST_VOTES = 0.5
_EDGE_EVERY = 9
_CELLS_OF_RADIUS = 12.0
"""Votes are counted in cells of this part of the radius: a guess need not be better."""
_SQUEEZES = ((1.0, 0.0), (0.72, 0.0), (0.72, 45.0), (0.72, 90.0), (0.72, 135.0))
"""Pictures stretched so that a round thing tilted by about 44 deg (cosine 0.72) looks round again."""


@dataclass(frozen=True)
class RoundGuess:
    """A place where something round may lie.

    Attributes:
        x_px, y_px: its middle.
        radius_px: its radius, to some 10 %.
        squeeze: minor over major axis guessed; angle_deg: direction of the minor axis.
        votes: fraction of a full rim that voted.
    """

    x_px: float
    y_px: float
    radius_px: float
    squeeze: float
    angle_deg: float
    votes: float


def guess_round_things(
    gray: NDArray[np.uint8], smallest_px: float, largest_px: float, count: int = 60
) -> list[RoundGuess]:
    """Propose round things, tilted up to about 55 deg.

    Args:
        gray: (H, W) a picture of 500 to 1000 px.
        smallest_px: smallest radius looked for.
        largest_px: largest radius.
        count: at most so many.

    Returns:
        Guesses, most votes first, each place once.
    """
    guesses: list[RoundGuess] = []
    for squeeze, angle in _SQUEEZES:
        stretch = _stretch(gray.shape, squeeze, angle)
        size = tuple(int(v) for v in np.ceil(_corners(gray.shape, stretch).max(0)))
        picture = cv2.warpAffine(gray, stretch, size, borderMode=cv2.BORDER_REPLICATE) if squeeze < 1 else gray
        back = cv2.invertAffineTransform(stretch)
        for x, y, radius, votes in _votes(np.asarray(picture, np.uint8), smallest_px, largest_px):
            px = back @ np.array([x, y, 1.0])
            if 0 <= px[0] < gray.shape[1] and 0 <= px[1] < gray.shape[0]:
                guesses.append(RoundGuess(float(px[0]), float(px[1]), radius, squeeze, angle, votes))
    guesses.sort(key=lambda g: -g.votes)
    kept: list[RoundGuess] = []
    for guess in guesses:
        if len(kept) < count and not any(_same(guess, other) for other in kept):
            kept.append(guess)
    return kept


def _stretch(shape: tuple[int, ...], squeeze: float, angle_deg: float) -> NDArray[np.float64]:
    """(2, 3) affine that lengthens the picture by 1/squeeze along a direction and shifts it into view."""
    a = np.deg2rad(angle_deg)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    linear = turn @ np.diag([1 / squeeze, 1.0]) @ turn.T
    affine = np.column_stack([linear, np.zeros(2)])
    affine[:, 2] = -_corners(shape, affine).min(0)
    return affine


def _corners(shape: tuple[int, ...], affine: NDArray[np.float64]) -> NDArray[np.float64]:
    h, w = shape[:2]
    at = np.array([[0, 0, 1], [w, 0, 1], [0, h, 1], [w, h, 1.0]])
    return np.asarray(at @ affine.T)


def _same(one: RoundGuess, other: RoundGuess) -> bool:
    apart = np.hypot(one.x_px - other.x_px, one.y_px - other.y_px)
    ratio = one.radius_px / other.radius_px
    return bool(apart < 0.3 * min(one.radius_px, other.radius_px) and 0.77 < ratio < 1.3)


def _votes(
    picture: NDArray[np.uint8], smallest_px: float, largest_px: float
) -> list[tuple[float, float, float, float]]:
    """Peaks (x, y, radius, votes as a fraction of a full rim) of the vote for one picture."""
    height, width = picture.shape
    soft = cv2.GaussianBlur(picture, (0, 0), 1.2).astype(np.float32)
    gx, gy = cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)
    size = cv2.magnitude(gx, gy)
    # Edges count by how they stand out where they are: a dark coin on dark wood votes like a bright one.
    around = cv2.blur(size, (31, 31))
    edge = (np.asarray(cv2.Canny(picture, 20, 50)) > 0) & (size > 0.8 * around + 6)
    y, x = np.divmod(np.flatnonzero(edge), width)
    nx, ny = (gx[y, x] / size[y, x]).astype(np.float32), (gy[y, x] / size[y, x]).astype(np.float32)
    x, y = x.astype(np.float32), y.astype(np.float32)
    count = int(np.ceil(np.log(largest_px / smallest_px) / np.log(_RADIUS_STEP))) + 1
    peaks: list[tuple[float, float, float, float]] = []
    for radius in smallest_px * _RADIUS_STEP ** np.arange(count):
        few = slice(None, None, max(1, int(radius // _EDGE_EVERY)))  # a long rim can spare edges
        cell = max(1.0, radius / _CELLS_OF_RADIUS)
        wide, high = int(width / cell) + 1, int(height / cell) + 1
        total = np.zeros(high * wide, np.float32)
        for r in (-radius, radius):
            cx = ((x[few] + np.float32(r) * nx[few]) * np.float32(1 / cell)).astype(np.int64)
            cy = ((y[few] + np.float32(r) * ny[few]) * np.float32(1 / cell)).astype(np.int64)
            ok = (cx >= 0) & (cx < wide) & (cy >= 0) & (cy < high)
            total += np.bincount(cy[ok] * wide + cx[ok], minlength=high * wide)
        sigma = max(0.8, 0.11 * radius / cell)
        field = cv2.GaussianBlur(total.reshape(high, wide), (0, 0), sigma)
        field *= (2 * np.pi * sigma**2) * (few.step or 1) / (2 * np.pi * radius)
        enough = np.flatnonzero(field > _LEAST_VOTES)
        if len(enough) == 0:
            continue
        best = cv2.dilate(field, np.ones((2 * int(0.3 * radius / cell) + 1,) * 2, np.uint8))
        for at in enough[field.ravel()[enough] >= best.ravel()[enough]].tolist():
            b, a = divmod(at, wide)
            peaks.append(((a + 0.5) * cell - 0.5, (b + 0.5) * cell - 0.5, float(radius), float(field[b, a])))
    return peaks
