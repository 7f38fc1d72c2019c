"""The outermost round edge of a chamber's joint."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from features.parts.face_circles import circles_about
from features.parts.finder import FoundCircle, PartQuestion
from features.parts.joint_behind import behind_the_cover
from features.parts.learned_circles import (
    LEAST_COVERAGE,
    PLAIN_BY_ELLIPSE,
    Trace,
    best_of,
    encloses,
    follows,
    found_circle,
    outline_of,
    places_told,
    trace_each,
    trace_places,
    trace_weight,
)
from features.parts.part_maps import RoundPart, part_at
from features.parts.part_model import PartMaps
from features.parts.part_outline import shares_at
from features.parts.part_vocabulary import PART_CLASSES
from features.parts.placed import reference_frames, uncovered
from features.parts.trace import TracedCircle

Array = NDArray[np.float64]

ROUNDED = 0.0015
"""Rim or band edges are rounded: the edge seen may lie so much inside the true outermost one, relative."""
OUTER_ENOUGH = 0.75
"""What share of the evidence of a circle inside it makes another the joint's edge."""
AS_SURE = 0.05
"""A trace with so much less evidence, of a twentieth of the scan lines, is e times less likely the joint's edge."""
SETTLED = 0.015
"""Traces about the told outline that spread further than this, relative, are of different edges: where half of none is
seen, the edges themselves are asked too which is the joint's."""
BAND_WIDTH, BAND_DEPTH, AXIS = (1.008, 1.065), 0.15, 0.012
"""How much larger a joint's outermost edge is than one before it (`features.parts.trace` goes as far), how far behind
that it lies at most (`features.near_side`), and how nearly both have one axis, all over its radius."""
BEHIND_SIZES, BEHIND_DEPTHS, BEHIND_REACH = (1.015, 1.03, 1.045, 1.06), (0.0, 0.06, 0.12), 0.02
"""How large circles behind a traced one are looked for, how far behind it, and how far round, all over its radius."""
OFTEN, MOSTLY, BEHIND_ENOUGH, WALL_SHOWS = 3, 0.8, 0.58, float(np.cos(np.radians(25.0)))
"""How many of these searches must end on one edge, by what share of their points, and with what share of the evidence
of the circle before it, for it to be the joint's: an edge draws several, a curve that follows a few in turn one. Seen
further aslant than 25 degrees, so much over its width high, a wall shows its back edge as well, and more is asked.

Of 155 joints of three sets of renders twelve had such an edge, nine times it was the joint's; of five circles that one
search ended on one was."""
FLANK, SAME_EDGE, SHARED = 0.4, 0.003, 0.6
"""Where neither side of a rim is (cosine to the way it is seen aslant), a wall's back edge has the radius of its front
edge: how near, over the radius, edges there are of both, and what share of them makes two circles those of one wall.

Of 348 joints of two renderers (the search behind them tried on 110, nine chosen for their errors) nine traced 1 to 5 %
too small along an edge before their crest are right, one is as much too large; of six that shared more of the flank's
edges three were no joint's."""
WITHIN, TWICE_AS_SURE = 0.9, 2.0
"""So far from its middle to its edge, and so much more, a cover shows inside its own edge than a band or a rim, which
show inside a joint's: in the map of eight drums with a circle behind them cover on 0.68 and more, rim on 0.12 and less,
of eight joints with one cover on 0.35 and less, rim on 0.29 and more."""
ENOUGH_BOLTS = 4
"""So many bolts are not all taken for something else."""
HIDERS = ("manifold", "flange", "companion", "threaded_boss", "scale_reference", "feet", "air_valve")
"""Parts that hide the joint's edge where they lie over it."""


def trace_chamber(question: PartQuestion, part: RoundPart, maps: PartMaps, bolts_px: Array) -> FoundCircle | None:
    """The outermost round edge of a chamber's joint, round all of its bolts (K, 2), which may be none."""
    hiders = [PART_CLASSES.index(name) for name in HIDERS]

    def free(rim_px: Array) -> NDArray[np.bool_]:
        # Just inside the edge something lies over the joint: there the edge seen is not the joint's.
        inside = part.center_px + 0.97 * (rim_px - part.center_px)
        return ~np.isin(part_at(maps, inside), hiders) & uncovered(question, rim_px)

    places = places_told(question, part, maps)
    traces = round_all(trace_places(question, part, places, free), bolts_px)
    if question.tilt_known and not _settled(traces):
        # Two chambers behind one another are told as one: the edges themselves agree on the front one's middle.
        about = circles_about(question, part, reference_frames(question), True)
        traces += round_all(trace_places(question, part, about, free), bolts_px)
    best = _outermost(traces, question.poses[0].focal_px)
    if best is None:
        return outline_of("chamber_diameter", question.photo_name, part, places, free)
    if best[1].measured_slant:
        behind = _round_it(best, _traces_behind(question, part, best, free), question.poses[0].focal_px)
        best = _plain_beside(best, _found_often(behind), _enough_behind(best))
        deeper = behind_the_cover(question, best, free) if _is_of_cover(maps, best[0]) else []
        deeper = [one for one in deeper if _bolts_suit(one[0], best[0], bolts_px)]
        best, traces = (deeper[0], deeper) if deeper else (best, traces)
    neighbors = float(np.hypot(ROUNDED, _spread(traces)))
    return found_circle("chamber_diameter", question.photo_name, best[0], (0.4, neighbors))


def _settled(traces: list[Trace]) -> bool:
    """Whether traces tell the joint's edge: one that is plain, or some that agree."""
    return any(traced.evidence > PLAIN_BY_ELLIPSE for traced, _ in traces) or (
        bool(traces) and _spread(traces) < SETTLED
    )


def round_all(traces: list[Trace], bolts_px: Array) -> list[Trace]:
    """The traces that lie round most of a joint's bolts (K, 2): within them runs the edge of a cover or a dome."""
    if len(bolts_px) < ENOUGH_BOLTS:
        return traces
    return [(traced, placed) for traced, placed in traces if np.median(traced.ellipse.reach(bolts_px)) < 1.0]


def _is_of_cover(maps: PartMaps, traced: TracedCircle) -> bool:
    """Whether the map shows rather a cover inside a traced edge than the band or the rim of a joint."""
    middle = traced.ellipse.center_px
    inside = middle + WITHIN * (traced.ellipse.points_px() - middle)
    cover, rim = (shares_at(maps, names, inside).mean() for names in (("chamber_cover",), ("clamp_band", "bolted_rim")))
    return bool(cover > TWICE_AS_SURE * rim)


def _bolts_suit(one: TracedCircle, other: TracedCircle, bolts_px: Array) -> bool:
    """Whether a joint's bolts (K, 2) lie more evenly inside one circle than inside another, or are too few to tell."""
    if len(bolts_px) < ENOUGH_BOLTS:
        return True
    return float(np.std(one.ellipse.reach(bolts_px))) < float(np.std(other.ellipse.reach(bolts_px)))


def _outermost(traces: list[Trace], focal_px: float) -> Trace | None:
    """The trace with most evidence, or one round it with nearly as much: a band and its cover have edges inside."""
    best = best_of(traces)
    if best is None:
        return None
    outside = _round_it(best, traces, focal_px)
    outer = _plain_beside(best, _found_often(outside), _enough_behind(best))
    return outer if outer is not best else _plain_beside(best, outside, OUTER_ENOUGH)


def _round_it(best: Trace, traces: list[Trace], focal_px: float) -> list[Trace]:
    """Those of some traces that lie round another one, all round or as an edge behind it does."""
    return [
        one for one in traces
        if one[1].measured_slant and (encloses(one[0], best[0]) or _is_round_behind(one, best, focal_px))
    ]  # fmt: skip


def _plain_beside(best: Trace, traces: list[Trace], share: float) -> Trace:
    """The trace with most evidence of some that have nearly as much as another, itself where none has."""
    return best_of([one for one in traces if trace_weight(*one) > share * trace_weight(*best)]) or best


def _enough_behind(best: Trace) -> float:
    """What share of the evidence of a circle an edge behind it must have: aslant its wall's back shows there too."""
    short_px, long_px = np.sort(best[0].ellipse.semi_axes_px)
    return BEHIND_ENOUGH if short_px > WALL_SHOWS * long_px else OUTER_ENOUGH


def _found_often(traces: list[Trace]) -> list[Trace]:
    """Those of some traces that follow an edge on which so many searches ended."""
    return [one for one in traces if sum(_follow_one(one[0], other[0]) for other in traces) >= OFTEN]


def _follow_one(one: TracedCircle, other: TracedCircle) -> bool:
    """Whether two traces follow one edge, where both see it."""
    return bool(np.mean(np.abs(other.ellipse.reach(one.points_px) - 1.0) < SAME_EDGE) > MOSTLY)


def _traces_behind(
    question: PartQuestion, part: RoundPart, best: Trace, free: Callable[[Array], NDArray[np.bool_]]
) -> list[Trace]:
    """Edges of larger circles about a trace's axis, close behind it: a band's crest behind its front edge.

    A search about one edge meets the other as a circle with its middle aside, and often not at all.
    """
    focal_px = question.poses[0].focal_px
    near = best[1].about(best[0].ellipse.points_px())
    step = near.radius * near.slope(focal_px)
    places = [
        replace(near, center=near.center - depth * step, radius=size * near.radius)
        for size in BEHIND_SIZES for depth in BEHIND_DEPTHS
    ]  # fmt: skip

    traced = trace_each(question, places, "strongest", free, BEHIND_REACH, round_in_front=True)
    return [
        one for one in traced if one[0].coverage >= LEAST_COVERAGE and follows(one[0], part, one[1], focal_px)
    ]  # fmt: skip


def _is_round_behind(one: Trace, best: Trace, focal_px: float) -> bool:
    """Whether a trace is a larger circle about the axis of another that lies close before it.

    Aslant the one before is seen shifted along the slope, and may reach over the larger one's edge on that side.
    """
    joint = one[1].about(one[0].ellipse.points_px())
    edge = joint.about(best[0].ellipse.points_px())
    slope = joint.slope(focal_px)
    steep = float(np.linalg.norm(slope))
    shift = (edge.center - joint.center) / joint.radius
    along = float(shift @ slope) / max(steep, 1e-9)
    across = float(np.linalg.norm(shift - along * slope / max(steep, 1e-9)))
    larger = BAND_WIDTH[0] < joint.radius / edge.radius < BAND_WIDTH[1]
    if not (larger and across < AXIS and -AXIS < along < BAND_DEPTH * steep + AXIS):
        return False
    outward = joint.frame.from_photo(one[0].points_px) - joint.center
    flank = np.abs(outward @ slope) < FLANK * steep * np.linalg.norm(outward, axis=1)
    shared = np.abs(best[0].ellipse.reach(one[0].points_px) - 1.0) < SAME_EDGE
    return not flank.any() or float(shared[flank].mean()) < SHARED


def _spread(traces: list[Trace]) -> float:
    """How far traces spread in size, each counted by how nearly it is as sure as the best; relative."""
    weights = np.array([trace_weight(*trace) for trace in traces])
    shares = np.exp((weights - weights.max()) / AS_SURE)
    sizes = np.array([np.log(traced.ellipse.semi_axes_px).mean() for traced, _ in traces])
    return float(np.sqrt(np.average((sizes - np.average(sizes, weights=shares)) ** 2, weights=shares)))
