"""A coin the user named, as a scale reference: which round thing it is, and its rim."""

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from features.ellipse import Ellipse
from features.photo import FocalPrior
from features.problems import (
    COIN_AMBIGUOUS,
    COIN_NOT_FOUND,
    COIN_OBLIQUE,
    COIN_SMALL,
    COIN_TOO_SMALL,
    Problem,
)
from features.scale.reference import ReferenceLook, ReferenceSight, ScaleReference, ScaleRequest
from features.scale.rim import (
    MIN_RADIUS_PX,
    Pyramid,
    RimEllipse,
    agreed,
    are_in_one_place,
    is_ring_of,
    lies_on,
    rim_near,
    ring_outside,
)
from features.scale.ring_edges import to_round
from features.scale.round_search import Worth, find_coin_ellipses

RIM_RELATIVE_SD = 0.012
"""How well the ring chosen is the coin's legal diameter: worn and rounded rims, shadows, the coin's side. On six
photographs of 171 euro coins half of the fitted diameters lie within 0.7 % of a linear tilt field, 95 % in 2.6 %."""

RIM_SD_PX = 0.5
"""How well the place of its edge is known, a shift of the radius: blur and JPEG mix a coin and what it lies on. It says
what a small coin is worth: of 30 px across its size is known to a thirtieth."""

SIDE_SHARE = 0.04
"""Of a coin seen edge on, what its side and the shadow at its foot leave open of its size: a coin is 0.07 to 0.09 as
thick as wide (common practice), and what of that is taken for its face is anything up to all. Of 31 coins of renders
that were tilted by more than 40 degrees the sizes were off by 5 % rms where 3 % was said."""

COIN_THICKNESS_MM = 2.0
"""Coins are 1.4 to 2.4 mm thick (common practice)."""

NEAREST_MM, FARTHEST_MM = 120.0, 2500.0
"""Distances from which a coin is photographed as a scale."""

LEAST_PX = 2 * MIN_RADIUS_PX
"""Diameter of a coin below which its size is not told."""
_OBLIQUE_DEG = 45.0
_SMALL_PX = 60.0
_RELIEF_OF_A_COIN = 1.0
_RIVAL = 0.85
_OTHER_SIZE = 0.06
_CARRIED = 0.7
"""Share of a round thing's count that another one must have to be a thing that lies on it."""
_GUESSES = 60
_ROUGH_RADIUS_PX, _SLACK = 64.0, 1.5
"""A rough ring is judged at about this size, and what it is taken for is at least its own judgment over the slack."""
_RELIEF_SEEN_PX = 48.0
"""Half the short axis of a coin below which a photo shows less of its relief, in proportion: its figures shrink to
pixels. A thing that looks like a coin by its surroundings needs no more relief than that."""
_UNSEEN = 0.12
"""What a round thing counts that the part model does not call a scale reference: it overlooks many a coin."""
_LEAST_COUNT = 0.115
"""What the best round thing must count where somebody looked for references: unseen by him it must be as full and as
rich in relief as a coin can be. Photos whose coin is hidden or outside else get their scale from a pump's boss (on
renders 11 of 12 things that counted less were no coin; of 30 real coins one counted less)."""
_LEAST_TOLD = 0.2
"""A thing that a reference fills less is not told to be one."""
_PLAINLY = 0.5
"""Where a reference fills so much of a place too small for a rim, that is the coin, and no other round thing is."""
_LEAST_AXIS_RATIO = 0.4
"""A place told flatter than this is no coin, however roughly it was told."""
_TOLD_SUPPORT = 0.5
"""Part of a rim on which an edge must be found in a place told to be a reference; elsewhere it must be more."""
_SURELY = 0.25
"""What a round thing in a place told to be a reference must count to be taken without a look at the whole photo."""
_A_SET = 3
"""So many round things of one size are a pump's fasteners or holes: a coin is laid down singly, at most in pairs."""
_FULL = 0.8
"""What a rim must score to be believed at once."""
_ONCE_MORE = ((1.15, 1.0), (1.0, 1.0), (1.05, 0.85))
"""(part of its size, part of its axis ratio) with which a rim is looked for again where it was not full."""
_ROUND_TRIES = ((1.0, 1.0, 0.0), (0.8, 1.0, 0.0), (1.25, 1.0, 0.0))
_TILTED_TRIES = tuple((1.0, squeeze, angle) for squeeze in (0.8, 0.62) for angle in (0.0, 45.0, 90.0, 135.0))
"""(part of the hinted radius, minor over major axis, direction of the minor axis)"""


def find_coin(
    pixels_rgb: NDArray[np.uint8], focal: FocalPrior, request: ScaleRequest, look: ReferenceLook | None = None
) -> ScaleReference | Problem:
    """Find the named coin.

    Args:
        pixels_rgb: (H, W, 3) full resolution.
        focal: for the sizes a coin can have in the picture.
        request: with `coin_diameter_mm`; with `coin_near_px` only that place is looked at.
        look: tells how much of an outline looks like a scale reference, where somebody can.

    Returns:
        The coin, or why none: not found, or several round things of different size that could be it.
    """
    diameter_mm = request.coin_diameter_mm
    if diameter_mm is None or not diameter_mm > 0:
        return Problem(COIN_NOT_FOUND, "no diameter given")
    if request.coin_near_px is not None:
        rim = _near(pixels_rgb, request.coin_near_px)
        if rim is None:
            x, y, radius = request.coin_near_px
            return Problem(COIN_NOT_FOUND, f"no full rim near {x:.0f}, {y:.0f} of radius about {radius:.0f} px")
        return _reference(rim, diameter_mm, request)
    size_px = focal.focal_px * diameter_mm
    smallest_px, largest_px = size_px / FARTHEST_MM, size_px / NEAREST_MM
    sight = look(pixels_rgb) if look is not None else None
    pyramid = Pyramid(pixels_rgb)
    rims: tuple[RimEllipse, ...] = ()
    scores: list[float] = []
    tiny: list[RimEllipse] = []
    if sight is not None:
        told = [rim for rim in _rims_at(pyramid, sight) if rim.diameter_px <= largest_px]
        rims, scores = _told(pyramid, [rim for rim in told if rim.diameter_px >= LEAST_PX], sight)
        small = [rim for rim in told if rim.diameter_px < LEAST_PX]
        tiny = [rim for rim in small if _told_count(pixels_rgb, rim, sight) >= _SURELY]
    if max(scores, default=0.0) < _SURELY:
        if tiny:  # what else is round is not the coin
            return _too_small(tiny[0].diameter_px)
        others = find_coin_ellipses(pixels_rgb, smallest_px, largest_px, _GUESSES, _worth(pixels_rgb, sight))
        rims, scores = (*rims, *others), [*scores, *_scores(pixels_rgb, others, sight)]
    if not rims:
        return Problem(COIN_NOT_FOUND, "no round thing with a full rim")
    scores = _without_carriers(rims, scores)
    best = int(np.argmax(scores))
    if sight is not None and scores[best] < _LEAST_COUNT:
        return Problem(COIN_NOT_FOUND, "no round thing looks enough like a coin")
    rivals = [r for r, s in zip(rims, scores, strict=True) if s > _RIVAL * scores[best]]
    if any(abs(np.log(r.diameter_px / rims[best].diameter_px)) > _OTHER_SIZE for r in rivals):
        sizes = ", ".join(f"{r.diameter_px:.0f}" for r in rivals[:6])
        return Problem(COIN_AMBIGUOUS, f"{len(rivals)} of them, {sizes} px across")
    if sight is not None and sight.filled(rims[best].ellipse.points_px(60)) < _LEAST_TOLD:
        if len(rivals) >= _A_SET:
            return Problem(COIN_AMBIGUOUS, f"{len(rivals)} alike, as bolt heads and holes are")
        specks = [across for outline in sight.outlines_px if (across := _speck_px(outline, sight)) > 0.0]
        if specks:
            return _too_small(max(specks))
    return _reference(_fuller(pyramid, rims[best]), diameter_mm, request)


def _too_small(across_px: float) -> Problem:
    return Problem(COIN_TOO_SMALL, f"{across_px:.0f} px across, {LEAST_PX:.0f} are the least")


def _speck_px(outline_px: NDArray[np.float64], sight: ReferenceSight) -> float:
    """Size of a place that is plainly told to be a reference, where it is too small for a coin's rim; 0 elsewhere."""
    across = float(np.linalg.norm(np.ptp(outline_px, axis=0))) / np.sqrt(2.0)
    return across if across < LEAST_PX and sight.filled(outline_px) >= _PLAINLY else 0.0


def _without_carriers(rims: Sequence[RimEllipse], scores: Sequence[float]) -> list[float]:
    """Scores, 0 for a round thing that carries another off its middle: coins lie on things.

    What it carries must be like a coin itself: a coin's own relief may look a little like a ring.
    """
    rated = list(zip(rims, scores, strict=True))
    carries = [any(lies_on(small, large) and own > _CARRIED * score for small, own in rated) for large, score in rated]
    return [0.0 if carrying else score for score, carrying in zip(scores, carries, strict=True)]


def _worth(pixels_rgb: NDArray[np.uint8], sight: ReferenceSight | None) -> Worth:
    """What round things count, and what a rough ring's thing can count: a coin's inner ring has its relief too."""

    def most(pyramid: Pyramid, ring: Ellipse) -> float:
        window = pyramid.around(ring.center_px, float(ring.semi_axes_px[0]), _ROUGH_RADIUS_PX)
        relief = _SLACK * _relief(window.pixels, window.inward(ring)) / _RELIEF_OF_A_COIN
        fill = 1.0 if sight is None else _UNSEEN + min(1.0, _SLACK * sight.filled(ring.points_px(60)))
        return min(1.0, relief) * fill

    return Worth(most, lambda rim: _scores(pixels_rgb, [rim], sight)[0], _RIVAL)


def _scores(pixels_rgb: NDArray[np.uint8], rims: Sequence[RimEllipse], sight: ReferenceSight | None) -> list[float]:
    """How much each round thing is to be taken for the coin."""
    likeness = [coin_likeness(pixels_rgb, rim) for rim in rims]
    if sight is None:
        return likeness
    return [s * (_UNSEEN + sight.filled(rim.ellipse.points_px(60))) for s, rim in zip(likeness, rims, strict=True)]


def _told(
    pyramid: Pyramid, rims: Sequence[RimEllipse], sight: ReferenceSight
) -> tuple[tuple[RimEllipse, ...], list[float]]:
    """Of rims in the places told to be references each thing once, and how much each is to be taken for the coin.

    Of rims in one place the one that most ways led to is taken, not the outermost: a shadow makes outer ones. But what
    was told may be the inner metal of a coin of two, so a ring that fits that counts as much and instead.
    """
    left = sorted(((_told_count(pyramid.levels[0], rim, sight), rim) for rim in rims), key=lambda one: -one[0])
    kept, counts = [], []
    while left:
        most, best = left[0]
        here = [(own, rim) for own, rim in left if own >= _RIVAL * most and are_in_one_place(rim, best)]
        outer = [(most, rim) for rim in rims if any(is_ring_of(inner, rim) for _, inner in here)]
        kept.append(agreed([*outer, *(one for one in here if not any(is_ring_of(one[1], rim) for _, rim in outer))]))
        left = [(own, rim) for own, rim in left if not are_in_one_place(rim, best)]
        counts.append(most)
    return tuple(kept), counts


def _told_count(pixels_rgb: NDArray[np.uint8], rim: RimEllipse, sight: ReferenceSight) -> float:
    """What a rim in a place told to be a reference counts: a small thing need show no more relief than it can."""
    relief = _relief(pixels_rgb, rim.ellipse) / _RELIEF_OF_A_COIN
    filled = sight.filled(rim.ellipse.points_px(60))
    can_show = min(1.0, float(rim.ellipse.semi_axes_px[1]) / _RELIEF_SEEN_PX) if filled > _LEAST_TOLD else 1.0
    return float(rim.score * (_UNSEEN * min(1.0, relief) + filled * min(1.0, relief / can_show)))


def _rims_at(pyramid: Pyramid, sight: ReferenceSight) -> list[RimEllipse]:
    """Rims in the places told to be references: a few looks instead of hundreds all over the photo."""
    found: list[RimEllipse | None] = []
    for outline in sight.outlines_px:
        told = Ellipse.fit(outline, refine=False)
        if not told or told.semi_axes_px[1] < _LEAST_AXIS_RATIO * told.semi_axes_px[0]:
            continue
        angle = float(np.rad2deg(told.angle_rad)) + 90.0
        ratio = float(told.semi_axes_px[1] / told.semi_axes_px[0])
        for squeeze in (ratio, 1.0):  # what was told of a coin may be a part of it only
            rim = rim_near(pyramid, told.center_px, float(told.semi_axes_px[0]), squeeze, angle, _TOLD_SUPPORT)
            found += [rim, ring_outside(pyramid, rim) if rim is not None else None]
    return [rim for rim in found if rim]


def coin_likeness(pixels_rgb: NDArray[np.uint8], rim: RimEllipse) -> float:
    """How much a round thing looks like a coin, 0..1: a full rim, and relief inside it.

    A bolt hole or a blank washer is as round as a coin but smooth or empty inside.
    """
    return rim.score * min(1.0, _relief(pixels_rgb, rim.ellipse) / _RELIEF_OF_A_COIN)


def _relief(pixels_rgb: NDArray[np.uint8], ellipse: Ellipse) -> float:
    """Median gray change over 1/60 of the radius, inside a rim: 1 to 6 on coins, under 0.7 on holes."""
    reach = float(ellipse.semi_axes_px[0]) + 3
    low = np.clip(np.floor(ellipse.center_px - reach), 0, None).astype(int)
    high = np.ceil(ellipse.center_px + reach).astype(int) + 1
    part = cv2.cvtColor(pixels_rgb[low[1] : high[1], low[0] : high[0]], cv2.COLOR_RGB2GRAY).astype(np.float32)
    step = float(ellipse.semi_axes_px[1]) / 60
    soft = cv2.GaussianBlur(part, (0, 0), max(0.8, step))
    change = cv2.magnitude(cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)) / 8 * step
    x, y = (np.arange(size) - at for size, at in zip(part.shape[::-1], ellipse.center_px - low, strict=True))
    across, down = to_round(ellipse).T
    inside = sum(np.square(across[k] * x + down[k] * y[:, None]) for k in (0, 1)) < 0.9**2
    return float(np.median(np.asarray(change)[inside])) if inside.any() else 0.0


def _near(pixels_rgb: NDArray[np.uint8], near: tuple[float, float, float]) -> RimEllipse | None:
    """The best rim about where the user pointed, the hint's size taken loosely."""
    x, y, radius = near
    if not radius > 0 or not np.isfinite(near).all():
        return None
    pyramid = Pyramid(pixels_rgb)
    good: list[RimEllipse] = []
    for tries in (_ROUND_TRIES, _TILTED_TRIES):
        found = [rim_near(pyramid, np.array([x, y]), radius * f, squeeze, angle) for f, squeeze, angle in tries]
        found += [ring_outside(pyramid, r) for r in found if r is not None]
        good += [r for r in found if r is not None and _fits_hint(r, near)]
        if any(r.score > 0.8 for r in good):
            break
    if not good:
        return None
    # Of rings inside one another the outermost that is not much fainter and not much less whole.
    best = max(good, key=lambda r: r.score)
    return max(
        (r for r in good if r.score > 0.7 * best.score and r.contrast > 0.4 * best.contrast),
        key=lambda r: r.diameter_px,
    )


def _fuller(pyramid: Pyramid, rim: RimEllipse) -> RimEllipse:
    """The rim, or where much of it was not seen a fuller one about it: a rough start may end on a shadow."""
    if rim.score > _FULL:
        return rim
    ellipse = rim.ellipse
    ratio, angle = float(ellipse.semi_axes_px[1] / ellipse.semi_axes_px[0]), float(np.rad2deg(ellipse.angle_rad)) + 90.0
    size = float(ellipse.semi_axes_px[0])
    near = (*ellipse.center_px.tolist(), size)
    best = rim
    for larger, flatter in _ONCE_MORE:
        again = rim_near(pyramid, ellipse.center_px, larger * size, flatter * ratio, angle)
        if again is not None and again.score > best.score and _fits_hint(again, near):
            best = again
        if best.score > _FULL:
            break
    return best


def _fits_hint(rim: RimEllipse, near: tuple[float, float, float]) -> bool:
    x, y, radius = near
    apart = float(np.linalg.norm(rim.ellipse.center_px - (x, y)))
    return apart < 0.6 * radius and 0.5 < rim.diameter_px / (2 * radius) < 1.6


def _reference(rim: RimEllipse, diameter_mm: float, request: ScaleRequest) -> ScaleReference:
    said: list[Problem] = []
    ratio = float(rim.ellipse.semi_axes_px[1] / rim.ellipse.semi_axes_px[0])
    tilt = float(np.rad2deg(np.arccos(np.clip(ratio, 0, 1))))
    if tilt > _OBLIQUE_DEG:
        said.append(Problem(COIN_OBLIQUE, f"tilted about {tilt:.0f} deg"))
    if rim.diameter_px < _SMALL_PX:
        said.append(Problem(COIN_SMALL, f"{rim.diameter_px:.0f} px across"))
    at = (rim.points_px - rim.ellipse.center_px) @ to_round(rim.ellipse).T
    angle = np.arctan2(at[:, 1], at[:, 0])
    edge, side = RIM_SD_PX / (0.5 * rim.diameter_px), SIDE_SHARE * float(np.sin(np.deg2rad(tilt)))
    size_sd = float(np.linalg.norm([request.coin_relative_sd, RIM_RELATIVE_SD, edge, side, rim.size_spread]))
    label = request.coin_label or f"coin of {diameter_mm:g} mm"
    return ScaleReference(
        kind="coin",
        label=label,
        points_mm=0.5 * diameter_mm * np.column_stack([np.cos(angle), np.sin(angle)]),
        points_px=rim.points_px,
        point_sd_px=max(0.1, rim.ellipse.rms_px),
        outline_px=rim.ellipse.points_px(120),
        size_relative_sd=size_sd,
        size_source=f"coin:{label}",
        is_circle=True,
        circle_diameter_mm=diameter_mm,
        thickness_mm=COIN_THICKNESS_MM,
        problems=tuple(said),
    )
