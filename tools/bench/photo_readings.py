"""What the program says of one rendered photo or scene beside the truth: one reading a circle that could be seen."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from features.parts.finder import LookAt, PartFinder, PartQuestion, PartSightings
from features.parts.learned import best_finder
from features.photo import Photo, load_photo
from features.photo_survey import PhotoSurvey, SurveyRequest, survey_by
from features.ports import PortSize
from features.scale.find import find_scales
from features.scale.reference import ReferenceSight, ScaleFinding
from features.survey import Survey, combine_surveys
from identify.typed.options import TypedOptions, understand
from tools.bench.rendered_folder import RenderedPhoto, TrueCircle, read_folder, scenes, viewing_angle_deg

SEEN: dict[str, float] = {
    "chamber_diameter": 0.34,
    "flange_diameter": 0.34,
    "bolt_circle_diameter": 0.5,
    "port_bore": 0.5,
}
"""Least part in view for a circle to be asked of a photo: 120 degrees of arc, half of the bolts, half of a mouth."""
IN_PLANE_MM, IN_PLANE_DEG = 15.0, 3.0
"""A reference lies in a circle's plane up to this offset (a card over bolt heads or a clamp band's crest) and angle."""
TWO_PHOTOS_DEG = (10.0, 40.0)
HOLES_SEEN_DEG = 80.0
"""A flange's face seen from further aside shows no holes: each looks less than a sixth as wide as it is, and what is
before its plane hides that. The record counts a hole as in view when no other thing hides it, however aside."""
_MATED = {0: "mated", 1: "mated_inlet"}
"""The attribute that says whether a pipe hides the face of the discharge port (0) or of the inlet (1)."""


@dataclass(frozen=True)
class Reading:
    """One circle asked of a photo or a scene.

    Attributes:
        photos: names; way: "told", "unknown", "hidden" (as unknown, the reference not in view) or "two photos".
        name: of the circle.
        in_plane: whether the reference lies in its plane.
        truth_mm: true diameter; visible: the part of the circle in view.
        value_mm: what was measured, None when nothing was, or only a ratio; relative_sd: stated with it.
        log_low, log_high: the 95 % interval stated, from the value, in logarithms.
        offset_mm: the reference's true distance from the circle's plane; angle_deg: between the views of two photos.
    """

    photos: tuple[str, ...]
    way: str
    name: str
    in_plane: bool
    truth_mm: float
    visible: float
    value_mm: float | None
    relative_sd: float
    log_low: float
    log_high: float
    offset_mm: float
    angle_deg: float = 0.0
    budget: str = ""

    @property
    def error(self) -> float:
        """Logarithm of measured over true."""
        return float(np.log((self.value_mm or np.nan) / self.truth_mm))

    @property
    def held(self) -> bool:
        """Whether the 95 % interval holds the truth."""
        return self.log_low <= -self.error <= self.log_high


@dataclass(frozen=True)
class PortReading:
    """The port named in one photo: "told" with its reference, "none" as if there were no reference in it.

    Attributes:
        photo: name; way: see above; connection: the true one.
        asked: whether its holes (its mouth, when threaded) are in view.
        true_port, told: (standard, nominal size); told is None when no port was named.
        probability: of the told one.
        told_size: the nominal size that is likeliest whatever the standard, None when no port was named.
        size_probability: of that one.
        has_scale: whether a scale reference was read in the photo; in_view: whether one is there to be read.
    """

    photo: str
    way: str
    connection: str
    asked: bool
    true_port: tuple[str, str]
    told: tuple[str, str] | None
    probability: float
    told_size: str | None
    size_probability: float
    has_scale: bool
    in_view: bool


@dataclass(frozen=True)
class SceneReadings:
    """All readings of one scene."""

    circles: tuple[Reading, ...] = ()
    ports: tuple[PortReading, ...] = ()
    unreadable: tuple[str, ...] = ()


@dataclass
class RememberingFinder:
    """Looks at each photo once for several ways of measuring it: what it sees hangs on no more than the question."""

    finder: PartFinder
    seen: dict[tuple[str, bool, bool], PartSightings] = field(default_factory=dict)

    def find(self, question: PartQuestion) -> PartSightings:
        """Look at a photo, or remember it."""
        key = (question.photo_name, question.has_scale, question.tilt_known)
        if key not in self.seen:
            self.seen[key] = self.finder.find(question)
        return self.seen[key]

    def look_ahead(self, pixels_rgb: NDArray[np.uint8], look_at: tuple[LookAt, ...], references: bool) -> None:
        """Asked as it is."""
        self.finder.look_ahead(pixels_rgb, look_at, references)

    def quarter_turns(self, pixels_rgb: NDArray[np.uint8]) -> int:
        """Asked as it is."""
        return self.finder.quarter_turns(pixels_rgb)

    def references_in(self, pixels_rgb: NDArray[np.uint8]) -> ReferenceSight | None:
        """Asked as it is."""
        return self.finder.references_in(pixels_rgb)

    def closer_references_in(self, pixels_rgb: NDArray[np.uint8]) -> ReferenceSight | None:
        """Asked as it is."""
        return self.finder.closer_references_in(pixels_rgb)


def read_scene(scene: Sequence[RenderedPhoto]) -> SceneReadings:
    """Measure a scene's photos in every way its truth allows to judge."""
    finder = RememberingFinder(best_finder())
    circles: list[Reading] = []
    ports: list[PortReading] = []
    told: list[tuple[RenderedPhoto, PhotoSurvey]] = []
    unreadable: list[str] = []
    for photo in scene:
        loaded = load_photo(photo.path)
        if not isinstance(loaded, Photo):
            unreadable.append(photo.label)
            continue
        with threadpool_limits(limits=1, user_api="blas"):
            by_place = request_of(photo, photo.card_at)
            finding = find_scales(loaded, by_place.scale, finder)
            survey = survey_by(finding, loaded, by_place, finder)
            told.append((photo, survey))
            circles += _readings((photo,), "told", combine_surveys([survey]), (survey,))
            ports.append(_port(photo, "told", survey))
            if photo.has_reference:
                unsaid = survey_by(finding, loaded, request_of(photo, "unknown"), finder)
                way = "unknown" if photo.shows_reference else "hidden"
                circles += _readings((photo,), way, combine_surveys([unsaid]), (unsaid,))
            if ports[-1].asked and ports[-1].connection == "flanged":
                bare = survey_by(ScaleFinding(()), loaded, SurveyRequest(), finder)
                ports.append(_port(photo, "none", bare))
    circles += _two_photos(told)
    return SceneReadings(tuple(circles), tuple(ports), tuple(unreadable))


def request_of(photo: RenderedPhoto, card_at: str) -> SurveyRequest:
    """What a user would say of a rendered photo: what lies in it, and where."""
    return understand(TypedOptions(card_at=card_at, coin=photo.coin, sheet=photo.sheet)).request


def _two_photos(told: Sequence[tuple[RenderedPhoto, PhotoSurvey]]) -> list[Reading]:
    """Every pair of a scene's photos whose views lie far enough apart, answered together."""
    readings: list[Reading] = []
    for i, (one, first) in enumerate(told):
        for other, second in told[i + 1 :]:
            if not one.has_reference or not other.has_reference:
                continue
            angle = viewing_angle_deg(one, other)
            if TWO_PHOTOS_DEG[0] <= angle <= TWO_PHOTOS_DEG[1]:
                pair = combine_surveys([first, second])
                readings += _readings((one, other), "two photos", pair, (first, second), angle)
    return readings


def _readings(
    photos: Sequence[RenderedPhoto], way: str, together: Survey, surveys: Sequence[PhotoSurvey], angle: float = 0.0
) -> list[Reading]:
    """One reading a name of circle that all the photos show."""
    readings = []
    lengths = {length.name: length for length in together.lengths if not length.is_ratio_only}
    for name in SEEN:
        shown = [_meant(photo, survey, name) for photo, survey in zip(photos, surveys, strict=True)]
        if any(circle is None for circle in shown):
            continue
        circles = [circle for circle in shown if circle is not None]
        length = lengths.get(name)
        readings.append(
            Reading(
                tuple(photo.label for photo in photos), way, name,
                all(in_plane(circle) for circle in circles), circles[0].diameter_mm,
                min(circle.visible_fraction for circle in circles),
                None if length is None else length.value_mm, 0.0 if length is None else length.relative_sd,
                *((0.0, 0.0) if length is None else length.log_interval),
                circles[0].offset_mm if circles[0].offset_mm is not None else float("nan"), angle,
                "" if length is None else " ".join(
                    f"{part} {mm / length.value_mm:.2%}" for part, mm in length.budget_mm().items()
                ),
            )
        )  # fmt: skip
    return readings


def in_plane(circle: TrueCircle) -> bool:
    """Whether the photo's first reference lies in the circle's plane, as nearly as a card on it does."""
    if circle.offset_mm is None or circle.angle_deg is None:
        return False
    return abs(circle.offset_mm) <= IN_PLANE_MM and circle.angle_deg <= IN_PLANE_DEG


def _meant(photo: RenderedPhoto, survey: PhotoSurvey, name: str) -> TrueCircle | None:
    """The circle a reading of this name is judged by: the one it lies on, else one in the reference's plane.

    None when no circle of this name can be asked of the photo.
    """
    there = [circle for circle in photo.circles if circle.name == name]
    asked = [circle for circle in there if circle.visible_fraction >= SEEN[name]]
    if not asked:
        return None
    fitted = next((circle for circle in survey.circles if circle.name == name), None)
    if fitted is None:
        return max(asked, key=lambda circle: (in_plane(circle), circle.visible_fraction))
    middle = fitted.outline_px.mean(axis=0)
    nearest = min(there, key=lambda circle: float(np.linalg.norm(photo.project(circle.center_mm) - middle)))
    # Measured the one that is hardly in view: judged all the same, its reading is what the user gets.
    return nearest


def _port(photo: RenderedPhoto, way: str, survey: PhotoSurvey) -> PortReading:
    ports = combine_surveys([survey]).ports
    size, size_probability = _likeliest_size(ports)
    told = photo.truth["attributes"]
    flanged = told["connection"] == "flanged"
    return PortReading(
        photo.label, way, told["connection"],
        any(_shows_port(circle, photo, flanged) for circle in photo.circles),
        (told["port_standard"], told["port_nominal_in"]),
        (ports[0].standard, ports[0].nominal_in) if ports else None, ports[0].probability if ports else 0.0,
        size, size_probability, survey.scale is not None, photo.shows_reference,
    )  # fmt: skip


def _likeliest_size(ports: Sequence[PortSize]) -> tuple[str | None, float]:
    """The nominal size that is likeliest whatever the standard, and its probability."""
    by_size: dict[str, float] = {}
    for port in ports:
        by_size[port.nominal_in] = by_size.get(port.nominal_in, 0.0) + port.probability
    return max(by_size.items(), key=lambda one: one[1], default=(None, 0.0))


def _shows_port(circle: TrueCircle, photo: RenderedPhoto, flanged: bool) -> bool:
    """Whether enough of an open port is in view to name it: half of its holes and of its rim, or half of a mouth."""
    if photo.truth["attributes"].get(_MATED[circle.instance]) == "yes":
        return False
    if not flanged:
        return circle.name == "port_bore" and circle.visible_fraction >= SEEN["port_bore"]
    rim = [
        one for one in photo.circles
        if one.name == "flange_diameter" and one.instance == circle.instance and one.visible_fraction >= 0.34
    ]  # fmt: skip
    if not rim or circle.name != "bolt_circle_diameter" or circle.visible_fraction < 0.5:
        return False
    aside = circle.normal @ -circle.center_mm / np.linalg.norm(circle.center_mm)
    return bool(aside > np.cos(np.radians(HOLES_SEEN_DEG)))


def folder_scenes(folders: Sequence[Path]) -> list[tuple[RenderedPhoto, ...]]:
    """The scenes of several folders."""
    return [scene for folder in folders for scene in scenes(read_folder(folder))]
