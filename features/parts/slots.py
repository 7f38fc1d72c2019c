"""Slots of a flange: holes drawn out along the radius, so that the flange fits the bolts of several standards.

In a squared-up picture a hole's edge is a circle all round; a slot's is two half circles and straight sides between.
Either end of a slot looks like a hole of which the half toward the other end is missing. So both outlines are laid over
all holes of a ring at once, of all sizes and lengths that may be, and the edges say which of them they follow.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from features.parts.concentric import EdgeField, edge_field
from features.parts.flange_holes import RADIUS_PX, ROOM
from features.parts.placed import Placed

Array = NDArray[np.float64]

SIZES = np.array([0.8, 0.87, 0.93, 1.0, 1.07, 1.15, 1.24])
"""Widths of slots and holes tried over that of the hole seen: so nearly does its search tell it."""
LENGTHS = np.arange(0.05, 0.21, 1.0 / 60.0)
"""How far apart a slot's ends may have their middles, over the flange's radius: they are 4 to 10 mm longer than wide
(common practice)."""
ASIDE = np.arange(-0.22, 0.23, 1.0 / 60.0)
"""Where the middle of a hole or slot may lie outside the place seen, over the flange's radius: that is an end of it."""
SAMPLES = 48
NEAR_PX, TURNED_DEG, DIRECTIONS = 5, 25.0, 18
"""How wide a mark each edge makes in the squared-up picture, how far edges may be turned from an outline, and how many
directions are told apart."""
SEEN, SURELY, PERHAPS = 0.8, 0.08, 0.025
"""How much of the slots' outlines edges must follow, and by how much more than of circles'. Of 191 flanges of renders
with round holes or bolts one, seen badly, came above the last, by 0.03; nine with slots came to 0.12 to 0.27, one, with
tape over half of its two slots, to 0.04."""
PLAIN = 0.75
"""Only holes of which so much is seen as one or the other are compared where others are covered."""


@dataclass(frozen=True)
class Slots:
    """Slots as shares of their flange's radius.

    Attributes:
        length: from the middle of one end to that of the other.
        aside: how far the slots' middles lie outside the places at which holes were seen.
        chance: that they are slots: 1, or a half where holes are as likely.
    """

    length: float
    aside: float
    chance: float


def slots_at(
    gray: NDArray[np.uint8], rim: Placed, middles_px: Array, hole_share: float, covered_px: Sequence[Array]
) -> Slots | None:
    """The slots whose ends or middles were taken for holes, None where round holes are seen.

    Args:
        gray: (H, W) photo.
        rim: of the flange, squared up.
        middles_px: (K, 2) where holes were seen, in the photo; hole_share: their radius over the flange's.
        covered_px: outlines (M, 2) of what lies over it.
    """
    front = rim.picture(gray, RADIUS_PX, ROOM, covered_px)
    marks = _marks(edge_field(front), front.gray.shape)
    places = front.from_photo(middles_px)
    outward = (places - front.foot) / np.linalg.norm(places - front.foot, axis=1, keepdims=True)
    every = [[_followed(marks, places, outward, r, length) for length in (0.0, *LENGTHS)] for r in SIZES * hole_share]
    followed = np.array(every)  # (sizes, lengths, aside, holes)
    round_ones, drawn_out = followed[:, :1], followed[:, 1:]
    hole = round_ones[_best(round_ones)]
    _, length, aside = best = _best(drawn_out)
    slot = drawn_out[best]
    more = float((slot - hole).mean())
    told = Slots(float(LENGTHS[length]), float(ASIDE[aside]), 1.0)
    if slot.mean() > SEEN and more > SURELY:
        return told
    plain = np.maximum(slot, hole) > PLAIN
    if plain.any() and (slot - hole)[plain].mean() > PERHAPS and slot[plain].mean() > SEEN:
        return Slots(told.length, told.aside, 0.5)
    return None


def _best(followed: Array) -> tuple[int, int, int]:
    """Size, length and place under which all holes together are followed most."""
    mean = followed.mean(axis=3)
    size, length, aside = np.unravel_index(int(mean.argmax()), mean.shape)
    return int(size), int(length), int(aside)


def _marks(field: EdgeField, shape: tuple[int, ...]) -> NDArray[np.uint8]:
    """(DIRECTIONS, h, w) where edges lie whose gradients have about a direction, either way."""
    marks = np.zeros((DIRECTIONS, *shape), np.uint8)
    turn = np.arctan2(field.gradients[:, 1], field.gradients[:, 0])
    column, row = np.rint(field.places).astype(np.int64).T
    mark = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (NEAR_PX, NEAR_PX))
    for index in range(DIRECTIONS):
        apart = turn - (index + 0.5) * np.pi / DIRECTIONS
        near = np.abs((apart + np.pi / 2) % np.pi - np.pi / 2) < np.radians(TURNED_DEG)
        marks[index, row[near], column[near]] = 1
        marks[index] = cv2.dilate(marks[index], mark)
    return marks


def _followed(marks: NDArray[np.uint8], places: Array, outward: Array, radius: float, length: float) -> Array:
    """(A, K) share of an outline that edges follow, A places outside each of K holes.

    Args:
        marks: see `_marks`; places, outward: (K, 2) holes, and the unit vectors from the flange's middle to them.
        radius, length: of the outline, over the flange's radius.
    """
    points, normals = _outline(RADIUS_PX * radius, RADIUS_PX * length)
    across = np.stack([-outward[:, 1], outward[:, 0]], axis=1)
    axes = np.stack([outward, across], axis=1)  # (K, 2, 2) rows are the outline's x and y
    moved = places + RADIUS_PX * ASIDE[:, None, None] * outward  # (A, K, 2)
    x, y = np.rint(moved[:, :, None] + points @ axes).astype(np.int64).transpose(3, 0, 1, 2)
    turned = normals @ axes
    turn = np.arctan2(turned[..., 1], turned[..., 0]) % np.pi
    direction = np.broadcast_to((turn / np.pi * DIRECTIONS).astype(np.int64) % DIRECTIONS, x.shape)
    rows, columns = marks.shape[1:]
    inside = (x >= 0) & (y >= 0) & (x < columns) & (y < rows)
    hit = marks[direction, np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)] & inside
    return np.asarray(hit.mean(axis=2))


def _outline(radius: float, length: float) -> tuple[Array, Array]:
    """(SAMPLES, 2) points evenly round a slot along x about the origin, a circle where its length is 0, and normals."""
    half = np.pi * radius + length
    along = (np.arange(SAMPLES) + 0.5) / SAMPLES * 2 * half
    way = np.where(along < half, 1.0, -1.0)[:, None]
    turn = np.minimum(along % half / radius, np.pi) - np.pi / 2
    straight = np.maximum(along % half - np.pi * radius, 0.0)
    normals = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    points = radius * normals + np.stack([0.5 * length - straight, np.zeros(SAMPLES)], axis=1)
    return way * points, way * normals
