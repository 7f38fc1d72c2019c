"""A port's face found anew by its circles, in pictures squared up to the reference or to the face itself.

Where a card hides half of a flange, the told outline shrinks to the other half or leans to one side. The rim is a
circle under the reference's slant all the same, and its edges agree on where its middle is.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from features.circle_fit import fit_circle
from features.parts.border_circles import distinct
from features.parts.concentric import (
    MORE_ROUNDS,
    ROUNDS,
    ConcentricSet,
    EdgeField,
    edge_field,
    find_concentric,
    support_profile,
)
from features.parts.finder import PartQuestion
from features.parts.front_on import FaceFrame, FrontOn
from features.parts.joint_search import SHIFTS
from features.parts.part_maps import RoundPart
from features.parts.placed import Placed

Array = NDArray[np.float64]

RADIUS_PX, ROOM = 110.0, 2.2
"""How large the told outline is drawn, and how much round it is looked at."""
NEAREST, FARTHEST = 0.6, 1.8
"""How large a circle may be, the told outline being 1."""
ASIDE = 0.7
"""How far its middle may lie from the told one, over the told radius."""
LEAST_SUPPORT, NEARLY = 0.35, 0.75
"""Share of a circle's directions that must show its edge, and how much of the best one's others must have."""
OPENING = 0.18
"""The smallest circle that helps to tell the middle, the told outline being 1: the opening has 0.3 and more."""
SETS, REACH = 5, 0.05
MOST_BEHIND = 3
"""How many circles behind a cover's own are told."""


def circles_about(
    question: PartQuestion, part: RoundPart, frames: Sequence[FaceFrame], measured_slant: bool
) -> list[Placed]:
    """Circles about a told outline that edges agree on.

    Args:
        question: the photo.
        part: the told outline.
        frames: pictures squared up to planes in which the part may lie; measured_slant: whether a reference told them.

    Returns:
        The best supported of a few concentric sets, and those of the same set nearly as well supported.
    """
    places = []
    for frame in frames:
        center, radius = fit_circle(frame.from_photo(part.outline_px()))
        told = Placed(frame, center, radius, measured_slant, REACH)
        front = told.picture(question.gray, RADIUS_PX, ROOM, question.keep_out_px)
        shape = (front.gray.shape[0], front.gray.shape[1])
        field = edge_field(front)
        is_chamber = part.name == "chamber"  # its circles lie at several depths, and so about several middles
        least, most = OPENING * RADIUS_PX, ROOM * RADIUS_PX
        if is_chamber:
            sets = find_concentric(field, shape, least, most, SETS, MORE_ROUNDS)
        else:
            sets = find_concentric(field, shape, least, most, SETS, ROUNDS, front.valid, ASIDE * RADIUS_PX)
        places += [place for one in sets for place in _placed(told, front, one)]
        if is_chamber:
            places += _behind(told, front, field, sets)
    return places


def _behind(told: Placed, front: FrontOn, field: EdgeField, sets: Sequence[ConcentricSet]) -> list[Placed]:
    """Joints behind a cover's own circles, which are nearer to the camera and so seen further from the foot point."""
    assert isinstance(told.frame, FaceFrame)
    scale = told.radius / RADIUS_PX
    foot = (told.frame.foot - told.center) / scale + front.foot
    found: list[tuple[float, tuple[float, float, float]]] = []
    for one in sets:
        for shift in SHIFTS[1:]:
            center = one.center + shift * (foot - one.center)
            if float(np.linalg.norm(center - front.foot)) < ASIDE * RADIUS_PX:
                profile = support_profile(field, center, FARTHEST * RADIUS_PX)
                radius = _outermost(profile)
                found.append((float(profile[radius]), (float(center[0]), float(center[1]), float(radius))))
    circles = [circle for support, circle in sorted(found, reverse=True) if support >= LEAST_SUPPORT]
    return [
        replace(told, center=told.center + scale * (one[:2] - front.foot), radius=scale * float(one[2]), by_edges=True)
        for one in distinct(np.array(circles).reshape(-1, 3), MOST_BEHIND)
    ]


def _outermost(profile: Array) -> int:
    """The outermost circle about a middle that is nearly as well supported as the best: a joint is round its cover."""
    may_be = profile[int(NEAREST * RADIUS_PX) :]
    plain = np.flatnonzero(may_be >= NEARLY * may_be.max())
    last = int(plain[-1])
    while last > 0 and may_be[last - 1] > may_be[last]:
        last -= 1
    return int(NEAREST * RADIUS_PX) + last


def _placed(told: Placed, front: FrontOn, one: ConcentricSet) -> list[Placed]:
    """The circles of a set that may be the part's, as places of the told one's picture."""
    may_be = (one.radii > NEAREST * RADIUS_PX) & (one.radii < FARTHEST * RADIUS_PX)
    if not may_be.any() or float(np.linalg.norm(one.center - front.foot)) > ASIDE * RADIUS_PX:
        return []
    enough = max(LEAST_SUPPORT, NEARLY * float(one.supports[may_be].max()))
    scale = told.radius / RADIUS_PX
    middle = told.center + scale * (one.center - front.foot)
    return [
        Placed(told.frame, middle, scale * float(radius), told.measured_slant, REACH, by_edges=True)
        for radius in one.radii[may_be & (one.supports >= enough)]
    ]
