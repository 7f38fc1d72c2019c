"""Whether a flange is one at the far end of its pump, seen from behind: what stands before it tells.

A port's face that looks at the viewer has nothing of its own pump before it, and where it is seen over a chamber's
joint it hides that. A flange that looks away stands behind all of its pump: the chamber hides a part of it, or the
manifold that leads to it does. Its rim and its bolts or their nuts look like a face's all the same.
"""

import numpy as np
from numpy.typing import NDArray

from features.ellipse import Ellipse
from features.parts.part_model import PartMaps
from features.parts.part_outline import shares_at

Array = NDArray[np.float64]

BEFORE = ("chamber_cover", "clamp_band", "bolted_rim", "manifold")
"""What hides a flange that looks away, of the pump itself."""
ON_A_FACE = ("flange", "bolt", "port_opening", "companion", "scale_reference")
"""What is seen of a face that looks at the viewer, and what may lie on it."""
MOSTLY, HARDLY = 0.5, 0.25
"""How much of where both outlines lie must show the first, and how little the second. Of 96 flanges on renders that
look at the viewer one showed 0.35 of the first and the others less than 0.06; the one that looks away showed 1.0."""
RIM_KEPT, GRID, LEAST = 0.97, 81, 50
"""Share of the outlines that is looked at, places along each side, and how many must lie in both outlines."""


def looks_away(maps: PartMaps, flange_px: Array, chamber_px: Array) -> bool:
    """Whether a flange is hidden where a chamber's joint is seen across it.

    Args:
        maps: of a look at the flange.
        flange_px, chamber_px: (N, 2) edge points of both rims in the photo.
    """
    flange, chamber = Ellipse.fit(flange_px), Ellipse.fit(chamber_px)
    if not flange or not chamber:
        return False
    x, y = np.meshgrid(*2 * [np.linspace(-1.0, 1.0, GRID)])
    places = flange.center_px + np.stack([x.ravel(), y.ravel()], axis=1) * flange.semi_axes_px[0]
    both = (flange.reach(places) < RIM_KEPT) & (chamber.reach(places) < RIM_KEPT)
    if both.sum() < LEAST:
        return False
    before, on_it = (float(shares_at(maps, names, places[both]).mean()) for names in (BEFORE, ON_A_FACE))
    return before > MOSTLY and on_it < HARDLY
