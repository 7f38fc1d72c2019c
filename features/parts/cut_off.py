"""A flange whose middle lies beyond the picture's border, by the outline that the part map draws of the rest.

The model tells a round part at its middle. Of one that is cut off beyond that it tells none, though its map shows all
that is in view: half of a rim and two holes name a flange.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from features.ellipse import Ellipse
from features.parts.part_maps import RoundPart, part_outlines
from features.parts.part_model import PartMaps

Array = NDArray[np.float64]

FLANGED = 0.5
"""What the whole picture must say of its ports, as a probability: what seems a flange of a threaded pump is a boss."""
AT_BORDER_CELLS, ON_HULL_CELLS = 2.0, 1.0
"""So near to the picture's border an outline is cut; so near to its convex hull it is the flange's own, and no neck."""
LEAST_IN_VIEW, FLATTEST, AGREES = 0.3, 0.25, 0.02
"""Share of the rim that must be in view, least ratio of its axes, and how far from an ellipse its outline may lie (root
mean square, over its size)."""
SCORE = 0.5
"""How sure such a part is."""


def cut_off_flange(maps: PartMaps, size_px: tuple[int, int]) -> RoundPart | None:
    """The flange at the picture's border that shows most, None where none does.

    Args:
        maps: of the pump.
        size_px: (width, height) of the photo.
    """
    if maps.attributes["connection"]["flanged"] < FLANGED:
        return None
    cell_px = maps.cell_px * maps.window.scale
    last = np.array(size_px) - 1.0
    for outline in part_outlines(maps, "flange"):  # the largest first
        inside = np.minimum(outline, last - outline).min(axis=1) > AT_BORDER_CELLS * cell_px
        part = None if inside.all() else _through(outline[inside & _on_hull(outline, ON_HULL_CELLS * cell_px)], last)
        if part is not None:
            return part
    return None


def _on_hull(outline: Array, near_px: float) -> NDArray[np.bool_]:
    """(M,) which points of an outline lie on its convex hull."""
    hull = cv2.convexHull(outline.astype(np.float32))
    away = [cv2.pointPolygonTest(hull, (float(x), float(y)), True) for x, y in outline]
    return np.asarray(np.array(away) < near_px)


def _through(border: Array, last: Array) -> RoundPart | None:
    """The flange with a border (N, 2) in a photo whose last pixel is told."""
    rim = Ellipse.fit(border)
    if not rim or rim.semi_axes_px[1] < FLATTEST * rim.semi_axes_px[0]:
        return None
    outline = rim.points_px(120)
    in_view = ((outline >= 0) & (outline <= last)).all(axis=1).mean()
    if in_view < LEAST_IN_VIEW or rim.rms_px > AGREES * rim.semi_axes_px.mean():
        return None
    part = RoundPart.of_outline("flange", outline)
    return RoundPart(part.name, SCORE, part.center_px, part.shape_px)
