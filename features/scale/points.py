"""Two clicked points and a typed length as a scale reference: always available, never very good.

The flats of a bolt head will do: what they are apart is published for each thread size.
"""

import numpy as np
from numpy.typing import NDArray

from features.problems import POINTS_UNUSABLE, Problem
from features.scale.reference import ScaleReference
from reference_geometry.standards import across_flats

CLICK_SD_PX = 2.0
"""How well a person clicks an edge, one coordinate (common practice)."""

READING_SD_MM = 0.5
"""How well a length is read off a rule with millimeter ticks (common practice)."""

_MIN_DISTANCE_PX = 10 * CLICK_SD_PX


def reference_from_points(
    two_points_px: tuple[tuple[float, float], tuple[float, float]],
    length_mm: float,
    shape: tuple[int, ...],
    head: str = "",
) -> ScaleReference | Problem:
    """Two points of known distance.

    Args:
        two_points_px: in pixels of the upright photo.
        length_mm: distance between them.
        shape: shape of the photo, to refuse points outside it.
        head: thread size of the bolt head or nut across whose flats they lie, "" where the length was read off a rule.

    Returns:
        A reference of two points on the x axis. It holds no tilt: whoever uses it takes the plane as facing
        the camera, or know better.
    """
    px: NDArray[np.float64] = np.asarray(two_points_px, np.float64)
    if px.shape != (2, 2) or not np.isfinite(px).all() or not np.isfinite(length_mm) or length_mm <= 0:
        return Problem(POINTS_UNUSABLE, f"length {length_mm} mm")
    if (px < -0.5).any() or (px > np.array([shape[1], shape[0]]) - 0.5).any():
        return Problem(POINTS_UNUSABLE, f"a point lies outside the photo of {shape[1]} x {shape[0]} px")
    distance = float(np.linalg.norm(px[1] - px[0]))
    if distance < _MIN_DISTANCE_PX:
        apart = f"the points are {distance:.0f} px apart; {_MIN_DISTANCE_PX:.0f} are needed"
        return Problem(POINTS_UNUSABLE, apart)
    flats = across_flats(head)
    return ScaleReference(
        kind="points",
        label=f"across the flats of {head}, {length_mm:g} mm" if flats else f"two points {length_mm:g} mm apart",
        points_mm=np.array([[0.0, 0.0], [length_mm, 0.0]]),
        points_px=px,
        point_sd_px=CLICK_SD_PX,
        outline_px=px,
        size_relative_sd=flats.relative_sd if flats else READING_SD_MM / length_mm,
        size_source=f"fasteners:{head}" if flats else "reading:points",
    )
