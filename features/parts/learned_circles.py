"""From an ellipse the part model tells to sub-pixel edge points of that part's circles."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from features.circle_sighting import CircleSighting
from features.parts.finder import FoundCircle, PartQuestion
from features.parts.part_maps import RoundPart
from features.parts.part_model import PartMaps
from features.parts.part_outline import border_px
from features.parts.placed import Placed, places_of
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
ABOUT_LONG_AXIS_DEG, LEAST_TOLD = 40.0, 8
"""Of an outline that is told only so much to either side of its long axis' ends counts, and so many points at least:
seen at a slant a cover makes the short axis longer (of 139 joints of four sets of renders by 8 %, the long by 1)."""
BORDER_ENOUGH = 0.5
"""Share of the map's border that must lie on one circle for that circle to be told."""
NEIGHBOR_SD = 0.006
"""Standard uncertainty of a traced circle for which no more edges speak than chance would bring, as a share of it."""
LEAST_COVERAGE, LEAST_OF_FLANGE = 0.25, 0.17
"""Share of a circle that must be seen for its trace to be believed, and of a flange's rim under a slant that a
reference tells: only three unknowns are left, and where a card lies over a face that is cut off two arcs tell them."""
COVER_LEAD = 0.8
"""How far before its joint a cover reaches at most, over the joint's radius (`features.placement`: 0.21 to 0.28 of the
diameter, with twice the spread 0.4)."""


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
    traces = []
    own: list[tuple[TracedCircle, TracedCircle]] = []
    for traced, placed in trace_each(question, places, WHICH[part.name], free):
        if placed.measured_slant and part.name != "mouth":  # a mouth is small: it is hardly bent
            before = next((grown for one, grown in own if is_same(one, traced)), None)
            own.append((traced, before or by_own_shape(question.gray, traced, use=free)))
            traced = own[-1][1]
        focal_px = question.poses[0].focal_px
        least = LEAST_OF_FLANGE if placed.measured_slant and part.name == "flange" else LEAST_COVERAGE
        if traced.coverage >= least and (doubtful or follows(traced, part, placed, focal_px)):
            traces.append((traced, placed))
    return traces


def trace_each(
    question: PartQuestion, places: Sequence[Placed], which: Which, free: Callable[[Array], NDArray[np.bool_]],
    reach: float | None = None, round_in_front: bool | None = None,
) -> list[Trace]:  # fmt: skip
    """What can be traced about each place at all, with the place, in their order.

    Args:
        question: the photo; places: where to look.
        which: of several edges; free: tells for (N, 2) photo pixels whether the edge can be seen there.
        reach, round_in_front: as `trace_circle` has them; as the places have them where None.
    """

    def trace(placed: Placed) -> TracedCircle | NotTraced:
        return trace_circle(
            question.gray, placed.frame, placed.center, placed.radius, which,
            reach=placed.reach if reach is None else reach,
            round_in_front=placed.measured_slant if round_in_front is None else round_in_front, use=free,
        )  # fmt: skip

    return [(one, placed) for one, placed in zip(two_at_once(trace, places), places, strict=True) if one]


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
