"""How far away a port is by its height above the floor that the reference lies on.

An inlet's manifold is as low as feet, flange and pipework let it: its middle stands above the floor by so much of its
own width, and a discharge as high as pumps of its size are. Looked down at, the line of sight comes to that height at
one distance, told far better than by a reference that lies somewhere beside the pump.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from features.circle_in_space import CircleInSpace
from features.measured import Contribution
from features.placement import FLANGE_FACE_LENGTHS, PortLevel
from features.plane_pose import PlanePose
from features.standing_circle import distance_by_height

Array = NDArray[np.float64]

INLET = {"flange_diameter": (0.58, 0.08), "port_bore": (1.6, 0.4)}
"""Height of an inlet's middle above what the pump stands on, over its flange's diameter or its thread's mouth, with its
standard uncertainty: half a flange, or half a boss, and room for a wrench (common practice; flanges of rendered
families 0.59 +/- 0.04, of three free inventions 0.75; mouths 1.5 and 1.75 +/- 0.4)."""
DISCHARGE = {"flange_diameter": (3.5, 0.5), "port_bore": (10.0, 1.8)}
"""The same of a discharge: pumps with 1 in. ports are some 365 mm high, others by the power 0.7 of the nominal size,
and the port's middle is half a flange or a boss below their top (common practice; of the same pumps
flanges 3.5 +/- 0.2 and 3.3 +/- 0.8, mouths 10.8 +/- 1.7 and 11.1 +/- 1.2)."""
LOW = 0.3
"""How far below a joint's middle an inlet's lies at least, over the joint's diameter (common practice: 0.7)."""
SEEMS_LOW = 1.55
"""Where no joint is seen, nor where on the pump a port is, it is an inlet if that distance is the reference's within
this factor."""
BESIDE_SD = 0.4
"""How far a reference on the floor tells the distance of a pump's parts by its own (common practice: it lies within an
arm of the pump, which is photographed from half a meter to two)."""
NEARLY_AS_LIKELY = 3.0
"""An inlet is not believed in where a discharge would be no less likely than by this factor: looked down at from above
a pump's top, a discharge that is near and an inlet far behind it look alike."""
_FARTHEST_PULL = 3.0
"""A height that would move a port by more standard uncertainties is another thing's."""
_LEAST_SD = 0.03


def by_port_height(
    circles: Sequence[CircleInSpace],
    joint: CircleInSpace | None,
    floor: PlanePose,
    beside_mm: float,
    level: PortLevel = "unknown",
) -> tuple[CircleInSpace, ...]:
    """Circles of a port's face with what its height tells of their distance; all others as they are.

    Args:
        circles: as measured by a reference on the floor, placed in millimeters in camera axes.
        joint: the one that stands on the floor, None where none does.
        floor: pose of the reference, z into the floor.
        beside_mm: its distance along the camera's axis.
        level: where on the pump the port is; counts where no joint is seen.
    """
    faces = {one.length.name: one for one in circles if one.length.name in FLANGE_FACE_LENGTHS}
    face = next((faces[name] for name in INLET if name in faces), None)
    if face is None:
        return tuple(circles)
    middle = face.center_in_camera_mm
    width = face.length.value_mm / float(middle[2])
    told = joint is None and level != "unknown"
    height, height_sd = (DISCHARGE if told and level == "high" else INLET)[face.length.name]
    away_mm, sd = distance_by_height(floor, middle / middle[2], width, height, height_sd)
    if not np.isfinite(away_mm) or not (told or _is_low(middle, joint, floor, away_mm / beside_mm)):
        return tuple(circles)
    apart = float(np.log(away_mm / middle[2]))
    own_sd = float(np.linalg.norm([part.relative for part in face.length.contributions if part.name == "offset"]))
    if joint is None and not told:
        discharge_mm, _ = distance_by_height(floor, middle / middle[2], width, *DISCHARGE[face.length.name])
        if _as_likely(discharge_mm / beside_mm, away_mm / beside_mm):
            return tuple(circles)
    if told and abs(apart) > _FARTHEST_PULL * np.hypot(own_sd, sd):
        return tuple(circles)
    weight = own_sd**2 / (own_sd**2 + max(sd, _LEAST_SD) ** 2)
    error = Contribution("offset", f"height:{face.length.photos[0] if face.length.photos else ''}", weight * sd)
    return tuple(
        _moved(one, float(np.exp(weight * apart)), 1.0 - weight, error) if one.length.name in faces else one
        for one in circles
    )


def _as_likely(other: float, one: float) -> bool:
    """Whether one distance over the reference's is nearly as likely as another."""
    if not np.isfinite(other):
        return False
    return float(np.log(other) ** 2 - np.log(one) ** 2) < 2.0 * BESIDE_SD**2 * float(np.log(NEARLY_AS_LIKELY))


def _is_low(middle: Array, joint: CircleInSpace | None, floor: PlanePose, over_beside: float) -> bool:
    if joint is None:
        return abs(float(np.log(over_beside))) < float(np.log(SEEMS_LOW))
    below = float(floor.rotation[:, 2] @ (middle - joint.center_in_camera_mm))
    return below > LOW * joint.length.value_mm


def _moved(circle: CircleInSpace, stretch: float, kept: float, error: Contribution) -> CircleInSpace:
    """A circle at another distance, its depth's old errors shrunk to what is kept of them."""
    length = circle.length
    parts = tuple(
        replace(part, relative=kept * part.relative) if part.name == "offset" else part for part in length.contributions
    )
    # Along its line of sight: it still has to be seen where it is seen.
    center = circle.rotation.T @ (stretch * circle.center_in_camera_mm - circle.translation_mm)
    length = replace(length, value_mm=stretch * length.value_mm, contributions=(*parts, error))
    return replace(circle, center_mm=center, length=length)
