"""Finding parts with the part model: it says where, the full-resolution edges say exactly.

What the model tells alone is looked for beside the scale (`looks.py`); here both meet. The classical finder takes over
where there is no model, and says so.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from features.measured import AttributeEvidence
from features.parts.bolt_circle import SeenHoles, trace_bolt_circle
from features.parts.bolt_count import CountedRing, count_ring
from features.parts.chamber_rim import trace_chamber
from features.parts.classical import ClassicalFinder
from features.parts.far_port import looks_away
from features.parts.finder import FoundCircle, LookAt, PartQuestion, PartSightings
from features.parts.flange_holes import COUNTS, TOO_MANY
from features.parts.flange_rim import FlangeRim, face_parts, is_mated, is_pipe, trace_flange
from features.parts.front_outline import front_outline
from features.parts.learned_evidence import (
    chamber_count_evidence,
    color_evidence,
    hole_count_evidence,
    photo_evidence,
)
from features.parts.looks import SURE_PART, PhotoLooks, Subject, closely, references_closely
from features.parts.part_maps import RoundPart, part_at, point_parts, round_parts
from features.parts.part_model import PartMaps, PartModel, load_part_model
from features.parts.part_outline import OWN_PARTS, shares_at
from features.parts.part_vocabulary import PART_CLASSES
from features.parts.port_level import port_level
from features.parts.port_opening import (
    flange_opening,
    mouth_traces,
    plain_mouth,
    told_only,
    trace_mouth,
)
from features.parts.twin_port import find_twin
from features.parts.upright_map import NoOutline
from features.parts.which_way_up import quarter_turns
from features.problems import FRONT_UNSURE, NO_PART_MODEL, NO_PUMP_SEEN, PUMP_CUT_OFF, Problem
from features.scale.reference import ReferenceSight

Array = NDArray[np.float64]

CHAMBER_COUNTS = tuple(range(4, 25))
SURE_FRONT = 0.7
"""Only in a photo this surely of a pump's front are its outer lengths measured."""
HEAD_SHARE = 0.12
"""Radius of a bolt's head over its flange's, about: heads are 1.5 of their thread wide (ISO 4014), holes 1.1."""
AMID = 0.35
"""How far beside a flange's middle its opening may lie, its radius being 1."""
BOLTED = 0.5
"""How surely the map must show bolts in the holes."""
HOLE, TOLD_PART = "bolt_hole_diameter", 0.3
"""What edges show that no bolts are in a flange's holes, and how surely a flange must be told to look for them."""
PLAIN_MOUTH = 0.35
"""Where less of a mouth's edge was followed, hardly more than must be, the other port is looked at, too."""


class LearnedFinder:
    """Finds parts with a loaded model."""

    def __init__(self, model: PartModel) -> None:
        self._model = model
        self._looks: PhotoLooks | None = None

    def look_ahead(self, pixels_rgb: NDArray[np.uint8], look_at: tuple[LookAt, ...], references: bool) -> None:
        """Begin with all that the model tells alone."""
        self._looks = PhotoLooks.begin(self._model, pixels_rgb, look_at, references)

    def quarter_turns(self, pixels_rgb: NDArray[np.uint8]) -> int:
        """See `which_way_up`."""
        looks = self._looks
        if looks is None or looks.pixels_rgb() is not pixels_rgb:
            looks = self._looks = PhotoLooks.begin(self._model, pixels_rgb, (), references=False)
        return quarter_turns(self._model, pixels_rgb, looks.pump.result().maps)

    def references_in(self, pixels_rgb: NDArray[np.uint8]) -> ReferenceSight:
        """What the model calls scale references."""
        looks = self._looks  # read once: another thread may begin with another photo meanwhile
        if looks is None or looks.pixels_rgb() is not pixels_rgb or looks.references is None:
            looks = self._looks = PhotoLooks.begin(self._model, pixels_rgb, (), references=True)
        assert looks.references is not None
        return looks.references.result()[1]

    def closer_references_in(self, pixels_rgb: NDArray[np.uint8]) -> ReferenceSight:
        """What the model calls scale references, each looked at alone."""
        looks = self._looks
        begun = looks.references if looks is not None and looks.pixels_rgb() is pixels_rgb else None
        return references_closely(self._model, pixels_rgb, begun.result()[0] if begun else None)

    def find(self, question: PartQuestion) -> PartSightings:
        """Look at one photo."""
        looks = self._looks
        if looks is None or not looks.are_of(question.pixels_rgb, question.look_at):
            looks = self._looks = PhotoLooks.begin(self._model, question.pixels_rgb, question.look_at, references=False)
        pump = looks.pump.result()
        maps, rounds = pump.maps, pump.rounds
        view = dict(maps.attributes["view"])
        doubts = () if pump.shows_pump else (Problem(NO_PUMP_SEEN),)
        if not pump.is_worth_more(question.look_at):
            return PartSightings(view, problems=doubts)
        told = photo_evidence(maps, question.photo_name)
        told += color_evidence(question.pixels_rgb, maps, question.papers_px, question.photo_name)
        sightings = PartSightings(view, attributes=told, problems=doubts)
        sightings = _with_front(sightings, maps, question.pixels_rgb)
        chamber = looks.chamber.result()
        if chamber is not None:
            sightings = _with_chamber(sightings, question, chamber)
        port = looks.port.result()
        if port is None:
            return sightings
        if port.part.name == "flange":
            sightings, port = self._flange(sightings, question, maps, rounds, port)
        else:
            port, circle = self._mouth(question, maps, rounds, port)
            sightings = replace(sightings, circles=(*sightings.circles, *([circle] if circle else [])))
        return _on_the_pump(sightings, question, maps, rounds, port.part)

    def _flange(
        self, sightings: PartSightings, question: PartQuestion, maps: PartMaps, rounds: Sequence[RoundPart],
        first: Subject,
    ) -> tuple[PartSightings, Subject]:  # fmt: skip
        """Sightings with a flange, and that: the other port's where no edge of the first choice's is seen.

        Both ports of a pump have flanges of one size (common practice); of one under a pipe's flange that is seen, and
        so one whose holes are open and seen tells more.
        """
        before = () if first.maps is maps else rounds
        seen, is_traced = _with_flange(sightings, question, first, before)
        hidden = is_mated(first.maps, first.part)
        if not is_traced or hidden:
            others = self._other_ports(question, rounds, first, TOLD_PART if hidden and is_traced else SURE_PART)
            open_ones = [part for part in others if not is_mated(maps, part)]
            for part in open_ones:
                other = closely(self._model, question.pixels_rgb, maps, part)
                again, is_traced_too = _with_flange(sightings, question, other, () if other.maps is maps else rounds)
                if is_traced_too and (not is_traced or _shows_holes(again)):
                    return again, other
        return seen, first

    def _other_ports(
        self, question: PartQuestion, rounds: Sequence[RoundPart], first: Subject, least: float = SURE_PART
    ) -> list[RoundPart]:
        """The next best told port like the first choice, none where the user pointed at one."""
        others = [part for part in rounds if part.name == first.part.name and part.score > least]
        others = [part for part in others if part is not first.others[0] and question.hint("port") is None]
        return others[:1]

    def _mouth(
        self, question: PartQuestion, maps: PartMaps, rounds: Sequence[RoundPart], first: Subject
    ) -> tuple[Subject, FoundCircle | None]:
        """The mouth to measure with its circle: the other port's where no edge of the first choice's is seen."""
        tried: list[tuple[Subject, FoundCircle | None]] = []
        for part in (None, *self._other_ports(question, rounds, first)):
            mouth = first if part is None else closely(self._model, question.pixels_rgb, maps, part)
            circle = trace_mouth(question, (mouth.part, *mouth.others), mouth.maps)
            if circle is not None and not told_only(circle) and circle.coverage > PLAIN_MOUTH:
                return mouth, circle
            tried.append((mouth, circle))
        return max(tried, key=lambda one: _edge_seen(one[1]))  # the first of equals


def _shows_holes(sightings: PartSightings) -> bool:
    """Whether edges of a flange's holes are among what was seen: bolts are not in them."""
    return any(one.sighting.name == HOLE for one in sightings.circles)


def _edge_seen(circle: FoundCircle | None) -> float:
    """How much of a mouth's edge was followed: 0 where it is only told, less where it is not even that."""
    if circle is None:
        return -1.0
    return 0.0 if told_only(circle) else circle.coverage


def best_finder() -> LearnedFinder | ClassicalFinder:
    """The learned finder where its model can be loaded, else the classical one."""
    model = load_part_model()
    if isinstance(model, PartModel):
        return LearnedFinder(model)
    return ClassicalFinder(Problem(NO_PART_MODEL, model.reason))


def _on_the_pump(
    sightings: PartSightings, question: PartQuestion, maps: PartMaps, rounds: Sequence[RoundPart], port: RoundPart
) -> PartSightings:
    """Sightings with where on the pump the port is, and the other one like it."""
    return replace(sightings, twin=find_twin(question, maps, rounds, port), port_level=port_level(maps, port))


def counted_chamber_bolts(chamber: Subject) -> tuple[CountedRing | None, Array]:
    """The fasteners of a chamber's joint, and (K, 2) where those seen are in the photo."""
    return _ring(chamber, "chamber_bolt", CHAMBER_COUNTS, OWN_PARTS["chamber"])


def _ring(
    subject: Subject, points: str, counts: tuple[int, ...], parts: tuple[str, ...]
) -> tuple[CountedRing | None, Array]:
    """The counted ring of a round part's fasteners, and where those seen are in the photo."""
    seen = point_parts(subject.maps)[points]
    places = subject.part.unit_places(seen.places_px)
    ring = count_ring(places, seen.scores, counts, _in_view(subject, parts))
    return ring, seen.places_px[ring.members] if ring else np.zeros((0, 2))


def _in_view(subject: Subject, parts: tuple[str, ...]) -> Callable[[Array], NDArray[np.bool_]]:
    """Tells for (N, 2) places of a part, its outline being the unit circle, whether the map shows one of the parts."""
    part, maps = subject.part, subject.maps
    is_own = np.array([name in parts for name in PART_CLASSES])
    return lambda places: np.asarray(is_own[part_at(maps, part.center_px + places @ part.shape_px.T)])


def _with_front(sightings: PartSightings, maps: PartMaps, pixels_rgb: NDArray[np.uint8]) -> PartSightings:
    """Sightings with the whole pump's outline where the photo shows its front; what the picture cuts off is said."""
    if sightings.view.get("front", 0.0) < SURE_FRONT:
        return sightings
    outline = front_outline(maps, (pixels_rgb.shape[1], pixels_rgb.shape[0]))
    if isinstance(outline, NoOutline):
        return replace(sightings, problems=(*sightings.problems, Problem(FRONT_UNSURE, outline.reason)))
    cut = (Problem(PUMP_CUT_OFF, *outline.cut),) if outline.cut and not outline.is_close_up else ()
    return replace(sightings, front=outline, problems=(*sightings.problems, *cut))


def _with_chamber(sightings: PartSightings, question: PartQuestion, chamber: Subject) -> PartSightings:
    ring, seen_px = counted_chamber_bolts(chamber)
    circle = trace_chamber(question, chamber.part, chamber.maps, seen_px)
    counted = chamber_count_evidence(ring, chamber.maps, question.photo_name)
    return _more(sightings, (circle,), ("chamber_bolts", seen_px), counted)


def _with_flange(
    sightings: PartSightings, question: PartQuestion, told: Subject, rounds: Sequence[RoundPart]
) -> tuple[PartSightings, bool]:
    """Sightings with the circles of a flange, and whether an edge of its rim was followed."""
    mouths = [one for one in (*round_parts(told.maps), *rounds) if one.name == "mouth"]
    mouths = [one for one in mouths if not is_pipe(told.maps, told.part, one)]
    outlines = (told.part, *told.others)
    middle = next((m for outline in outlines for m in mouths if _amid(outline, m)), None)
    traces = {} if middle is None else {middle: mouth_traces(question, middle, told.maps)}
    mouth = None if middle is None else plain_mouth(traces[middle])
    rim = trace_flange(question, outlines, told.maps, mouth)
    seen, likelihood = _holes_of(Subject(rim.part, told.maps), rim)
    inside = [mouth for mouth in mouths if _amid(rim.part, mouth)]
    about = rim.placed if rim.is_traced else None
    opening = trace_mouth(question, inside[:2], told.maps, about, traces) if inside else None
    away = _is_far(sightings, told.maps, rim)
    circles = [rim.circle, None if away else flange_opening(opening)]
    if seen is not None:
        traced = rim.circle if rim.is_traced else None
        rim_px = None if traced is None else traced.sighting.points_px
        seen = replace(seen, bolted=away or _shows_bolts(told.maps, seen))
        holes, by_holes = trace_bolt_circle(question, rim.placed, rim_px, seen)
        if traced is not None and by_holes is not None:
            circles[0] = replace(traced, sighting=replace(traced.sighting, middle=by_holes))
        circles += holes
    circles = [replace(one, looks_away=away) for one in circles if one is not None]
    marks = np.zeros((0, 2)) if seen is None else seen.middles_px
    counted = hole_count_evidence(likelihood, question.photo_name)
    return _more(sightings, circles, ("flange_bolts", marks), counted), rim.is_traced


def _is_far(sightings: PartSightings, maps: PartMaps, rim: FlangeRim) -> bool:
    """Whether a flange stands behind the chamber that is seen."""
    joint = next((one for one in sightings.circles if one.sighting.name == "chamber_diameter"), None)
    if joint is None or rim.circle is None:
        return False
    return looks_away(maps, rim.circle.sighting.points_px, joint.sighting.points_px)


def _shows_bolts(maps: PartMaps, seen: SeenHoles) -> bool:
    """Whether bolts are seen in the holes of a flange."""
    return float(shares_at(maps, ("bolt",), seen.middles_px).mean()) > BOLTED


def _amid(flange: RoundPart, mouth: RoundPart) -> bool:
    return float(np.linalg.norm(flange.unit_places(mouth.center_px[None]))) < AMID


def _holes_of(flange: Subject, rim: FlangeRim) -> tuple[SeenHoles | None, Mapping[int, float]]:
    """The holes that the photo itself shows, else the bolts that the model sees, with the likelihood of each number."""
    if rim.ring is not None:
        ring = rim.ring
        return SeenHoles(ring.middles_px, ring.slots, ring.count, ring.hole_share), ring.likelihood
    counted, places_px = _ring(flange, "flange_bolt", COUNTS, face_parts(flange.maps, flange.part))
    if counted is None or counted.count == TOO_MANY:
        return None, {}
    if len(places_px) < 3:
        return None, counted.likelihood
    own = flange.part.unit_places(places_px)
    turns = (np.arctan2(own[:, 1], own[:, 0]) - counted.angles_rad[0]) / (2 * np.pi) * counted.count
    slots = np.rint(turns).astype(np.int64) % counted.count
    return SeenHoles(places_px, slots, counted.count, HEAD_SHARE), counted.likelihood


def _more(
    sightings: PartSightings, circles: Sequence[FoundCircle | None], marks: tuple[str, Array],
    attributes: tuple[AttributeEvidence, ...],
) -> PartSightings:  # fmt: skip
    """Sightings with more circles (those that were found), marks (where there are any) and attributes."""
    name, places_px = marks
    return replace(
        sightings,
        circles=(*sightings.circles, *(circle for circle in circles if circle is not None)),
        marks_px={**sightings.marks_px, **({name: places_px} if len(places_px) else {})},
        attributes=(*sightings.attributes, *attributes),
    )
