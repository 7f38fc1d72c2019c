"""Holes or bolts of a flange by the photo itself: equal round things, evenly spaced about its middle.

In a squared-up picture of the flange every place is scored by how much of a circle of hole size has edges along it, and
those scores are added up over every ring of equal angles. One hole may hide in a shadow; the ring does not.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from features.parts.finder import PartQuestion
from features.parts.front_on import FrontOn
from features.parts.placed import Placed

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

COUNTS = (4, 8, 12)
"""Numbers of bolts of 1/2 to 4 in. in the tabulated standards, and the next."""
RADIUS_PX, ROOM = 150.0, 1.06
NEAREST, FARTHEST = 0.6, 0.9
"""Where the bolt circle may lie, the rim being 1; tabulated flanges have 0.65 to 0.85."""
STEP_PX = 2.0
HOLE_SHARES = (0.07, 0.083, 0.098, 0.115, 0.135, 0.16)
"""Hole radius over flange radius to try; tabulated flanges have 0.09 to 0.18 of diameter over diameter."""
DIRECTIONS = 24
FAINT = 24.0
"""Edge strength (Scharr, 8-bit) at which a direction counts half."""
LEAST_SCORE, LEAST_ABOVE = 0.35, 0.1
"""Share of their circles that holes must show on average, and how much more than the rest of the ring does."""
TWO_HOLES_SCORE = 0.45
"""Share of their circles that two holes must show to be believed without a third."""
NEARLY = 0.85
"""A larger count is taken when its holes score nearly as well: every second of 8 holes is a ring of 4."""
ONE_HOLE = 0.6
"""A place of the ring shows a hole where its score is this share of the ring's best."""


@dataclass(frozen=True, eq=False)
class HoleRing:
    """A ring of holes seen on a flange.

    Attributes:
        middles_px: (K, 2) of those seen, in the photo.
        hole_share: their radius over the flange's.
        score: share of their circles that edges follow.
    """

    middles_px: Array
    hole_share: float
    score: float


def find_holes(question: PartQuestion, rim: Placed) -> HoleRing | None:
    """The ring of holes of a flange, None where too few of them are seen: three, or two under a slant that is known.

    Args:
        question: the photo; scale references in it are left out.
        rim: the flange's rim, squared up.
    """
    front = rim.picture(question.gray, RADIUS_PX, ROOM, question.keep_out_px)
    across, down, strength = _edge_directions(front)
    best: tuple[float, int, float, float, float, Floats] | None = None
    for share in HOLE_SHARES:
        scores = _circle_scores(across, down, strength, share * RADIUS_PX)
        for count in COUNTS:
            score, radius, turn = _best_ring(scores, front.valid, front.foot, count)
            if best is None or score > best[0] or (count > best[1] and share == best[4] and score > NEARLY * best[0]):
                best = (score, count, radius, turn, share, scores)
    if best is None or best[0] < LEAST_SCORE:
        return None
    score, count, radius, turn, share, scores = best
    places = front.foot + radius * _around(turn, count)
    middles = np.array([_peak_near(scores, place, share * RADIUS_PX) for place in places])
    own = np.array([_at(scores, middle) for middle in middles])
    inside = np.array([bool(front.valid[round(y), round(x)]) for x, y in np.clip(middles, 0, len(scores) - 1)])
    seen = inside & (own > ONE_HOLE * own.max())
    if seen.sum() < 2 or (seen.sum() == 2 and (score < TWO_HOLES_SCORE or not rim.measured_slant)):
        return None
    return HoleRing(front.to_photo(middles[seen]), share, score)


def _edge_directions(front: FrontOn) -> tuple[Floats, Floats, Floats]:
    """Unit gradient across and down, and how much of an edge there is, 0..1; nothing where nothing is in view."""
    smooth = cv2.GaussianBlur(front.gray, (0, 0), 1.0)
    x, y = cv2.Scharr(smooth, cv2.CV_32F, 1, 0) / 16, cv2.Scharr(smooth, cv2.CV_32F, 0, 1) / 16
    size = cv2.magnitude(x, y)
    strength = size / (size + FAINT / 16 * 4) * front.valid
    safe = np.maximum(size, 1e-6)
    across, down = (np.asarray(part / safe, np.float32) for part in (x, y))
    return across, down, np.asarray(strength, np.float32)


def _circle_scores(across: Floats, down: Floats, strength: Floats, radius: float) -> Floats:
    """(h, w) share of a circle of this radius about every pixel along which edges run."""
    total = np.zeros_like(strength)
    rows, columns = strength.shape
    for angle in np.arange(DIRECTIONS) * 2 * np.pi / DIRECTIONS:
        c, s = float(np.cos(angle)), float(np.sin(angle))
        faces = (across * c + down * s) ** 4 * strength
        shift = np.array([[1.0, 0.0, -radius * c], [0.0, 1.0, -radius * s]])
        total += cv2.warpAffine(faces, shift, (columns, rows), flags=cv2.INTER_LINEAR)
    return np.asarray(total / DIRECTIONS, np.float32)


def _around(turn: float, count: int) -> Array:
    angle = turn + 2 * np.pi * np.arange(count) / count
    return np.stack([np.cos(angle), np.sin(angle)], axis=1)


def _best_ring(scores: Floats, valid: NDArray[np.bool_], middle: Array, count: int) -> tuple[float, float, float]:
    """Mean score of the best ring of so many places, its radius and turn; places out of view do not count."""
    radii = np.arange(NEAREST * RADIUS_PX, FARTHEST * RADIUS_PX, STEP_PX)
    turns = np.arange(0, 2 * np.pi / count, STEP_PX / (0.75 * RADIUS_PX))
    angle = turns[:, None] + 2 * np.pi * np.arange(count) / count
    x = (middle[0] + radii[:, None, None] * np.cos(angle)).astype(np.float32).reshape(len(radii), -1)
    y = (middle[1] + radii[:, None, None] * np.sin(angle)).astype(np.float32).reshape(len(radii), -1)
    shape = (len(radii), len(turns), count)
    told = cv2.remap(scores, x, y, cv2.INTER_LINEAR).reshape(shape)
    seen = cv2.remap(valid.astype(np.float32), x, y, cv2.INTER_LINEAR).reshape(shape) > 0.9
    number = seen.sum(axis=2)
    mean = np.where(number >= max(2, count // 2), (told * seen).sum(axis=2) / np.maximum(number, 1), 0.0)
    usual = float(told[seen].mean()) if seen.any() else 0.0
    at = np.unravel_index(int(np.argmax(mean)), mean.shape)
    best = float(mean[at])
    return (best if best - usual > LEAST_ABOVE else 0.0), float(radii[at[0]]), float(turns[at[1]])


def _peak_near(scores: Floats, place: Array, reach: float) -> Array:
    """(2,) the best place within half a hole of an expected one, between pixels by the weights round it."""
    half = max(2, round(0.5 * reach))
    left, top = (max(0, round(float(v)) - half) for v in place)
    patch = scores[top : top + 2 * half + 1, left : left + 2 * half + 1]
    if not patch.size:
        return place
    row, column = np.unravel_index(int(np.argmax(patch)), patch.shape)
    y, x = np.mgrid[-1:2, -1:2]
    around = scores[top + row - 1 : top + row + 2, left + column - 1 : left + column + 2]
    whole = np.array([left + column, top + row], float)
    if around.shape != (3, 3) or around.max() <= 0.0:
        return whole
    weight = np.maximum(around - 0.7 * around.max(), 0.0)
    return np.asarray(whole + np.array([(x * weight).sum(), (y * weight).sum()]) / weight.sum())


def _at(scores: Floats, place: Array) -> float:
    x, y = np.clip(np.rint(place).astype(int), 0, [scores.shape[1] - 1, scores.shape[0] - 1])
    return float(scores[y, x])
