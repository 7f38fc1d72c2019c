"""Whether the edges that several photos show fit one circle, and how much worse than each its own.

The edge of a casting is seen as truly as its flaws and the search for it let it. Photos that followed the same one fit
one circle nearly as well as each its own; where they do not, one of them followed another edge, somewhere.
"""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from features.circle_in_space import CircleInSpace
from features.least_squares import lighter_by_tail
from features.reference_fit import places_in_planes_mm
from features.rim_shape import RimShape

Array = NDArray[np.float64]

JOINT = "chamber_diameter"
"""What this is known of: the other circles' edges err as believed."""
DEPTH_DEGREES = 4.0
"""Degrees of freedom of the depth believed in: pumps are built as nobody believed more often than a normal belief has
it, and two directions of sight tell the depth without it."""
ONE_CIRCLE = 12.6
"""Squares that edges may fit one circle worse than each their own: what a chi-square of six degrees passes once in 20,
as many as a circle has. Of 137 pairs of renders five lie above it, of edges that are 2 to 6 % apart."""
_FLAW_DEGREES, _OF_CIRCLE, _TRACED = 4.0, 6.0, 0.25
"""Degrees of freedom of the belief about the edges' errors and those of a circle; and the variance of a traced edge
over the believed one. Of these pairs 115 that fit worse by less than 2.5 were off by 0.19 % in the middle, twelve of
2.5 to 6 by 1.2 %, though both kinds were believed alike."""


def own_misfit(solved: CircleInSpace, rim: RimShape) -> float:
    """Sum of squares that a rim leaves about the circle that its own photo has, whatever its size.

    Args:
        solved: the circle by that photo alone; rim: as it is seen there.
    """
    eye = -solved.rotation.T @ solved.translation_mm
    rays = (solved.camera.rays(rim.points_px) @ solved.rotation)[None]
    met = places_in_planes_mm(rays, eye[None], solved.center_mm[None], solved.normal[None])[0]
    logs = rim.whitening @ np.log(np.linalg.norm(met, axis=1))
    size = rim.whitening @ np.ones(len(met))
    left = logs - float(size @ logs / (size @ size)) * size
    return float(left @ left)


def worse_as_one(
    residuals: Mapping[str, Array], alone: Sequence[tuple[CircleInSpace, RimShape]], stands: bool
) -> float:
    """Sum of squares by which edges and beliefs fit one circle worse than the edges of each photo a circle of its own.

    Args:
        residuals: by their cause, of all photos together.
        alone: the circle by each photo alone, and its rim.
        stands: whether it stands on the floor, its depth told by its size.
    """
    edges = sum(
        float(np.sum(left**2)) for name, left in residuals.items() if name.startswith(("edge", "shared", "middle"))
    )
    depth = float(residuals["offset"][0])
    plane = float(np.sum(residuals["tilt"] ** 2)) + depth**2
    if not stands:
        plane -= 2.0 * lighter_by_tail(depth, DEPTH_DEGREES)
    return edges + plane - sum(own_misfit(solved, rim) for solved, rim in alone)


def edges_err_more(worse: float) -> float:
    """By how much the edges err more than believed, after how much worse they fit one circle.

    Their variance is known from other rims only: by Student's t it is expected to be larger by (degrees + squares) over
    (degrees + those of a circle), the squares over what traced edges have.
    """
    squares = max(worse, 0.0) / _TRACED
    return float(np.sqrt((_FLAW_DEGREES + squares) / (_FLAW_DEGREES + _OF_CIRCLE)))
