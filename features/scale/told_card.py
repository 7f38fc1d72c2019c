"""Bank cards in the places that somebody knows by their looks to be scale references.

Tape hides corners, a two-colored card has lines of its own, a card on a pump has no open ground: found by its lines
alone such a card is overlooked. Who knows where it lies needs only its outline.
"""

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from features.camera import Camera
from features.photo import FocalPrior
from features.plane_pose import poses_of_points
from features.scale.bank_card import MIN_PX_PER_MM, TOLD, BankCardFinding, cards_among
from features.scale.card_corners import HEIGHT_MM, WIDTH_MM
from features.scale.line_quads import are_clockwise, find_quads
from features.scale.reference import ReferenceSight

Array = NDArray[np.float64]

MOST_PLACES = 3
LEAST_FILLED = 0.5
"""Share of an outline that must look like a scale reference; tape does not."""
UNDER_TAPE = 0.8
"""So far from a corner, over what is seen of the shorter side, its sides may begin: tape is as long as half a card."""
LEAST_SHARED = 0.65
"""A rough outline and the place told share so much of what either covers."""
ROOM = 0.25
"""Surroundings in which a place's lines are looked for, of its longer side."""
BORDER_POINTS, BORDER_SD = 96, 0.015
"""A border is told to this share of its size where no tape hides it."""
SAME = 0.01
"""Outlines whose corners lie this near, over the diagonal, are one."""
_CARD_MM = np.array([[0.0, 0.0], [WIDTH_MM, 0.0], [WIDTH_MM, HEIGHT_MM], [0.0, HEIGHT_MM]])


def find_told_cards(
    pixels_rgb: NDArray[np.uint8], focal: FocalPrior, sight: ReferenceSight, unsure_px: Sequence[Array] = ()
) -> BankCardFinding:
    """Find bank cards among what is told to be a scale reference.

    Args:
        pixels_rgb: (H, W, 3) full resolution.
        focal: focal length prior.
        sight: where the photo shows references.
        unsure_px: (4, 2) outlines that may be a card by their shape; those that look like a reference are tested again.
    """
    doubted = [quad for quad in unsure_px if sight.filled(quad) > LEAST_FILLED]
    found = cards_among(np.array(doubted).reshape(-1, 4, 2), pixels_rgb, focal, TOLD)
    if found.references:
        return found
    for outline in sight.outlines_px[:MOST_PLACES]:

        def fills(corners_px: Array, place: Array = outline) -> bool:
            """Whether what was measured is still what was told: a part of a printed card may have the right shape."""
            return sight.filled(corners_px) > LEAST_FILLED and shared(corners_px, place) > LEAST_SHARED

        quads = [quad for quad in quads_about(pixels_rgb, focal, outline) if sight.filled(quad) > LEAST_FILLED]
        among = cards_among(np.array(quads).reshape(-1, 4, 2), pixels_rgb, focal, TOLD)
        found = found.also(replace(among, references=tuple(r for r in among.references if fills(r.outline_px))))
    return found


def quads_about(pixels_rgb: NDArray[np.uint8], focal: FocalPrior, outline_px: Array) -> list[Array]:
    """Outlines (4, 2) that a card in a place may have: by its border, and the lines about it, the most alike first."""
    low, high = outline_px.min(axis=0), outline_px.max(axis=0)
    least = 0.7 * MIN_PX_PER_MM * HEIGHT_MM
    if (high - low).min() < 0.5 * least:
        return []
    room = ROOM * float((high - low).max())
    left, top = np.maximum(np.floor(low - room), 0).astype(int)
    right, below = np.ceil(high + room).astype(int) + 1
    part = np.ascontiguousarray(pixels_rgb[top:below, left:right])
    lines = find_quads(part, least, corner_reach=UNDER_TAPE) + np.array([left, top], float)
    quads = [*border_quads(outline_px, focal, pixels_rgb.shape), *lines]
    quads = [quad for quad in quads if cv2.isContourConvex(quad.astype(np.float32))]
    alike = np.array([shared(quad, outline_px) for quad in quads])
    return [quads[k] for k in np.argsort(-alike) if alike[k] > LEAST_SHARED]


def border_quads(outline_px: Array, focal: FocalPrior, shape: tuple[int, ...]) -> list[Array]:
    """Outlines (4, 2), clockwise as seen, of an ID-1 card that lies so that a border (M, 2) is mostly its own.

    The border may bulge where tape sticks out, and be cut where tape hides a corner: its points count less the farther
    they lie.
    """
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(outline_px, axis=0), axis=1))])
    at = np.linspace(0, length[-1], BORDER_POINTS, endpoint=False)
    border = np.column_stack([np.interp(at, length, outline_px[:, k]) for k in (0, 1)])
    box = _clockwise(np.asarray(cv2.boxPoints(cv2.minAreaRect(outline_px.astype(np.float32))), float))
    size = float(np.linalg.norm(box[0] - box[2]))
    camera = Camera.of_shape(shape, focal.focal_px)
    fits: list[tuple[float, Array]] = []
    for turn in (0, 1):
        for pose in poses_of_points(_CARD_MM, np.roll(box, turn, axis=0), camera):
            start = np.concatenate([cv2.Rodrigues(pose.rotation)[0].ravel(), np.log(pose.translation_mm[2:])])
            middle = pose.translation_mm[:2] / pose.translation_mm[2]
            solved = least_squares(
                lambda p: _off_border(_placed(p, camera), border) / (BORDER_SD * size),
                np.concatenate([start, middle]), loss="cauchy", max_nfev=25,
            )  # fmt: skip
            fits.append((float(solved.cost), _placed(solved.x, camera)))
    kept: list[Array] = []
    for _, quad in sorted(fits, key=lambda fit: fit[0]):
        if not any(np.abs(quad - other).max() < SAME * size for other in kept):
            kept.append(quad)
    return [_clockwise(quad) for quad in kept]


def _placed(pose: Array, camera: Camera) -> Array:
    """(4, 2) corners in the photo of a card with this pose: rotation vector, log distance, place over distance."""
    away = float(np.exp(np.clip(pose[3], 2.0, 12.0)))
    at = _CARD_MM @ np.asarray(cv2.Rodrigues(pose[:3])[0])[:, :2].T + away * np.append(pose[4:], 1.0)
    return camera.project(np.column_stack([at[:, :2], np.maximum(at[:, 2], 1.0)]))


def _off_border(quad: Array, points: Array) -> Array:
    """(N,) distances of points from the nearest side of a four-sided outline."""
    along = np.roll(quad, -1, axis=0) - quad
    from_start = points[:, None] - quad
    share = np.clip((from_start * along).sum(axis=2) / np.maximum((along**2).sum(axis=1), 1e-9), 0, 1)
    return np.asarray(np.linalg.norm(from_start - share[..., None] * along, axis=2).min(axis=1))


def _clockwise(quad: Array) -> Array:
    return quad if are_clockwise(quad[None])[0] else np.asarray(quad[::-1])


def shared(one: Array, other: Array) -> float:
    """What two convex outlines (N, 2) share, of what either covers."""
    hulls = [cv2.convexHull(outline.astype(np.float32)) for outline in (one, other)]
    both = float(cv2.intersectConvexConvex(hulls[0], hulls[1])[0])
    return both / max(sum(cv2.contourArea(hull) for hull in hulls) - both, 1e-9)
