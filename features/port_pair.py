"""Port spacing by two ports that face alike: the distance between their middles in their common plane.

A circle's middle is not where its ellipse's is, so both outlines are taken back into the plane first. What the plane's
place leaves open the measured port's own diameter tells already; the plane's lean matters more over the longer way. It
is told by the two ports too: both are of one size, and the one further away is seen smaller.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from features.camera import rotation_from_vector, rotation_taking_z_to
from features.circle_fit import fit_circle
from features.circle_in_space import CircleInSpace
from features.measured import Contribution, MeasuredLength
from features.parts.finder import FoundCircle

Array = NDArray[np.float64]

LEAN_SD_DEG, OWN_LEAN_SD_DEG = 2.5, 6.0
"""How far the plane of both ports leans off that of the one that was measured (castings, and its own error), by a scale
reference and without one."""
SAME_SIZE_SD, TOLD_SIZE_SD = 0.012, 0.05
"""Error of the sizes of two like ports against each other, relative, where edges tell both and where the part model
alone tells one."""
SAME_SIZE, ALIKE = 0.05, 0.2
"""Up to the first difference of their sizes, as read in one plane, the same edges were read; beyond the second they do
not lie in one plane."""
MIDDLE_SD, TOLD_MIDDLE_SD = 0.012, 0.03
"""Error of a middle over the radius, where edges tell it and where the part model alone does."""
ROUND = 0.08
"""How far an outline may be off a circle in the plane, over its radius."""
WHICH_SD = 0.004
PAIR_SD = 0.014
"""What a spacing is off beyond all that, relative, against the diameter of the port it was measured with: both were
traced in other light, at other edges (38 flanged pairs of renders of three sets: only 82 in 100 intervals held)."""
_STEP = 1e-3


def spacing_of_pair(first: CircleInSpace, found: FoundCircle, twin: FoundCircle) -> tuple[MeasuredLength, Array] | None:
    """Port spacing by the measured port and its twin.

    Args:
        first: the measured port's circle; found: as it was seen.
        twin: the same circle of the other port.

    Returns:
        The length and the (2, 2) middles in the photo, upper one first; None where they do not lie in one plane.
    """
    outlines = (found.sighting.points_px, twin.sighting.points_px)
    flat = _in_plane(first, outlines, 0.0)
    spread = [float(np.std(np.linalg.norm(points - center, axis=1))) / radius for points, center, radius in flat]
    ratio = float(np.log(flat[1][2] / flat[0][2]))
    if max(spread) > ROUND or abs(ratio) > ALIKE:
        return None
    told = max(one.edge_shared_px for one in (found, twin)) > 0.02 * float(np.ptp(outlines[0], axis=0).max())
    lean_sd_deg = OWN_LEAN_SD_DEG if first.length.is_ratio_only else LEAN_SD_DEG
    lean, lean_sd = _lean(first, outlines, ratio, np.radians(lean_sd_deg), TOLD_SIZE_SD if told else SAME_SIZE_SD)
    (_, here, radius), (_, there, _) = _in_plane(first, outlines, lean)
    spacing = float(np.linalg.norm(there - here))
    further = _spacing(first, outlines, lean + _STEP)
    per_lean = float(np.log(further / spacing)) / _STEP
    edge = np.sqrt(2.0) * (TOLD_MIDDLE_SD if told else MIDDLE_SD) * radius / spacing
    photo = found.sighting.photo
    kept = tuple(part for part in first.length.contributions if part.name != "edge")
    own = (
        Contribution("edge", f"edge:{photo}:port_spacing", float(edge)),
        Contribution("edge", "which:port_spacing", WHICH_SD),
        Contribution("edge", f"pair:{photo}:port_spacing", PAIR_SD),
        Contribution("tilt", f"lean:{photo}:port_spacing", per_lean * lean_sd),
    )
    share = spacing / first.length.value_mm
    length = replace(
        first.length,
        name="port_spacing",
        value_mm=spacing,
        contributions=(*kept, *own),
        per_offset_mm=first.length.per_offset_mm * share,
    )
    middles = _in_photo(first, np.stack([here, there]), lean, outlines)
    return length, middles[np.argsort(middles[:, 1])]


def _lean(
    first: CircleInSpace, outlines: tuple[Array, Array], ratio: float, before: float, size_sd: float
) -> tuple[float, float]:
    """How far the plane leans along the line of both ports, rad, and its standard uncertainty, by their equal size."""
    if abs(ratio) > SAME_SIZE:
        return 0.0, float(before)
    (_, _, here), (_, _, there) = _in_plane(first, outlines, _STEP)
    slope = (float(np.log(there / here)) - ratio) / _STEP
    weight = slope * before**2 / (slope**2 * before**2 + size_sd**2)
    return -weight * ratio, float(before * np.sqrt(max(1.0 - weight * slope, 0.0)))


def _spacing(first: CircleInSpace, outlines: tuple[Array, Array], lean: float) -> float:
    (_, here, _), (_, there, _) = _in_plane(first, outlines, lean)
    return float(np.linalg.norm(there - here))


def _plane(first: CircleInSpace, outlines: tuple[Array, Array], lean: float) -> Array:
    """(3, 3) axes of the plane in the reference's frame, the last its normal; it leans about the first port."""
    level = rotation_taking_z_to(first.normal)
    if lean == 0.0:
        return level
    (_, here, _), (_, there, _) = _in_plane(first, outlines, 0.0)
    way = (there - here) / np.linalg.norm(there - here)
    about = level @ np.array([-way[1], way[0], 0.0])
    return np.asarray(rotation_from_vector(lean * about) @ level)


def _in_plane(
    first: CircleInSpace, outlines: tuple[Array, Array], lean: float
) -> tuple[tuple[Array, Array, float], tuple[Array, Array, float]]:
    """Each outline (N, 2) in mm of the plane, from the first port's middle, with its middle and radius."""
    axes = _plane(first, outlines, lean)
    eye = -first.rotation.T @ first.translation_mm - first.center_mm
    out = []
    for outline in outlines:
        sight = first.camera.rays(outline) @ first.rotation
        reach = -float(axes[:, 2] @ eye) / (sight @ axes[:, 2])
        flat = (eye + reach[:, None] * sight) @ axes[:, :2]
        center, radius = fit_circle(flat)
        out.append((flat, center, radius))
    return out[0], out[1]


def _in_photo(first: CircleInSpace, places: Array, lean: float, outlines: tuple[Array, Array]) -> Array:
    axes = _plane(first, outlines, lean)
    there = places @ axes[:, :2].T + first.center_mm
    return np.asarray(first.camera.project(there @ first.rotation.T + first.translation_mm))
