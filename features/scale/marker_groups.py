"""Sort markers into cards by geometry, so that a stray or foreign marker never counts as ours."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from features.problems import CARD_MIRRORED, MARKERS_NOT_OURS, Problem
from features.scale.card_boards import CARDS, MIRRORED_ID_OFFSET, CardBoard
from features.scale.homography import apply_homography, fit_homography

_NEAR_SQUARES = 0.35
"""A marker belongs to the card when its corners fall this near to where its neighbors say they should."""
_MOST_APART = 0.28
"""How far a marker may lie from where the corners put it, in its sides. In 900 photos of two renderers four lie further
off, each the only one read; the others within 0.23."""


@dataclass(frozen=True, eq=False)
class Marker:
    """One marker read: its id and its (4, 2) corners in photo pixels, clockwise from its own top left."""

    id: int
    corners_px: NDArray[np.float64]

    @property
    def sides_px(self) -> NDArray[np.float64]:
        """(4,) lengths of its sides."""
        return sides_px(self.corners_px)


@dataclass(frozen=True, eq=False)
class MarkerGroup:
    """Markers that together lie as one of our cards has them.

    Attributes:
        card: which card.
        markers: one or more, each id once; a single one proves nothing yet.
        px_from_mm: (3, 3) rough homography from their corners.
    """

    card: CardBoard
    markers: tuple[Marker, ...]
    px_from_mm: NDArray[np.float64]


def sides_px(corners_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """(4,) lengths of the sides of a square seen, from its corners (4, 2)."""
    return np.asarray(np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=0), axis=1))


def group_markers(markers: Sequence[Marker]) -> list[MarkerGroup]:
    """Group markers into cards; two cards of one size in a photo come out as two groups."""
    groups: list[MarkerGroup] = []
    for card in CARDS.values():
        left = [m for m in markers if m.id in card.marker_ids]
        while left:
            best = _largest_group(card, left)
            groups.append(best)
            used = {id(m) for m in best.markers}
            left = [m for m in left if id(m) not in used]
    return groups


def _largest_group(card: CardBoard, markers: Sequence[Marker]) -> MarkerGroup:
    best: MarkerGroup | None = None
    for seed in markers:
        group = _grown_from(card, seed, markers)
        if best is None or len(group.markers) > len(best.markers):
            best = group
        if 2 * len(best.markers) > len(markers):
            break  # no other seed can find a larger one that does not share markers with this
    if best is None:
        raise ValueError("no markers to group")
    return best


def _grown_from(card: CardBoard, seed: Marker, markers: Iterable[Marker]) -> MarkerGroup:
    """Grow a card from one marker outward, nearest first: a far one is predicted from many near ones."""
    corners_mm = _printed_mm(card)
    start = corners_mm[seed.id].mean(0)
    group = [seed]
    H = _homography(corners_mm, group)
    for marker in sorted(markers, key=lambda m: float(np.linalg.norm(corners_mm[m.id].mean(0) - start))):
        if H is None or any(marker.id == m.id for m in group):
            continue
        predicted = apply_homography(H, corners_mm[marker.id])
        side = float(sides_px(predicted).max())
        miss = float(np.linalg.norm(predicted - marker.corners_px, axis=1).max())
        if np.isfinite(miss) and miss < _NEAR_SQUARES * side * card.square_mm / card.marker_mm:
            group.append(marker)
            H = _homography(corners_mm, group)
    return MarkerGroup(card, tuple(group), H if H is not None else np.eye(3))


def _printed_mm(card: CardBoard) -> dict[int, NDArray[np.float64]]:
    """Where each marker of a card is printed: its id -> (4, 2) corners."""
    return dict(zip(card.marker_ids, card.marker_corners_mm, strict=True))


def _homography(corners_mm: dict[int, NDArray[np.float64]], markers: Sequence[Marker]) -> NDArray[np.float64] | None:
    mm = np.concatenate([corners_mm[m.id] for m in markers])
    fit = fit_homography(mm, np.concatenate([m.corners_px for m in markers]))
    return fit.px_from_mm if fit else None


def are_of_another(group: MarkerGroup, ids: NDArray[np.int64], corners_px: NDArray[np.float64]) -> bool:
    """Whether squares' corners (N,), (N, 2) that were found by a group's markers are not those printed beside them.

    Of one small marker the rest of its card is guessed, and a guess that is wrong finds corners of something.
    """
    card = group.card
    fit = fit_homography(card.corners_mm[ids], corners_px) if len(ids) >= 4 else None
    if not fit:
        return False
    printed_mm = _printed_mm(card)
    apart = []
    for marker in group.markers:
        there = apply_homography(fit.px_from_mm, printed_mm[marker.id])
        side_px = max(float(marker.sides_px.mean()), 1e-9)
        apart.append(np.linalg.norm(there - marker.corners_px, axis=1).max() / side_px)
    return float(np.median(apart)) > _MOST_APART


def about_other_markers(markers: list[Marker]) -> list[Problem]:
    """What is said of markers that make no card of ours: mirrored ones, or others'."""
    mirrored = [m for m in markers if m.id >= MIRRORED_ID_OFFSET]
    plain = [m for m in markers if m.id < MIRRORED_ID_OFFSET]
    if len(mirrored) >= 2 and len(mirrored) > len(plain):
        return [Problem(CARD_MIRRORED, f"{len(mirrored)} mirrored markers read")]
    if len(plain) >= 2:  # a single one on a marker-free photo is chance
        seen = ", ".join(str(m.id) for m in sorted(plain, key=lambda m: m.id)[:8])
        return [Problem(MARKERS_NOT_OURS, f"{len(plain)} markers with ids {seen}")]
    return []
