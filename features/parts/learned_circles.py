"""From an ellipse the part model tells to sub-pixel edge points of that part's circles."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from features.circle_fit import fit_circle
from features.circle_sighting import CircleSighting
from features.parts.finder import FoundCircle, PartQuestion
from features.parts.part_maps import RoundPart
from features.parts.part_model import PartMaps
from features.parts.part_outline import border_px
from features.parts.placed import LONGEST_REACH, Placed, places_of, uncovered
from features.parts.rim_arcs import Which
from features.parts.trace import NotTraced, TracedCircle, by_own_shape, is_same, trace_circle
from features.two_at_once import two_at_once

Array = NDArray[np.float64]
Trace = tuple[TracedCircle, Placed]
"""A traced circle and the picture it was made in."""


@dataclass(frozen=True)
class Trust:
    """How far a told outline of one kind of part is to be believed, all as shares of its size.

    Attributes:
        reach: half length of the scan lines, about three times the model's usual error.
        astray: a traced circle further than this from the told outline anywhere followed other edges.
        outline_sd: standard uncertainty of the outline itself where no edge confirms it, which is where it is worst; as
            seen on renders.
        border_sd: the same of the circle through the map's border under the reference's slant.
        farthest: how far from the told outline a traced circle of plain evidence may lie: of a small thread the crests
            lie a quarter inside the chamfer (ASME B1.20.1, ISO 7-1), and either is told.
        by_depth: power of the foreshortening with which both grow: seen at a slant a part's depth, a dome before its
            rim, is mistaken for width. 0 of an opening, before which nothing stands.
        bulges: whether it is so deep that of an outline no edge confirms the long axis alone is believed.
    """

    reach: float
    astray: float
    outline_sd: float
    border_sd: float
    farthest: float = 0.3
    by_depth: float = 2.0
    bulges: bool = False


TRUST = {
    "chamber": Trust(0.055, 0.035, 0.03, 0.025, bulges=True),
    "flange": Trust(0.06, 0.05, 0.06, 0.03),
    "mouth": Trust(0.15, 0.15, 0.1, 0.08, farthest=0.4, by_depth=0.0),
}
WHICH: dict[str, Which] = {"chamber": "outermost", "flange": "broken", "mouth": "outer"}
"""Which edge a part is measured over: a joint's outermost; a flange's own, not that of the back of its thickness, but
round its face, where the edge of that is broken, the rim's; an opening's outer one."""
PLAIN_BY_ELLIPSE, PLAIN_BY_REFERENCE = 0.5, 0.33
"""Evidence that makes a trace believed though it lies as far as `Trust.farthest` from the told outline: under a slant
that the reference tells fewer curves are possible, and so less evidence does."""
SURE_BY_REFERENCE, SURE_BY_EDGES, FARTHEST_BY_REFERENCE = 0.5, 0.28, 0.7
"""A circle under the reference's slant with this much evidence is the part, however badly it was told: where a card
hides half of a part, the told outline shrinks to the other half. Less does where edges agreed on its middle before."""
KNOWN_SLANT_BONUS, EDGES_BONUS = 0.2, 0.08
"""How much more evidence a trace of free slant must have than one under the reference's slant to be preferred, and how
much more still where edges agreed on that one's middle."""
SURE_MOUTH, HALF_AS_SURE = 0.5, 0.5
"""Where an outline is told so surely, those told half as surely are left out: inside a thread's mouth shadows and the
pipe's own end draw rings as plain as its edge, and a closer look may take one for it."""
CHAMFER_ROUND, AS_PLAIN = (1.04, 1.25), 0.75
"""A thread's chamfer is this much larger than its crests (ASME B1.20.1, ISO 7-1), and is taken for the mouth where it
has this share of their evidence. A flange's opening is as much wider than a step, a lining's end or the light in it
(of 125 openings of renders three were those, 10 to 16 % too small, and no other was moved by the outer edge)."""
BOSS, TOLD_NEAR = 0.25, 0.15
"""An edge so much wider, in logarithms, than a thread's mouth is told, 7 % rms off, is its boss's where one nearly as
plain lies so near what is told: a boss is 1.3 times as wide as its thread and more (common practice)."""
OPENINGS, OPENING_REACH = tuple(0.17 * 1.13**k for k in range(9)), 0.075
"""Radii of openings over their flange's (of nominal bores in tabulated flanges 0.18 to 0.42), and how far round each is
looked."""
EDGE_ON, EDGE_ON_SD, EDGE_ON_SEEN = 0.26, 0.1, 0.8
"""A mouth told flatter than this, seen 75 degrees aslant and more, is few cells wide: where no edge is followed but so
much of it is in view its long axis alone counts, this share of it being its error (37 mouths of two renderers)."""
TOLD_OPENING_SD = 0.2
"""Standard uncertainty of a flange's opening that was told and not traced, as a share of its size: aslant or beside a
card it is told too small (six of renders by 1, 11, 16, 24, 30 and 54 %)."""
WIDEST_OPENING = 0.51
"""Radius of an opening over its flange's at most (of tabulated flanges up to 4 inch the bore has up to 0.48, the raised
face from 1-1/4 inch on 0.54 and more, ASME B16.5, EN 1092-1, JIS B2220): a plainer circle may be the face's edge."""
OPENING_EVIDENCE, OFF_MIDDLE = 0.27, 0.02
"""Evidence that makes a circle in a flange's middle its opening, and how far off the middle it may lie, over the rim's
radius: castings, and the step from rim to face seen at a slant."""
CHAMFERS, CHAMFER_REACH = (1.09, 1.145, 1.2), 0.035
"""How much larger it is looked for, and how far round that."""
ABOUT_LONG_AXIS_DEG, LEAST_TOLD = 40.0, 8
"""Of an outline that is told only so much to either side of its long axis' ends counts, and so many points at least:
seen at a slant a cover makes the short axis longer (of 139 joints of four sets of renders by 8 %, the long by 1)."""
BORDER_ENOUGH = 0.5
"""Share of the map's border that must lie on one circle for that circle to be told."""
NEIGHBOR_SD = 0.006
"""Standard uncertainty of a traced circle for which no more edges speak than chance would bring, as a share of it."""
LEAST_COVERAGE = 0.25
"""Share of a circle that must be seen for its trace to be believed."""
COVER_LEAD = 0.8
"""How far before its joint a cover reaches at most, over the joint's radius (`features.placement`: 0.21 to 0.28 of the
diameter, with twice the spread 0.4)."""
TOLD_ONLY = 0.05
"""Edge points share less of an error than this, over their circle's radius, a told mouth shares more."""


def trace_mouth(
    question: PartQuestion, told: Sequence[RoundPart], maps: PartMaps, rim: Placed | None = None,
    known: Mapping[RoundPart, list[Trace]] | None = None,
) -> FoundCircle | None:  # fmt: skip
    """The opening of a port at its face: the outer of two edges, of a thread its chamfer's.

    Args:
        question: the photo.
        told: its outline as several looks told it, the closest first; maps: of the closest look.
        rim: of its flange, where that was traced: the opening lies in its middle.
        known: `mouth_traces` of some of the outlines, where they were asked for before.
    """
    traces: list[Trace] = []
    for part in told if rim is not None else _sure_ones(told):
        before = known.get(part) if known else None
        traces += mouth_traces(question, part, maps) if before is None else before
        traces += _traces_about(question, part, rim) if rim is not None else []
    best = best_of(_no_wider_than_openings(traces, rim) if rim is not None else _about_told(traces, told))
    if best is None and rim is not None:
        best = _in_the_middle(question, rim)
    elif best is not None:
        traces += _round_about(question, best)
        best = max((one for one in traces if _round_as_plainly(one, best)), key=lambda one: _size_px2(one[0]))
    if best is not None:
        return found_circle("port_bore", question.photo_name, best[0], (0.3, 0.001))
    if told[0].semi_axes_px[1] < EDGE_ON * told[0].semi_axes_px[0]:
        return _seen_edge_on(question, told[0])
    places = places_told(question, told[0], maps)
    return outline_of("port_bore", question.photo_name, told[0], places, lambda px: uncovered(question, px))


def _no_wider_than_openings(traces: list[Trace], rim: Placed) -> list[Trace]:
    """The traces that a flange of this rim may have as its opening."""
    return [one for one in traces if rim.about(one[0].ellipse.points_px()).radius < WIDEST_OPENING * rim.radius]


def _about_told(traces: list[Trace], told: Sequence[RoundPart]) -> list[Trace]:
    """The traces without those far wider than any told outline, where another nearly as plain lies near one."""
    told_px = max(float(part.semi_axes_px[0]) for part in told)
    wider = [float(np.log(one[0].ellipse.semi_axes_px[0] / told_px)) for one in traces]
    near = best_of([one for one, by in zip(traces, wider, strict=True) if abs(by) < TOLD_NEAR])
    plainer = -np.inf if near is None else trace_weight(*near) / AS_PLAIN
    return [one for one, by in zip(traces, wider, strict=True) if by < BOSS or trace_weight(*one) > plainer]


def _seen_edge_on(question: PartQuestion, part: RoundPart) -> FoundCircle | None:
    """The opening of a port that is told as little more than a line; None where its ends may be hidden."""
    outline = part.outline_px(60)
    seen = uncovered(question, outline)
    if seen.mean() < EDGE_ON_SEEN:
        return None
    sighting = CircleSighting("port_bore", question.photo_name, outline)
    return FoundCircle(sighting, float(seen.mean()), EDGE_ON_SD * float(part.semi_axes_px[0]), edge_on=True)


def _sure_ones(told: Sequence[RoundPart]) -> list[RoundPart]:
    surest = max(part.score for part in told)
    return [part for part in told if surest < SURE_MOUTH or part.score >= HALF_AS_SURE * surest]


def flange_opening(found: FoundCircle | None) -> FoundCircle | None:
    """The opening of a flange: where no edge of it was traced, what is told is its dark part alone."""
    if found is not None and found.edge_on:
        return None
    if found is None or not told_only(found):
        return found
    size_px = float(np.linalg.norm(np.std(found.sighting.points_px, axis=0)))
    return replace(found, edge_shared_px=max(found.edge_shared_px, TOLD_OPENING_SD * size_px))


def told_only(found: FoundCircle) -> bool:
    """Whether a circle is no more than a told outline, which no edge followed."""
    size_px = float(np.linalg.norm(np.std(found.sighting.points_px, axis=0)))
    return found.edge_on or found.edge_shared_px > TOLD_ONLY * size_px


def mouth_traces(question: PartQuestion, part: RoundPart, maps: PartMaps) -> list[Trace]:
    """Edges that follow an opening's told outline, each with the picture it was traced in."""
    return trace_places(question, part, places_told(question, part, maps), lambda px: uncovered(question, px))


def plain_mouth(traces: list[Trace]) -> TracedCircle | None:
    """The opening of a port where edges show it plainly, whatever its flange, of its `mouth_traces`."""
    best = best_of(traces)
    return best[0] if best is not None and best[0].evidence > PLAIN_BY_REFERENCE else None


def _traces_about(question: PartQuestion, part: RoundPart, rim: Placed) -> list[Trace]:
    """Edges about the middle of a flange's rim, as large as the told outline of its opening and about so."""
    _, radius = fit_circle(rim.frame.from_photo(part.outline_px()))
    places = [replace(rim, radius=share * radius, reach=LONGEST_REACH) for share in (1.0, 0.75, 1.3)]
    return trace_places(question, part, places, lambda px: uncovered(question, px))


def _in_the_middle(question: PartQuestion, rim: Placed) -> Trace | None:
    """The plainest circle about a rim's middle where openings of flanges lie, however badly the opening was told."""

    def trace(placed: Placed) -> TracedCircle | NotTraced:
        return trace_circle(
            question.gray, placed.frame, placed.center, placed.radius, "strongest", reach=OPENING_REACH,
            round_in_front=True, use=lambda px: uncovered(question, px),
        )  # fmt: skip

    places = [replace(rim, radius=share * rim.radius, reach=OPENING_REACH) for share in OPENINGS]
    found: list[Trace] = []
    for placed, traced in zip(places, two_at_once(trace, places), strict=True):
        if not traced or traced.coverage < LEAST_COVERAGE or traced.evidence < OPENING_EVIDENCE:
            continue
        aside = placed.about(traced.ellipse.points_px()).center - rim.center
        if float(np.linalg.norm(aside)) < OFF_MIDDLE * rim.radius:
            found.append((traced, placed))
    return max(found, key=lambda trace: trace[0].evidence) if found else None


def _round_about(question: PartQuestion, crests: Trace) -> list[Trace]:
    """Circles close round a traced one, where a thread's chamfer would be if its crests were traced."""
    placed = crests[1].about(crests[0].ellipse.points_px())

    def trace(ratio: float) -> TracedCircle | NotTraced:
        return trace_circle(
            question.gray, placed.frame, placed.center, ratio * placed.radius, "outer", reach=CHAMFER_REACH,
            round_in_front=placed.measured_slant, use=lambda px: uncovered(question, px),
        )  # fmt: skip

    return [(one, placed) for one in two_at_once(trace, CHAMFERS) if one and one.coverage >= LEAST_COVERAGE]


def _round_as_plainly(one: Trace, best: Trace) -> bool:
    """Whether a trace is the best one, or lies close round it and is nearly as plain."""
    if one is best:
        return True
    size = _size_px2(one[0]) / _size_px2(best[0])
    return (
        CHAMFER_ROUND[0] ** 2 < size < CHAMFER_ROUND[1] ** 2
        and trace_weight(*one) - KNOWN_SLANT_BONUS * one[1].measured_slant > AS_PLAIN * best[0].evidence
        and bool((one[0].ellipse.distances_px(best[0].points_px) < 0).all())  # of a short arc the far side is a guess
    )


def _size_px2(traced: TracedCircle) -> float:
    return float(traced.ellipse.semi_axes_px.prod())


def places_told(question: PartQuestion, part: RoundPart, maps: PartMaps) -> list[Placed]:
    """A told outline in squared-up pictures."""
    return places_of(question, part, TRUST[part.name].reach, border_px(maps, part))


def best_of(traces: list[Trace]) -> Trace | None:
    """The trace with most evidence, None of none."""
    return max(traces, key=lambda trace: trace_weight(*trace)) if traces else None


def encloses(outer: TracedCircle, inner: TracedCircle) -> bool:
    """Whether a traced circle lies wholly outside another."""
    return bool((outer.ellipse.distances_px(inner.ellipse.points_px(36)) < 0).all())


def trace_weight(traced: TracedCircle, placed: Placed) -> float:
    """Evidence of a trace, with what its picture is worth."""
    return traced.evidence + KNOWN_SLANT_BONUS * placed.measured_slant + EDGES_BONUS * placed.by_edges


def trace_places(
    question: PartQuestion, part: RoundPart, places: list[Placed], free: Callable[[Array], NDArray[np.bool_]],
    doubtful: bool = False,
) -> list[Trace]:  # fmt: skip
    """All traces to be believed, each with the picture it was made in; doubtful ones too where that is asked for."""

    def trace(placed: Placed) -> TracedCircle | NotTraced:
        return trace_circle(
            question.gray, placed.frame, placed.center, placed.radius, WHICH[part.name], reach=placed.reach,
            round_in_front=placed.measured_slant, use=free,
        )  # fmt: skip

    traces = []
    own: list[tuple[TracedCircle, TracedCircle]] = []
    for placed, traced in zip(places, two_at_once(trace, places), strict=True):
        if traced and placed.measured_slant and part.name != "mouth":  # a mouth is small: it is hardly bent
            before = next((grown for one, grown in own if is_same(one, traced)), None)
            own.append((traced, before or by_own_shape(question.gray, traced, use=free)))
            traced = own[-1][1]
        focal_px = question.poses[0].focal_px
        if traced and traced.coverage >= LEAST_COVERAGE and (doubtful or follows(traced, part, placed, focal_px)):
            traces.append((traced, placed))
    return traces


def follows(traced: TracedCircle, part: RoundPart, placed: Placed, focal_px: float = 0.0) -> bool:
    """Whether a traced ellipse is to be believed: near the told one all round, or with much of it seen.

    Args:
        traced: the ellipse; part: as told; placed: the picture it was traced in.
        focal_px: of the photo, 0 where nothing is asked of what stands before the part.
    """
    trust, away = TRUST[part.name], float(np.abs(traced.ellipse.reach(part.outline_px()) - 1.0).max())
    plain = traced.evidence > (PLAIN_BY_REFERENCE if placed.measured_slant else PLAIN_BY_ELLIPSE)
    if trust.bulges and plain and placed.measured_slant and focal_px > 0.0:
        joint = placed.about(traced.ellipse.points_px())
        away = min(away, joint.away_with_cover(part.outline_px(), COVER_LEAD, focal_px))
    by_edges = placed.by_edges and part.name != "chamber"  # a cover has many circles about its middle
    if traced.evidence > (SURE_BY_EDGES if by_edges else SURE_BY_REFERENCE) and placed.measured_slant:
        return away < FARTHEST_BY_REFERENCE
    return away < (trust.farthest if plain else trust.astray)


def outline_of(
    name: str, photo: str, part: RoundPart, places: list[Placed], free: Callable[[Array], NDArray[np.bool_]]
) -> FoundCircle | None:
    """The map's border as a circle under the reference's slant, else the told outline, with the model's own error.

    Of a joint with a cover before it the long axis' ends of the told outline.
    """
    trust = TRUST[part.name]
    border = max(places, key=lambda placed: placed.border_share)
    if border.border_share > BORDER_ENOUGH and not trust.bulges:
        angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
        circle = border.center + border.radius * np.stack([np.cos(angle), np.sin(angle)], 1)
        outline, usual_sd = border.frame.to_photo(circle), trust.border_sd
    else:
        outline, usual_sd = part.outline_px(60), trust.outline_sd
    flatness = float(part.semi_axes_px[1] / part.semi_axes_px[0])
    outline_sd = usual_sd / max(flatness, 0.25) ** trust.by_depth
    seen = free(outline)
    if seen.mean() < LEAST_COVERAGE:
        return None
    size_px = float(np.linalg.norm(np.std(outline, axis=0)))  # of a circle its radius
    told = outline[seen & at_long_axis(outline)] if trust.bulges else outline[seen]
    if len(told) < LEAST_TOLD:
        told = outline[seen]
    return FoundCircle(CircleSighting(name, photo, told), float(seen.mean()), outline_sd * size_px)


def at_long_axis(outline_px: Array) -> NDArray[np.bool_]:
    """(N,) which points of an ellipse's outline lie about the ends of its long axis."""
    away = outline_px - outline_px.mean(axis=0)
    along, across = np.linalg.svd(away, full_matrices=False)[0][:, :2].T
    return np.asarray(np.abs(along) > np.abs(across) / np.tan(np.radians(ABOUT_LONG_AXIS_DEG)))


def found_circle(name: str, photo: str, traced: TracedCircle, shared: tuple[float, float]) -> FoundCircle:
    """A traced circle with the error its edge points may share: at least so many pixels, at least so much of it."""
    size_px = float(traced.ellipse.semi_axes_px.mean())
    # Where few edges speak for a curve, a neighboring one may be the true one.
    neighbor = NEIGHBOR_SD * max(0.0, 1.0 - traced.evidence / PLAIN_BY_ELLIPSE)
    shared_px = max(shared[0], float(np.hypot(shared[1], neighbor)) * size_px)
    return FoundCircle(CircleSighting(name, photo, traced.points_px), traced.coverage, shared_px)
