"""A port that faces the viewer of a pump's front, measured at the scale that the front as a whole has there.

A front that is solved with its reference (`features.front_pump`) tells how many mm a pixel shows at its ports. A port's
own circles tell only how wide it is seen: by a card on the floor its distance is a guess by a height. Flanges are left
as they were: how far one stands out hangs on the room that its bolts need.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from features.circle_in_space import CircleInSpace
from features.combine import summed
from features.front_pump import FrontProblem, camera_mm
from features.front_view import FOCAL, REACH_AT
from features.least_squares import Solution
from features.measured import MeasuredLength

Array = NDArray[np.float64]

HEIGHTS = {"upper_port_mm_per_px": 0.5, "lower_port_mm_per_px": -0.5}
"""How high each port is on the pump, in port spacings, by the name of its scale."""
_STEP = 1e-3
_OF_DISTANCE = ("offset", "print_scale", "reference")
"""Causes of error by which a circle was placed before: they make way for those of the front."""


@dataclass(frozen=True, eq=False)
class FacingPort:
    """A port that faces the viewer.

    Attributes:
        middle_px: (2,) of it in the photo; radius_px: as it is seen.
        mm_per_px: there, with its budget: of its distance and the focal length the photo tells the ratio best.
    """

    middle_px: Array
    radius_px: float
    mm_per_px: MeasuredLength


def log_mm_per_px(problem: FrontProblem, x: Array, height: float) -> float:
    """Logarithm of the mm that a pixel shows at a port's middle, so high in port spacings."""
    away_mm = camera_mm(problem, x, np.array([[0.0, -x[REACH_AT], height]]))[0, 2]
    return float(np.log(max(away_mm, 1e-3) / problem.focal.focal_px) - x[FOCAL])


def slope_of_mm_per_px(problem: FrontProblem, solution: Solution, height: float) -> Array:
    """(P,) derivatives of `log_mm_per_px`."""
    x = solution.x
    steps = _STEP * np.maximum(np.sqrt(np.diag(solution.covariance)), _STEP)
    ends = [log_mm_per_px(problem, x + move, height) for move in (*np.diag(steps), *np.diag(-steps))]
    after, before = np.split(np.array(ends), 2)
    return np.asarray((after - before) / (2.0 * steps))


def by_front(circle: CircleInSpace, ports: Sequence[FacingPort]) -> CircleInSpace | None:
    """A circle by the scale of the port it belongs to; None where it belongs to none, or was measured better.

    Args:
        circle: as measured, placed in millimeters in camera axes.
        ports: of the same photo, by the front.
    """
    middle_px = circle.outline_px(36).mean(axis=0)
    port = next((port for port in ports if np.linalg.norm(middle_px - port.middle_px) < port.radius_px), None)
    if port is None or circle.length.is_ratio_only:
        return None
    own = tuple(part for part in circle.length.contributions if part.name not in _OF_DISTANCE)
    stretch = port.mm_per_px.value_mm * circle.camera.focal_px / float(circle.center_in_camera_mm[2])
    length = replace(
        circle.length,
        value_mm=stretch * circle.length.value_mm,
        contributions=summed((*own, *port.mm_per_px.contributions)),
        offset_mm=None,
        per_offset_mm=0.0,
    )
    center = circle.rotation.T @ (stretch * circle.center_in_camera_mm - circle.translation_mm)
    return replace(circle, center_mm=center, length=length) if length.relative_sd < circle.length.relative_sd else None
