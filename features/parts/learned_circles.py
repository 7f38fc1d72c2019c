"""From an ellipse the part model tells to sub-pixel edge points of that part's circles."""

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from features.camera import Camera
from features.circle_fit import fit_circle
from features.circle_in_space import CircleSighting
from features.parts.bolt_count import CountedRing
from features.parts.finder import FoundCircle, PartQuestion
from features.parts.front_on import face_frame
from features.parts.part_maps import RoundPart, part_at
from features.parts.part_model import PartMaps
from features.parts.part_vocabulary import PART_CLASSES
from features.parts.port_face import trace_holes
from features.parts.trace import Squared, TracedCircle, trace_circle

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Trust:
    """How far a told outline of one kind of part is to be believed, all as shares of its size.

    Attributes:
        reach: half length of the scan lines, about three times the model's usual error.
        astray: a traced circle further than this from the told outline anywhere followed other edges.
        outline_sd: standard uncertainty of the outline itself, where no edge confirms it; as seen on renders.
    """

    reach: float
    astray: float
    outline_sd: float


TRUST = {
    "chamber": Trust(0.055, 0.035, 0.015),
    "flange": Trust(0.06, 0.05, 0.03),
    "mouth": Trust(0.15, 0.15, 0.1),
}
ROUND_ENOUGH = 0.12
"""Spread of the radius, relative, up to which a told outline may be a circle in the squared-up picture."""
LONGEST_REACH = 0.15
"""Scan lines longer than this meet too much that is not the part."""
PLAIN_BY_ELLIPSE, PLAIN_BY_REFERENCE, FARTHEST = 0.5, 0.33, 0.3
"""Evidence that makes a trace believed though it lies as far as `FARTHEST` from the told outline: under a slant that
the reference tells fewer curves are possible, and so less evidence does."""
SAME_NORMAL = float(np.cos(np.radians(1.5)))
"""Cosine of the angle within which two poses square a photo up alike."""
KNOWN_SLANT_BONUS = 0.12
"""How much more evidence a trace of free slant must have than one under the reference's slant to be preferred."""
LEAST_COVERAGE = 0.25
"""Share of a circle that must be seen for its trace to be believed."""
HIDERS = ("manifold", "flange", "companion", "threaded_boss", "scale_reference", "feet", "air_valve")
"""Parts that hide the joint's edge where they lie over it."""
UNIT_PX = 400.0
"""Radius that an ellipse is given in the picture made from it."""


@dataclass(frozen=True, eq=False)
class EllipseFrame:
    """A picture in which an ellipse of the photo is a circle of radius `UNIT_PX` about the origin."""

    part: RoundPart

    @property
    def px_per_px(self) -> float:
        """Its pixels per photo pixel."""
        return UNIT_PX / float(self.part.semi_axes_px.mean())

    def to_photo(self, points: Array) -> Array:
        """(N, 2) its pixels to photo pixels."""
        return self.part.center_px + (np.asarray(points, float) / UNIT_PX) @ self.part.shape_px.T

    def from_photo(self, points_px: Array) -> Array:
        """(N, 2) photo pixels to its pixels."""
        return self.part.unit_places(points_px) * UNIT_PX


@dataclass(frozen=True, eq=False)
class Placed:
    """A told outline as a circle of a squared-up picture.

    Attributes:
        frame: the picture; center, radius: of the circle there; measured_slant: whether a reference gave that picture.
        reach: half length of the scan lines that look for its edge, as a share of the radius.
    """

    frame: Squared
    center: Array
    radius: float
    measured_slant: bool
    reach: float


def trace_chamber(question: PartQuestion, part: RoundPart, maps: PartMaps) -> FoundCircle | None:
    """The outermost round edge of a chamber's joint."""
    hiders = [PART_CLASSES.index(name) for name in HIDERS]

    def free(rim_px: Array) -> NDArray[np.bool_]:
        # Just inside the edge something lies over the joint: there the edge seen is not the joint's.
        inside = part.center_px + 0.97 * (rim_px - part.center_px)
        return ~np.isin(part_at(maps, inside), hiders) & _uncovered(question, rim_px)

    # Rim or band edges are rounded: the seen edge may lie a little inside the true outermost one.
    return _traced(question, part, "chamber_diameter", free, (0.4, 0.0015))


def trace_mouth(question: PartQuestion, part: RoundPart) -> FoundCircle | None:
    """The opening of a port at its face."""
    return _traced(question, part, "port_bore", lambda px: _uncovered(question, px), (0.5, 0.001))


def trace_flange(
    question: PartQuestion, part: RoundPart, ring: CountedRing | None, seen_px: Array, mouth: RoundPart | None
) -> tuple[FoundCircle, ...]:  # fmt: skip
    """Rim, bolt circle, one hole and the opening of a flange, as far as they are seen.

    Args:
        question: the photo.
        part: the flange.
        ring: its counted bolts or holes; seen_px: (K, 2) where those seen lie.
        mouth: its opening, None where none is seen.
    """
    rim = _traced(question, part, "flange_diameter", lambda px: _uncovered(question, px), (0.3, 0.001))
    bore = None if mouth is None else trace_mouth(question, mouth)
    circles = [circle for circle in (rim, bore) if circle is not None]
    if ring is not None and len(seen_px) >= 3:
        circles += _bolt_circle(question, part, ring, seen_px)
    return tuple(circles)


def _bolt_circle(question: PartQuestion, part: RoundPart, ring: CountedRing, seen_px: Array) -> list[FoundCircle]:
    """The bolt circle through traced holes or heads where they can be traced, else through where the model saw them."""
    frame = EllipseFrame(part)
    holes = trace_holes(question.gray, frame, frame.from_photo(seen_px), UNIT_PX)
    name = question.photo_name
    if len(holes) >= 3:
        centers = np.array([hole.ellipse.center_px for hole in holes])
        circle = FoundCircle(CircleSighting("bolt_circle_diameter", name, centers), len(holes) / ring.count, 0.3)
        middle = sorted(holes, key=lambda hole: hole.ellipse.semi_axes_px[0])[len(holes) // 2]
        return [circle, _found("bolt_hole_diameter", name, middle, (0.6, 0.001))]
    shared = 0.012 * float(part.semi_axes_px.mean())
    return [FoundCircle(CircleSighting("bolt_circle_diameter", name, seen_px), len(seen_px) / ring.count, shared)]


def _traced(
    question: PartQuestion, part: RoundPart, name: str, free: Callable[[Array], NDArray[np.bool_]],
    shared: tuple[float, float],
) -> FoundCircle | None:  # fmt: skip
    """Trace a told outline; where no edge follows it, the outline itself is told, with its own larger error."""
    best, most = None, -np.inf
    for placed in _places(question, part):
        traced = trace_circle(
            question.gray, placed.frame, placed.center, placed.radius, "outermost", reach=placed.reach,
            round_in_front=placed.measured_slant, use=free,
        )  # fmt: skip
        if traced and traced.coverage >= LEAST_COVERAGE and _follows(traced, part, placed.measured_slant):
            evidence = traced.evidence + KNOWN_SLANT_BONUS * placed.measured_slant
            best, most = (traced, evidence) if evidence > most else (best, most)
    if best is not None:
        return _found(name, question.photo_name, best, shared)
    return _outline(name, question.photo_name, part, free)


def _follows(traced: TracedCircle, part: RoundPart, slant_known: bool) -> bool:
    """Whether a traced ellipse is to be believed: near the told one all round, or with much of it seen."""
    away = float(np.abs(traced.ellipse.distances_px(part.outline_px())).max()) / float(part.semi_axes_px.mean())
    plain = traced.evidence > (PLAIN_BY_REFERENCE if slant_known else PLAIN_BY_ELLIPSE)
    return away < (FARTHEST if plain else TRUST[part.name].astray)


def _outline(name: str, photo: str, part: RoundPart, free: Callable[[Array], NDArray[np.bool_]]) -> FoundCircle | None:
    """The told outline itself, where it is free, with the model's own error."""
    outline = part.outline_px(60)
    seen = free(outline)
    if seen.mean() < LEAST_COVERAGE:
        return None
    sighting = CircleSighting(name, photo, outline[seen])
    # Seen at a slant a part's depth is mistaken for width: the model's errors grow with the foreshortening.
    flatness = float(part.semi_axes_px[1] / part.semi_axes_px[0])
    outline_sd = TRUST[part.name].outline_sd / max(flatness, 0.25) ** 2
    return FoundCircle(sighting, float(seen.mean()), outline_sd * float(part.semi_axes_px.mean()))


def _places(question: PartQuestion, part: RoundPart) -> list[Placed]:
    """The told outline in a picture squared up to it, and in those squared up to the reference.

    A reference tells the slant better than the model does, but not every part lies parallel to it; where the outline is
    far from round under its slant, either is wrong, so edges are looked for further off.
    """
    reach = TRUST[part.name].reach
    places = [Placed(EllipseFrame(part), np.zeros(2), UNIT_PX, False, reach)]
    if not question.tilt_known:
        return places
    outline = part.outline_px()
    normals: list[Array] = []
    for pose in question.poses:
        normal = pose.rotation[:, 2] * np.sign(pose.rotation[2, 2])
        if any(float(normal @ known) > SAME_NORMAL for known in normals):
            continue
        normals.append(normal)
        front = face_frame(question.gray.shape, Camera.of_shape(question.gray.shape, pose.focal_px), normal)
        there = front.from_photo(outline)
        center, radius = fit_circle(there)
        spread = float(np.std(np.linalg.norm(there - center, axis=1))) / max(radius, 1e-9)
        if spread < ROUND_ENOUGH:
            places.append(Placed(front, center, radius, True, max(reach, min(2 * spread, LONGEST_REACH))))
    return places


def _found(name: str, photo: str, traced: TracedCircle, shared: tuple[float, float]) -> FoundCircle:
    """A traced circle with the error its edge points may share: at least so many pixels, at least so much of it."""
    shared_px = max(shared[0], shared[1] * float(traced.ellipse.semi_axes_px.mean()))
    return FoundCircle(CircleSighting(name, photo, traced.points_px), traced.coverage, shared_px)


def _uncovered(question: PartQuestion, rim_px: Array) -> NDArray[np.bool_]:
    """(N,) whether no scale reference lies at the places."""
    free = np.ones(len(rim_px), bool)
    for outline in question.keep_out_px:
        polygon = np.asarray(outline, np.float32).reshape(-1, 1, 2)
        free &= np.array([cv2.pointPolygonTest(polygon, (float(x), float(y)), False) < 0 for x, y in rim_px])
    return free
