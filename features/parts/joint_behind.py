"""A joint behind its cover, where the edge of that was traced for it: a drum is as wide as its joint, and before it.

What stands before a joint is seen shifted, the way that the face leans, and hides the joint's edge where it lies over
it. So the joint is looked for about the same axis, as deep as covers stand out, only where the cover leaves it open.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from features.parts.finder import PartQuestion
from features.parts.front_on import FaceFrame
from features.parts.learned_circles import Trace, trace_each

Array = NDArray[np.float64]

DEPTHS, SIZES, REACH = (0.2, 0.26, 0.32, 0.38, 0.44, 0.5, 0.56), (0.92, 0.95, 0.98, 1.01, 1.04), 0.02
"""How deep behind the cover's edge the joint is looked for, and how large, over the radius of that, and how far round:
covers stand 0.2 to 0.56 of the joint's radius before it (`features.placement`), and what is nearer is seen larger."""
DEEP, ACROSS = (0.15, 0.6), 0.015
"""How deep it may lie, and how far beside the axis: the back edge of a joint's own rim lies nearer, the other chamber's
joint 0.8 and more behind (`features.placement`)."""
OPEN = 1.008
"""Where the joint is seen it lies so far outside the cover's edge."""
SEEN, PLAIN = 0.17, 0.5
"""How much of the joint must be seen, and by what share of the scan lines that may see it."""
TIMES, SAME = 2, 0.015
"""How many searches must end on it, and how near together.

In 1190 photos of two makers and two renderers 20 circles had such a one behind them: ten times it was the joint, its
cover taken for it before; nine times the back edge of a thick rim, which the part map or bolts tell (`chamber_rim`);
once an edge that nothing tells.
"""


def behind_the_cover(question: PartQuestion, cover: Trace, free: Callable[[Array], NDArray[np.bool_]]) -> list[Trace]:
    """Traces of the joint behind a traced circle that is its cover's edge, the plainest first; none where it is not.

    Args:
        question: the photo; cover: as traced; free: tells for (N, 2) photo pixels whether an edge can be seen there.
    """
    if not isinstance(cover[1].frame, FaceFrame):
        return []
    near = cover[1].about(cover[0].ellipse.points_px())
    slope = near.slope(question.poses[0].focal_px)
    steep = max(float(np.linalg.norm(slope)), 1e-9)
    places = [
        replace(near, center=near.center - depth * near.radius * slope, radius=size * near.radius)
        for depth in DEPTHS for size in SIZES
    ]  # fmt: skip

    def in_the_open(rim_px: Array) -> NDArray[np.bool_]:
        return free(rim_px) & (cover[0].ellipse.reach(rim_px) > OPEN)

    found: list[tuple[Trace, Array]] = []
    for traced, placed in trace_each(question, places, "strongest", in_the_open, REACH, round_in_front=True):
        joint = placed.about(traced.ellipse.points_px())
        shift = (joint.center - near.center) / near.radius
        depth = -float(shift @ slope) / steep**2
        across = float(np.linalg.norm(shift + depth * slope))
        is_plain = traced.coverage > SEEN and traced.evidence > PLAIN
        if is_plain and across < ACROSS and DEEP[0] < depth < DEEP[1]:
            found.append(((traced, placed), np.array([*shift, joint.radius / near.radius])))
    often = [one for one, at in found if sum(np.abs(at - other).max() < SAME for _, other in found) >= TIMES]
    return sorted(often, key=lambda one: -one[0].evidence)
