"""Finding parts without a learned model: concentric circles, rings that repeat, and published flange ratios.

It looks for the strongest sets of concentric circles and asks of each whether it is the joint of a liquid chamber or
the face of a port. It is the fallback behind the same interface as the part model, and honest about being one: its
attribute likelihoods are as flat as its measured errors (see `features.parts.classical_evidence`).
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from features.camera import Camera, rotation_from_vector
from features.circle_fit import fit_circle
from features.circle_sighting import CircleSighting
from features.parts.bolt_ring import find_bolt_ring
from features.parts.classical_evidence import chamber_evidence, port_evidence
from features.parts.concentric import edge_field, find_concentric
from features.parts.finder import FoundCircle, LookAt, PartQuestion, PartSightings
from features.parts.front_on import FrontOn, face_plane
from features.parts.joint_search import BOLTS_FROM, Joint, find_joints
from features.parts.port_face import trace_port
from features.parts.round_things import RoundThing, read_round_thing
from features.parts.trace import trace_circle
from features.problems import Problem

Array = NDArray[np.float64]

LOOK_PX = 800
"""Longest side of the picture that circles are looked for in."""

_SLANTS_DEG = ((0.0, 0.0), (22.0, 0.0), (-22.0, 0.0), (0.0, 22.0), (0.0, -22.0))
"""Slants tried, about the x and the y axis, when no reference tells how the pump's face is turned."""


@dataclass(frozen=True, eq=False)
class Seen:
    """A round thing in the squared-up picture it was seen in."""

    front: FrontOn
    thing: RoundThing


@dataclass(frozen=True, eq=False)
class SeenJoint:
    """A chamber joint in the squared-up picture it was seen in."""

    front: FrontOn
    joint: Joint

    @property
    def score(self) -> float:
        """How sure the finder is that this is a chamber, 0..1."""
        return float(np.clip((self.joint.score - 0.3) / 0.5, 0.0, 1.0))


@dataclass(frozen=True, eq=False)
class Look:
    """Everything round in one photo: ports and possible chamber joints."""

    things: tuple[Seen, ...]
    joints: tuple[SeenJoint, ...]


class ClassicalFinder:
    """Finds chamber joints and port faces by their circles.

    Args:
        why: what to tell of every photo: why this finder is used and not the part model.
    """

    def __init__(self, why: Problem | None = None) -> None:
        self._why = why

    def look_ahead(self, pixels_rgb: NDArray[np.uint8], look_at: tuple[LookAt, ...], references: bool) -> None:
        """All that it looks for is told by the reference's plane."""

    def quarter_turns(self, _pixels_rgb: NDArray[np.uint8]) -> int:
        """Circles have no upper side."""
        return 0

    def references_in(self, _pixels_rgb: NDArray[np.uint8]) -> None:
        """Circles alone do not tell a coin from a pump's boss."""

    def closer_references_in(self, _pixels_rgb: NDArray[np.uint8]) -> None:
        """Lines alone do not tell a card from other things of four sides."""

    def find(self, question: PartQuestion) -> PartSightings:
        """Look at one photo; without any pose to square it up to, nothing is found."""
        if not question.poses:
            return PartSightings(view=_view(None, None))
        look = look_for_round_things(question)
        chamber = _best_joint(look.joints, question)
        port = _best_port(look.things, question)
        sightings = PartSightings(view=_view(chamber, port), problems=(self._why,) if self._why else ())
        if chamber is not None and (_is_chamber(chamber, port) or question.hint("chamber")):
            sightings = _with_chamber(sightings, question, chamber)
        if port is not None and (port.thing.port_score >= 0.3 or question.hint("port")):
            sightings = _with_port(sightings, question, port)
        return sightings


def _is_chamber(chamber: SeenJoint, port: Seen | None) -> bool:
    """Good enough by itself, not beaten by the port, and larger than the port: chambers always are."""
    if port is None or port.thing.port_score < 0.3:
        return chamber.score >= 0.15
    chamber_px = chamber.joint.radius / chamber.front.px_per_px
    port_px = port.thing.outer / port.front.px_per_px
    return chamber.score >= max(0.15, 0.8 * port.thing.port_score) and chamber_px > 1.15 * port_px


def look_for_round_things(question: PartQuestion) -> Look:
    """All round things, under every slant that is possible."""
    height, width = question.gray.shape
    camera = Camera.of_size(width, height, question.poses[0].focal_px)
    things: list[Seen] = []
    joints: list[SeenJoint] = []
    for normal, distance_mm in _faces(question):
        front = face_plane(question.gray, camera, normal, distance_mm, LOOK_PX)
        front = _without(front, question.keep_out_px)
        field = edge_field(front)
        if len(field.places) < 60:
            continue
        least, most = _radius_range(front)
        sets = find_concentric(field, front.gray.shape, least, most)
        things += [Seen(front, read_round_thing(front, circles)) for circles in sets]
        least_joint = max(least, 28.0 / front.mm_per_px if front.mm_per_px > 0 else 0.1 * min(front.gray.shape))
        joints += [SeenJoint(front, joint) for joint in find_joints(front, field, sets, least_joint, most)[:3]]
    return Look(tuple(things), tuple(joints))


def _faces(question: PartQuestion) -> list[tuple[Array, float]]:
    """Normals and distances of the planes to square up to."""
    faces = []
    for pose in question.poses:
        normal = pose.rotation[:, 2] * np.sign(pose.rotation[2, 2])
        distance = float(normal @ pose.translation_mm) if question.has_scale else 0.0
        faces.append((normal, distance))
    if question.tilt_known:
        same = len(faces) > 1 and float(faces[0][0] @ faces[1][0]) > np.cos(np.deg2rad(6.0))
        return faces[:1] if same else faces
    distance = faces[0][1]
    slanted = [rotation_from_vector(np.deg2rad([x, y, 0.0])) @ np.array([0.0, 0.0, 1.0]) for x, y in _SLANTS_DEG]
    return [(normal, distance) for normal in slanted]


def _without(front: FrontOn, outlines_px: tuple[Array, ...]) -> FrontOn:
    """Blank out what is no pump: the scale references."""
    valid = front.valid.astype(np.uint8)
    for outline in outlines_px:
        polygon = front.from_photo(outline)
        middle = polygon.mean(axis=0)
        grown = middle + (polygon - middle) * 1.12
        cv2.fillPoly(valid, [np.rint(grown).astype(np.int32)], 0)
    return replace(front, valid=valid > 0)


def _radius_range(front: FrontOn) -> tuple[float, float]:
    """Radii in squared-up pixels worth looking for."""
    longest = max(front.gray.shape)
    if front.mm_per_px <= 0:
        return 0.03 * longest, 0.6 * longest
    return max(8.0, 8.0 / front.mm_per_px), min(0.7 * longest, 330.0 / front.mm_per_px)


def _best_joint(joints: tuple[SeenJoint, ...], question: PartQuestion) -> SeenJoint | None:
    """The likeliest joint; a user's hint outweighs everything else."""
    hint = question.hint("chamber")

    def merit(one: SeenJoint) -> float:
        return one.joint.score + (3.0 * _near(one.front, one.joint.center, one.joint.radius, hint) if hint else 0.0)

    # Within one picture the order is settled (outlines before what lies inside them): compare only the first of each.
    first = {id(one.front): one for one in reversed(joints)}.values() if hint is None else joints
    return max(first, key=merit, default=None)


def _best_port(things: tuple[Seen, ...], question: PartQuestion) -> Seen | None:
    """The likeliest port; a user's hint outweighs everything else."""
    hint = question.hint("port")

    def merit(one: Seen) -> float:
        extent = one.thing.outer / max(one.front.gray.shape)
        value = one.thing.port_score + 0.08 * one.thing.circles.score + 0.3 * min(extent, 0.45)
        near = _near(one.front, one.thing.circles.center, one.thing.outer, hint) if hint else 0.0
        return float(value + 3.0 * near)

    return max(things, key=merit, default=None)


def _near(front: FrontOn, center: Array, radius: float, hint: LookAt) -> float:
    """How well a circle agrees with a hinted place and size, 0..1."""
    middle = front.to_photo(center[None])[0]
    off = float(np.hypot(middle[0] - hint.x_px, middle[1] - hint.y_px)) / max(hint.radius_px, 1.0)
    size = np.log(max(radius / front.px_per_px, 1.0) / max(hint.radius_px, 1.0))
    return float(np.exp(-0.5 * (off / 0.5) ** 2 - 0.5 * (size / 0.5) ** 2))


def _view(chamber: SeenJoint | None, port: Seen | None) -> dict[str, float]:
    """View probabilities from the best readings."""
    weights = {
        "chamber": 0.05 + (chamber.score if chamber else 0.0),
        "port": 0.05 + (port.thing.port_score if port else 0.0),
        "front": 0.1,
        "three_quarter": 0.1,
        "other": 0.15,
    }
    total = sum(weights.values())
    return {name: weight / total for name, weight in weights.items()}


def _with_chamber(sightings: PartSightings, question: PartQuestion, seen: SeenJoint) -> PartSightings:
    joint = seen.joint
    traced = trace_circle(
        question.gray, seen.front, joint.center, joint.radius, "outermost",
        reach=0.025 if question.tilt_known else 0.05, round_in_front=question.tilt_known,
    )  # fmt: skip
    if not traced:
        return sightings
    sighting = CircleSighting("chamber_diameter", question.photo_name, traced.points_px)
    # Rim or band edges are rounded: the seen edge may lie a little inside the true outermost one.
    shared = max(0.4, 0.0015 * float(traced.ellipse.semi_axes_px.mean()))
    circle = FoundCircle(sighting, traced.coverage, shared)
    center, radius = fit_circle(seen.front.from_photo(traced.points_px))
    ring = find_bolt_ring(seen.front, center, radius, BOLTS_FROM, 1.0)
    ring = max((ring, joint.ring), key=lambda one: one.strength)
    attributes = chamber_evidence(ring, question.photo_name)
    marks = dict(sightings.marks_px)
    if ring.strength > 0.2:
        marks["chamber_bolts"] = _ring_px(seen.front, center, ring.radius, ring.angles_rad)
    return replace(
        sightings,
        circles=(*sightings.circles, circle),
        marks_px=marks,
        attributes=(*sightings.attributes, *attributes),
    )


def _with_port(sightings: PartSightings, question: PartQuestion, seen: Seen) -> PartSightings:
    face = trace_port(question.gray, seen.front, seen.thing, question.photo_name, question.tilt_known)
    if not face.circles:
        return sightings
    marks = dict(sightings.marks_px)
    if len(face.bolts_px):
        marks["flange_bolts"] = face.bolts_px
    return replace(
        sightings,
        circles=(*sightings.circles, *face.circles),
        marks_px=marks,
        attributes=(*sightings.attributes, *port_evidence(seen.thing, face.is_flange, question.photo_name)),
    )


def _ring_px(front: FrontOn, center: Array, radius: float, angles_rad: Array) -> Array:
    around = np.stack([np.cos(angles_rad), np.sin(angles_rad)], axis=1)
    return front.to_photo(center + radius * around)
