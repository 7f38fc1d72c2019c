"""Circles of a photo without a scale: a joint's and a port face's each read in one plane, only ratios meaning anything.

The plainest circle of each tells the slant of all that lie with it. Seen far aslant an ellipse may be a circle that
leans one way or the other: the lean is taken under which the others are circles too, about the same middle.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from features.camera import Camera, rotation_taking_z_to
from features.circle_in_space import CircleInSpace, solve_circle
from features.circle_sighting import CirclePrior
from features.ellipse import Ellipse
from features.measured import Contribution
from features.parts.finder import FoundCircle
from features.parts.own_slant import circle_normals
from features.photo import FocalPrior, Photo
from features.placement import FAR_PORT, FAR_PORT_SD, FLANGE_FACE_LENGTHS, PORT_LEAD, PORT_LEAD_SD, UNSCALED_PRIOR
from features.plane_pose import PlanePose, unscaled_pose

Array = NDArray[np.float64]

PUMP_DEPTH = 1.0
"""How far a circle that faces another way may lie before or behind another, over its diameter (common practice)."""
PARALLEL_DEG = 50.0
"""Normals nearer than this may be of parallel planes, each taken from one circle's own slant."""
MOSTLY_PARALLEL_DEG = 15.0
"""How nearly a joint lies parallel to the face of its pump's port, where it does (common practice)."""
ASLANT, LEANS = 0.85, 0.95
"""A circle is seen far aslant where its ellipse's axes have the first ratio or less: 32 degrees and more. Up to the
second, 18 degrees, a search from square on may end in the wrong one of two leans, so it begins from them, too."""
OFF_AXIS = 0.02
"""How far off one axis the middles of a face's circles are seen, over their diameters: castings, and the steps of a
face seen at a slant (common practice)."""
BESIDE_THE_AXIS = ("bolt_hole_diameter",)
"""Circles of a face that have a middle of their own."""
SAME_PLANE_DEG, SAME_FOCAL = 0.3, 0.002
"""How nearly the others keep to the first one's slant and focal length."""


@dataclass(frozen=True, eq=False)
class _Plane:
    """A plane at a start pose, what is believed of circles in it, and the camera's focal length."""

    pose: PlanePose
    prior: CirclePrior
    focal: FocalPrior


def circles_without_scale(photo: Photo, circles: Sequence[FoundCircle]) -> list[CircleInSpace]:
    """Solve circles of one photo that has no scale.

    Args:
        photo: for its camera.
        circles: what the part finder saw, each on a circle (`features.circle_sighting.rim_of` tells).

    Returns:
        One solved circle each, in the same order, in units of a pixel where the planes meet.
    """
    in_face = [found.sighting.name in FLANGE_FACE_LENGTHS for found in circles]
    solved: dict[int, CircleInSpace] = {}
    meeting_px = None
    for face in (True, False):
        group = [index for index in range(len(circles)) if in_face[index] == face]
        if not group:
            continue
        group.sort(key=lambda index: (circles[index].sighting.name != "flange_diameter", -circles[index].coverage))
        if meeting_px is None:
            meeting_px = _where_planes_meet(photo, circles[group[0]])
        beside = next((solved[i].axis_in_camera for i in sorted(solved)), None)
        found = _in_one_plane(photo, [circles[i] for i in group], meeting_px, beside)
        solved |= dict(zip(group, found, strict=True))
    faces = [solved[i] for i in range(len(circles)) if in_face[i]]
    away = any(found.looks_away for found in circles)
    return [
        solved[i] if in_face[i] or not faces else _behind(faces[0], solved[i], photo.name, away)
        for i in range(len(circles))
    ]


def circles_at_distance(
    photo: Photo, circles: Sequence[FoundCircle], away_mm: float, errors: Sequence[Contribution] | None = None
) -> list[CircleInSpace]:
    """Solve circles of a face of which no more is known than how far away it is.

    Args:
        photo: for its camera.
        circles: of one face.
        away_mm: distance along the camera's axis, of the face or of a reference that is seen on the same pump.
        errors: that the distance brings to every length; None where it is a reference's: how far the face lies before
            or behind that is open by the pump's depth.

    Returns:
        One solved circle each, in the same order, in millimeters.
    """
    solved = circles_without_scale(photo, circles)
    mm = away_mm / photo.focal.focal_px
    largest_mm = mm * max(one.length.value_mm for one in solved)
    if errors is None:
        errors = (Contribution("offset", f"offset:{photo.name}:face", PUMP_DEPTH * largest_mm / away_mm),)
    out = []
    for one in solved:
        parts = (*(part for part in one.length.contributions if part.name != "scale"), *errors)
        length = replace(one.length, value_mm=mm * one.length.value_mm, contributions=parts)
        out.append(replace(one, length=length, center_mm=mm * one.center_mm, translation_mm=mm * one.translation_mm))
    return out


def _where_planes_meet(photo: Photo, first: FoundCircle) -> Array:
    """(2,) the place whose depth all planes share: the photo's middle, or that of a circle seen far aslant.

    The plane of such a circle may pass the photo's middle far off, even behind the camera.
    """
    ellipse = _aslant(first, ASLANT)
    return np.array([(photo.width_px - 1) / 2, (photo.height_px - 1) / 2]) if ellipse is None else ellipse.center_px


def _aslant(found: FoundCircle, ratio: float) -> Ellipse | None:
    """The ellipse of a circle that is seen so far aslant that its axes have this ratio or less."""
    ellipse = Ellipse.fit(found.sighting.points_px)
    return ellipse if ellipse and ellipse.semi_axes_px[1] < ratio * ellipse.semi_axes_px[0] else None


def _in_one_plane(
    photo: Photo, circles: Sequence[FoundCircle], meeting_px: Array, beside: Array | None
) -> list[CircleInSpace]:
    """Circles of which the first tells the slant, under the start that explains all of them best.

    Args:
        photo, circles, meeting_px: see above.
        beside: (3,) axis of the port's face, the joint mostly lies parallel to it; None where it is not seen.
    """
    several = len(circles) > 1 or beside is not None
    every = [_from_start(photo, circles, pose) for pose in _starts(photo, circles[0], meeting_px, several)]
    return min(every, key=lambda solved: _misfit(solved) + _askew(solved[0], beside))


def _askew(circle: CircleInSpace, axis: Array | None) -> float:
    """Half the square by which a circle's axis is off parallel to one that it is mostly parallel to."""
    if axis is None:
        return 0.0
    apart_deg = float(np.degrees(np.arccos(np.clip(circle.axis_in_camera @ axis, -1.0, 1.0))))
    return 0.5 * (min(apart_deg, PARALLEL_DEG) / MOSTLY_PARALLEL_DEG) ** 2


def _starts(photo: Photo, first: FoundCircle, meeting_px: Array, several: bool) -> list[PlanePose]:
    """Planes through a place of the photo: square on, and the two in which a circle seen aslant is one.

    A circle alone, without `several` to compare, does not tell which way it leans: how phones are held says more of it.
    """
    camera = Camera.of_size(photo.width_px, photo.height_px, photo.focal.focal_px)
    place = photo.focal.focal_px * camera.rays(meeting_px[None])[0]
    ellipse = _aslant(first, LEANS if several else ASLANT)
    normals = circle_normals(ellipse, camera) if ellipse else []
    leaning = [PlanePose(rotation_taking_z_to(normal), place, photo.focal.focal_px, 0.0) for normal in normals]
    square_on = replace(unscaled_pose(photo), translation_mm=place)
    return leaning if _aslant(first, ASLANT) else [square_on, *leaning]


def _from_start(photo: Photo, circles: Sequence[FoundCircle], pose: PlanePose) -> list[CircleInSpace]:
    plane = _Plane(pose, UNSCALED_PRIOR, photo.focal)
    first = _solved(photo, circles[0], plane)
    focal = replace(photo.focal, focal_px=first.camera.focal_px, relative_sd=SAME_FOCAL)
    plane = _Plane(first.as_pose(), replace(UNSCALED_PRIOR, slant_sd_deg=SAME_PLANE_DEG), focal)
    return [first, *(_solved(photo, found, plane) for found in circles[1:])]


def _solved(photo: Photo, found: FoundCircle, plane: _Plane) -> CircleInSpace:
    center_px = ((photo.width_px - 1) / 2, (photo.height_px - 1) / 2)
    prior = replace(plane.prior, edge_shared_px=found.edge_shared_px)
    return solve_circle(found.sighting, plane.pose, None, plane.focal, center_px, prior)


def _misfit(circles: Sequence[CircleInSpace]) -> float:
    """Half the sum of squares that a plane leaves of its circles' edges and of their middles about the first one's."""
    first = circles[0]
    about = [circle for circle in circles[1:] if circle.length.name not in BESIDE_THE_AXIS]
    aside = [np.linalg.norm(c.center_mm - first.center_mm) / (OFF_AXIS * first.length.value_mm) for c in about]
    return sum(c.cost for c in circles) + 0.5 * float(np.square(aside).sum())


def _behind(face: CircleInSpace, joint: CircleInSpace, photo: str, away: bool) -> CircleInSpace:
    """A joint that was read in the plane of a port's face, at the distance at which it lies behind it.

    Before it where the face looks away.
    """
    apart_deg = float(np.degrees(np.arccos(np.clip(face.axis_in_camera @ joint.axis_in_camera, -1.0, 1.0))))
    lead, lead_sd = (PORT_LEAD, PORT_LEAD_SD) if apart_deg < PARALLEL_DEG else (0.0, PUMP_DEPTH / 2)
    if away:
        lead, lead_sd = -FAR_PORT, FAR_PORT_SD
    # Over the plane's distance along its normal: the joint's is longer by a share of the diameter it has there.
    seen = joint.length.value_mm / float(joint.axis_in_camera @ joint.center_in_camera_mm)
    nearer = max(1.0 - lead * seen, 0.3)
    depth = Contribution("offset", f"offset:{photo}:joint", lead_sd * seen / nearer)
    length = replace(joint.length, value_mm=joint.length.value_mm / nearer)
    return replace(joint, length=replace(length, contributions=(*length.contributions, depth)))
