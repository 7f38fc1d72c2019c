"""Where labels go on a picture: beside what they name, inside the picture, never on each other."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]

ANCHOR_COUNT = 32
"""Points of an outline tried as the place a label hangs from."""

GRID_STEPS = 24
"""Fallback positions tried across each side of the picture."""


@dataclass(frozen=True)
class Box:
    """An upright rectangle in pixels."""

    left: float
    top: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Right edge."""
        return self.left + self.width

    @property
    def bottom(self) -> float:
        """Bottom edge."""
        return self.top + self.height

    def overlaps(self, other: "Box", gap: float = 0.0) -> bool:
        """True when the two rectangles come closer than `gap` pixels."""
        return (
            self.left < other.right + gap
            and other.left < self.right + gap
            and self.top < other.bottom + gap
            and other.top < self.bottom + gap
        )

    def nearest(self, points: Points) -> Points:
        """Nearest point of this rectangle to each of (N, 2) points."""
        low = np.array([self.left, self.top])
        return np.clip(points, low, np.array([self.right, self.bottom]))


@dataclass(frozen=True, eq=False)
class LabelWish:
    """A label looking for a place.

    Attributes:
        width, height: size in pixels.
        outline_px: (M, 2) what it names.
    """

    width: float
    height: float
    outline_px: Points


@dataclass(frozen=True)
class LabelPlace:
    """A label's place: its box, and the point of the outline a leader line goes to."""

    box: Box
    anchor_px: tuple[float, float]


def place_labels(
    wishes: Sequence[LabelWish], picture: tuple[int, int], avoid_px: Points, gap: float
) -> list[LabelPlace | None]:
    """Give each label a place, first come first served.

    Args:
        wishes: labels, most important first.
        picture: (width, height) in pixels.
        avoid_px: (N, 2) points of drawn lines that labels should rather not cover.
        gap: free pixels kept round every label.

    Returns:
        A place for each wish, or None where no room was left.
    """
    placed: list[LabelPlace] = []
    places: list[LabelPlace | None] = []
    for wish in wishes:
        place = _best_place(wish, picture, avoid_px, gap, [p.box for p in placed])
        places.append(place)
        if place is not None:
            placed.append(place)
    return places


def _best_place(
    wish: LabelWish, picture: tuple[int, int], avoid_px: Points, gap: float, taken: Sequence[Box]
) -> LabelPlace | None:
    outline = np.asarray(wish.outline_px, dtype=np.float64)
    inside = outline[np.all((outline >= 0) & (outline < np.array(picture)), axis=1)]
    if len(inside) == 0:  # an outline wholly outside still deserves its label, at the nearest edge
        inside = np.clip(outline, 0, np.array(picture, dtype=np.float64) - 1)
    corners = _candidates(wish, outline, inside, picture, gap)
    size = np.array([wish.width, wish.height])
    for box in taken:
        corners = corners[~_overlapping(corners, size, box, gap)]
    if len(corners) == 0:
        return None
    anchors, costs = _costs(corners, size, inside, avoid_px, float(np.hypot(*picture)), taken)
    best = int(np.argmin(costs))
    box = Box(float(corners[best, 0]), float(corners[best, 1]), wish.width, wish.height)
    return LabelPlace(box, (float(anchors[best, 0]), float(anchors[best, 1])))


def _overlapping(corners: Points, size: Points, box: Box, gap: float) -> NDArray[np.bool_]:
    """Which of many equal boxes, given by their top left corners, come closer than `gap` to a box."""
    low = np.array([box.left, box.top]) - size - gap
    high = np.array([box.right, box.bottom]) + gap
    overlapping: NDArray[np.bool_] = np.all((corners > low) & (corners < high), axis=1)
    return overlapping


def _candidates(wish: LabelWish, outline: Points, inside: Points, picture: tuple[int, int], gap: float) -> Points:
    """Top left corners of boxes outward and inward of the outline, then of a grid, all inside the picture."""
    size = np.array([wish.width, wish.height])
    room = np.array(picture) - size - gap
    if np.any(room < gap):
        return np.zeros((0, 2))
    hung = inside[:: max(1, len(inside) // ANCHOR_COUNT)]
    direction = hung - outline.mean(axis=0)
    direction /= np.maximum(np.linalg.norm(direction, axis=1, keepdims=True), 1e-9)
    reach = direction * (2 * gap + np.abs(direction) @ size / 2)[:, np.newaxis]
    xs, ys = np.meshgrid(np.linspace(gap, room[0], GRID_STEPS), np.linspace(gap, room[1], GRID_STEPS))
    corners = np.vstack([hung + reach - size / 2, hung - reach - size / 2, np.stack([xs.ravel(), ys.ravel()], 1)])
    fitting: Points = corners[np.all((corners >= gap) & (corners <= room), axis=1)]
    return fitting


def _costs(
    corners: Points, size: Points, outline: Points, avoid_px: Points, diagonal: float, taken: Sequence[Box]
) -> tuple[Points, Points]:
    """The outline's point nearest to each box, and what each box costs.

    Short leaders are good, covered lines are bad, a leader behind another label is worse: a tenth of the
    picture's diagonal weighs as much as 6 covered points, a crossed label as 40.
    """
    low, high = corners[:, np.newaxis, :], corners[:, np.newaxis, :] + size
    nearest = np.clip(outline, low, high)
    distances = np.linalg.norm(nearest - outline, axis=2)
    best = np.argmin(distances, axis=1)
    rows = np.arange(len(corners))
    anchors, starts = outline[best], nearest[rows, best]
    covered = np.count_nonzero(np.all((avoid_px > low) & (avoid_px < high), axis=2), axis=1)
    along = np.linspace(0, 1, 16)[np.newaxis, :, np.newaxis]
    leaders = starts[:, np.newaxis] + along * (anchors - starts)[:, np.newaxis]
    crossed = np.zeros(len(corners))
    for box in taken:
        within = (leaders > (box.left, box.top)) & (leaders < (box.right, box.bottom))
        crossed += np.any(np.all(within, axis=2), axis=1)
    return anchors, 60.0 * distances[rows, best] / diagonal + covered + 40.0 * crossed
