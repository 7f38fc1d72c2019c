"""A thread's mouth that opens aside of its pump's chambers or is seen edge on, measured where the pump's middle is.

Manifolds open at their ends, as far out as the chambers' covers reach, or in their middle, at right angles to the
chambers' axis. A mouth of the second kind lies between both chambers, behind the joint that a photo shows, where one
of the first kind lies before it. Seen edge on it is a line, but that is as long as the mouth is wide.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import logit

from features.camera import Camera
from features.circle_fit import fit_circle
from features.circle_in_space import CircleInSpace
from features.ellipse import Ellipse
from features.measured import Contribution, MeasuredLength
from features.one_plane import circles_at_distance
from features.other_way import leaning_other_way
from features.parts.finder import FoundCircle
from features.parts.own_slant import circle_normals
from features.photo import Photo
from features.placement import (
    BEFORE_THE_JOINT,
    JOINT_OF_FLANGE,
    MIDDLE_BEHIND,
    MIDDLE_BEHIND_SD,
    MOUTHS,
    ON_A_PORT,
    PORT_LEAD,
    PORT_LEAD_SD,
    Place,
    flange_guess_mm,
    middle_prior,
)
from features.plane_pose import PlanePose, scale_at_reference
from features.reference_fit import middle_of
from features.scale.reference import ScaleReference

Array = NDArray[np.float64]

JOINT = "chamber_diameter"
LEAN_SD_DEG = 12.0
"""Ports face as the chambers do or at right angles to them: how far a mouth's plane is off that, by castings and by its
own ellipse, which of small mouths is told only roughly."""
EDGE_ON_DEG = 75.0 - 2.0 * LEAN_SD_DEG
"""A mouth that faces as its chambers do is seen edge on where they are seen at least so far aslant: told edge on are
those seen 75 degrees aslant and more (`features.parts.port_opening`). Of 20 told edge on in chamber views of two
renderers six are of ports at the manifolds' ends; their joints are seen within 43 degrees, and five came out 27 to 87 %
too small."""
BODY_SD = 0.35
"""How far before or behind the chambers' axis a port is seen, over a joint's diameter: ports lie 0.7 of it above and
below, and photos look a little down or up (common practice). It counts where the plane of the ports is seen aslant."""
LEAST_COSINE = 0.05
OF_SIZE = ("edge",)
"""Errors of a joint's diameter that are none of its distance."""


@dataclass(frozen=True, eq=False)
class PortPlane:
    """A plane parallel to a pump's joints in which its ports' middles lie: through its middle, or before a joint.

    Attributes:
        place_mm: (3,) on the chambers' axis, in camera axes; axis: (3,) unit, of the joints.
        plane_sd_mm: how far the plane may be off along its axis; body_sd_mm: and a port, in any direction.
        focal_px: of the camera as solved; focal_relative_sd: of it.
        deeper_mm: how far the plane lies behind what the scale is known at: over that the focal length counts.
        errors: relative ones that its distance brings to every length besides.
    """

    place_mm: Array
    axis: Array
    plane_sd_mm: float
    body_sd_mm: float
    focal_px: float
    focal_relative_sd: float
    deeper_mm: float
    errors: tuple[Contribution, ...]

    @classmethod
    def by_joint(cls, joint: CircleInSpace, focal_relative_sd: float, in_middle: bool) -> "PortPlane":
        """Behind a joint as it was measured, or before it where ports do not open in the middle."""
        behind, behind_sd = (MIDDLE_BEHIND, MIDDLE_BEHIND_SD) if in_middle else (-PORT_LEAD, PORT_LEAD_SD)
        across_mm, axis = joint.length.value_mm, joint.axis_in_camera
        own_sd = float(np.linalg.norm([part.relative for part in joint.length.contributions if part.name in OF_SIZE]))
        errors = tuple(part for part in joint.length.contributions if part.name not in OF_SIZE)
        deeper_mm = behind * across_mm
        place_mm = joint.center_in_camera_mm + deeper_mm * axis
        sd_mm = across_mm * float(np.hypot(behind_sd, behind * own_sd))
        focal_px = joint.camera.focal_px
        return cls(place_mm, axis, sd_mm, BODY_SD * across_mm, focal_px, focal_relative_sd, deeper_mm, errors)

    @classmethod
    def by_reference(
        cls, photo: Photo, pose: PlanePose, reference: ScaleReference, place: Place, mouth: FoundCircle
    ) -> "PortPlane":
        """Through the pump's middle, by a reference before a joint that is not seen: a mouth tells roughly its size."""
        middle_mm = pose.rotation @ middle_of(reference) + pose.translation_mm
        axis = pose.rotation[:, 2] * np.sign(pose.rotation[:, 2] @ middle_mm)
        mouth_mm = 2.0 * fit_circle(mouth.sighting.points_px)[1] * float(middle_mm[2]) / pose.focal_px
        guess_mm = flange_guess_mm("port_bore", mouth_mm)
        prior = middle_prior(place, guess_mm)
        _, relative_sd = scale_at_reference(reference, photo, [pose])
        errors = (Contribution("reference", f"reference:{photo.name}", relative_sd),)
        place_mm, body_mm = middle_mm + prior.offset_mm * axis, JOINT_OF_FLANGE * guess_mm
        focal_sd = photo.focal.relative_sd
        return cls(place_mm, axis, prior.offset_sd_mm, body_mm, pose.focal_px, focal_sd, prior.offset_mm, errors)

    def along(self, sight: Array, photo: str) -> tuple[float, tuple[Contribution, ...]]:
        """How far along a line of sight (3,), unit, its port is, mm, and the relative errors of that."""
        cosine = max(float(sight @ self.axis), LEAST_COSINE)
        plane_mm, body_mm = float(self.place_mm @ self.axis) / cosine, float(self.place_mm @ sight)
        weights = np.array([(self.plane_sd_mm / cosine) ** -2, self.body_sd_mm**-2])
        away_mm = float(weights @ [plane_mm, body_mm] / weights.sum())
        errors = (
            *self.errors,
            Contribution("offset", f"offset:{photo}:middle", float(weights.sum() ** -0.5) / away_mm),
            Contribution("camera", f"camera:{photo}", -self.deeper_mm / away_mm * self.focal_relative_sd),
        )
        return away_mm, errors


def without_mouth_askew(
    circles: Sequence[FoundCircle], place: Place, middle_chance: float
) -> tuple[list[FoundCircle], list[FoundCircle]]:
    """Circles that may be solved with one slant in common, and a mouth that by the look of the pump lies across them.

    Args:
        circles: of one photo.
        place: where the reference lies or seems to lie.
        middle_chance: of ports that open in the middle of their manifolds.
    """
    has_joint = any(found.sighting.name == JOINT for found in circles)
    is_askew = has_joint and place not in ON_A_PORT and middle_chance > 0.5
    askew = [found for found in circles if is_askew and found.sighting.name in MOUTHS]
    return [found for found in circles if not is_askew or found.sighting.name not in MOUTHS], askew


def mouth_aside(
    photo: Photo,
    measured: Sequence[tuple[FoundCircle, CircleInSpace]],
    apart: Sequence[FoundCircle],
    pose: PlanePose,
    reference: ScaleReference,
    place: Place,
    middle_chance: float = 0.5,
) -> list[tuple[FoundCircle, CircleInSpace]]:
    """A mouth that opens aside of its pump's chambers or is seen edge on, if the photo shows one.

    Args:
        photo: for its camera.
        measured: the photo's circles as they would be if all faced the same way, each with its length.
        apart: mouths that are told edge on, or were not measured with the others.
        pose, reference: the reference and its plane.
        place: where it lies or seems to lie.
        middle_chance: of ports that open in the middle of their manifolds, by the look of the pump.
    """
    by_name = {found.sighting.name: (found, solved) for found, solved in measured}
    mouths = [*apart, *(by_name[name][0] for name in MOUTHS if name in by_name)]
    joint = by_name[JOINT][1] if JOINT in by_name else None
    if not mouths or place in ON_A_PORT:
        return []
    mouth, in_middle = mouths[0], not mouths[0].edge_on or middle_chance >= 0.5
    if joint is not None and not in_middle and np.degrees(joint.slant) < EDGE_ON_DEG:
        return []
    if joint is not None:
        plane = PortPlane.by_joint(joint, photo.focal.relative_sd, in_middle)
    elif place in BEFORE_THE_JOINT and in_middle:
        plane = PortPlane.by_reference(photo, pose, reference, place, mouth)
    else:
        return []
    solved = _in_plane(plane, photo, mouth, middle_chance)
    if solved is None or (place == "floor" and _is_surer(by_name.get(mouth.sighting.name), solved)):
        return []
    return [(mouth, solved)]


def _is_surer(before: tuple[FoundCircle, CircleInSpace] | None, solved: CircleInSpace) -> bool:
    """Whether a mouth was measured better before: by its height above the floor it may be, whichever way it faces."""
    return before is not None and before[1].length.relative_sd < solved.length.relative_sd


def _in_plane(plane: PortPlane, photo: Photo, found: FoundCircle, middle_chance: float) -> CircleInSpace | None:
    """A mouth with its middle in a plane; None where it is not seen edge on, nor opens at right angles to its axis."""
    camera = Camera.of_size(photo.width_px, photo.height_px, plane.focal_px)
    ellipse = Ellipse.fit(found.sighting.points_px)
    sight = camera.rays((ellipse.center_px if ellipse else found.sighting.points_px.mean(axis=0))[None])[0]
    unit = sight / np.linalg.norm(sight)
    away_mm, errors = plane.along(unit, photo.name)
    if found.edge_on:
        return _edge_on(found, camera, away_mm * unit, errors)
    if not ellipse or not leans_aside(circle_normals(ellipse, camera), plane.axis, middle_chance):
        return None
    known = replace(photo, focal=replace(photo.focal, focal_px=plane.focal_px))
    solved = circles_at_distance(known, [found], away_mm * float(unit[2]), errors)[0]
    other = leaning_other_way(solved)
    return min((solved, *([other] if other else [])), key=lambda one: abs(float(one.axis_in_camera @ plane.axis)))


def leans_aside(normals: Sequence[Array], axis: Array, middle_chance: float = 0.5) -> bool:
    """Whether a mouth rather opens at right angles to the chambers' axis than along it.

    Args:
        normals: (3,) unit, of the planes in which it may lie.
        axis: (3,) unit, of the chambers.
        middle_chance: by all else that the photo shows.
    """
    apart_deg = np.degrees([np.arccos(min(abs(float(normal @ axis)), 1.0)) for normal in normals])
    along, across = apart_deg.min() / LEAN_SD_DEG, (90.0 - apart_deg.max()) / LEAN_SD_DEG
    return bool(0.5 * (along**2 - across**2) + logit(middle_chance) > 0.0)


def _edge_on(found: FoundCircle, camera: Camera, place_mm: Array, errors: Sequence[Contribution]) -> CircleInSpace:
    """A mouth by the long axis of its told outline: of a circle that is the diameter across the line of sight."""
    points = found.sighting.points_px
    middle = points.mean(axis=0)
    along = np.linalg.svd(points - middle, full_matrices=False)[2][0]
    half_px = float(np.sqrt(2.0) * np.std((points - middle) @ along))
    ends = camera.rays(middle + half_px * np.stack([along, -along]))
    across = ends[0] / np.linalg.norm(ends[0]) - ends[1] / np.linalg.norm(ends[1])
    diameter_mm = float(np.linalg.norm(across) * np.linalg.norm(place_mm))
    normal = np.cross(across, place_mm)
    photo, name = found.sighting.photo, found.sighting.name
    edge = Contribution("edge", f"edge:{photo}:{name}", found.edge_shared_px / half_px)
    return CircleInSpace(
        MeasuredLength(name, diameter_mm, (edge, *errors), (photo,)),
        np.zeros(3), normal / np.linalg.norm(normal), camera, np.eye(3), place_mm, 0.0, 0.0, 0.0,
    )  # fmt: skip
