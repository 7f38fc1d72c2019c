"""What is there of a circle before it is solved: its edge points in one photo, and what is believed of its plane."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from features.rim_shape import NoRim, RimShape

Array = NDArray[np.float64]

CASTING_FLAWS = 0.004
"""Spread of a rim's smooth flaws (`features.rim_shape`) for pump parts, relative to the radius: castings, bands and
their shadows (common practice). A larger `edge_shared_px` of a rim counts instead."""


@dataclass(frozen=True)
class CirclePrior:
    """What is believed of a circle's plane before its edge is looked at.

    Attributes:
        offset_mm: distance behind the reference plane along the plane's normal.
        offset_sd_mm: its standard uncertainty.
        tilt_sd_deg: standard uncertainty of the angle between the two planes, per axis.
        lean: (x, y) parts of the circle's unit normal in the reference's frame about which that is meant.
        slant_sd_deg: standard uncertainty of the reference plane's own slant, per axis, where no reference
            tells it.
        edge_sd_px: standard uncertainty of one edge point.
        edge_shared_px: error of the radius that all edge points share (rounded edges, blur, which edge it
            is).
        plane: circles of one photo with the same word lie in one plane, and so share the error of its depth; each
            lies in its own where it is empty.
        offset_share: how much further behind it lies for each mm that its diameter is larger than `guess_mm`.
        guess_mm: the diameter that `offset_mm` was guessed for.
        stands: it stands upright on the reference's plane (`features.standing_circle`), its depth told by its size.
    """

    offset_mm: float
    offset_sd_mm: float
    tilt_sd_deg: float = 1.5
    slant_sd_deg: float = 12.0
    edge_sd_px: float = 0.5
    edge_shared_px: float = 0.3
    plane: str = ""
    offset_share: float = 0.0
    guess_mm: float = 0.0
    stands: bool = False
    lean: tuple[float, float] = (0.0, 0.0)

    def lean_belief(self, tilts: Array) -> Array:
        """(K, 2) whitened residuals of tilts (K, 2) in rad from the lean believed in."""
        return np.asarray((tilts - np.arcsin(self.lean)) / np.deg2rad(self.tilt_sd_deg))


@dataclass(frozen=True, eq=False)
class SeenMiddle:
    """Where the middle of a circle itself, not of its ellipse, is seen: (2,) place, and how sure along each axis."""

    place_px: Array
    sd_px: float

    def pulls(self, aside_mm: Array, log_radius: Array, rim: RimShape) -> Array:
        """(K, 3) standard uncertainties by which it misses K middles; (K, 1) logarithms of the radii in mm."""
        return np.asarray(aside_mm / np.exp(log_radius) * rim.radius_px / self.sd_px)


@dataclass(frozen=True, eq=False)
class CircleSighting:
    """Edge points of one circle in one photo.

    Attributes:
        name: word of the design's section 3.
        photo: name of the photo.
        points_px: (N, 2) sub-pixel edge points, outliers removed.
        middle: where its middle is seen by other things than its edge, such as a ring of holes; None where it is not.
    """

    name: str
    photo: str
    points_px: Array
    middle: SeenMiddle | None = None


def rim_of(sighting: CircleSighting, prior: CirclePrior) -> RimShape | NoRim:
    """The rim of a pump's circle with its flaws."""
    radius_px = np.sqrt(2.0) * float(np.mean(np.std(sighting.points_px, axis=0)))
    return _rim(sighting, max(CASTING_FLAWS, prior.edge_shared_px / max(radius_px, 1.0)), prior.edge_sd_px)


@lru_cache(maxsize=32)
def _rim(sighting: CircleSighting, flaws: float, edge_sd_px: float) -> RimShape | NoRim:
    """Asked for again under every pose and every lens."""
    return RimShape.of(sighting.points_px, flaws, edge_sd_px)
