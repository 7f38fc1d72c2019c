"""Which of the curves that edges near an expected circle lie on is the rim, and which edges are the rim's.

A rim leaves its edge in arcs: where it is seen at all, neighboring scan lines see it too. What stands beside it,
texture and chance meet a curve here and there. So only edges with neighbors on the curve count.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from features.parts.rim_waves import NearEdges, RimWave, find_closely, find_outside, settled_on

Array = NDArray[np.float64]

Which = Literal["outermost", "outer", "broken", "strongest"]
"""Which of several concentric edges is wanted: the outermost of those well supported, the outermost of those nearly as
well supported as the best (a flange's back edge is seen in part, its face all round), from there on the outermost as of
the first (round a broken edge), or the best supported."""

ENOUGH = 0.4
"""How many edges of its own an outermost curve must have, as a share of those of the best supported one."""
SEEN = 0.3
"""What share of the scan lines looked at it must meet as settled: what stands behind a joint draws arcs as well.

Of 106 outer curves about joints of two sets of renders 24 met fewer: 8 of these were the joint's, and in 10 the best
supported one was; of the 82 others 78 were.
"""
AS_PLAIN = 0.75
"""Share of the scan lines, over that of the best supported curve, that makes a curve nearly as well supported."""
APART = 1.5
"""Edges further outside a curve than this, in widths, are none of its own."""
DENSE = 0.4
"""Share of the scan lines about an edge that must meet its curve too, beyond what chance brings."""
LEAST_EDGES = 12
CLEAR = 0.5
"""How far outside another curve one lies at least all round, in widths, to be a concentric edge's."""
FACE_SEEN, EVEN = 0.6, 3.0
"""What share of the scan lines must meet the edge of a face for a rim to be looked for outside it, its edge broken, and
how much wider such an edge may be seen on one side than on the other: 25 degrees aslant it is nearly three times as
wide on the near side, where it is turned to the viewer, as on the far one."""
CLOSE, CLOSE_ENOUGH, INSIDE = 0.4, 0.5, 0.75
"""One edge's points lie closer to its curve than those of two that are followed in turn: how close, over the width, and
what share of the edges followed before must lie so for a curve to be believed to be of one edge; and how much an edge
of the curve inside it counts over one of its own. Of 316 joints of three sets of renders (72 of them chosen for their
errors) 79 are nearer to the truth by 0.1 % or more, 22 are further from it."""
ARC_OF_TURN = 40
"""A turn over half the length of the shortest arc that counts."""


@dataclass(frozen=True, eq=False)
class LookedAt:
    """Where edges were looked for.

    Attributes:
        lines: number of scan lines of the whole turn; used: (U,) those looked at.
        reach: half their length as a share of the radius.
    """

    lines: int
    used: NDArray[np.int64]
    reach: float

    @property
    def half_arc(self) -> int:
        """How many neighbors to either side tell whether a scan line is in an arc."""
        return max(2, self.lines // ARC_OF_TURN)

    @cached_property
    def neighbors(self) -> Array:
        """(lines,) how many of these and of the line itself were looked at, at least a side's."""
        used = np.zeros((1, self.lines))
        used[:, self.used] = 1.0
        return np.asarray(np.maximum(_sum_around(used, self.half_arc)[0], self.half_arc + 1))


@dataclass(frozen=True, eq=False)
class _Arcs:
    """A curve and (E,) which edges lie on it in arcs."""

    wave: RimWave
    on_it: NDArray[np.bool_]

    @property
    def size(self) -> int:
        return int(self.on_it.sum())


def rim_among(
    near: NearEdges, waves: Sequence[RimWave], looked: LookedAt, which: Which, width: float, shape_sd: float
) -> tuple[Array, NDArray[np.bool_]] | None:
    """Choose the rim and settle it on its own arcs.

    Args:
        near: edges near the expected rim.
        waves: curves that edges agree on.
        looked: where they were looked for.
        which: of several curves.
        width: how far off a curve an edge may lie, relative.
        shape_sd: spread of the shape about a circle, relative.

    Returns:
        (5,) its curve and (E,) which edges lie on it, at most one a scan line; None where no curve has arcs.
    """

    def with_arcs(curves: Sequence[RimWave]) -> list[_Arcs]:
        if not curves:
            return []
        on_them = _in_arcs(near, np.stack([wave.off for wave in curves]), width, looked)
        return [_Arcs(wave, on_it) for wave, on_it in zip(curves, on_them, strict=True)]

    found = with_arcs(_outer(waves) if which in ("outer", "broken") else waves)
    chosen = max(found, key=lambda one: one.size, default=None)
    if chosen is None or chosen.size < LEAST_EDGES:
        return None
    told = None
    if which == "outermost" or (which == "broken" and chosen.size > FACE_SEEN * len(looked.used)):
        outside = find_outside(near, chosen.wave, looked.reach, width, shape_sd)
        others = with_arcs([*(waves if which == "broken" else ()), *outside])
        outer = _outermost([*found, *others], chosen, width, EVEN if which == "broken" else np.inf)
        told = None if outer is chosen else _settled(near, outer, looked, width, shape_sd)
        if told is not None and told[1].sum() < SEEN * len(looked.used):
            told = None
    told = told or _settled(near, chosen, looked, width, shape_sd)
    if which == "outermost" and told is not None:
        told = _of_one_edge(near, told, looked, width, shape_sd)
    return told


def _of_one_edge(
    near: NearEdges, told: tuple[Array, NDArray[np.bool_]], looked: LookedAt, width: float, shape_sd: float
) -> tuple[Array, NDArray[np.bool_]]:
    """The outermost curve on whose arcs edges lie closely, the one told where that is none such."""
    close = CLOSE * width
    curves = find_closely(near, told[0], looked.reach, close, shape_sd)
    if not curves:
        return told
    on_them = _in_arcs(near, np.stack([curve.off for curve in curves]), close, looked)
    found = [_Arcs(curve, on_it) for curve, on_it in zip(curves, on_them, strict=True)]
    most = max(one.size for one in found)
    if most < max(CLOSE_ENOUGH * told[1].sum(), LEAST_EDGES):
        return told
    enough = max(ENOUGH * most, SEEN * len(looked.used))
    closely = _closeness(found, near, close)
    best = found[max(range(len(found)), key=lambda k: (found[k].size >= enough, closely[k]))]
    outer = _outermost([one for one in found if one.size >= enough], best, close, EVEN)
    on_it = _in_arcs(near, outer.wave.off[None], 0.7 * width, looked)[0]
    return outer.wave.wave, on_it


def _closeness(found: Sequence[_Arcs], near: NearEdges, close: float) -> Array:
    """(F,) how closely scan lines meet each curve, or that inside it which most others meet: a broken edge has two."""
    by_line = np.zeros((len(found), near.lines))
    for own, one in zip(by_line, found, strict=True):
        own[near.line[one.on_it]] = 1.0 - (one.wave.off[one.on_it] / close) ** 2
    curves = np.stack([one.wave.around for one in found])
    inside = _round_outside(curves[:, None] - curves, 2 * APART * close, EVEN)
    more = np.stack([np.maximum(by_line - own, 0.0).sum(axis=1) for own in by_line])
    return np.asarray(by_line.sum(axis=1) + INSIDE * np.max(np.where(inside, more, 0.0), axis=1))


def _settled(
    near: NearEdges, chosen: _Arcs, looked: LookedAt, width: float, shape_sd: float
) -> tuple[Array, NDArray[np.bool_]] | None:
    """A curve on its own arcs, as `rim_among` tells it."""
    on_it = chosen.on_it
    for shrink in (1.0, 0.7, 0.7):
        wave = settled_on(near, on_it, shape_sd, width)
        on_it = _in_arcs(near, (near.off - near.basis @ wave)[None], shrink * width, looked)[0]
        if on_it.sum() < LEAST_EDGES:
            return None
    return wave, on_it


def _outer(waves: Sequence[RimWave]) -> list[RimWave]:
    """The outermost of those nearly as well supported as the best."""
    most = max((wave.share for wave in waves), default=0.0)
    plain = [wave for wave in waves if wave.share >= AS_PLAIN * most]
    return [max(plain, key=lambda wave: wave.outward)] if plain else []


def _outermost(found: Sequence[_Arcs], chosen: _Arcs, width: float, even: float) -> _Arcs:
    """The outermost curve with enough edges of its own: a curve that mostly follows another's edges has few.

    From curve to curve outward, each time to the one with most edges that the last does not have: one between two
    concentric edges, or one that leaves an edge half way, has fewer than the next edge has.
    """
    enough = ENOUGH * chosen.size
    while True:
        outside = [one for one in found if _is_round(one.wave, chosen.wave, width, even)]
        own = [int(np.sum(one.on_it & (chosen.wave.off > APART * width))) for one in outside]
        if max(own, default=0) < enough:
            return chosen
        chosen = outside[int(np.argmax(own))]


def _is_round(outer: RimWave, inner: RimWave, width: float, even: float) -> bool:
    """Whether a curve lies outside another all round, as concentric edges do, and nowhere so many times as far.

    One that touches it on a side goes from a rim's front edge there to its back edge, or to what stands behind, here.
    """
    return bool(_round_outside(outer.around - inner.around, width, even))


def _round_outside(gap: Array, width: float, even: float) -> NDArray[np.bool_]:
    """`_is_round` by gaps (..., 48) between curves."""
    least = gap.min(axis=-1)
    return np.asarray((least > CLEAR * width) & (gap.max(axis=-1) < even * np.maximum(least, 1e-12)))


def _in_arcs(near: NearEdges, off: Array, width: float, looked: LookedAt) -> NDArray[np.bool_]:
    """(W, E) edges nearer to each of some curves than the width, one a scan line, whose neighbors are so too.

    Args:
        near: the edges; off: (W, E) how far they lie from each curve; width, looked: as `rim_among` has them.
    """
    away = np.abs(off)
    on_it = _nearest_per_line(near, away) & (away < width)
    hit = np.zeros((len(off), looked.lines))
    curve, edge = np.nonzero(on_it)
    hit[curve, near.line[edge]] = 1.0
    around = _sum_around(hit, looked.half_arc) / looked.neighbors
    chance = min(1.0, len(near.line) / len(looked.used) * width / looked.reach)
    dense = around >= chance + DENSE * (1.0 - chance)
    return np.asarray(on_it & dense[:, near.line])


def _sum_around(values: Array, half: int) -> Array:
    """(W, N) sum of each value and of `half` neighbors to either side, round a turn."""
    turn = np.concatenate([values[:, -half - 1 :], values, values[:, :half]], axis=1).cumsum(axis=1)
    return np.asarray(turn[:, 2 * half + 1 :] - turn[:, : -2 * half - 1])


def _nearest_per_line(near: NearEdges, distance: Array) -> NDArray[np.bool_]:
    """(W, E) the edge of every scan line that is nearest to each curve."""
    least = np.minimum.reduceat(distance, near.starts, axis=1)
    return np.asarray(distance == np.repeat(least, near.counts, axis=1))
