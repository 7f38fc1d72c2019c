"""The rim of a flange: the circle with edges all round that has its holes inside, where a flange's holes lie.

A raised face, a rim's chamfer and its back edge are circles about the same middle, often plainer than the rim itself.
Only about the rim do the holes lie where they do on flanges, so circles and holes are judged together.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from features.parts.face_circles import circles_about
from features.parts.finder import FoundCircle, PartQuestion
from features.parts.flange_holes import HoleRing, find_holes
from features.parts.learned_circles import (
    encloses,
    found_circle,
    outline_of,
    places_told,
    trace_places,
    trace_weight,
    uncovered,
)
from features.parts.own_slant import faces_of_ellipse
from features.parts.part_maps import RoundPart
from features.parts.part_model import PartMaps
from features.parts.part_outline import hidden_share
from features.parts.placed import Placed, reference_frames
from features.parts.trace import TracedCircle

Array = NDArray[np.float64]

RING_WORTH, RING_ENOUGH = 0.6, 8.0
"""What a ring of holes adds to a rim's evidence, and the ring's own evidence that adds all of it."""
OUTSIDE, OUTER_ENOUGH = 1.03, 0.75
"""How much larger a circle outside another is at least, and what share of its evidence makes it the rim of both."""
ALIKE = 0.012
"""Circles whose middles and radii lie this near, as a share of their size, have the same holes."""
MOST = 6
"""How many circles are searched for holes, those with most evidence of their own first."""


@dataclass(frozen=True, eq=False)
class FlangeRim:
    """The rim of a flange.

    Attributes:
        circle: its edge to be measured, None where too little is in view.
        part: the flange with the traced outline, or the told one where no edge follows it.
        placed: the rim in the picture it was traced in, or one squared up by the rim itself.
        is_traced: whether an edge confirmed it.
        ring: its holes, None where they were not seen.
    """

    circle: FoundCircle | None
    part: RoundPart
    placed: Placed
    is_traced: bool
    ring: HoleRing | None


@dataclass(frozen=True, eq=False)
class _Candidate:
    """A traced circle that may be the rim, in the picture in which its holes were looked for."""

    traced: TracedCircle
    placed: Placed
    weight: float
    ring: HoleRing | None = None

    @property
    def merit(self) -> float:
        found = 0.0 if self.ring is None else min(self.ring.evidence / RING_ENOUGH, 1.0)
        return self.weight + RING_WORTH * found


def trace_flange(question: PartQuestion, part: RoundPart, maps: PartMaps) -> FlangeRim:
    """The rim of a flange, as traced or as told."""

    def free(rim_px: Array) -> NDArray[np.bool_]:
        return uncovered(question, rim_px)

    def hidden(places_px: Array) -> Array:
        return hidden_share(maps, part.name, places_px)

    places = places_told(question, part, maps)
    traces = trace_places(question, part, places, free)
    frames = reference_frames(question) if question.tilt_known else []
    own = [traced for traced, placed in traces if not placed.measured_slant]
    own_frames = [frame for traced in own for frame in faces_of_ellipse(question, traced.ellipse)]
    about = [
        *circles_about(question, part, frames, measured_slant=True),
        *circles_about(question, part, own_frames, measured_slant=False),
    ]
    traces += trace_places(question, part, about, free)
    candidates = _distinct(_squared_up(question, traces))
    best = _outermost([replace(one, ring=find_holes(question, one.placed, hidden)) for one in candidates])
    if best is None:
        told = outline_of("flange_diameter", question.photo_name, part, places, free)
        return FlangeRim(told, part, places[0], False, find_holes(question, places[0], hidden))
    ellipse = best.traced.ellipse
    axes = np.array([[np.cos(ellipse.angle_rad), -np.sin(ellipse.angle_rad)],
                     [np.sin(ellipse.angle_rad), np.cos(ellipse.angle_rad)]])  # fmt: skip
    square = (axes * ellipse.semi_axes_px**2) @ axes.T
    found = found_circle("flange_diameter", question.photo_name, best.traced, (0.3, 0.001))
    outlined = RoundPart.of_square(part.name, part.score, ellipse.center_px, square)
    return FlangeRim(found, outlined, best.placed, True, best.ring)


def _squared_up(question: PartQuestion, traces: list[tuple[TracedCircle, Placed]]) -> list[_Candidate]:
    """Every trace in a picture squared up to its plane; one that tells its own slant may lean either way."""
    found = []
    for traced, placed in traces:
        weight, outline = trace_weight(traced, placed), traced.ellipse.points_px()
        if placed.measured_slant:
            found.append(_Candidate(traced, placed.about(outline), weight))
            continue
        for frame in faces_of_ellipse(question, traced.ellipse):
            squared = Placed(frame, np.zeros(2), 1.0, False, placed.reach, 0.0, placed.by_edges)
            found.append(_Candidate(traced, squared.about(outline), weight))
    return found


def _distinct(candidates: list[_Candidate]) -> list[_Candidate]:
    """Those with most evidence, of circles that are nearly the same in one picture the best alone."""
    kept: list[_Candidate] = []
    for one in sorted(candidates, key=lambda candidate: -candidate.weight):
        if not any(_alike(one.placed, other.placed) for other in kept):
            kept.append(one)
    return kept[:MOST]


def _alike(one: Placed, other: Placed) -> bool:
    if one.frame is not other.frame:
        return False
    moved = float(np.linalg.norm(one.center - other.center)) + abs(one.radius - other.radius)
    return moved < ALIKE * other.radius


def _outermost(candidates: list[_Candidate]) -> _Candidate | None:
    """Of circles inside one another with nearly as much evidence the outermost: a face is raised inside its rim."""
    if not candidates:
        return None
    best = max(candidates, key=lambda one: one.merit)
    size = float(best.traced.ellipse.semi_axes_px.prod())
    outside = [
        one
        for one in candidates
        if one.merit > OUTER_ENOUGH * best.merit
        and one.placed.measured_slant
        and float(one.traced.ellipse.semi_axes_px.prod()) > OUTSIDE**2 * size
        and encloses(one.traced, best.traced)
    ]
    return max(outside, key=lambda one: one.merit) if outside else best
