"""A thread's mouth before what was traced as it: the end of the thread, or the dark beyond it.

Seen at a slant a ring that lies deeper in a port is seen shifted, the way that the face leans: the mouth lies about the
same axis and before it, is larger by what its wall and the depth hide, and shifted back.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from features.parts.finder import PartQuestion
from features.parts.front_on import FaceFrame
from features.parts.learned_circles import LEAST_COVERAGE, Trace, best_of, trace_each

Array = NDArray[np.float64]

LARGER, SHIFTS, REACH = (1.06, 1.12, 1.19, 1.26, 1.34), (0.0, 0.5, 1.0), 0.035
"""How much larger the mouth is looked for, how far aside of the ring, over what it is larger by (a ring that is seen
all round lies inside its mouth), and how far round that."""
RATIO = (1.08, 1.36)
"""How much larger it is: a ring less deep than that is the crests' (`port_opening`), and of what is wider still the
edge of a boss is one, 1.3 times as wide as its thread and more (common practice)."""
ASIDE, ACROSS, DEEPEST = 0.035, 0.03, 2.5
"""How far along the slope the ring is shifted at least and across it at most, and how deep it may lie, over its radius:
pipe threads are engaged over 0.6 to 1.6 radii (ASME B1.20.1), and bosses are tapped deeper (common practice)."""
SQUARE = 0.05
"""Where the face is seen less aslant than this (tangent, 3 degrees), a shift tells no depth: flaws shift as much."""
FLATTEST = 0.58
"""How deep it lies at least, over what the mouth is wider: a chamfer has 120 degrees at most (DIN 76-1, from memory);
the edge of a boss lies in the mouth's plane or behind it."""
ENOUGH = 0.36
"""What share of the ring's evidence the mouth's edge has: it is broken, dirty, or of a thread.

In 1190 photos of two makers and two renderers 17 rings that were taken for a mouth had such a circle before them, and
all of these were the mouth's edge, within 1.8 %.
"""


def before_the_ring(question: PartQuestion, ring: Trace, free: Callable[[Array], NDArray[np.bool_]]) -> Trace | None:
    """The circle that lies before a traced one as a mouth lies before a ring in its port; None where none does.

    Args:
        question: the photo; ring: as traced; free: tells for (N, 2) photo pixels whether an edge can be seen there.
    """
    if not (ring[1].measured_slant and isinstance(ring[1].frame, FaceFrame)):
        return None
    near = ring[1].about(ring[0].ellipse.points_px())
    slope = near.slope(question.poses[0].focal_px)
    steep = float(np.linalg.norm(slope))
    if steep < SQUARE:
        return None
    toward = slope / steep
    places = [
        replace(near, center=near.center + share * (size - 1.0) * near.radius * toward, radius=size * near.radius)
        for size in LARGER for share in SHIFTS
    ]  # fmt: skip
    found: list[Trace] = []
    for traced, placed in trace_each(question, places, "outer", free, REACH, round_in_front=True):
        if traced.coverage < LEAST_COVERAGE or traced.evidence < ENOUGH * ring[0].evidence:
            continue
        mouth = placed.about(traced.ellipse.points_px())
        shift = (mouth.center - near.center) / near.radius
        along, ratio = float(shift @ toward), mouth.radius / near.radius
        across = float(np.linalg.norm(shift - along * toward))
        least = max(ASIDE, FLATTEST * (ratio - 1.0) * steep)
        if RATIO[0] < ratio < RATIO[1] and across < ACROSS and least < along < DEEPEST * steep:
            found.append((traced, placed))
    return best_of(found)
