"""The rim of a flange: the circle with edges all round that has its holes inside, where a flange's holes lie.

A raised face, a rim's chamfer and its back edge are circles about the same middle, often plainer than the rim itself.
Only about the rim do the holes lie where they do on flanges, so circles and holes are judged together.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from features.circle_fit import fit_circle
from features.ellipse import Ellipse
from features.parts.bolt_circle import SEEN_SD, TRACED_MIDDLE_SD, fit_equal_ring, middle_spread
from features.parts.face_circles import circles_about
from features.parts.finder import FoundCircle, PartQuestion
from features.parts.flange_holes import FaceMap, HoleRing, find_holes
from features.parts.front_on import FaceFrame
from features.parts.learned_circles import (
    Trace,
    encloses,
    follows,
    found_circle,
    outline_of,
    places_told,
    trace_places,
    trace_weight,
)
from features.parts.own_slant import faces_of_ellipse, faces_of_ellipses
from features.parts.part_maps import RoundPart, share_inside
from features.parts.part_model import PartMaps
from features.parts.part_outline import HIDING_PARTS, OWN_PARTS, shares_at
from features.parts.placed import Placed, reference_frames, uncovered
from features.parts.slant_by_circles import frames_by_circles
from features.parts.trace import TracedCircle

Array = NDArray[np.float64]

RING_WORTH, RING_ENOUGH, HOLE_WORTH = 0.6, 8.0, 0.1
"""What a ring of holes adds to a rim's evidence, the ring's own evidence that adds all of it, and what is added besides
for a hole's share of that."""
OUTSIDE, BROKEN, OUTER_ENOUGH = 1.03, 1.008, 0.75
"""How much larger a circle outside another is at least, how much larger a rim is than its face where its edge is broken
by half a millimeter and more (common practice), and what share of its evidence makes it the rim of both."""
UNEVEN = 0.3
"""A broken edge is about as deep as wide: seen aslant its narrowest place is narrower than the mean by the slope and
this, as a share of that mean."""
ALIKE = 0.012
"""Circles whose middles and radii lie this near, as a share of their size, have the same holes."""
RIMS, RING_REACH = (0.7, 0.755, 0.81), 0.06
"""Where a ring of holes may lie, the rim being 1, and how far round those places the rim is looked for: tabulated
flanges have 0.68 to 0.83."""
SIZES = (1.0, 0.88, 1.13)
"""Sizes about an opening in which holes are looked for, the told rim being 1: that may be off where the rim is cut."""
FEW_HOLES = 2
"""So few holes tell no ring where neither a traced rim nor a reference tells how the face leans."""
SAME_LEAN = float(np.cos(np.radians(4.0)))
"""Cosine of the angle within which two planes of a flange's own circles are looked at as one."""
INNER, MATED = 0.7, 0.4
"""How much of a flange's middle, as a share of its radius, is looked at, and what share of that a companion fills."""
COMPANION = "companion"
OPEN = 0.5
"""What share of a mouth's outline an opening fills at least."""
PLAIN = 0.6
"""Evidence of a rim with its holes that is plain enough to ask no other outline of it; under a slant that a reference
tells all outlines lead to the same rim."""
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
        merit: evidence of its edge and its holes together.
        is_plain: whether that is enough to ask no other outline of it.
    """

    circle: FoundCircle | None
    part: RoundPart
    placed: Placed
    is_traced: bool
    ring: HoleRing | None
    merit: float
    is_plain: bool


@dataclass(frozen=True, eq=False)
class _Candidate:
    """A traced circle that may be the rim, in the picture in which its holes were looked for.

    One that its edges and the told outline do not make sure of is believed where it has its holes.
    """

    traced: TracedCircle
    placed: Placed
    weight: float
    trusted: bool
    ring: HoleRing | None = None

    @property
    def merit(self) -> float:
        return self.weight + _worth(self.ring)


def is_mated(maps: PartMaps, flange: RoundPart) -> bool:
    """Whether another flange or a pipe's end lies over a flange's face as the maps show it."""
    return share_inside(maps, COMPANION, flange.outline_px(40, INNER)) > MATED


def face_parts(maps: PartMaps, flange: RoundPart) -> tuple[str, ...]:
    """What is seen of a flange's face where nothing lies over its holes: of a mated one another flange, bolts in it."""
    return (*OWN_PARTS[flange.name], *((COMPANION,) if is_mated(maps, flange) else ()))


def face_map(maps: PartMaps, flange: RoundPart) -> FaceMap:
    """What lies over a flange's face, as the maps show it."""
    own = face_parts(maps, flange)
    hidden = tuple(name for name in HIDING_PARTS[flange.name] if name not in own)
    return FaceMap(lambda px: shares_at(maps, hidden, px), lambda px: np.maximum(1.0 - shares_at(maps, own, px), 0.0))


def is_pipe(maps: PartMaps, flange: RoundPart, mouth: RoundPart) -> bool:
    """Whether what is taken for a flange's mouth is the pipe of another flange over it: no opening is seen in it."""
    return is_mated(maps, flange) and share_inside(maps, "port_opening", mouth.outline_px(40)) < OPEN


def _worth(ring: HoleRing | None) -> float:
    """What a ring adds to a rim's evidence: a rim that lies a little off the true one has as many holes, less plain."""
    if ring is None:
        return 0.0
    return RING_WORTH * min(ring.evidence / RING_ENOUGH, 1.0) + HOLE_WORTH * ring.evidence / ring.count


def trace_flange(
    question: PartQuestion, told: Sequence[RoundPart], maps: PartMaps, mouth: TracedCircle | None = None
) -> FlangeRim:
    """The rim of a flange, as traced or as told.

    Args:
        question: the photo.
        told: its outline as several looks told it, the likeliest first: others are asked while rim and holes are not
            plain.
        maps: of the closest look.
        mouth: the opening in its middle, where that was traced.
    """
    found: list[FlangeRim] = []
    for part in told:
        look = _Look(question, part, maps)
        found.append(_trace_about(look, mouth))
        seen = [rim for rim in found if rim.is_traced and (rim.ring is not None or look.is_mated)]
        # A rim with holes that is not plain is worth one more look, no more: looking takes long.
        if found[-1].is_plain or (seen and (look.is_mated or len(found) > 1)):
            break
    return max(found, key=lambda rim: rim.merit)


def _trace_about(look: "_Look", mouth: TracedCircle | None) -> FlangeRim:
    """The rim near one told outline."""
    question, part, maps = look.question, look.part, look.maps
    places = places_told(question, part, maps)
    traces = look.traces(places)
    told_frames = reference_frames(question) if question.tilt_known else []
    own = [traced.ellipse for traced, placed in traces if not placed.measured_slant]
    own_frames = faces_of_ellipses(question, [*own, *([mouth.ellipse] if mouth else [])], SAME_LEAN)
    about = circles_about(question, part, told_frames, True)
    traces += look.traces(about)
    candidates = look.judged(traces)
    # The flange's own slant is asked only where no holes are seen under the reference's: it need not lie parallel.
    if not (told_frames and any(one.ring for one in candidates)):
        traces += look.traces(circles_about(question, part, own_frames, False))
        candidates = look.judged(traces)
    by_holes = None
    if not any(one.ring for one in candidates) and not look.is_mated:
        leaning = frames_by_circles(question, part)
        traced = look.traces(circles_about(question, part, leaning, False))
        candidates += look.with_holes([_leaning_alike(question, part, *one) for one in traced])
        if not any(one.ring for one in candidates):
            by_holes = look.ring_about(mouth, told_frames, [*own_frames, *leaning], about)
    if by_holes is not None:
        candidates += look.judged(look.traces(_rims_about(question, *by_holes)))
    best = _outermost(candidates, question.poses[0].focal_px)
    if best is not None and (best.ring is not None or by_holes is None):
        found = found_circle("flange_diameter", question.photo_name, best.traced, (0.3, 0.001))
        is_plain = best.ring is not None and (best.weight > PLAIN or best.placed.measured_slant)
        return FlangeRim(
            found, _outlined(part, best.traced.ellipse), best.placed, True, best.ring, best.merit, is_plain
        )
    placed, ring = by_holes or (places[0], look.holes(places[0]))
    if placed in about:  # the rim's edges agreed on it, though too few to trace: that and its holes tell it
        part, places = _outlined_as(part, placed), [placed]
    outline = outline_of("flange_diameter", question.photo_name, part, places, look.free)
    return FlangeRim(outline, part, placed, False, ring, _worth(ring), False)


@dataclass(frozen=True, eq=False)
class _Look:
    """One flange looked at: where its rim can be seen and where its holes are."""

    question: PartQuestion
    part: RoundPart
    maps: PartMaps

    @property
    def is_mated(self) -> bool:
        """Whether another flange or a pipe's end lies over its face, bolts in its holes."""
        return is_mated(self.maps, self.part)

    def free(self, rim_px: Array) -> NDArray[np.bool_]:
        return uncovered(self.question, rim_px)

    def holes(self, rim: Placed) -> HoleRing | None:
        return find_holes(self.question, rim, face_map(self.maps, self.part))

    def judged(self, traces: list[Trace]) -> list[_Candidate]:
        """Distinct traces with the holes about them."""
        return self.with_holes(_squared_up(self.question, self.part, traces))

    def with_holes(self, candidates: list[_Candidate]) -> list[_Candidate]:
        """Distinct ones of some candidates, with the holes about them."""
        judged = [replace(one, ring=self.holes(one.placed)) for one in _distinct(candidates)]
        return [one for one in judged if one.trusted or one.ring is not None]

    def traces(self, places: list[Placed]) -> list[Trace]:
        return trace_places(self.question, self.part, places, self.free, doubtful=True)

    def ring_about(
        self, mouth: TracedCircle | None, told: list[FaceFrame], own: list[FaceFrame], about: list[Placed]
    ) -> tuple[Placed, HoleRing] | None:
        """The plainest ring of holes about the middle, of an opening if there is one, in any of some pictures.

        Circles about which some edges agreed are asked too.
        """
        middles = [_middle(self.part, mouth, frame, frames is told) for frames in (told, own) for frame in frames]
        sizes = SIZES if mouth else SIZES[:1]
        places = [*about, *(replace(one, radius=size * one.radius) for one in middles for size in sizes)]
        seen = [(placed, ring) for placed in places if (ring := self.holes(placed)) is not None]
        seen = [(placed, ring) for placed, ring in seen if placed.measured_slant or len(ring.slots) > FEW_HOLES]
        return max(seen, key=lambda one: one[1].evidence) if seen else None


def _outlined_as(part: RoundPart, placed: Placed) -> RoundPart:
    """A told part with the outline of a circle of a squared-up picture."""
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    circle = placed.center + placed.radius * np.stack([np.cos(angle), np.sin(angle)], 1)
    ellipse = Ellipse.fit(placed.frame.to_photo(circle))
    return _outlined(part, ellipse) if ellipse else part


def _outlined(part: RoundPart, ellipse: Ellipse) -> RoundPart:
    c, s = np.cos(ellipse.angle_rad), np.sin(ellipse.angle_rad)
    axes = np.array([[c, -s], [s, c]])
    square = (axes * ellipse.semi_axes_px**2) @ axes.T
    return RoundPart.of_square(part.name, part.score, ellipse.center_px, square)


def _middle(part: RoundPart, mouth: TracedCircle | None, frame: FaceFrame, told_slant: bool) -> Placed:
    """The told rim about the middle of its opening, which is plain to see where the rim is not."""
    center, radius = fit_circle(frame.from_photo(part.outline_px()))
    if mouth:
        center, _ = fit_circle(frame.from_photo(mouth.ellipse.points_px()))
    return Placed(frame, center, radius, told_slant, RING_REACH, by_edges=True)


def _rims_about(question: PartQuestion, placed: Placed, ring: HoleRing) -> list[Placed]:
    """Circles outside a ring of holes where tabulated flanges have their rims."""
    middles, slots = placed.frame.from_photo(ring.middles_px), ring.slots
    sds = np.full(len(slots), SEEN_SD * placed.radius)
    spread = middle_spread(question, placed, TRACED_MIDDLE_SD)
    fitted = fit_equal_ring(middles, slots, ring.count, sds, placed.center, spread)
    return [replace(placed, center=fitted.middle, radius=fitted.radius / share) for share in RIMS]


def _traced_in(placed: Placed, traced: TracedCircle, part: RoundPart) -> _Candidate:
    trusted, weight = follows(traced, part, placed), trace_weight(traced, placed)
    return _Candidate(traced, placed.about(traced.ellipse.points_px()), weight, trusted)


def _leaning_alike(question: PartQuestion, part: RoundPart, traced: TracedCircle, placed: Placed) -> _Candidate:
    """A trace squared up by itself, the way its picture leans: edges about a middle tell the way, a rim how much."""
    frames = faces_of_ellipse(question, traced.ellipse)
    if isinstance(placed.frame, FaceFrame):
        normal = placed.frame.normal
        placed = replace(placed, frame=max(frames, key=lambda frame: float(frame.normal @ normal)))
    return _traced_in(placed, traced, part)


def _squared_up(question: PartQuestion, part: RoundPart, traces: list[Trace]) -> list[_Candidate]:
    """Every trace in a picture squared up to its plane; one that tells its own slant may lean either way."""
    found = []
    for traced, placed in traces:
        if placed.measured_slant:
            found.append(_traced_in(placed, traced, part))
            continue
        for frame in faces_of_ellipse(question, traced.ellipse):
            squared = Placed(frame, np.zeros(2), 1.0, False, placed.reach, 0.0, placed.by_edges)
            found.append(_traced_in(squared, traced, part))
    return found


def _distinct(candidates: list[_Candidate]) -> list[_Candidate]:
    """Those with most evidence, of circles that are nearly the same in one picture the best alone."""
    kept: list[_Candidate] = []
    for one in sorted(candidates, key=lambda candidate: (not candidate.trusted, -candidate.weight)):
        if not any(_alike(one.placed, other.placed) for other in kept):
            kept.append(one)
    return kept[:MOST]


def _alike(one: Placed, other: Placed) -> bool:
    if not np.allclose(one.frame.photo_from_front, other.frame.photo_from_front):
        return False
    moved = float(np.linalg.norm(one.center - other.center)) + abs(one.radius - other.radius)
    return moved < ALIKE * other.radius


def _outermost(candidates: list[_Candidate], focal_px: float) -> _Candidate | None:
    """Of circles inside one another with nearly as much evidence the outermost: a face is raised inside its rim."""
    if not candidates:
        return None
    best = max(candidates, key=lambda one: one.merit)
    outside = [
        one
        for one in candidates
        if one.merit > OUTER_ENOUGH * best.merit and one.placed.measured_slant and _is_round(one.traced, best, focal_px)
    ]
    return max(outside, key=lambda one: one.merit) if outside else best


def _is_round(rim: TracedCircle, face: _Candidate, focal_px: float) -> bool:
    """Whether a circle may be the rim round another: wholly outside it, or as a broken edge's two lie."""
    inner = face.traced.ellipse
    larger = float(np.sqrt(rim.ellipse.semi_axes_px.prod() / inner.semi_axes_px.prod()))
    if larger > OUTSIDE:
        return encloses(rim, face.traced)
    gap = -rim.ellipse.distances_px(inner.points_px(36))
    slope = float(np.linalg.norm(face.placed.slope(focal_px)))
    return larger > BROKEN and bool(gap.min() > (1.0 - slope - UNEVEN) * gap.mean())
