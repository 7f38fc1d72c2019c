"""Where round things may lie: edges vote for the centers they face, for many radii at once.

A quick, generous first look at reduced size. Whatever it proposes is judged anew by the rim itself.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

_RADIUS_STEP = 1.15
_LEAST_VOTES = 0.5
_EDGE_EVERY = 9
_CELLS_OF_RADIUS = 12.0
"""Votes are counted in cells of this part of the radius, or of a pixel: a guess need not be better."""
_SPREAD = 0.11
"""How far votes for one place may lie apart: standard deviation over the radius, and at least most of a cell."""
_APART = 0.3
"""Places nearer than this part of the radius are one."""
_SQUEEZES = ((1.0, 0.0), (0.72, 0.0), (0.72, 45.0), (0.72, 90.0), (0.72, 135.0))
"""Shapes looked for, minor over major axis and the minor axis's direction: round, and tilted by about 44 deg."""


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


@dataclass(frozen=True, eq=False)
class _Edges:
    """Edge pixels of a picture.

    Attributes:
        places: (E, 2) x and y.
        normals: (E, 2) unit gradients.
        size: (width, height) of the picture.
    """

    places: Floats
    normals: Floats
    size: tuple[int, int]


def guess_round_things(
    gray: NDArray[np.uint8], smallest_px: float, largest_px: float, count: int = 60
) -> list[RoundGuess]:
    """Propose round things, tilted up to about 55 deg.

    Args:
        gray: (H, W) a picture of 500 to 1300 px.
        smallest_px: smallest radius looked for.
        largest_px: largest radius.
        count: at most so many.

    Returns:
        Guesses, most votes first, each place once.
    """
    edges = _edges(gray)
    steps = int(np.ceil(np.log(largest_px / smallest_px) / np.log(_RADIUS_STEP))) + 1
    guesses: list[RoundGuess] = []
    for squeeze, angle in _SQUEEZES:
        ways = _to_middles(edges.normals, squeeze, angle)
        for radius in (smallest_px * _RADIUS_STEP ** np.arange(steps)).tolist():
            guesses += [RoundGuess(x, y, radius, squeeze, angle, v) for x, y, v in _peaks(edges, ways, radius, squeeze)]
    guesses.sort(key=lambda g: -g.votes)
    kept: list[RoundGuess] = []
    for guess in guesses:
        if len(kept) >= count:
            break
        if not any(_same(guess, other) for other in kept):
            kept.append(guess)
    return kept


def _same(one: RoundGuess, other: RoundGuess) -> bool:
    apart = np.hypot(one.x_px - other.x_px, one.y_px - other.y_px)
    ratio = one.radius_px / other.radius_px
    return bool(apart < _APART * min(one.radius_px, other.radius_px) and 0.77 < ratio < 1.3)


def _edges(gray: NDArray[np.uint8]) -> _Edges:
    """Edges that stand out where they are: a dark coin on dark wood votes like a bright one."""
    soft = cv2.GaussianBlur(gray, (0, 0), 1.2).astype(np.float32)
    gx, gy = cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)
    strength = cv2.magnitude(gx, gy)
    around = cv2.blur(strength, (31, 31))
    is_edge = (np.asarray(cv2.Canny(gray, 20, 50)) > 0) & (strength > 0.8 * around + 6)
    y, x = np.divmod(np.flatnonzero(is_edge), gray.shape[1])
    normals = np.asarray(np.stack([gx[y, x], gy[y, x]], axis=1) / strength[y, x][:, None], np.float32)
    return _Edges(np.stack([x, y], axis=1).astype(np.float32), normals, (gray.shape[1], gray.shape[0]))


def _to_middles(normals: Floats, squeeze: float, angle_deg: float) -> Floats:
    """(E, 2) ways from edges to the middle of an ellipse whose major semi-axis is 1.

    Stretched by 1 / squeeze along its minor axis it is a circle: there its middle lies along the normal.
    """
    a = np.deg2rad(angle_deg)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    back = (turn @ np.diag([squeeze, 1.0]) @ turn.T).astype(np.float32)
    stretched = normals @ back  # normals map by the inverse transpose, which is the way back itself
    return np.asarray(stretched @ back / np.linalg.norm(stretched, axis=1, keepdims=True), np.float32)


def _peaks(edges: _Edges, ways: Floats, radius: float, squeeze: float) -> Iterator[tuple[float, float, float]]:
    """Places (x, y, votes as a fraction of a full rim) most voted for, for one radius and shape."""
    every = max(1, int(radius // _EDGE_EVERY))  # a long rim can spare edges
    cell = max(1.0, radius / _CELLS_OF_RADIUS)
    margin = int(radius / cell) + 3  # so that no vote falls outside
    wide, high = (int(side / cell) + 1 + 2 * margin for side in edges.size)
    places, reach = (edges.places[::every] + np.float32(0.5)) / np.float32(cell), np.float32(radius / cell)
    at = np.concatenate([places + reach * ways[::every], places - reach * ways[::every]]) + np.float32(margin)
    column, row = at.astype(np.int32).T  # eight times as fast as to 64 bits
    votes = np.zeros(high * wide, np.float32)
    np.add.at(votes, row * wide + column, np.float32(1.0))
    sigma = max(0.8, _SPREAD * radius / cell)
    field = np.asarray(cv2.GaussianBlur(votes.reshape(high, wide), (0, 0), sigma), np.float32).ravel()
    rim = 2 * np.pi * radius
    share = 2 * np.pi * sigma**2 * every / rim
    found = np.flatnonzero(field > _LEAST_VOTES / share)
    row, column = np.divmod(found, wide)
    inside = (np.minimum(row, column) >= margin) & (row < high - margin) & (column < wide - margin)
    found = _strongest(field, found[inside], wide, int(_APART * radius / cell))
    for index in found.tolist():
        b, a = divmod(index, wide)
        yield (a - margin + 0.5) * cell - 0.5, (b - margin + 0.5) * cell - 0.5, float(field[index] * share)


def _strongest(field: Floats, found: NDArray[np.int64], wide: int, reach: int) -> NDArray[np.int64]:
    """Those of some cells that no other within reach exceeds; of equal ones the first."""
    kept = np.ones(len(found), bool)
    for away in (down * wide + across for down in range(-reach, reach + 1) for across in range(-reach, reach + 1)):
        neighbor = field[found + away]
        kept &= (field[found] > neighbor) if away < 0 else (field[found] >= neighbor)
    return found[kept]
