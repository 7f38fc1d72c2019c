"""The rim of a coin as an ellipse: found from a rough guess, moved to the ring that is its edge, refined.

A coin has many rings (its raised border, the joint of two metals, a row of beads); the outermost one that
closes all round is the coin's edge. A shadow also makes an edge outside it, but never all round.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from features.ellipse import Ellipse
from features.scale.first_ring import RoughRing, first_ring, is_plausible, relative_radius
from features.scale.ring_choice import choose_ring
from features.scale.ring_edges import LINES, RingEdges, contrast_pictures, ring_edges, to_round

Array = NDArray[np.float64]

_COARSE_RADIUS_PX = 64.0
_FINE_RADIUS_PX = 150.0
_LARGEST_RADIUS_PX = 300.0
_RING_KNOWN = 0.006
_TWO_METALS = 1.4
_JOINTS = (1.25, 1.55)
"""Edge of a coin of two metals over the joint of these."""
_SAME_SHAPE = 0.1
_LEAST_OUTER = 1.1
"""A ring found less than this much outside a rim is that rim again."""
LEAST_SUPPORT = 0.6
"""Part of a rim on which an edge must be found for it to be one."""
_LEAST_RING = 0.3
_OFF_MIDDLE = 0.3
_ONE_PLACE = 0.4
_AGREE = 0.04

MIN_RADIUS_PX = 9.0
"""A smaller rim is not measured to a percent any more."""


@dataclass(frozen=True, eq=False)
class RimEllipse:
    """The rim of one round thing.

    Attributes:
        ellipse: fitted to the rim.
        points_px: (N, 2) sub-pixel edge points that lie on it.
        support: part of the rim on which an edge was found, 0..1.
        contrast: median gray step across the rim.
        size_spread: relative, of the rims that other starts in the same place led to.
    """

    ellipse: Ellipse
    points_px: Array
    support: float
    contrast: float
    size_spread: float = 0.0

    @property
    def diameter_px(self) -> float:
        """Geometric mean of the ellipse's axes: a size, not yet a measurement."""
        return float(2 * np.sqrt(self.ellipse.semi_axes_px[0] * self.ellipse.semi_axes_px[1]))

    @property
    def score(self) -> float:
        """How much it looks like a whole rim, 0..1."""
        return float(self.support * min(1.0, self.contrast / 25.0) ** 0.25)


class Pyramid:
    """A picture and its halves, so that every rim is first looked at at one size."""

    def __init__(self, pixels: NDArray[np.uint8]) -> None:
        self.levels = [pixels]
        while min(self.levels[-1].shape[:2]) > 64:
            h, w = self.levels[-1].shape[:2]
            half = cv2.resize(self.levels[-1], ((w + 1) // 2, (h + 1) // 2), interpolation=cv2.INTER_AREA)
            self.levels.append(np.asarray(half, np.uint8))

    def around(self, center_px: Array, radius_px: float, wanted_radius_px: float) -> "Window":
        """A window round a thing, on the level where its radius is near what is wanted."""
        level = int(np.clip(np.rint(np.log2(radius_px / wanted_radius_px)), 0, len(self.levels) - 1))
        picture, scale = self.levels[level], 0.5**level
        center, reach = (center_px + 0.5) * scale - 0.5, 1.5 * radius_px * scale + 8
        low = np.clip(np.floor(center - reach), 0, None).astype(int)
        high = np.ceil(center + reach).astype(int) + 1
        return Window(picture[low[1] : high[1], low[0] : high[0]], scale, low)


@dataclass(frozen=True, eq=False)
class Window:
    """Part of a picture at some scale.

    Attributes:
        pixels: (h, w) or (h, w, 3).
        scale: its pixels a photo pixel.
        low: (2,) its first pixel in the scaled picture.
    """

    pixels: NDArray[np.uint8]
    scale: float
    low: NDArray[np.int64]

    def inward(self, ellipse: Ellipse) -> Ellipse:
        """An ellipse of the photo as seen in the window."""
        return _ellipse(
            (ellipse.center_px + 0.5) * self.scale - 0.5 - self.low,
            ellipse.semi_axes_px * self.scale,
            ellipse,
        )

    def outward(self, ellipse: Ellipse) -> Ellipse:
        """An ellipse of the window as it lies in the photo."""
        return _ellipse(
            (ellipse.center_px + self.low + 0.5) / self.scale - 0.5,
            ellipse.semi_axes_px / self.scale,
            ellipse,
        )

    def points_outward(self, points: Array) -> Array:
        """(N, 2) points of the window as they lie in the photo."""
        return (points + self.low + 0.5) / self.scale - 0.5


def _ellipse(center: Array, axes: Array, like: Ellipse) -> Ellipse:
    return Ellipse(center, axes, like.angle_rad, np.zeros((5, 5)), 0.0)


def rim_near(
    pyramid: Pyramid, center_px: Array, radius_px: float, squeeze: float = 1.0, angle_deg: float = 0.0,
    least_support: float = LEAST_SUPPORT,
) -> RimEllipse | None:  # fmt: skip
    """Find the edge of a coin near a guess.

    Args:
        pyramid: of the full-resolution picture.
        center_px: (2,) guessed middle.
        radius_px: guessed major semi-axis, to some 30 %.
        squeeze: guessed minor over major axis.
        angle_deg: guessed direction of the minor axis.
        least_support: part of the rim on which an edge must be found.
    """
    found = ring_near(pyramid, center_px, radius_px, squeeze, angle_deg)
    return None if found is None else rim_about(pyramid, found.ellipse, least_support)


def ring_near(
    pyramid: Pyramid, center_px: Array, radius_px: float, squeeze: float = 1.0, angle_deg: float = 0.0
) -> RoughRing | None:
    """The first step of `rim_near`: the ring that most edges agree on near a guess, some ring of a coin."""
    turn = np.deg2rad(angle_deg + 90)
    rough = Ellipse(center_px, radius_px * np.array([1.0, squeeze]), turn, np.zeros((5, 5)), 0.0)
    window = pyramid.around(center_px, radius_px, _COARSE_RADIUS_PX)
    if min(window.pixels.shape[:2]) < 16:
        return None
    found = first_ring(window.pixels, window.inward(rough))
    return None if found is None else RoughRing(window.outward(found.ellipse), found.closed)


def rim_about(
    pyramid: Pyramid, ring: Ellipse, least_support: float = LEAST_SUPPORT, least_ring: float = _LEAST_RING
) -> RimEllipse | None:
    """The second step: the edge of the coin that has a ring.

    Args:
        pyramid: of the full-resolution picture.
        ring: some ring of the coin, roughly.
        least_support: part of the rim on which an edge must be found.
        least_ring: the same while the ring that is the rim is chosen, at smaller size.
    """
    window = pyramid.around(ring.center_px, float(ring.semi_axes_px[0]), _FINE_RADIUS_PX)
    rough = ring
    for inward in (0.17, 0.03, 0.03):  # once outward, never back to an inner ring
        inside = window.inward(rough)
        found = _edge_ring(window.pixels, inside, inward)
        if found is None:
            return None
        chosen, ring_support = found
        moved = abs(np.log(chosen.semi_axes_px.prod() / inside.semi_axes_px.prod())) / 2
        rough = window.outward(chosen)
        if moved < 0.004:
            break
    return _refined(pyramid, rough, least_support) if ring_support >= least_ring else None


def ring_outside(pyramid: Pyramid, rim: RimEllipse) -> RimEllipse | None:
    """The edge of a coin whose inner part was taken for all of it: coins of two metals have a joint at 0.7."""
    ellipse = rim.ellipse
    ratio = float(ellipse.semi_axes_px[1] / ellipse.semi_axes_px[0])
    angle = float(np.rad2deg(ellipse.angle_rad)) + 90.0
    ring = ring_near(pyramid, ellipse.center_px, _TWO_METALS * float(ellipse.semi_axes_px[0]), ratio, angle)
    if ring is None or ring.ellipse.semi_axes_px.prod() < _LEAST_OUTER**2 * ellipse.semi_axes_px.prod():
        return None
    outer = rim_about(pyramid, ring.ellipse)
    least, most = _JOINTS
    return outer if outer is not None and least < outer.diameter_px / rim.diameter_px < most else None


def _edge_ring(pixels: NDArray[np.uint8], ellipse: Ellipse, inward: float) -> tuple[Ellipse, float] | None:
    """The ring that is the coin's edge, among all near an ellipse and at most `inward` inside it, and its support."""
    looks = []
    for picture, trust in contrast_pictures(pixels, ellipse):
        edges = ring_edges(picture, ellipse, 0.17)
        looks.append((edges.only(edges.radius > 1.0 - inward), trust))
    ring = choose_ring(looks)
    if ring is None or ring.support < _LEAST_RING:
        return None
    t = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    rim = ring.radius(t)[:, None] * np.column_stack([np.cos(t), np.sin(t)])
    fit = Ellipse.fit(ellipse.center_px + rim @ np.linalg.inv(to_round(ellipse)).T, refine=False)
    return (fit, ring.support) if isinstance(fit, Ellipse) and is_plausible(fit, ellipse) else None


def _refined(pyramid: Pyramid, ellipse: Ellipse, least_support: float) -> RimEllipse | None:
    """Sub-pixel rim at full resolution: of each ray the edge that is strongest and closest to the ring."""
    window = pyramid.around(ellipse.center_px, float(ellipse.semi_axes_px[0]), _LARGEST_RADIUS_PX)
    inside = window.inward(ellipse)
    pictures = contrast_pictures(window.pixels, inside)
    for reach in (0.015, 0.010, 0.008):
        least = max(reach, 2.0 / float(inside.semi_axes_px[1]))
        edges = _best_of_rays([(ring_edges(p, inside, least, 2.0), trust) for p, trust in pictures])
        if len(edges.line) < 0.4 * LINES:
            return None
        points = edges.points_px(inside)
        fit = Ellipse.fit(points)
        if not isinstance(fit, Ellipse) or not is_plausible(fit, inside):
            return None
        inside = fit
    off = np.abs(inside.distances_px(points))
    good = off < max(0.8, 0.006 * float(inside.semi_axes_px[1]))
    support = float(good.mean()) * len(off) / LINES
    final = Ellipse.fit(window.points_outward(points[good])) if support >= least_support else None
    if not isinstance(final, Ellipse):
        return None
    return RimEllipse(final, window.points_outward(points[good]), support, float(np.median(np.abs(edges.step[good]))))


def _best_of_rays(looks: list[tuple[RingEdges, float]]) -> RingEdges:
    """Of each ray the edge that is strongest, closest to the ring and best trusted.

    The ring is known to half a percent, and other strong edges run close beside it. The gray picture is preferred
    for its place: JPEG stores color at half resolution.
    """
    found = [edges for edges, _ in looks]
    together = RingEdges(
        *(
            np.concatenate([getattr(e, name) for e in found])
            for name in ("line", "angle", "radius", "step", "sharpness")
        )
    )
    trust = np.concatenate([np.full(len(e.line), t if e is found[0] else 0.6 * t) for e, t in looks])
    fitness = trust * np.abs(together.step) * np.exp(-0.5 * ((together.radius - 1.0) / _RING_KNOWN) ** 2)
    order = np.lexsort((-fitness, together.line))
    return together.only(order[np.unique(together.line[order], return_index=True)[1]])


def is_inside_of(point: Array, rim: RimEllipse) -> bool:
    """So near the middle that it is a ring of the same thing; a coin may lie off the middle of a larger round thing."""
    return bool(relative_radius(point[None], rim.ellipse)[0] < _OFF_MIDDLE)


def lies_on(small: RimEllipse, large: RimEllipse) -> bool:
    """A ring wholly within a larger one and off its middle: a thing of its own."""
    if small.diameter_px > 0.7 * large.diameter_px:
        return False
    away = relative_radius(small.ellipse.points_px(24), large.ellipse)
    return bool(away.max() < 1.0 and not is_inside_of(small.ellipse.center_px, large))


def _apart_px(one: RimEllipse, other: RimEllipse) -> float:
    """Distance of two rims' middles."""
    return float(np.linalg.norm(one.ellipse.center_px - other.ellipse.center_px))


def are_in_one_place(one: RimEllipse, other: RimEllipse) -> bool:
    """Whether two rims may be of one thing."""
    return _apart_px(one, other) < _ONE_PLACE * max(one.diameter_px, other.diameter_px)


def agreed(rated: Sequence[tuple[float, RimEllipse]]) -> RimEllipse:
    """Of rims of one thing, each with its weight, the one that most of them agree with; their spread is its doubt."""

    def agree(one: RimEllipse, other: RimEllipse) -> bool:
        axes = np.abs(np.log(one.ellipse.semi_axes_px / other.ellipse.semi_axes_px))
        return bool(axes.max() < _AGREE and _apart_px(one, other) < _AGREE * one.diameter_px)

    _, best = max(rated, key=lambda one: (sum(weight for weight, other in rated if agree(one[1], other)), one[0]))
    weights = np.array([weight for weight, _ in rated])
    off = np.log([float(other.ellipse.semi_axes_px[0] / best.ellipse.semi_axes_px[0]) for _, other in rated])
    return replace(best, size_spread=float(np.sqrt(weights @ off**2 / weights.sum())))


def is_ring_of(inner: RimEllipse, outer: RimEllipse) -> bool:
    """Whether a rim may be the joint of two metals of the coin that another is the edge of: rings of one plane."""
    ratios = [float(rim.ellipse.semi_axes_px[1] / rim.ellipse.semi_axes_px[0]) for rim in (inner, outer)]
    least, most = _JOINTS
    return (
        least < outer.diameter_px / inner.diameter_px < most
        and abs(ratios[0] - ratios[1]) < _SAME_SHAPE
        and _apart_px(inner, outer) < _SAME_SHAPE * outer.diameter_px
        and _is_as_clear(outer, inner)
    )


def _is_as_clear(outer: RimEllipse, inner: RimEllipse) -> bool:
    """Whether an outer rim may be the edge of what has the inner one: hardly fainter, hardly less whole."""
    return outer.contrast > 0.4 * inner.contrast and outer.support > 0.65 * inner.support


def one_of_each(rims: Sequence[RimEllipse]) -> tuple[RimEllipse, ...]:
    """Best first, each thing once; a ring that lies within a larger whole ring is part of it."""
    kept: list[RimEllipse] = []
    for rim in sorted(rims, key=lambda r: -r.score * r.diameter_px**0.1):
        double = False
        for i, other in enumerate(kept):
            apart = _apart_px(rim, other)
            if lies_on(rim, other) or lies_on(other, rim):
                continue
            if are_in_one_place(rim, other):
                outer = rim.diameter_px > 1.02 * other.diameter_px and apart < 0.15 * rim.diameter_px
                if outer and _is_as_clear(rim, other):
                    kept[i] = rim
                double = True
                break
        if not double:
            kept.append(rim)
    return tuple(sorted(kept, key=lambda r: -r.score))
