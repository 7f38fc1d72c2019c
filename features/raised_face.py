"""The raised face of a flange: the outermost ring that shows between its opening and its bolt holes.

Standards differ more in the raised face than in the rim: over the bolt circle it is 0.76 for 2 in. of ASME B16.5 Class
150, 0.80 of JIS B2220 10K, 0.82 of EN 1092-1 PN10/16. Marks of gaskets, paint left round the opening and grooves lie
inside it; between it and the holes there is the bare plate. Many flanges are flat: then no ring is told.
"""

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from features.camera import rotation_taking_z_to
from features.circle_in_space import CircleInSpace
from features.edges import hidden_by
from features.measured import Contribution, MeasuredLength

Array = NDArray[np.float64]
Outlines = Sequence[Array]

RAISED_FACE = "raised_face_diameter"
_DIRECTIONS, _STEP = 180, 0.004
"""Directions looked along, and the step outward, over the radius of the bolt circle."""
_LIFTS = (0.0, 0.02, 0.04)
"""How far the ring may stand before the plate, over that radius: 1 to 3 mm (the same standards)."""
_FROM_OPENING, _FROM_HOLES, _SMALLEST = 1.12, 0.02, 0.5
"""How much wider than the opening the ring must be, how far it must keep from the holes, over the bolt circle, and the
least it may be of that: tabulated raised faces have 0.58 and more."""
_BLUR_PX, _BLUR_ALONG = 0.8, 2.0
"""Edges are looked for after smoothing by this along each direction, and by so many directions across."""
_OVER_NOISE = 3.0
"""An edge is so many times as steep as half of its direction."""
_LEAST_SUPPORT, _LEAST_SEEN = 0.3, 40
"""Share of the directions seen that must show the ring, and how many must be seen."""
_ONE_EDGE = 0.04
"""Rings nearer than this are one edge and its shadow: the better seen one counts."""
_READING_SD = 0.009
"""How far a ring's diameter over the bolt circle's is read off (11 rings of renders: 1.1 % with their tolerances)."""


def ring_on_face(
    gray: NDArray[np.uint8], bolts: CircleInSpace, opening: float, hole: float, keep_out_px: Outlines = ()
) -> float | None:
    """Diameter of the outermost ring on a flange's face over that of its bolt circle, None where none is seen.

    Args:
        gray: (H, W) the upright photo.
        bolts: the solved bolt circle of an open flange.
        opening, hole: diameters of the opening (0 where it is not known) and of a bolt hole over the bolt circle's.
        keep_out_px: (M, 2) outlines of things that are no part of the pump.
    """
    low, high = max(_FROM_OPENING * opening, _SMALLEST), 1.0 - hole - _FROM_HOLES
    if high - low < 2 * _ONE_EDGE:
        return None
    shares = np.arange(low - _ONE_EDGE, high + _ONE_EDGE, _STEP)
    hidden = hidden_by(gray.shape, keep_out_px)
    support = np.max([_support(gray, hidden, bolts, shares, lift) for lift in _LIFTS], axis=0)
    return _outermost(shares, np.where((shares > low) & (shares < high), support, 0.0))


def raised_face_length(bolts: MeasuredLength, share: float) -> MeasuredLength:
    """The diameter of a raised face by its share of the bolt circle's: it has all errors of that, and its own."""
    own = Contribution("edge", f"{bolts.photos[0]}:{RAISED_FACE}", _READING_SD)
    value_mm, per_offset = share * bolts.value_mm, share * bolts.per_offset_mm
    contributions = (*bolts.contributions, own)
    return MeasuredLength(RAISED_FACE, value_mm, contributions, bolts.photos, bolts.offset_mm, per_offset)


def _outermost(shares: Array, support: Array) -> float | None:
    """Of the rings that are seen well enough, the outermost one."""
    seen = np.flatnonzero(support >= _LEAST_SUPPORT)
    if not len(seen):
        return None
    near = np.flatnonzero(shares > shares[seen[-1]] - _ONE_EDGE)
    best = int(near[np.argmax(support[near])])
    beside = slice(max(best - 2, 0), best + 3)
    return float(np.average(shares[beside], weights=support[beside]))


def _support(
    gray: NDArray[np.uint8], hidden: NDArray[np.uint8], bolts: CircleInSpace, shares: Array, lift: float
) -> Array:
    """Share of the directions seen in which an edge lies at each share of the bolt circle's radius."""
    center, axis = bolts.center_in_camera_mm, bolts.axis_in_camera
    radius = 0.5 * bolts.length.value_mm
    angle = np.arange(_DIRECTIONS) * 2 * np.pi / _DIRECTIONS
    outward = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1) @ rotation_taking_z_to(axis).T
    places = center - lift * radius * axis + radius * shares[None, :, None] * outward[:, None]
    px = bolts.camera.project(places).astype(np.float32)
    radius_px = float(np.linalg.norm(px[:, -1] - px[:, -1].mean(axis=0), axis=1).max()) / shares[-1]
    shades = cv2.remap(gray, px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    covered = cv2.remap(
        hidden, px[..., 0], px[..., 1], cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=1
    )
    steep = gaussian_filter1d(shades.astype(float), max(_BLUR_PX / (radius_px * _STEP), 1.0), axis=1, order=1)
    steep = np.abs(gaussian_filter1d(steep, _BLUR_ALONG, axis=0, mode="wrap"))
    highest = cv2.dilate(steep, np.ones((1, 7)))
    edge = (steep >= highest) & (steep > _OVER_NOISE * (np.median(steep, axis=1, keepdims=True) + 0.02))
    near = cv2.dilate(edge.astype(np.uint8), np.ones((1, 3), np.uint8)) > 0
    seen = covered == 0
    return np.asarray((near & seen).sum(axis=0) / np.maximum(seen.sum(axis=0), _LEAST_SEEN))
