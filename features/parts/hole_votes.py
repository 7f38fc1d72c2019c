"""How much of a hole of a given size stands about every place of a squared-up picture.

Every thin edge tells, along its gradient, two places that a round hole's middle may have, one on either side. Votes are
counted by the direction they come from: a hole is a place that is told from all round, a line or a stain is not.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from features.parts.concentric import EdgeField

Floats = NDArray[np.float32]

DIRECTIONS = 20
IN_VIEW = 0.7
"""Share of a hole's surroundings that must be in view for the place to say anything."""


@dataclass(frozen=True, eq=False)
class HoleVotes:
    """Votes for holes of one size.

    Attributes:
        share: (h, w) part of the directions from which an edge is told, one pixel off allowed.
        in_view: (h, w) whether a hole there would be in view.
    """

    share: Floats
    in_view: NDArray[np.bool_]


def hole_votes(field: EdgeField, valid: NDArray[np.bool_], radius: float) -> HoleVotes:
    """Votes of the edges of a picture, of which only a part is valid, for holes of a radius in its pixels."""
    rows, columns = valid.shape
    told = np.zeros((rows, columns), np.uint32)
    for way in (-1.0, 1.0):
        column, row = np.rint(field.places + way * radius * field.gradients).astype(np.int64).T
        outward = np.arctan2(-way * field.gradients[:, 1], -way * field.gradients[:, 0])
        direction = ((outward + np.pi) / (2 * np.pi) * DIRECTIONS).astype(np.uint32) % DIRECTIONS
        inside = (column >= 0) & (column < columns) & (row >= 0) & (row < rows)
        bits = np.left_shift(np.uint32(1), direction[inside])
        np.bitwise_or.at(told, (row[inside], column[inside]), bits)
    for axis in (0, 1):
        told = told | np.roll(told, 1, axis) | np.roll(told, -1, axis)
    side = 2 * round(radius) + 1
    seen = cv2.blur(valid.astype(np.float32), (side, side), borderType=cv2.BORDER_CONSTANT)
    share = np.asarray(np.bitwise_count(told) / DIRECTIONS, np.float32)
    return HoleVotes(share, seen > IN_VIEW)
