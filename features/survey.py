"""The way of the photos of one pump: load each, survey each, combine what they say."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from features.attributes import combine_attributes
from features.circle_in_photos import circles_of_photos
from features.combine import Combined, combine_lengths, says_something
from features.kept_memory import keep_freed_memory
from features.measured import AttributeEvidence, MeasuredLength
from features.mouth_edges import MAJOR, MINOR, with_crests_told
from features.parts.finder import LookAt, PartFinder
from features.parts.learned import best_finder
from features.photo import PhotoRefused, load_photos
from features.photo_survey import FittedCircle, PhotoSurvey, SurveyRequest
from features.placement import MOUTHS, RIM, CardAt
from features.ports import PortSize, possible_ports
from features.problems import PHOTOS_DISAGREE, Problem
from features.ruler import flange_as_ruler, with_flange_known
from features.seen_circle import SeenCircle
from features.shared_scale import by_length_of_others, with_scale_of_others
from features.sideways import survey_upright
from features.thread_edge import with_edge_told, without_wrong_edges
from features.thread_pitch import PITCH
from features.two_at_once import leave_threads_to_us
from features.which_edge import with_edge_doubt, with_thread_doubt

_READ_BY_MOUTH = (PITCH, MAJOR, MINOR)
"""Lengths of a thread that a photo tells as so many times its mouth."""

__all__ = ["CardAt", "FittedCircle", "LookAt", "PhotoSurvey", "Survey", "SurveyRequest", "survey_photos"]


@dataclass(frozen=True, eq=False)
class Survey:
    """What all photos of one pump gave together.

    Attributes:
        photos: one entry a photo that could be read.
        refused: files that could not be read.
        lengths: combined lengths; their covariance is `features.measured.log_covariance(lengths)`.
        attributes: combined evidence, one entry an attribute.
        ports: possible port sizes, most probable first.
    """

    photos: tuple[PhotoSurvey, ...]
    refused: tuple[PhotoRefused, ...]
    lengths: tuple[MeasuredLength, ...]
    attributes: tuple[AttributeEvidence, ...]
    ports: tuple[PortSize, ...]


def survey_photos(paths: Sequence[Path], request: SurveyRequest, finder: PartFinder | None = None) -> Survey:
    """Survey all photos of one pump.

    Args:
        paths: photo files, all of one pump.
        request: what the user said beforehand.
        finder: who finds the parts; the part model, or the classical finder where there is none, when None.

    Returns:
        The survey. Files that could not be read are listed in `refused`, the others are used.
    """
    keep_freed_memory()
    leave_threads_to_us()
    finder = finder or best_finder()
    loaded = load_photos(paths)
    refused = tuple(photo for photo in loaded if isinstance(photo, PhotoRefused))
    surveys = [
        survey_upright(photo, request.in_photo(number), finder)
        for number, photo in enumerate(loaded)
        if not isinstance(photo, PhotoRefused)
    ]
    return combine_surveys(surveys, refused)


def combine_surveys(surveys: Sequence[PhotoSurvey], refused: Sequence[PhotoRefused] = ()) -> Survey:
    """Combine the surveys of single photos of one pump."""
    measured = with_scale_of_others([survey.lengths for survey in surveys])
    combined = _by_mouth(combine_lengths(measured, _joined(surveys)), surveys)
    attributes = combine_attributes([evidence for survey in surveys for evidence in survey.attributes])
    by_name = {evidence.name: evidence.likelihood for evidence in attributes}
    hole_count, connection = by_name.get("bolt_hole_count", {}), by_name.get("connection", {})
    lengths = combined.lengths
    if connection.get("threaded", 0.0) < 0.5:
        lengths = tuple(length for length in lengths if length.name not in (MAJOR, MINOR))
    ports = possible_ports(lengths, hole_count, connection)
    lengths = with_flange_known(flange_as_ruler(lengths, ports), ports)
    lengths = with_crests_told(without_wrong_edges(lengths, ports))
    # Ports are named before: a thread's table knows both of its edges.
    lengths = tuple(with_thread_doubt(length, connection.get("threaded", 0.0)) for length in lengths)
    lengths = tuple(with_edge_told(length, ports) for length in lengths)
    lengths = tuple(length for length in lengths if says_something(length))
    if combined.disagreements:
        surveys = [replace(s, problems=(*s.problems, *_said(combined.disagreements))) for s in surveys]
    return Survey(tuple(surveys), tuple(refused), lengths, attributes, ports)


def _by_mouth(combined: Combined, surveys: Sequence[PhotoSurvey]) -> Combined:
    """The same, but what every photo read of a thread by its mouth as all photos together tell its size."""
    mouths = {length.name: length for length in combined.lengths if length.name in MOUTHS}
    inside = []
    for survey in surveys:
        own = next((circle.length for circle in survey.circles if circle.name in MOUTHS), None)
        read = [length for length in survey.lengths if length.name in _READ_BY_MOUTH]
        inside += [by_length_of_others(one, own, mouths[own.name]) if own else one for one in read]
    if not inside:
        return combined
    together = combine_lengths(inside)
    others = tuple(length for length in combined.lengths if length.name not in _READ_BY_MOUTH)
    disagreements = {name: pull for name, pull in combined.disagreements.items() if name not in _READ_BY_MOUTH}
    return Combined((*others, *together.lengths), disagreements | together.disagreements)


def _joined(surveys: Sequence[PhotoSurvey]) -> dict[str, MeasuredLength]:
    """Circles that several photos saw with the reference left in place, each solved by all of them at once."""
    seen: dict[str, list[SeenCircle]] = {}
    for survey in surveys:
        for circle in survey.circles:
            if circle.seen is not None:
                # The length's photos carry the names the photos have by now.
                solved = replace(circle.seen.solved, length=circle.length)
                seen.setdefault(circle.name, []).append(replace(circle.seen, solved=solved))
    return {name: with_edge_doubt(length, RIM in seen) for name, length in circles_of_photos(seen).items()}


def _said(disagreements: dict[str, float]) -> tuple[Problem, ...]:
    return tuple(
        Problem(PHOTOS_DISAGREE, f"{name.replace('_', ' ')}: {pull:.1f} standard uncertainties apart")
        for name, pull in disagreements.items()
    )
