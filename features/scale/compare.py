"""Whether several scale references in one photo agree: a disagreement is said, not averaged away."""

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from features.camera import Camera
from features.photo import FocalPrior
from features.plane_pose import PlanePose, poses_of_points
from features.problems import REFERENCES_DISAGREE, Problem
from features.scale.reference import ScaleReference

Array = NDArray[np.float64]

OFF_PLANE_MM = 3.0
"""How far apart the planes of two references lying on one part may be, beyond their own thickness."""

_DRAWS = 24
_COVERAGE = 2.6
"""Said when the difference is beyond 2.6 standard uncertainties: by chance in 1 of 100 photos."""

_ONE_PLANE_DEG = 12.0


def check_agreement(
    references: Sequence[ScaleReference], focal: FocalPrior, shape: tuple[int, ...]
) -> tuple[Problem, ...]:
    """Compare every reference with the first one that fixes a plane.

    The second reference is measured in the plane of the first, where it lies, and its length there is
    compared with its own. References that clearly lie in different planes are not compared: their scales
    may differ rightly.

    Args:
        references: of one photo, best first.
        focal: focal length prior.
        shape: picture shape.
    """
    first = next((r for r in references if not r.is_circle and len(r.points_mm) >= 4), None)
    if first is None:
        return ()
    said = []
    for other in references:
        if other is first or other.size_source == first.size_source:
            continue
        compared = _compared(first, other, focal, shape)
        if compared is None:
            continue
        difference, sd = compared
        if abs(difference) > _COVERAGE * sd:
            words = "larger" if difference > 0 else "smaller"
            off = 100 * abs(float(np.expm1(difference)))
            detail = (
                f"measured by the {first.label}, the {other.label} is {off:.1f} % {words} than it should be;"
                f" their combined standard uncertainty is {100 * sd:.1f} %"
            )
            said.append(Problem(REFERENCES_DISAGREE, detail))
    return tuple(said)


def _compared(
    first: ScaleReference, other: ScaleReference, focal: FocalPrior, shape: tuple[int, ...]
) -> tuple[float, float] | None:
    """Log of the other's size by the first over its own, and its standard uncertainty; None if not coplanar.

    The uncertainty is found by redrawing the points and the focal length within theirs.
    """
    random = np.random.default_rng(0)
    measured: list[float] = []
    angles: list[float] = []
    distance = 0.0
    for draw in range(_DRAWS + 1):
        noise = 0.0 if draw == 0 else 1.0
        f = focal.focal_px * float(np.exp(noise * focal.relative_sd * random.standard_normal()))
        one = first.points_px + noise * first.point_sd_px * random.standard_normal(first.points_px.shape)
        two = other.points_px + noise * other.point_sd_px * random.standard_normal(other.points_px.shape)
        camera = Camera.of_shape(shape, f)
        poses = poses_of_points(first.points_mm, one, camera)
        if not poses:
            return None
        ratio, distance = _measured_over_own(poses[0], other, two, camera, other.thickness_mm - first.thickness_mm)
        if not np.isfinite(ratio):
            return None
        measured.append(ratio)
        if not other.is_circle and len(other.points_mm) >= 4:
            theirs = poses_of_points(other.points_mm, two, camera)
            if theirs:
                cosine = abs(float(theirs[0].rotation[:, 2] @ poses[0].rotation[:, 2]))
                angles.append(float(np.rad2deg(np.arccos(min(1.0, cosine)))))
    if angles and np.median(angles) > _ONE_PLANE_DEG + 2 * float(np.std(angles)):
        return None
    sizes = np.hypot(first.size_relative_sd, other.size_relative_sd)
    sd = float(np.sqrt(np.var(measured[1:]) + sizes**2 + (OFF_PLANE_MM / distance) ** 2))
    return measured[0], sd


def _measured_over_own(
    pose: PlanePose,
    other: ScaleReference,
    px: Array,
    camera: Camera,
    higher_mm: float,
) -> tuple[float, float]:
    """Log ratio of the other's size in a plane to its own size, and its distance from the camera in mm."""
    rays = camera.rays(px)
    normal = pose.rotation[:, 2]
    onto = pose.translation_mm - higher_mm * normal  # z runs into the card, so a higher face lies at -z
    depth = float(normal @ onto) / (rays @ normal)
    space = rays * depth[:, None]
    flat = (space - onto) @ pose.rotation[:, :2]
    distance = float(np.linalg.norm(space.mean(0)))
    if other.is_circle:
        _, axes, _ = cv2.fitEllipse(flat.astype(np.float32))
        own, seen = other.circle_diameter_mm, float(np.sqrt(axes[0] * axes[1]))
    else:
        own, seen = _spread(other.points_mm), _spread(flat)
    return (float(np.log(seen / own)) if seen > 0 and own > 0 else float("nan")), distance


def _spread(points: Array) -> float:
    """A size of a set of points that does not depend on how they are turned."""
    return float(np.sqrt(((points - points.mean(0)) ** 2).sum()))
