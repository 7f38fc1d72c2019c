"""From an ellipse the part model tells to sub-pixel edge points of that part's circles."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from features.circle_in_space import CircleSighting
from features.parts.bolt_count import CountedRing
from features.parts.face_circles import circles_about
from features.parts.finder import FoundCircle, PartQuestion
from features.parts.part_maps import RoundPart, part_at
from features.parts.part_model import PartMaps
from features.parts.part_outline import border_px
from features.parts.part_vocabulary import PART_CLASSES
from features.parts.placed import LONGEST_REACH, Placed, places_of
from features.parts.port_face import trace_holes
from features.parts.trace import TracedCircle, trace_circle

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Trust:
    """How far a told outline of one kind of part is to be believed, all as shares of its size.

    Attributes:
        reach: half length of the scan lines, about three times the model's usual error.
        astray: a traced circle further than this from the told outline anywhere followed other edges.
        outline_sd: standard uncertainty of the outline itself where no edge confirms it, which is where it is worst; as
            seen on renders.
        border_sd: the same of the circle through the map's border under the reference's slant.
    """

    reach: float
    astray: float
    outline_sd: float
    border_sd: float


TRUST = {
    "chamber": Trust(0.055, 0.035, 0.03, 0.025),
    "flange": Trust(0.06, 0.05, 0.06, 0.03),
    "mouth": Trust(0.15, 0.15, 0.15, 0.08),
}
PLAIN_BY_ELLIPSE, PLAIN_BY_REFERENCE, FARTHEST = 0.5, 0.33, 0.3
"""Evidence that makes a trace believed though it lies as far as `FARTHEST` from the told outline: under a slant that
the reference tells fewer curves are possible, and so less evidence does."""
SURE_BY_REFERENCE, SURE_BY_EDGES, FARTHEST_BY_REFERENCE = 0.5, 0.28, 0.7
"""A circle under the reference's slant with this much evidence is the part, however badly it was told: where a card
hides half of a part, the told outline shrinks to the other half. Less does where edges agreed on its middle before."""
KNOWN_SLANT_BONUS, EDGES_BONUS = 0.12, 0.08
"""How much more evidence a trace of free slant must have than one under the reference's slant to be preferred, and how
much more still where edges agreed on that one's middle."""
OUTSIDE, OUTER_ENOUGH = 1.03, 0.75
"""How much larger a circle outside another is at least, and what share of its evidence makes it the rim of both."""
MARGIN = 1.25
"""A printed card is larger than its pattern; what is this much larger than a reference is not looked at."""
BORDER_ENOUGH = 0.5
"""Share of the map's border that must lie on one circle for that circle to be told."""
NEIGHBOR_SD = 0.006
"""Standard uncertainty of a traced circle for which no more edges speak than chance would bring, as a share of it."""
LEAST_COVERAGE = 0.25
"""Share of a circle that must be seen for its trace to be believed."""
HIDERS = ("manifold", "flange", "companion", "threaded_boss", "scale_reference", "feet", "air_valve")
"""Parts that hide the joint's edge where they lie over it."""


def trace_chamber(question: PartQuestion, part: RoundPart, maps: PartMaps) -> FoundCircle | None:
    """The outermost round edge of a chamber's joint."""
    hiders = [PART_CLASSES.index(name) for name in HIDERS]

    def free(rim_px: Array) -> NDArray[np.bool_]:
        # Just inside the edge something lies over the joint: there the edge seen is not the joint's.
        inside = part.center_px + 0.97 * (rim_px - part.center_px)
        return ~np.isin(part_at(maps, inside), hiders) & _uncovered(question, rim_px)

    # Rim or band edges are rounded: the seen edge may lie a little inside the true outermost one.
    places = _places(question, part, maps)
    return _traced(question, part, "chamber_diameter", places, free, (0.4, 0.0015))


def trace_mouth(
    question: PartQuestion, part: RoundPart, maps: PartMaps, rim: "FlangeRim | None" = None
) -> FoundCircle | None:
    """The opening of a port at its face; where its flange's rim was traced, it lies in the middle of that too."""
    places = _places(question, part, maps)
    if rim is not None and rim.is_traced:
        across = float(part.semi_axes_px[0] / rim.part.semi_axes_px[0])
        for share in (across, 0.75 * across, 1.3 * across):
            places.append(replace(rim.placed, radius=share * rim.placed.radius, reach=LONGEST_REACH))
    return _traced(question, part, "port_bore", places, lambda px: _uncovered(question, px), (0.5, 0.001))


def _places(question: PartQuestion, part: RoundPart, maps: PartMaps) -> list[Placed]:
    return places_of(question, part, TRUST[part.name].reach, border_px(maps, part))


@dataclass(frozen=True, eq=False)
class FlangeRim:
    """The rim of a flange.

    Attributes:
        circle: its edge to be measured, None where too little is in view.
        part: the flange with the traced outline, or the told one where no edge follows it.
        placed: the rim in the picture it was traced in.
        is_traced: whether an edge confirmed it.
    """

    circle: FoundCircle | None
    part: RoundPart
    placed: Placed
    is_traced: bool


def trace_flange(question: PartQuestion, part: RoundPart, maps: PartMaps) -> FlangeRim:
    """The rim of a flange, as traced or as told."""

    def free(rim_px: Array) -> NDArray[np.bool_]:
        return _uncovered(question, rim_px)

    places = _places(question, part, maps)
    best = _outermost(_traces(question, part, [*places, *circles_about(question, part)], free))
    if best is None:
        told = _outline("flange_diameter", question.photo_name, part, places, free)
        return FlangeRim(told, part, places[0], False)
    traced, placed = best
    half_axes, turn = traced.ellipse.semi_axes_px, traced.ellipse.angle_rad
    axes = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    square = (axes * half_axes**2) @ axes.T
    found = _found("flange_diameter", question.photo_name, traced, (0.3, 0.001))
    outlined = RoundPart.of_square(part.name, part.score, traced.ellipse.center_px, square)
    return FlangeRim(found, outlined, placed.about(traced.ellipse.points_px()), True)


def opposite_px(rim: FlangeRim, places_px: Array) -> Array:
    """(N, 2) places of the photo that lie opposite to others about the middle of a rim."""
    frame = rim.placed.frame
    return frame.to_photo(2 * rim.placed.center - frame.from_photo(places_px))


def trace_bolt_circle(question: PartQuestion, rim: FlangeRim, ring: CountedRing, seen_px: Array) -> list[FoundCircle]:
    """The bolt circle through traced holes or heads where they can be traced, else through where they were seen.

    Args:
        question: the photo.
        rim: the flange's.
        ring: its counted bolts or holes; seen_px: (K >= 3, 2) where those seen lie.
    """
    placed = rim.placed
    holes = trace_holes(question.gray, placed.frame, placed.frame.from_photo(seen_px), placed.radius)
    name = question.photo_name
    if len(holes) >= 3 or (len(holes) == 2 and placed.measured_slant):
        centers, shared = np.array([hole.ellipse.center_px for hole in holes]), 0.3
        if len(holes) == 2:
            # A bolt circle lies about its rim's middle: what a card hides is opposite to what is seen.
            centers = np.concatenate([centers, opposite_px(rim, centers)])
            shared = max(0.6, 0.003 * float(rim.part.semi_axes_px[0]))
        circle = FoundCircle(CircleSighting("bolt_circle_diameter", name, centers), len(holes) / ring.count, shared)
        middle = sorted(holes, key=lambda hole: hole.ellipse.semi_axes_px[0])[len(holes) // 2]
        return [circle, _found("bolt_hole_diameter", name, middle, (0.6, 0.001))]
    shared = 0.012 * float(rim.part.semi_axes_px.mean())
    return [FoundCircle(CircleSighting("bolt_circle_diameter", name, seen_px), len(seen_px) / ring.count, shared)]


def _traced(
    question: PartQuestion, part: RoundPart, name: str, places: list[Placed],
    free: Callable[[Array], NDArray[np.bool_]], shared: tuple[float, float],
) -> FoundCircle | None:  # fmt: skip
    """Trace a told outline; where no edge follows it, the outline itself is told, with its own larger error."""
    best = _best_trace(question, part, places, free)
    if best is not None:
        return _found(name, question.photo_name, best[0], shared)
    return _outline(name, question.photo_name, part, places, free)


def _best_trace(
    question: PartQuestion, part: RoundPart, places: list[Placed], free: Callable[[Array], NDArray[np.bool_]]
) -> tuple[TracedCircle, Placed] | None:
    """The trace with most evidence, and the picture it was made in; None where none is to be believed."""
    traces = _traces(question, part, places, free)
    return max(traces, key=_weight) if traces else None


def _outermost(traces: list[tuple[TracedCircle, Placed]]) -> tuple[TracedCircle, Placed] | None:
    """Of circles inside one another with nearly as much evidence the outermost: a face is raised inside its rim."""
    if not traces:
        return None
    best = max(traces, key=_weight)
    size = float(best[0].ellipse.semi_axes_px.prod())
    outside = [
        (traced, placed)
        for traced, placed in traces
        if _weight((traced, placed)) > OUTER_ENOUGH * _weight(best)
        and placed.measured_slant
        and float(traced.ellipse.semi_axes_px.prod()) > OUTSIDE**2 * size
        and _encloses(traced, best[0])
    ]
    return max(outside, key=_weight) if outside else best


def _encloses(outer: TracedCircle, inner: TracedCircle) -> bool:
    return bool((outer.ellipse.distances_px(inner.ellipse.points_px(36)) < 0).all())


def _weight(trace: tuple[TracedCircle, Placed]) -> float:
    traced, placed = trace
    return traced.evidence + KNOWN_SLANT_BONUS * placed.measured_slant + EDGES_BONUS * placed.by_edges


def _traces(
    question: PartQuestion, part: RoundPart, places: list[Placed], free: Callable[[Array], NDArray[np.bool_]]
) -> list[tuple[TracedCircle, Placed]]:
    """All traces to be believed, each with the picture it was made in."""
    traces = []
    for placed in places:
        traced = trace_circle(
            question.gray, placed.frame, placed.center, placed.radius, "outermost", reach=placed.reach,
            round_in_front=placed.measured_slant, use=free,
        )  # fmt: skip
        if traced and traced.coverage >= LEAST_COVERAGE and _follows(traced, part, placed):
            traces.append((traced, placed))
    return traces


def _follows(traced: TracedCircle, part: RoundPart, placed: Placed) -> bool:
    """Whether a traced ellipse is to be believed: near the told one all round, or with much of it seen."""
    away = float(np.abs(traced.ellipse.distances_px(part.outline_px())).max()) / float(part.semi_axes_px.mean())
    if traced.evidence > (SURE_BY_EDGES if placed.by_edges else SURE_BY_REFERENCE) and placed.measured_slant:
        return away < FARTHEST_BY_REFERENCE
    plain = traced.evidence > (PLAIN_BY_REFERENCE if placed.measured_slant else PLAIN_BY_ELLIPSE)
    return away < (FARTHEST if plain else TRUST[part.name].astray)


def _outline(
    name: str, photo: str, part: RoundPart, places: list[Placed], free: Callable[[Array], NDArray[np.bool_]]
) -> FoundCircle | None:
    """The map's border as a circle under the reference's slant, else the told outline, with the model's own error."""
    trust = TRUST[part.name]
    border = max(places, key=lambda placed: placed.border_share)
    if border.border_share > BORDER_ENOUGH:
        angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
        circle = border.center + border.radius * np.stack([np.cos(angle), np.sin(angle)], 1)
        outline, usual_sd = border.frame.to_photo(circle), trust.border_sd
    else:
        outline, usual_sd = part.outline_px(60), trust.outline_sd
    # Seen at a slant a part's depth, a dome before its rim, is mistaken for width: errors grow with the foreshortening.
    flatness = float(part.semi_axes_px[1] / part.semi_axes_px[0])
    outline_sd = usual_sd / max(flatness, 0.25) ** 2
    seen = free(outline)
    if seen.mean() < LEAST_COVERAGE:
        return None
    size_px = float(np.linalg.norm(np.std(outline, axis=0)))  # of a circle its radius
    return FoundCircle(CircleSighting(name, photo, outline[seen]), float(seen.mean()), outline_sd * size_px)


def _found(name: str, photo: str, traced: TracedCircle, shared: tuple[float, float]) -> FoundCircle:
    """A traced circle with the error its edge points may share: at least so many pixels, at least so much of it."""
    size_px = float(traced.ellipse.semi_axes_px.mean())
    # Where few edges speak for a curve, a neighboring one may be the true one.
    neighbor = NEIGHBOR_SD * max(0.0, 1.0 - traced.evidence / PLAIN_BY_ELLIPSE)
    shared_px = max(shared[0], float(np.hypot(shared[1], neighbor)) * size_px)
    return FoundCircle(CircleSighting(name, photo, traced.points_px), traced.coverage, shared_px)


def _uncovered(question: PartQuestion, rim_px: Array) -> NDArray[np.bool_]:
    """(N,) whether no scale reference lies at the places."""
    free = np.ones(len(rim_px), bool)
    for outline in question.keep_out_px:
        middle = np.mean(outline, axis=0)
        polygon = np.asarray(middle + MARGIN * (outline - middle), np.float32).reshape(-1, 1, 2)
        free &= np.array([cv2.pointPolygonTest(polygon, (float(x), float(y)), False) < 0 for x, y in rim_px])
    return free
