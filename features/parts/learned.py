"""Finding parts with the part model: it says where, the full-resolution edges say exactly.

One look at the whole photo finds the round parts; a second look, at the best chamber or port alone, sees its fasteners.
The classical finder takes over where there is no model, and says so.
"""

import weakref
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from features.measured import AttributeEvidence
from features.parts.bolt_circle import SeenHoles, trace_bolt_circle
from features.parts.bolt_count import CountedRing, count_ring
from features.parts.classical import ClassicalFinder
from features.parts.closer_look import look_at_pump
from features.parts.finder import FoundCircle, LookAt, PartQuestion, PartSightings
from features.parts.flange_rim import FlangeRim, is_mated, is_pipe, trace_flange
from features.parts.front_outline import front_outline
from features.parts.learned_circles import mouth_traces, plain_mouth, told_only, trace_chamber, trace_mouth
from features.parts.learned_evidence import chamber_count_evidence, hole_count_evidence, photo_evidence
from features.parts.part_maps import RoundPart, part_at, part_outlines, point_parts, round_parts, share_inside
from features.parts.part_model import PartMaps, PartModel, load_part_model
from features.parts.part_outline import OWN_PARTS, by_the_map
from features.parts.part_vocabulary import PART_CLASSES, PICTURE_PX
from features.parts.port_level import port_level
from features.parts.twin_port import find_twin
from features.parts.upright_map import NoOutline
from features.problems import FRONT_UNSURE, NO_PART_MODEL, NO_PUMP_SEEN, PUMP_CUT_OFF, Problem
from features.scale.reference import ReferenceSight

Array = NDArray[np.float64]

CHAMBER_COUNTS = tuple(range(4, 25))
FLANGE_COUNTS = (4, 8, 12)
"""Numbers of flange bolts of 1/2 to 4 in. in the tabulated standards, and the next."""
SURE_PART = 0.5
"""A round part this sure is measured even in a photo that does not look like a pump's; the doubt is said."""
SURE_FRONT = 0.7
"""Only in a photo this surely of a pump's front are its outer lengths measured."""
CLOSER = 0.75
"""A second look is taken when its box is smaller than this share of the photo's longer side."""
ROOM = 1.3
"""How much of a part's surroundings the second look takes in."""
SAME_AGAIN = 0.3
"""A part of the second look is the one looked at when its center and size lie this near."""
NO_FINER, QUARTER = 1.5, 0.55
"""A photo this much longer than the model's picture is looked at in four pieces of this share of its sides."""
HEAD_SHARE = 0.12
"""Radius of a bolt's head over its flange's, about: heads are 1.5 of their thread wide (ISO 4014), holes 1.1."""
HIDDEN_FACE = 0.8
"""How much less a flange whose face a companion hides is worth looking at than one that shows its holes."""
AMID = 0.35
"""How far beside a flange's middle its opening may lie, its radius being 1."""
FLANGE_VIEW = ("flange", "bolt")
"""What a flange's face shows where it is in view; a chamber's joint shows `OWN_PARTS`."""


@dataclass(frozen=True, eq=False)
class Subject:
    """A round part looked at closely: as the second look saw it, with that look's maps.

    Attributes:
        part: its outline, corrected by the map; maps: of the closest look.
        others: outlines of it as they were told before that. Where a part is cut off or half hidden any may be nearest.
    """

    part: RoundPart
    maps: PartMaps
    others: tuple[RoundPart, ...] = ()


@dataclass(frozen=True, eq=False)
class _Looks:
    """Looks at one photo, taken beside other work.

    Attributes:
        pixels_rgb: the photo.
        references: of those at all of it, and what looks like a scale reference there; None where nobody asked.
        pump: of those at the pump.
    """

    pixels_rgb: weakref.ref[NDArray[np.uint8]]
    references: Future[tuple[PartMaps, ReferenceSight]] | None
    pump: Future[PartMaps]


class LearnedFinder:
    """Finds parts with a loaded model."""

    def __init__(self, model: PartModel) -> None:
        self._model = model
        self._looks: _Looks | None = None

    def look_ahead(self, pixels_rgb: NDArray[np.uint8], references: bool) -> None:
        """Begin to look for the pump, and for scale references before it if they will be asked for."""
        self._begun(pixels_rgb, references)

    def find(self, question: PartQuestion) -> PartSightings:
        """Look at one photo."""
        maps = self._begun(question.pixels_rgb, references=False).pump.result()
        view = dict(maps.attributes["view"])
        rounds = round_parts(maps)
        doubts: tuple[Problem, ...] = ()
        if maps.attributes["pump"]["no"] > 0.5:
            doubts = (Problem(NO_PUMP_SEEN),)
            if not question.look_at and not any(part.score > SURE_PART for part in rounds):
                return PartSightings(view, problems=doubts)
        sightings = PartSightings(view, attributes=photo_evidence(maps, question.photo_name), problems=doubts)
        sightings = _with_front(sightings, maps, question.pixels_rgb)
        with ThreadPoolExecutor(1) as beside:
            flange_look = beside.submit(self._subject, question, maps, flange_of(question, maps, rounds))
            chamber = self._subject(question, maps, part_to_measure(maps, rounds, "chamber", question.hint("chamber")))
            if chamber is not None:
                sightings = _with_chamber(sightings, question, chamber)
            flange = flange_look.result()
        if flange is not None:
            sightings = _with_flange(sightings, question, flange, () if flange.maps is maps else rounds)
            sightings = _on_the_pump(sightings, question, maps, rounds, flange.part)
        else:
            mouth, circle = self._mouth(question, maps, rounds)
            if mouth is not None:
                sightings = replace(sightings, circles=(*sightings.circles, *([circle] if circle else [])))
                sightings = _on_the_pump(sightings, question, maps, rounds, mouth.part)
        return sightings

    def _mouth(
        self, question: PartQuestion, maps: PartMaps, rounds: Sequence[RoundPart]
    ) -> tuple[Subject | None, FoundCircle | None]:
        """The mouth to measure with its circle: the other port's where no edge of the first choice's is seen."""
        hint = question.hint("port")
        first = part_to_measure(maps, rounds, "mouth", hint)
        if first is None:
            return None, None
        others = [part for part in rounds if part.name == "mouth" and part is not first and part.score > SURE_PART]
        tried: list[tuple[Subject, FoundCircle | None]] = []
        for part in (first, *(others[:1] if hint is None else ())):
            mouth = closely(self._model, question.pixels_rgb, maps, part)
            circle = trace_mouth(question, (mouth.part, *mouth.others), mouth.maps)
            if circle is not None and not told_only(circle):
                return mouth, circle
            tried.append((mouth, circle))
        return next((one for one in tried if one[1] is not None), tried[0])

    def references_in(self, pixels_rgb: NDArray[np.uint8]) -> ReferenceSight:
        """What the model calls scale references; where it sees no coin at once, it looks at a large photo in pieces."""
        references = self._begun(pixels_rgb, references=True).references
        assert references is not None
        return references.result()[1]

    def _begun(self, pixels_rgb: NDArray[np.uint8], references: bool) -> _Looks:
        """The looks at this photo, begun now unless they were before; one at all of it serves references and pump."""
        looks = self._looks  # read once: another thread may look at another photo meanwhile
        if looks is None or looks.pixels_rgb() is not pixels_rgb or (references and looks.references is None):
            beside = ThreadPoolExecutor(1)
            whole = beside.submit(self._look_for_references, pixels_rgb) if references else None
            pump = beside.submit(lambda: look_at_pump(self._model, pixels_rgb, whole.result()[0] if whole else None))
            beside.shutdown(wait=False)
            self._looks = looks = _Looks(weakref.ref(pixels_rgb), whole, pump)
        return looks

    def _look_for_references(self, pixels_rgb: NDArray[np.uint8]) -> tuple[PartMaps, ReferenceSight]:
        height, width = pixels_rgb.shape[:2]
        looks = [self._model.look(pixels_rgb, sharp=True)]
        if max(height, width) > NO_FINER * PICTURE_PX and not _coins(looks[0]):
            wide, high = QUARTER * width, QUARTER * height
            corners = [(left, top) for top in (0.0, height - high) for left in (0.0, width - wide)]
            boxes = [(left, top, left + wide, top + high) for left, top in corners]
            with ThreadPoolExecutor(2) as threads:
                looks += threads.map(lambda box: self._model.look(pixels_rgb, box), boxes)
        coins = sorted((coin for maps in looks for coin in _coins(maps)), key=lambda coin: -coin.score)
        places = [coin.outline_px(60) for coin in coins]

        def filled(outline_px: Array) -> float:
            told = RoundPart.of_outline("coin", outline_px)
            named = [coin.score for coin in coins if coin.resembles(told, SAME_AGAIN)]
            return max([*named, *(share_inside(maps, "scale_reference", outline_px) for maps in looks)])

        return looks[0], ReferenceSight(filled, (*places, *part_outlines(looks[0], "scale_reference")))

    def _subject(self, question: PartQuestion, maps: PartMaps, part: RoundPart | None) -> Subject | None:
        return None if part is None else closely(self._model, question.pixels_rgb, maps, part)


def _coins(maps: PartMaps) -> list[RoundPart]:
    return [part for part in round_parts(maps) if part.name == "coin"]


def closely(model: PartModel, pixels_rgb: NDArray[np.uint8], maps: PartMaps, part: RoundPart) -> Subject:
    """A part as a look at it alone shows it, where that shows more of it than the maps it was found in."""
    outline = part.outline_px(stretch=ROOM)
    (left, top), (right, bottom) = outline.min(axis=0), outline.max(axis=0)
    if max(right - left, bottom - top) > CLOSER * max(pixels_rgb.shape[:2]):
        return Subject(by_the_map(maps, part), maps, (part,))
    again = model.look(pixels_rgb, (left, top, right, bottom))
    same = [one for one in round_parts(again) if one.name == part.name and one.resembles(part, SAME_AGAIN)]
    return Subject(by_the_map(again, same[0] if same else part), again, (part, *same[:1]))


def best_finder() -> LearnedFinder | ClassicalFinder:
    """The learned finder where its model can be loaded, else the classical one."""
    model = load_part_model()
    if isinstance(model, PartModel):
        return LearnedFinder(model)
    return ClassicalFinder(Problem(NO_PART_MODEL, model.reason))


def part_to_measure(maps: PartMaps, rounds: Sequence[RoundPart], name: str, hint: LookAt | None) -> RoundPart | None:
    """The part to measure: sure, large, seen squarely and its face open, or the one the user points at."""
    parts = [part for part in rounds if part.name == name]
    if not parts:
        return None
    largest = max(float(part.semi_axes_px[1]) for part in parts)

    def merit(part: RoundPart) -> float:
        if hint is not None:
            away = float(np.linalg.norm(part.center_px - [hint.x_px, hint.y_px])) / max(hint.radius_px, 1.0)
            return -away - abs(float(np.log(part.semi_axes_px[0] / max(hint.radius_px, 1.0))))
        # The shorter half axis is large when the part is near and seen squarely.
        hidden = HIDDEN_FACE if name == "flange" and is_mated(maps, part) else 0.0
        return part.score + float(part.semi_axes_px[1]) / largest - hidden

    return max(parts, key=merit)


def _on_the_pump(
    sightings: PartSightings, question: PartQuestion, maps: PartMaps, rounds: Sequence[RoundPart], port: RoundPart
) -> PartSightings:
    """Sightings with where on the pump the port is, and the other one like it."""
    return replace(sightings, twin=find_twin(question, maps, rounds, port), port_level=port_level(maps, port))


def flange_of(question: PartQuestion, maps: PartMaps, rounds: Sequence[RoundPart]) -> RoundPart | None:
    """The flange to measure; None where the photo rather shows the mouth of a thread."""
    hint = question.hint("port")
    flange, mouth = (part_to_measure(maps, rounds, name, hint) for name in ("flange", "mouth"))
    if flange is None or mouth is None or hint is not None:
        return flange
    connection = maps.attributes["connection"]
    return flange if connection["flanged"] * flange.score >= connection["threaded"] * mouth.score else None


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
) -> PartSightings:
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
    circles = [rim.circle, trace_mouth(question, inside[:2], told.maps, about, traces) if inside else None]
    if seen is not None:
        traced = rim.circle if rim.is_traced else None
        rim_px = None if traced is None else traced.sighting.points_px
        holes, by_holes = trace_bolt_circle(question, rim.placed, rim_px, seen)
        if traced is not None and by_holes is not None:
            circles[0] = replace(traced, sighting=replace(traced.sighting, middle=by_holes))
        circles += holes
    marks = np.zeros((0, 2)) if seen is None else seen.middles_px
    return _more(sightings, circles, ("flange_bolts", marks), hole_count_evidence(likelihood, question.photo_name))


def _amid(flange: RoundPart, mouth: RoundPart) -> bool:
    return float(np.linalg.norm(flange.unit_places(mouth.center_px[None]))) < AMID


def _holes_of(flange: Subject, rim: FlangeRim) -> tuple[SeenHoles | None, Mapping[int, float]]:
    """The holes that the photo itself shows, else the bolts that the model sees, with the likelihood of each number."""
    if rim.ring is not None:
        ring = rim.ring
        return SeenHoles(ring.middles_px, ring.slots, ring.count, ring.hole_share, ring.slot_share), ring.likelihood
    counted, places_px = _ring(flange, "flange_bolt", FLANGE_COUNTS, FLANGE_VIEW)
    if counted is None or len(places_px) < 3:
        return None, {} if counted is None else counted.likelihood
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
