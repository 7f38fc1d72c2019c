"""How much of a hole of a given size stands about every place of a squared-up picture.

Every thin edge tells, along its gradient, two places that a round hole's middle may have, one on either side. Votes are
counted by the direction they come from: a hole is a place that is told from all round, a line or a stain is not.
"""

from collections.abc import Sequence
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


def hole_votes(field: EdgeField, valid: NDArray[np.bool_], radii: Sequence[float]) -> list[HoleVotes]:
    """Votes of the edges of a picture, of which only a part is valid, for holes of each of some radii in its pixels."""
    ways = []
    for way in (-1.0, 1.0):
        outward = np.arctan2(-way * field.gradients[:, 1], -way * field.gradients[:, 0])
        direction = ((outward + np.pi) / (2 * np.pi) * DIRECTIONS).astype(np.uint32) % DIRECTIONS
        ways.append((way, np.left_shift(np.uint32(1), direction)))
    return [_votes_for(field, valid, radius, ways) for radius in radii]


def _votes_for(
    field: EdgeField, valid: NDArray[np.bool_], radius: float, ways: Sequence[tuple[float, NDArray[np.uint32]]]
) -> HoleVotes:
    """Votes for one radius; a way along the gradients comes with (N,) the bit of the direction that each tells from."""
    rows, columns = valid.shape
    told = np.zeros(rows * columns, np.uint32)
    x, y, across, down = field.columns
    for way, bits in ways:
        column, row = (np.rint(at + way * radius * along).astype(np.int64) for at, along in ((x, across), (y, down)))
        inside = (column >= 0) & (column < columns) & (row >= 0) & (row < rows)
        np.bitwise_or.at(told, (row * columns + column)[inside], bits[inside])
    votes = np.bitwise_count(_one_off(_one_off(told.reshape(rows, columns)).T).T)
    side = 2 * round(radius) + 1
    seen = cv2.boxFilter(
        valid.view(np.uint8), cv2.CV_16U, (side, side), normalize=False, borderType=cv2.BORDER_CONSTANT
    )
    return HoleVotes(votes.astype(np.float32) / np.float32(DIRECTIONS), seen > IN_VIEW * side**2)


def _one_off(told: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """(h, w) what is told of each place or one above or below it; the first and the last row lie beside each other."""
    near = told.copy()
    near[1:] |= told[:-1]
    near[:-1] |= told[1:]
    near[0] |= told[-1]
    near[-1] |= told[0]
    return near
