"""How far away a pump is by a reference that lies on the floor it stands on.

The floor is seen a step before or behind the pump, and lower: taken for the pump's distance, the reference's makes a
pump too large that a person looks down at. But the floor's slant is known from the reference, and a chamber's middle
stands about as high above it as the chamber is wide, so the line of sight to the middle ends at that height.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from features.circle_in_space import CircleInSpace
from features.plane_pose import PlanePose

Array = NDArray[np.float64]

HEIGHT_OF_DIAMETER, HEIGHT_SD = 0.9, 0.2
"""Height of a chamber's middle above what the pump stands on, over the chamber's diameter: half of it, a manifold and
feet (common practice)."""
BESIDE_SD = 0.2
"""How far a reference on the floor tells the pump's distance by its own (common practice: it lies within an arm of the
pump, which is photographed from one to two meters)."""


@dataclass(frozen=True)
class FloorDistance:
    """Distance of the pump from the camera along its axis, and its relative standard uncertainty."""

    distance_mm: float
    relative_sd: float


def floor_distance(floor: PlanePose, joint: CircleInSpace | None) -> FloorDistance:
    """Distance of a pump.

    Args:
        floor: pose of the reference that lies on the floor, z into the floor.
        joint: the chamber's joint as solved without scale, in the plane where a pixel is a unit; None where not seen.
    """
    beside = float(np.linalg.norm(floor.translation_mm))
    if joint is None:
        return FloorDistance(beside, BESIDE_SD)
    middle = middle_in_view(joint)
    ray, width = middle / middle[2], joint.length.value_mm / float(middle[2])
    down = floor.rotation[:, 2]
    # With distance Z its height is down . (floor - Z ray), to be the share of its width Z.
    falls = float(down @ ray) + HEIGHT_OF_DIAMETER * width
    away = float(down @ floor.translation_mm) / falls if falls > 0 else np.inf
    sd = HEIGHT_SD * width / falls if falls > 0 else np.inf
    if not 0.3 * beside < away < 3.0 * beside:
        return FloorDistance(beside, BESIDE_SD)
    weights = np.array([BESIDE_SD, max(sd, 0.02)]) ** -2.0
    log_distance = float(weights @ np.log([beside, away]) / weights.sum())
    return FloorDistance(float(np.exp(log_distance)), float(weights.sum() ** -0.5))


def middle_in_view(circle: CircleInSpace) -> Array:
    """(3,) a circle's middle in camera axes."""
    return np.asarray(circle.rotation @ circle.center_mm + circle.translation_mm)
