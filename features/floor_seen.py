"""Whether a reference of untold place lies on the floor: by how it leans, and by what stands upright on its plane."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from features.camera import Camera
from features.ellipse import Ellipse
from features.parts.finder import FoundCircle
from features.parts.own_slant import circle_normals
from features.plane_pose import PlanePose
from features.scale.reference import ScaleReference

Array = NDArray[np.float64]

LEAST_LEAN_DEG, MOST_LEAN_DEG = 33.0, 85.0
"""How far a card that lies on the floor leans back from the line of sight: seen from nearer to straight above, a
chamber beside it would be too oblique to be measured, and a card on a pump leans back so far only where a photo is
taken from the ground (common practice)."""
LEAST_LEAN_UNDER_DEG = 8.0
"""The same where a circle is seen to stand upright on its plane: less than this no hand holds a phone level."""
_LEANS_BACK_MORE = 1.2
"""Over how far it leans to a side."""
_HALF_WAY_UP_DEG = 45.0
_UPRIGHT_DEG, _PARALLEL_DEG, _TURNED_DEG = 12.0, 6.0, 40.0
"""How nearly a circle that stands on a plane is seen at a right angle to it, and one that lies in a face parallel to
it: a card is taped on a rim within some 3 degrees, and a lens a fifth longer than believed turns a circle seen half
aslant by eight, by so much over the logarithm of its length."""
_HARDLY_SEEN, _LEAST_SLANT = 0.2, 0.3
"""Circles whose edge is known less well than this, over the radius, tell no slant of their own; of the others so much
error turns their plane by as much over the sine of their slant, in rad, or by this where they are seen squarely."""


def lies_as_floor(pose: PlanePose, middle_mm: Array, least_deg: float = LEAST_LEAN_DEG) -> bool:
    """Whether a reference of untold place leans back as one that lies on the floor does.

    Args:
        pose: its pose, in an upright photo.
        middle_mm: (2,) its middle.
        least_deg: how far it leans back at least.
    """
    lean, aside = _lean(pose, middle_mm)
    return least_deg < lean < MOST_LEAN_DEG and np.sin(np.radians(lean)) > _LEANS_BACK_MORE * aside


def seems_on_floor(
    reference: ScaleReference,
    poses: Sequence[PlanePose],
    circles: Sequence[FoundCircle],
    center_px: tuple[float, float],
    focal_sd: float,
) -> bool:
    """Whether a reference whose place was not told seems to lie on the floor.

    A small or bent card fits two poses, the mirrored one that of a face seen from above. Where that would be seen from
    more than half way up, it is the floor's that is believed. Looked down at steeply a floor leans back little; there
    the pump's own circles, which stand upright on it, tell it from a face.

    Args:
        reference: the reference; poses: its possible poses, best first.
        circles: found in the photo.
        center_px: its middle; focal_sd: relative standard uncertainty of its focal length.
    """
    if len(reference.points_mm) < 4 or reference.is_circle or not poses:
        return False
    middle_mm = reference.points_mm.mean(axis=0)
    floors = [lies_as_floor(pose, middle_mm) for pose in poses]
    if any(floors) and (all(floors) or poses[0].tilt_at_deg(middle_mm) > _HALF_WAY_UP_DEG):
        return True
    steep = [pose for pose in poses if lies_as_floor(pose, middle_mm, LEAST_LEAN_UNDER_DEG)]
    others = [pose for pose in poses if pose not in steep]
    return (
        poses[0] in steep
        and all(_stand_upright(pose, circles, center_px, focal_sd) for pose in steep)
        and not any(_lies_along(pose, circles, center_px, focal_sd) for pose in others)
    )


def poses_of_floor(reference: ScaleReference, poses: Sequence[PlanePose]) -> Sequence[PlanePose]:
    """Those that lean as a floor's do, all where none does: the user knows better."""
    return [pose for pose in poses if lies_as_floor(pose, reference.points_mm.mean(axis=0))] or poses


def _stand_upright(
    pose: PlanePose, circles: Sequence[FoundCircle], center_px: tuple[float, float], focal_sd: float
) -> bool:
    """Whether circles, by the slant that their own edges tell, stand at a right angle to a plane, and none along it.

    One whose edge is known too roughly to tell that it does not lie along it is not asked.
    """
    asked = 0
    parallel_deg = _parallel_deg(focal_sd)
    for apart_deg, turned_deg in _apart_deg(pose, circles, center_px):
        if apart_deg.max() < 90.0 - _UPRIGHT_DEG - turned_deg or apart_deg.min() < parallel_deg:
            return False
        asked += apart_deg.min() > parallel_deg + 2.0 * turned_deg
    return asked > 0


def _lies_along(
    pose: PlanePose, circles: Sequence[FoundCircle], center_px: tuple[float, float], focal_sd: float
) -> bool:
    """Whether a circle may lie in a face that a plane is parallel to, by the slant that its own edge tells."""
    apart = _apart_deg(pose, circles, center_px)
    return any(one_deg.min() < _parallel_deg(focal_sd) + turned_deg for one_deg, turned_deg in apart)


def _parallel_deg(focal_sd: float) -> float:
    return float(np.hypot(_PARALLEL_DEG, _TURNED_DEG * focal_sd))


def _apart_deg(
    pose: PlanePose, circles: Sequence[FoundCircle], center_px: tuple[float, float]
) -> list[tuple[Array, float]]:
    """Of each circle whose slant is told, how far both ways that it may face are turned from a plane, and the doubt."""
    camera, told = Camera(pose.focal_px, *center_px), []
    for found in circles:
        ellipse = Ellipse.fit(found.sighting.points_px)
        if not ellipse:
            continue
        long_px, short_px = ellipse.semi_axes_px
        doubt = found.edge_shared_px / float(long_px)
        if doubt > _HARDLY_SEEN:
            continue
        turned_deg = np.degrees(doubt / max(np.sqrt(1.0 - (short_px / long_px) ** 2), _LEAST_SLANT))
        cosines = [abs(float(normal @ pose.rotation[:, 2])) for normal in circle_normals(ellipse, camera)]
        told.append((np.degrees(np.arccos(np.clip(cosines, 0.0, 1.0))), float(turned_deg)))
    return told


def _lean(pose: PlanePose, middle_mm: Array) -> tuple[float, float]:
    """How far a plane leans back from the line of sight to a place (2,) of it, in degrees, and its lean to a side."""
    place = pose.rotation[:, :2] @ middle_mm + pose.translation_mm
    sight = place / np.linalg.norm(place)
    normal = -pose.rotation[:, 2]
    up = np.array([0.0, -1.0, 0.0]) + sight[1] * sight
    back = float(normal @ up) / float(np.linalg.norm(up))
    ahead = float(-normal @ sight)
    lean = float(np.degrees(np.arctan2(back, ahead)))
    return lean, float(np.sqrt(max(1.0 - back**2 - ahead**2, 0.0)))
