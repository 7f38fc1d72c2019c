"""The other port of a pump beside the one that is measured, where both face the same way."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from features.parts.finder import FoundCircle, PartQuestion
from features.parts.learned_circles import (
    found_circle,
    outline_of,
    places_told,
    trace_places,
    trace_weight,
)
from features.parts.part_maps import RoundPart
from features.parts.part_model import PartMaps
from features.parts.part_outline import by_the_map
from features.parts.placed import uncovered

Array = NDArray[np.float64]

CIRCLE_OF = {"flange": "flange_diameter", "mouth": "port_bore"}
"""Which circle of a port tells its place."""
LEAST_SCORE = 0.4
APART, FURTHEST = 2.5, 25.0
"""How far the middles of two ports lie from each other, at least and at most, over the radius of one."""
LIKE_SIZE, LIKE_SHAPE = 0.25, 0.2
"""Ports that face alike are seen as large, and as oval, as each other up to this (logarithm, share)."""
UPRIGHT_DEG = 50.0
"""One lies above the other, as far as a photo is upright."""


def find_twin(
    question: PartQuestion, maps: PartMaps, rounds: Sequence[RoundPart], chosen: RoundPart
) -> FoundCircle | None:
    """The circle of the other port; None where no port is seen that faces as the chosen one does.

    Args:
        question: the photo.
        maps: of all of the pump that it shows; rounds: the round parts told in them.
        chosen: the port that is measured, of `CIRCLE_OF`.
    """
    alike = [part for part in rounds if part.name == chosen.name and part.score > LEAST_SCORE and _faces(part, chosen)]
    if not alike:
        return None
    part = by_the_map(maps, max(alike, key=lambda one: one.score))
    places = places_told(question, part, maps)

    def free(rim_px: Array) -> NDArray[np.bool_]:
        return uncovered(question, rim_px)

    name = CIRCLE_OF[chosen.name]
    traces = trace_places(question, part, places, free)
    if traces:
        best = max(traces, key=lambda trace: trace_weight(*trace))
        return found_circle(name, question.photo_name, best[0], (0.5, 0.002))
    return outline_of(name, question.photo_name, part, places, free)


def _faces(part: RoundPart, chosen: RoundPart) -> bool:
    """Whether a part may be the other port of the same pump, facing the same way."""
    away = part.center_px - chosen.center_px
    radius = float(chosen.semi_axes_px.mean())
    distance = float(np.linalg.norm(away))
    if not APART * radius < distance < FURTHEST * radius:
        return False
    if np.degrees(np.arctan2(abs(away[0]), abs(away[1]))) > UPRIGHT_DEG:
        return False
    size = 0.5 * float(np.log(np.linalg.det(part.shape_px) / np.linalg.det(chosen.shape_px)))
    shapes = [one.shape_px / np.sqrt(np.linalg.det(one.shape_px)) for one in (part, chosen)]
    return abs(size) < LIKE_SIZE and float(np.abs(shapes[0] - shapes[1]).max()) < LIKE_SHAPE
