"""The way of one photo: scale, poses of its plane, parts, and each circle measured."""

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from features.facing_port import by_front
from features.inside_port import spans_inside_port
from features.landmarks import Landmarks
from features.lenses import lenses
from features.measure_circles import MeasuredCircle, lies_on_floor, measure_circles
from features.measured import AttributeEvidence, MeasuredLength
from features.parts.finder import FoundCircle, LookAt, PartFinder, PartQuestion, PartSightings
from features.photo import Photo
from features.placement import MOUTHS, CardAt
from features.plane_pose import PlanePose, plane_poses, scale_at_reference, unscaled_pose
from features.plane_solution import poses_as_solved
from features.port_pair import spacing_of_pair
from features.problems import (
    COIN_TELLS_NO_FLOOR,
    FRONT_UNSURE,
    NO_SCALE,
    NOTHING_FOUND,
    REFERENCE_ON_FLOOR,
    SCALE_FITS_NO_PLANE,
    Problem,
)
from features.scale.find import find_first, references_among, with_bank_cards
from features.scale.reference import ScaleFinding, ScaleReference, ScaleRequest
from features.seen_circle import SeenCircle
from features.sharpness import blur_problems
from features.spans import MeasuredFront, MeasuredSpan, by_pair, measure_front

Array = NDArray[np.float64]

PAIRED = "port_spacing"
FLOOR_COIN_PX = 80.0
"""A smaller coin does not tell how the floor lies that it is on: the ratio of its axes, read to 0.7 px each, turns a
floor seen at 45 degrees by more than two (of 12 lengths by coins on floors, 11 of less than 58 px, 5 were outside their
intervals)."""
PAPERS = ("scale_card", "sheet")
"""Scale references that are white paper."""


@dataclass(frozen=True)
class SurveyRequest:
    """What the user said before the photos were looked at.

    Attributes:
        scale: what was said about scale references.
        card_at: where the reference lies, in all photos that `card_at_in` does not speak of.
        card_at_in: where it lies in each photo, in the photos' order; empty where it lies at one place in all.
        look_at: hints where features are.
        known: attribute or `*_mm` values already known, as typed (`connection` -> "flanged").
    """

    scale: ScaleRequest = field(default_factory=ScaleRequest)
    card_at: CardAt = "unknown"
    card_at_in: tuple[CardAt, ...] = ()
    look_at: tuple[LookAt, ...] = ()
    known: Mapping[str, str] = field(default_factory=dict)

    def in_photo(self, number: int) -> "SurveyRequest":
        """What was said of one photo, counted from 0."""
        return replace(self, card_at=self.card_at_in[number], card_at_in=()) if self.card_at_in else self


@dataclass(frozen=True, eq=False)
class FittedCircle:
    """A circle found and fitted in one photo, for drawing and for explaining.

    Attributes:
        name: word of the design's section 3.
        outline_px: (M, 2) fitted curve in pixels of the upright photo.
        visible_fraction: part of the outline that edges supported, 0..1.
        length: what it measured.
        seen: what it takes to solve it together with other photos; None where only this photo can.
    """

    name: str
    outline_px: Array
    visible_fraction: float
    length: MeasuredLength
    seen: SeenCircle | None = None


@dataclass(frozen=True, eq=False)
class PhotoSurvey:
    """What one photo gave.

    Attributes:
        name: file name; path: where it was read from; width_px, height_px: upright size.
        view: probability of each view name.
        scale: the reference used, or None.
        mm_per_px: in the reference plane at the reference, 0 without scale.
        scale_relative_sd: standard uncertainty of that, relative.
        circles: fitted circles with their lengths.
        marks_px: named point sets for drawing, e.g. "bolts" -> (K, 2).
        attributes: evidence from this photo alone.
        problems: everything noticed.
        private_px: (M, 2) outlines that must be made unreadable in every picture kept: all bank cards seen.
        card_at: where the user said the reference lies in it.
        spans: lengths between two places of the pump, where the photo shows them, a thread's pitch and both diameters,
            and a raised face.
    """

    name: str
    path: Path
    width_px: int
    height_px: int
    view: Mapping[str, float]
    scale: ScaleReference | None
    mm_per_px: float
    scale_relative_sd: float
    circles: tuple[FittedCircle, ...]
    marks_px: Mapping[str, Array]
    attributes: tuple[AttributeEvidence, ...]
    problems: tuple[Problem, ...]
    private_px: tuple[Array, ...] = ()
    card_at: CardAt = "unknown"
    spans: tuple[MeasuredSpan, ...] = ()

    @property
    def lengths(self) -> tuple[MeasuredLength, ...]:
        """All that was measured in it."""
        return (*(circle.length for circle in self.circles), *(span.length for span in self.spans))


@dataclass(frozen=True, eq=False)
class _Measured:
    """What was measured in a photo by its scale references.

    Attributes:
        reference: the one used, with the poses of its plane (never none).
        sightings: the parts; circles: those measured; spans: lengths between two places.
        problems: what was noticed, but for those of the photo and of the references.
    """

    reference: ScaleReference | None
    poses: tuple[PlanePose, ...]
    sightings: PartSightings
    circles: tuple[MeasuredCircle, ...]
    spans: tuple[MeasuredSpan, ...]
    problems: tuple[Problem, ...]


def survey_photo(photo: Photo, request: SurveyRequest, finder: PartFinder) -> PhotoSurvey:
    """Survey one photo: find the scale, find the parts, measure each circle."""
    with threadpool_limits(limits=1, user_api="blas"):  # the matrices are small: threads would wait for each other
        finder.look_ahead(photo.pixels_rgb, request.look_at, request.scale.looks_for_coin)
        first = find_first(photo, request.scale, finder)
        known = references_among(first)
        if not known:
            return survey_by(with_bank_cards(first, photo, finder), photo, request, finder)
        # Neither bank cards nor the photo's sharpness often change by what is measured: both can wait for the looks.
        with ThreadPoolExecutor(1) as beside:
            searched = beside.submit(with_bank_cards, first, photo, finder)
            blurred = beside.submit(blur_problems, photo.gray)
            measured = _measured(known, photo, request, finder)
        finding = searched.result()
        if finding.references != known:
            measured = _measured(finding.references, photo, request, finder)
        return _survey(finding, measured, blurred.result(), photo, request)


def survey_by(finding: ScaleFinding, photo: Photo, request: SurveyRequest, finder: PartFinder) -> PhotoSurvey:
    """Survey one photo by the scale references that were found in it: find the parts, measure each circle."""
    with ThreadPoolExecutor(1) as beside:
        blurred = beside.submit(blur_problems, photo.gray)
        measured = _measured(finding.references, photo, request, finder)
    return _survey(finding, measured, blurred.result(), photo, request)


def _measured(
    references: tuple[ScaleReference, ...], photo: Photo, request: SurveyRequest, finder: PartFinder
) -> _Measured:
    """Find the parts, measure each circle and what lies between."""
    reference, poses, unusable = _placed(references, photo, request.card_at)
    expected = _card_at(photo, request, reference, poses, ())
    question = _question(photo, poses, reference, references, expected, request)
    sightings = finder.find(question)
    card_at = _card_at(photo, request, reference, poses, sightings.circles)
    if card_at == "floor" != expected:
        # They were looked for in planes parallel to it.
        sightings = finder.find(_question(photo, poses, reference, references, card_at, request))
    circles = measure_circles(
        photo,
        sightings.circles,
        poses,
        reference,
        card_at,
        sightings.port_level,
        sightings.chance("port_position", "center"),
    )
    front = MeasuredFront()
    if sightings.front is not None:
        front = measure_front(photo, sightings.front, poses, reference, card_at)
        circles = tuple(_at_front(one, _is_flanged(sightings), front) for one in circles)
    spans, unsure = _spans(photo, question, sightings, circles, front, card_at)
    problems = [*unusable, *sightings.problems]
    problems += [problem for circle in circles for problem in circle.problems]
    if reference is None:
        problems.append(Problem(NO_SCALE))
    elif card_at != request.card_at:
        problems.append(Problem(REFERENCE_ON_FLOOR))
    problems += unsure
    if not circles and not spans:
        problems.append(Problem(NOTHING_FOUND))
    return _Measured(reference, poses, sightings, circles, spans, tuple(problems))


def _survey(
    finding: ScaleFinding, measured: _Measured, blurred: tuple[Problem, ...], photo: Photo, request: SurveyRequest
) -> PhotoSurvey:
    """The survey of a photo in which references were found and parts measured, with how blurred it is."""
    sightings = measured.sightings
    hidden = (*(seen.outline_px for seen in finding.references), *finding.private_px)
    landmarks = Landmarks.of(photo.gray, hidden) if any(circle.seen for circle in measured.circles) else None
    problems = (*photo.problems, *blurred, *finding.problems, *measured.problems)
    mm_per_px, relative_sd = scale_at_reference(measured.reference, photo, measured.poses)
    return PhotoSurvey(
        name=photo.name,
        path=photo.path,
        width_px=photo.width_px,
        height_px=photo.height_px,
        view=sightings.view,
        scale=measured.reference,
        mm_per_px=mm_per_px,
        scale_relative_sd=relative_sd,
        circles=tuple(_fitted(circle, landmarks) for circle in measured.circles),
        marks_px=sightings.marks_px,
        attributes=sightings.attributes,
        problems=tuple(dict.fromkeys(problems)),
        private_px=finding.private_px,
        card_at=request.card_at,
        spans=measured.spans,
    )


def _at_front(one: MeasuredCircle, flanged: bool, front: MeasuredFront) -> MeasuredCircle:
    """A thread's mouth by the front's scale where that is better and no other photo may yet place it."""
    if one.found.sighting.name not in MOUTHS or flanged or one.seen is not None:
        return one
    moved = by_front(replace(one.solved, length=one.length), front.ports)
    return replace(one, solved=moved, length=moved.length) if moved else one


def _spans(
    photo: Photo,
    question: PartQuestion,
    sightings: PartSightings,
    measured: Sequence[MeasuredCircle],
    front: MeasuredFront,
    card_at: CardAt,
) -> tuple[tuple[MeasuredSpan, ...], tuple[Problem, ...]]:
    """Lengths between places of the pump, and what was noticed of them."""
    inside = spans_inside_port(photo.focal, question, measured, _is_flanged(sightings), card_at)
    pair = _pair(measured, sightings.twin)
    if sightings.front is None:
        return (*pair, *inside), ()
    spans = front.spans
    if pair and not question.has_scale:
        spans = by_pair(spans, pair[0])
    elif pair and pair[0].length.relative_sd < min(
        [s.length.relative_sd for s in spans if s.length.name == PAIRED] or [1]
    ):
        spans = (*pair, *(span for span in spans if span.length.name != PAIRED))
    return (*spans, *inside), () if spans or sightings.front.is_close_up else (Problem(FRONT_UNSURE),)


def _is_flanged(sightings: PartSightings) -> bool:
    return sightings.chance("connection", "flanged") > 0.5


def _pair(measured: Sequence[MeasuredCircle], twin: FoundCircle | None) -> tuple[MeasuredSpan, ...]:
    """The port spacing by the measured port and its twin, if there is one."""
    first = next((c for c in measured if twin is not None and c.found.sighting.name == twin.sighting.name), None)
    if first is None or twin is None or first.found.edge_on:
        return ()
    solved = replace(first.solved, length=first.length)
    told = spacing_of_pair(solved, first.found, twin)
    return () if told is None else (MeasuredSpan(*told),)


def _card_at(
    photo: Photo,
    request: SurveyRequest,
    reference: ScaleReference | None,
    poses: Sequence[PlanePose],
    circles: Sequence[FoundCircle],
) -> CardAt:
    """Where the reference lies: as told, or on the floor where it was not told and by the circles found it does."""
    on_floor = reference is not None and lies_on_floor(photo, reference, poses, circles, request.card_at)
    return "floor" if on_floor else request.card_at


def _placed(
    references: tuple[ScaleReference, ...], photo: Photo, card_at: CardAt
) -> tuple[ScaleReference | None, tuple[PlanePose, ...], tuple[Problem, ...]]:
    """The best reference that fits a plane, its possible poses (never none), and what was said of the others."""
    unusable: list[Problem] = []
    for reference in references:
        across_px = float(np.ptp(reference.points_px, axis=0).max())
        if reference.is_circle and card_at == "floor" and across_px < FLOOR_COIN_PX:
            unusable.append(Problem(COIN_TELLS_NO_FLOOR, f"{across_px:.0f} px across"))
            continue
        poses = plane_poses(reference, photo)
        if poses:
            return reference, poses_as_solved(reference, photo, poses), tuple(unusable)
        unusable.append(Problem(SCALE_FITS_NO_PLANE, reference.label))
    return None, (unscaled_pose(photo),), tuple(unusable)


def _question(
    photo: Photo,
    poses: tuple[PlanePose, ...],
    reference: ScaleReference | None,
    seen: tuple[ScaleReference, ...],
    card_at: CardAt,
    request: SurveyRequest,
) -> PartQuestion:
    slant_told = reference is not None and len(reference.points_mm) > 2
    return PartQuestion(
        photo_name=photo.name,
        pixels_rgb=photo.pixels_rgb,
        gray=photo.gray,
        poses=poses,
        has_scale=reference is not None,
        tilt_known=slant_told and card_at != "floor",
        look_at=request.look_at,
        known=request.known,
        keep_out_px=tuple(thing.outline_px for thing in seen),
        papers_px=tuple(thing.outline_px for thing in seen if thing.kind in PAPERS),
        longer=_by_longer_lenses(photo, reference) if slant_told else (),
        on_floor=slant_told and card_at == "floor",
    )


def _by_longer_lenses(photo: Photo, reference: ScaleReference | None) -> tuple[PlanePose, ...]:
    """The reference's plane as each longer lens that may have taken the photo would have it."""
    if reference is None or reference.is_circle:
        return ()
    longer = (replace(photo, focal=focal) for focal, _ in lenses(photo.focal)[1:])
    return tuple(poses[0] for lens in longer if (poses := plane_poses(reference, lens)))


def _fitted(circle: MeasuredCircle, landmarks: Landmarks | None) -> FittedCircle:
    sighting = circle.found.sighting
    outline = circle.solved.outline_px()
    seen = replace(circle.seen, landmarks=landmarks) if circle.seen else None
    return FittedCircle(sighting.name, outline, circle.found.coverage, circle.length, seen)
