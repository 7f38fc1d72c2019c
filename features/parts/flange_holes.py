"""Holes or bolts of a flange by the photo itself: equal round things, evenly spaced about its middle.

In a squared-up picture of the flange every place is scored by how much of a circle of hole size stands about it, and
each score is weighed: how much likelier is it where a hole is than where none is? Those weights add up over every ring
of equal angles. What is seen between neighbors tells the number; what a card hides speaks neither for nor against one.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from features.ellipse import Ellipse
from features.parts.concentric import edge_field
from features.parts.finder import PartQuestion
from features.parts.front_on import FaceFrame
from features.parts.hole_votes import HoleVotes, hole_votes
from features.parts.placed import Placed
from features.reduced import halvings_of
from reference_geometry.standards.flanges import flanges

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

TOO_MANY = 12
"""Flanges with so many bolts are larger than pumps have them (common practice)."""
COUNTS = (4, 8, TOO_MANY)
"""Numbers of bolts of 1/2 to 4 in. in the tabulated standards, and the next: what shows so many is no port's flange."""
SELDOM = {TOO_MANY: 0.03}
"""How often a number is met, others being 1. A ring of so many finds some of its places on any stained face."""
RADIUS_PX, ROOM = 120.0, 1.06
RINGS = np.arange(0.63, 0.88, 0.0125)
"""Where the bolt circle may lie, the rim being 1; tabulated flanges have 0.68 to 0.83."""
HOLE_SHARES = 0.076 * 1.085 ** np.arange(12)
"""Hole radius over flange radius to try; tabulated flanges have 0.08 to 0.18 of diameter over diameter."""
TURNS = 360
NEAR_PX = 2
"""How far from its place on the ring a hole may lie: what the squaring up leaves, a sixtieth of the flange's radius."""
HOLE_SCORE, HOLE_SD, OTHER_SD = 0.78, 0.2, 0.07
"""Score of a hole in plain view and its spread, and the least spread of what is no hole (50 flanges of renders)."""
LEAST_WEIGHT, MOST_WEIGHT = -2.5, 5.0
"""Bounds of one place's weight: one hole in a dozen is overlooked, and a stain may look like one."""
LEAST_HOLE_PX = 3.0
"""Half of how high a hole must be seen. A flange squared up from fewer rows shows them smeared along the ring: of 149
flanges of renders one was so flat and counted wrong, surely; of three with 5 to 8 px all were right."""
LEAST_EVIDENCE = 2.5
"""Logarithm of how much likelier a ring must make the picture than none."""
LIKE_A_TABLE = 0.8
"""Share of flanges proportioned like some row of the tables; the others may be anything."""
RING_SD, SHARE_SD = 0.015, 0.1
"""How far from their row's such flanges' ring (of 1) and logarithm of hole size lie."""
STRADDLE, STRADDLE_SD_DEG = 0.65, 8.0
"""Share of flanges whose holes straddle the upright through their middle, as pipework wants them (common practice), and
how far they are seen turned from it: casting, piping and the hand that holds the camera. Loose flanges turn."""


@dataclass(frozen=True, eq=False)
class HoleRing:
    """A ring of holes seen on a flange.

    Attributes:
        middles_px: (K, 2) of those seen, in the photo; slots: (K,) the place of each on the ring, 0 .. count - 1.
        count: likeliest number of the whole ring; likelihood: of every number, all equally likely beforehand.
        ring_share, hole_share: radius of the ring and of a hole over the flange's.
        evidence: logarithm of how much likelier the picture is with this ring than with none.
    """

    middles_px: Array
    slots: NDArray[np.int64]
    count: int
    likelihood: dict[int, float]
    ring_share: float
    hole_share: float
    evidence: float


@dataclass(frozen=True, eq=False)
class _Fit:
    """All rings of one count: the best one's place and what they tell together."""

    share: int
    ring: int
    turn: int
    evidence: float


@dataclass(frozen=True, eq=False)
class FaceMap:
    """What lies over a flange's face, as probabilities at places (N, 2) of the photo.

    Attributes:
        hidden: that something is seen there that lies on flanges: a reference, a mated flange.
        foreign: that no part of a flange is seen there. A hole may be taken for that, as what is seen through it.
    """

    hidden: Callable[[Array], Array]
    foreign: Callable[[Array], Array]


def find_holes(question: PartQuestion, rim: Placed, face: FaceMap | None = None) -> HoleRing | None:
    """The ring of holes of a flange, None where fewer than two (three where angles are not told) or too many are seen.

    Args:
        question: the photo; scale references in it are left out.
        rim: the flange's rim, squared up.
        face: what lies over the flange; nothing but scale references when None.
    """
    if _half_height_px(question, rim) < LEAST_HOLE_PX:
        return None
    front = rim.picture(question.gray, RADIUS_PX, ROOM, question.keep_out_px)
    field = edge_field(front)
    votes = hole_votes(field, front.valid, [float(share) * RADIUS_PX for share in HOLE_SHARES])
    places = front.foot + RADIUS_PX * RINGS[:, None, None] * _around(np.arange(TURNS))
    covered = foreign = np.zeros(places.shape[:2])
    if face is not None:
        in_photo = front.to_photo(places.reshape(-1, 2))
        covered, foreign = (told(in_photo).reshape(covered.shape) for told in (face.hidden, face.foreign))
    unrolled = [_unrolled(one, places, covered, foreign) for one in votes]
    weights, scores = (np.stack(told) for told in zip(*unrolled, strict=True))
    fits = {count: _fit(weights, scores, count) for count in COUNTS}
    believed = {n: fit.evidence + float(np.log(SELDOM.get(n, 1.0))) for n, fit in fits.items()}
    count = max(COUNTS, key=lambda n: believed[n])
    best = fits[count]
    if believed[count] < LEAST_EVIDENCE or count == TOO_MANY:
        return None
    slots = (best.turn + np.arange(count) * TURNS // count) % TURNS
    seen = np.flatnonzero(weights[best.share, best.ring, slots] > 0.0)
    if len(seen) < (2 if isinstance(rim.frame, FaceFrame) else 3):
        return None
    middles = np.array([_peak_near(votes[best.share].share, places[best.ring, slot]) for slot in slots[seen]])
    most = max(fit.evidence for fit in fits.values())
    told = {n: float(np.exp(fit.evidence - most)) for n, fit in fits.items()}
    total = sum(told.values())
    likelihood = {n: share / total for n, share in told.items()}
    return HoleRing(
        front.to_photo(middles), seen, count, likelihood, float(RINGS[best.ring]), float(HOLE_SHARES[best.share]),
        best.evidence,
    )  # fmt: skip


def _half_height_px(question: PartQuestion, rim: Placed) -> float:
    """Half of how high a usual hole of the flange is seen, in pixels that the photo is sharp to; 0 of no ellipse."""
    turn = np.linspace(0.0, 2.0 * np.pi, 48, endpoint=False)
    circle = rim.center + rim.radius * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    ellipse = Ellipse.fit(rim.frame.to_photo(circle))
    seen_px = float(ellipse.semi_axes_px[1]) if ellipse else 0.0
    return float(np.median(HOLE_SHARES)) * seen_px / 2.0 ** halvings_of(question.gray.shape)


def _unrolled(votes: HoleVotes, places: Array, covered: Array, foreign: Array) -> tuple[Floats, Floats]:
    """How much likelier the votes near a place are with a hole there than without, and the votes of the place itself.

    Both are (rings, TURNS), the first as logarithms.
    """
    size = 2 * NEAR_PX + 1
    best = cv2.dilate(votes.share, np.ones((size, size), np.uint8))
    x, y = np.ascontiguousarray(places.transpose(2, 0, 1), np.float32)
    score, own = (cv2.remap(one, x, y, cv2.INTER_NEAREST, borderValue=0.0) for one in (best, votes.share))
    seen = cv2.remap(votes.in_view.astype(np.uint8), x, y, cv2.INTER_NEAREST, borderValue=0) > 0
    if not seen.any():
        return np.zeros(score.shape, np.float32), np.zeros(score.shape, np.float32)
    usual, upper = np.quantile(score[seen], [0.5, 0.84])
    spread = max(OTHER_SD, float(upper - usual))
    hole = -0.5 * ((np.minimum(score, HOLE_SCORE) - HOLE_SCORE) / HOLE_SD) ** 2 - np.log(HOLE_SD)
    other = -0.5 * (np.maximum(score - usual, 0.0) / spread) ** 2 - np.log(spread)
    weights = np.where(seen, np.clip(hole - other, LEAST_WEIGHT, MOST_WEIGHT), 0.0)
    # Where something may lie over the flange, what is seen may be that: it speaks for a hole as much as for none.
    # A hole that is seen is one, whatever is seen through it; where none is, a stranger may stand before it.
    over = np.where(weights < 0.0, np.maximum(covered, foreign), covered)
    weights = np.log((1 - over) * np.exp(weights) + over)
    return np.asarray(weights, np.float32), np.asarray(own * seen, np.float32)


def _fit(weights: Floats, scores: Floats, count: int) -> _Fit:
    """Rings of a number of places, summed over all sizes, radii and turns that they may have."""
    shape = (*weights.shape[:2], count, TURNS // count)
    total = weights.reshape(shape).sum(axis=2) + _prior(count)[:, :, None] + _straddling(count)
    # Near a hole its neighborhood weighs as much as its middle: there the votes of the places themselves decide.
    share, ring, turn = np.unravel_index(int(np.argmax(total + scores.reshape(shape).sum(axis=2))), total.shape)
    most = float(total.max())
    evidence = most + float(np.log(np.exp(total - most).sum() / total.shape[2]))
    return _Fit(int(share), int(ring), int(turn), evidence)


@cache
def _prior(count: int) -> Array:
    """(shares, rings) logarithm of how a flange of so many holes is proportioned, sum of probabilities 1."""
    like = np.zeros((len(HOLE_SHARES), len(RINGS)))
    for row in flanges():
        ring = row.bolt_circle_diameter_mm / row.flange_diameter_mm
        share = row.bolt_hole_diameter_mm / row.flange_diameter_mm
        if count in row.bolt_hole_counts:
            away = ((RINGS[None, :] - ring) / RING_SD) ** 2 + (np.log(HOLE_SHARES[:, None] / share) / SHARE_SD) ** 2
            like += np.exp(-0.5 * away)
    any_flange = np.full(like.shape, 1 / like.size)
    table = like / like.sum() if like.any() else any_flange
    return np.asarray(np.log(LIKE_A_TABLE * table + (1 - LIKE_A_TABLE) * any_flange))


@cache
def _straddling(count: int) -> Array:
    """(TURNS / count,) logarithm of how likely each turn is, over that of any turn being as likely."""
    step = 360.0 / count
    turn = np.arange(TURNS // count) * 360.0 / TURNS
    away = (turn - 90.0 - step / 2 + step / 2) % step - step / 2
    peak = np.exp(-0.5 * (away / STRADDLE_SD_DEG) ** 2) / (STRADDLE_SD_DEG * np.sqrt(2 * np.pi))
    return np.asarray(np.log(STRADDLE * peak * step + (1 - STRADDLE)))


def _around(turns: NDArray[np.int64]) -> Array:
    angle = 2 * np.pi * turns / TURNS
    return np.stack([np.cos(angle), np.sin(angle)], axis=-1)


def _peak_near(score: Floats, place: Array) -> Array:
    """(2,) the best place near an expected one, between pixels by the weights round it."""
    reach = NEAR_PX + 2
    left, top = (max(0, round(float(v)) - reach) for v in place)
    patch = score[top : top + 2 * reach + 1, left : left + 2 * reach + 1]
    if not patch.size or patch.max() <= 0.0:
        return place
    y, x = np.mgrid[: patch.shape[0], : patch.shape[1]]
    weight = np.maximum(patch - 0.75 * patch.max(), 0.0)
    return np.array([left + (x * weight).sum() / weight.sum(), top + (y * weight).sum() / weight.sum()])
