"""The bolt circle of a flange through its holes or bolts, all at once: equal angles about one middle.

Two neighbors and their number fix a ring, and the rim's middle holds it where few are seen. What is traced of a hole is
its edge on the face: of a deep hole seen at a slant the lower edge is seen too, inside the other.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from features.circle_sighting import CASTING_FLAWS, CircleSighting, SeenMiddle
from features.parts.finder import FoundCircle, PartQuestion
from features.parts.front_on import FaceFrame
from features.parts.learned_circles import found_circle
from features.parts.placed import Placed
from features.parts.slots import Slots, slots_at
from features.parts.trace import TracedCircle, trace_circle
from features.rim_shape import RimShape
from features.two_at_once import two_at_once

Array = NDArray[np.float64]

HOLE_REACH, HOLE_LINES = 0.3, 72
HOLE_SIZES = (1.0, 1.25, 0.8)
HOLE_COVERAGE, HOLE_PLAIN = 0.55, 0.75
"""Share of a hole's edge that must be seen to believe its trace, and to look for no other."""
HALF_SEEN, ONE_SIZE = 0.4, 0.04
"""Holes of which no more than this share is seen tell their size where two have the same, within so much of it: what is
seen through a hole is dark here and bright there, and its edge fades between."""
LIKE_OTHERS = 0.2
"""Holes of one flange are of one size: those whose logarithm lies further from the usual one are something else."""
HOLE_SD, HOLE_SD_PX = 0.003, 0.35
"""Standard uncertainty of a traced hole's middle along each axis: as a share of the flange's radius (drilling and
casting; ASME B16.5 lets holes lie 0.8 mm apart from their places, from memory) and in pixels of the photo."""
PLAIN = 0.75
"""Quantile of the holes' sizes that is a hole's own: of deep ones seen at a slant too small a circle may be traced."""
SEEN_SD = 0.012
"""The same where no edge of a hole could be traced."""
TRACED_MIDDLE_SD, TOLD_MIDDLE_SD = 0.008, 0.08
"""How far the ring's middle lies from that of a traced rim, of one that was only told, as a share of its radius."""
STEP_SHARE = 0.03
"""How far before or behind the rim's edge the holes lie, as a share of its radius: 2 mm of 70 (raised faces, spot
facings and broken edges; common practice). At a slant this moves their middle aside."""
BOLTED_SD = 0.03
"""Standard uncertainty of the ring's radius by the heads or nuts of bolts: they stand an eighth of the flange's radius
before its face, and look as much larger as they are nearer (five of renders were off by 2.5 to 4 %)."""
ASTRAY = 4.0
"""Standard uncertainties from its place beyond which a hole is left out."""


@dataclass(frozen=True, eq=False)
class SeenHoles:
    """Holes or bolts as they were counted.

    Attributes:
        middles_px: (K, 2) in the photo; slots: (K,) place of each on the ring, 0 .. count - 1.
        count: of the whole ring.
        hole_share: their radius over the flange's.
        bolted: whether bolts are seen in them.
    """

    middles_px: Array
    slots: NDArray[np.int64]
    count: int
    hole_share: float
    bolted: bool = False


@dataclass(frozen=True, eq=False)
class EqualRing:
    """A ring of equal angles: middle (2,) and radius with standard uncertainties, places (count, 2), holes left out."""

    middle: Array
    middle_sd: float
    radius: float
    radius_sd: float
    places: Array
    astray: NDArray[np.bool_]


def trace_bolt_circle(
    question: PartQuestion, rim: Placed, rim_px: Array | None, seen: SeenHoles
) -> tuple[tuple[FoundCircle, ...], SeenMiddle | None]:
    """The bolt circle and, where their edges can be traced and no bolts are in them, the usual one of its holes.

    Told besides is the middle that the holes of a ring have by themselves, which is the rim's too; not that of slots.

    Args:
        question: the photo.
        rim: the flange's, squared up; rim_px: (N, 2) its edge points in the photo, None where it was only told.
        seen: at least two of its holes.
    """
    frame, name = rim.frame, question.photo_name
    expected = frame.from_photo(seen.middles_px)
    slots = (
        None if seen.bolted else slots_at(question.gray, rim, seen.middles_px, seen.hole_share, question.keep_out_px)
    )
    if slots is not None:
        return (_middle_of_slots(question, rim, rim_px, seen, slots),), None
    faint = two_at_once(lambda middle: _trace_hole(question, rim, middle, seen.hole_share), expected)
    traced = [hole if hole is not None and hole.coverage > HOLE_COVERAGE else None for hole in faint]
    alike = _alike([hole for hole in traced if hole is not None])
    plain = float(np.quantile(_sizes(alike), PLAIN)) if alike else 0.0
    middles, sds = expected.copy(), np.full(len(seen.slots), SEEN_SD * rim.radius)
    for index, hole in enumerate(traced):
        if hole is not None and hole in alike:
            middles[index] = _middle(frame.from_photo(hole.ellipse.points_px(36)))
            own_sd = np.hypot(HOLE_SD * rim.radius, HOLE_SD_PX * frame.px_per_px)
            # A trace smaller than the others followed a far edge on one side: its middle is off by as much.
            sds[index] = np.hypot(own_sd, float(_sizes([hole])[0] - plain) * frame.px_per_px)
    ring = fit_equal_ring(
        middles, seen.slots, seen.count, sds, rim.center, middle_spread(question, rim, TOLD_MIDDLE_SD, rim_px)
    )
    sighting = CircleSighting("bolt_circle_diameter", name, frame.to_photo(ring.places))
    used = int((~ring.astray).sum())
    radius_sd = float(np.hypot(ring.radius_sd, BOLTED_SD * ring.radius * seen.bolted))
    shared_px = max(0.3, radius_sd / frame.px_per_px)
    found = [FoundCircle(sighting, used / seen.count, shared_px)]
    alike = alike or _of_one_size([hole for hole in faint if hole is not None])
    if alike and not seen.bolted:  # a head or a washer is half as wide again as its hole
        usual = sorted(alike, key=lambda hole: float(hole.ellipse.semi_axes_px[0]))[len(alike) // 2]
        found.append(found_circle("bolt_hole_diameter", name, usual, (0.3, 0.001)))
    return tuple(found), _middle_by_holes(question, rim, seen, middles, sds)


def _middle_by_holes(question: PartQuestion, rim: Placed, seen: SeenHoles, middles: Array, sds: Array) -> SeenMiddle:
    """The middle of a ring of holes, whatever the rim's is, as one of the rim's: beside it by casting and by a step."""
    ring = fit_equal_ring(middles, seen.slots, seen.count, sds, rim.center, rim.radius**2 * np.eye(2))
    beside = np.hypot(TRACED_MIDDLE_SD, STEP_SHARE * np.linalg.norm(rim.slope(question.poses[0].focal_px)))
    sd = float(np.hypot(ring.middle_sd, beside * rim.radius)) / rim.frame.px_per_px
    return SeenMiddle(rim.frame.to_photo(ring.middle[None])[0], sd)


def _middle_of_slots(
    question: PartQuestion, rim: Placed, rim_px: Array | None, seen: SeenHoles, slots: Slots
) -> FoundCircle:
    """The bolt circle through the middles of slots: bolts fit in them from one end to the other.

    Where they may as well be holes it lies half way between, and the half is its standard uncertainty.
    """
    sds = np.full(len(seen.slots), SEEN_SD * rim.radius)
    expected = rim.frame.from_photo(seen.middles_px)
    spread = middle_spread(question, rim, TOLD_MIDDLE_SD, rim_px)
    ring = fit_equal_ring(expected, seen.slots, seen.count, sds, rim.center, spread)
    aside = slots.chance * slots.aside * rim.radius
    places = ring.middle + (ring.places - ring.middle) * (1 + aside / ring.radius)
    sighting = CircleSighting("bolt_circle_diameter", question.photo_name, rim.frame.to_photo(places))
    any_place_sd = 0.5 * slots.length * rim.radius * np.sqrt(slots.chance / 3.0)
    either_sd = np.sqrt(slots.chance * (1 - slots.chance)) * slots.aside * rim.radius
    shared_px = float(np.linalg.norm([ring.radius_sd, any_place_sd, either_sd])) / rim.frame.px_per_px
    return FoundCircle(sighting, len(seen.slots) / seen.count, max(0.3, shared_px))


def middle_spread(question: PartQuestion, rim: Placed, untraced_sd: float, rim_px: Array | None = None) -> Array:
    """Where the middle of a ring of holes lies from a rim's.

    Args:
        question: the photo; rim: squared up.
        untraced_sd: standard uncertainty along each axis where the rim was not traced, as a share of its radius.
        rim_px: (N, 2) edge points of a traced one. Of a short arc the middle is hardly known along its bisector.

    Returns:
        (2, 2) covariance in the squared-up picture.
    """
    shape = None if rim_px is None else RimShape.of(rim_px, CASTING_FLAWS)
    sd = TRACED_MIDDLE_SD if shape else untraced_sd
    step = STEP_SHARE * rim.slope(question.poses[0].focal_px)
    share = sd**2 * np.eye(2) + np.outer(step, step)
    if shape:
        away = rim.frame.from_photo(shape.points_px) - rim.center
        outward = away / np.linalg.norm(away, axis=1, keepdims=True)
        white = shape.whitening @ np.column_stack([outward, np.ones(len(away))])
        share += np.linalg.inv(white.T @ white)[:2, :2]
    return np.asarray(rim.radius**2 * share)


def fit_equal_ring(
    middles: Array, slots: NDArray[np.int64], count: int, sds: Array, center: Array, spread: Array
) -> EqualRing:
    """Least squares over middle, radius and turn of a ring of equal angles, which is linear in them.

    Args:
        middles: (K, 2) places of some of its members; slots: (K,) which of them, 0 .. count - 1.
        count: of all members.
        sds: (K,) standard uncertainty of a place along each axis.
        center: (2,) where the middle is believed to lie; spread: (2, 2) covariance of that.
    """
    angle = 2 * np.pi * np.arange(count) / count
    c, s = np.cos(angle), np.sin(angle)
    one, zero = np.ones(count), np.zeros(count)
    rows = np.stack([np.stack([one, zero, c, -s], 1), np.stack([zero, one, s, c], 1)], 1)  # (count, 2, 4)
    whitening = np.linalg.inv(np.linalg.cholesky(spread))
    held = whitening @ np.eye(2, 4)
    used = np.ones(len(slots), bool)
    while True:
        weight = used / sds
        design = np.concatenate([(rows[slots] * weight[:, None, None]).reshape(-1, 4), held])
        wanted = np.concatenate([(middles * weight[:, None]).ravel(), whitening @ center])
        solved = np.linalg.lstsq(design, wanted, rcond=None)[0]
        off = np.linalg.norm(middles - rows[slots] @ solved, axis=1) / sds * used
        if used.sum() <= 2 or off.max() < ASTRAY:
            break
        used[int(np.argmax(off))] = False
    radius = float(np.hypot(*solved[2:]))
    covariance = np.linalg.inv(design.T @ design)
    toward = solved[2:] / max(radius, 1e-9)
    misfit = max(1.0, float(np.sum(off**2)) / max(2 * int(used.sum()) - 2, 1))
    radius_sd = float(np.sqrt(misfit * toward @ covariance[2:, 2:] @ toward))
    middle_sd = float(np.sqrt(misfit * np.linalg.eigvalsh(covariance[:2, :2])[-1]))
    return EqualRing(solved[:2], middle_sd, radius, radius_sd, rows @ solved, ~used)


def _trace_hole(question: PartQuestion, rim: Placed, at: Array, share: float) -> TracedCircle | None:
    """A hole's edge, looked for at the size it seems to have, then at others."""
    round_in_front, best = isinstance(rim.frame, FaceFrame), None
    for size in HOLE_SIZES:
        traced = trace_circle(
            question.gray, rim.frame, at, size * share * rim.radius, "outer", reach=HOLE_REACH, lines=HOLE_LINES,
            round_in_front=round_in_front,
        )  # fmt: skip
        if traced and traced.coverage > HALF_SEEN and (best is None or traced.coverage > best.coverage):
            best = traced
        if best is not None and best.coverage > HOLE_PLAIN:
            break
    return best


def _sizes(traced: list[TracedCircle]) -> Array:
    """(N,) radii in the photo, geometric mean over directions."""
    return np.sqrt([float(hole.ellipse.semi_axes_px.prod()) for hole in traced])


def _alike(traced: list[TracedCircle]) -> list[TracedCircle]:
    """Those of usual size."""
    if not traced:
        return []
    sizes = np.log(_sizes(traced))
    usual = float(np.median(sizes))
    return [hole for hole, size in zip(traced, sizes, strict=True) if abs(size - usual) < LIKE_OTHERS]


def _of_one_size(traced: list[TracedCircle]) -> list[TracedCircle]:
    """The two whose sizes are most alike, where they are as good as one."""
    order = sorted(traced, key=lambda hole: float(hole.ellipse.semi_axes_px.prod()))
    apart = np.diff(np.log(_sizes(order)))
    if not len(apart) or apart.min() > ONE_SIZE:
        return []
    first = int(np.argmin(apart))
    return order[first : first + 2]


def _middle(outline: Array) -> Array:
    return np.asarray(outline.mean(axis=0))
