"""Where labels go on a picture: beside what they name, inside the picture, never on each other."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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

    def nearest(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Nearest point of this rectangle to each of (N, 2) points."""
        low = np.array([self.left, self.top])
        return np.clip(points, low, np.array([self.right, self.bottom]))

    def contains(self, points: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Which of (N, 2) points lie inside."""
        low = np.array([self.left, self.top])
        high = np.array([self.right, self.bottom])
        inside: NDArray[np.bool_] = np.all((points >= low) & (points <= high), axis=1)
        return inside


@dataclass(frozen=True, eq=False)
class LabelWish:
    """A label looking for a place.

    Attributes:
        width, height: size in pixels.
        outline_px: (M, 2) what it names.
    """

    width: float
    height: float
    outline_px: NDArray[np.float64]


@dataclass(frozen=True)
class LabelPlace:
    """A label's place: its box, and the point of the outline a leader line goes to."""

    box: Box
    anchor_px: tuple[float, float]


def place_labels(
    wishes: Sequence[LabelWish], picture: tuple[int, int], avoid_px: NDArray[np.float64], gap: float
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
    wish: LabelWish, picture: tuple[int, int], avoid_px: NDArray[np.float64], gap: float, taken: Sequence[Box]
) -> LabelPlace | None:
    outline = np.asarray(wish.outline_px, dtype=np.float64)
    inside = outline[_in_picture(outline, picture)]
    if len(inside) == 0:  # an outline wholly outside still deserves its label, at the nearest edge
        inside = np.clip(outline, 0, np.array(picture, dtype=np.float64) - 1)
    free = [
        box
        for box in _candidates(wish, outline, inside, picture, gap)
        if not any(box.overlaps(t, gap) for t in taken)
    ]
    if not free:
        return None
    diagonal = float(np.hypot(*picture))
    costs = [_cost(box, inside, avoid_px, diagonal, taken) for box in free]
    box = free[int(np.argmin(costs))]
    anchor = _anchor(box, inside)
    return LabelPlace(box, (float(anchor[0]), float(anchor[1])))


def _anchor(box: Box, outline: NDArray[np.float64]) -> NDArray[np.float64]:
    """The outline's point nearest to a box."""
    offsets = outline - box.nearest(outline)
    nearest: NDArray[np.float64] = outline[int(np.argmin(np.sum(offsets**2, axis=1)))]
    return nearest


def _in_picture(points: NDArray[np.float64], picture: tuple[int, int]) -> NDArray[np.bool_]:
    inside: NDArray[np.bool_] = np.all((points >= 0) & (points < np.array(picture)), axis=1)
    return inside


def _candidates(
    wish: LabelWish,
    outline: NDArray[np.float64],
    inside: NDArray[np.float64],
    picture: tuple[int, int],
    gap: float,
) -> list[Box]:
    """Boxes hanging outward and inward from the outline, then a grid, all inside the picture."""
    boxes = []
    center = outline.mean(axis=0)
    size = np.array([wish.width, wish.height])
    for anchor in inside[:: max(1, len(inside) // ANCHOR_COUNT)]:
        direction = anchor - center
        direction = direction / (np.linalg.norm(direction) or 1.0)
        for sign in (1.0, -1.0):
            middle = anchor + sign * direction * (gap * 2 + np.abs(direction) @ size / 2)
            left, top = middle - size / 2
            boxes.append(Box(float(left), float(top), wish.width, wish.height))
    room = np.array(picture) - size - 2 * gap
    if np.all(room >= 0):
        for x in np.linspace(gap, gap + room[0], GRID_STEPS):
            boxes.extend(
                Box(x, y, wish.width, wish.height) for y in np.linspace(gap, gap + room[1], GRID_STEPS)
            )
    return [
        b
        for b in boxes
        if b.left >= gap and b.top >= gap and b.right <= picture[0] - gap and b.bottom <= picture[1] - gap
    ]


def _cost(
    box: Box,
    outline: NDArray[np.float64],
    avoid_px: NDArray[np.float64],
    diagonal: float,
    taken: Sequence[Box],
) -> float:
    """Short leaders are good, covered lines are bad, a leader behind another label is worse.

    A tenth of the picture's diagonal weighs as much as 6 covered points, a crossed label as 40.
    """
    anchor = _anchor(box, outline)
    start = box.nearest(anchor[np.newaxis])[0]
    distance = float(np.linalg.norm(anchor - start))
    covered = int(np.count_nonzero(box.contains(avoid_px))) if len(avoid_px) else 0
    leader = start + np.linspace(0, 1, 16)[:, np.newaxis] * (anchor - start)
    crossed = sum(1 for other in taken if np.any(other.contains(leader)))
    return 60.0 * distance / diagonal + covered + 40.0 * crossed
