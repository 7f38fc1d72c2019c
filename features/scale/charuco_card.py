"""Find our printed scale cards: markers at reduced size, ChArUco corners at full resolution.

The markers tell which card it is and roughly where; only the inner chessboard corners are measured, because a
marker's own corners shrink with blur (1 % and more) while a chessboard corner does not move.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from features.camera import Camera
from features.grain import without_grain
from features.photo import FocalPrior
from features.plane_pose import poses_of_points
from features.problems import (
    CARD_BENT,
    CARD_BLURRED,
    CARD_OBLIQUE,
    CARD_PARTLY_COVERED,
    CARD_TOO_LITTLE_SEEN,
    CARD_TOO_OBLIQUE,
    CARD_TOO_SMALL,
    MARKERS_NOT_OURS,
    Problem,
)
from features.reduced import resized
from features.scale.card_boards import COLUMNS, MIRRORED_ID_OFFSET, POCKET, ROWS, CardBoard
from features.scale.card_by_squares import corners_by_squares
from features.scale.corner_alignment import align_corners, cross_corners
from features.scale.corner_search import search_corners
from features.scale.flatness import bend_of_card
from features.scale.homography import apply_homography, fit_homography, local_scale_px_per_mm
from features.scale.marker_groups import Marker, MarkerGroup, about_other_markers, are_of_another, group_markers
from features.scale.marker_reading import read_in_turn, read_markers
from features.scale.profile import edge_blur_px
from features.scale.reference import ScaleReference

PRINT_RELATIVE_SD = 0.003
"""Printers stretch by a few parts in a thousand, and whoever holds a rule to the card's 50 mm bar sees a quarter of a
millimeter, 5 parts in a thousand at most (common practice). A page fitted to the paper is off by 30 and more."""

CARD_THICKNESS_MM = 0.5
"""Paper glued on stiff card, as the sheet's own instructions ask (common practice)."""

BEND_SD_MM = 0.8
"""How far a pocket card's middle stands off the line between two far corners of it, a large one's in proportion: paper
on stiff card, taped or glued (common practice)."""

MIN_CORNERS = 4
ENOUGH_CORNERS = 12
"""With fewer corners a closer look is taken, too: the first few found by one small marker may be those of another
grid, as all its lengths then are."""
MIN_AREA_SQUARES = 1.5
"""Corners must span at least this many squares: four corners of one square extrapolate badly."""
MIN_SQUARE_PX = 9.0
OBLIQUE_DEG, TOO_OBLIQUE_DEG, NEARLY_WHOLE, WHOLE_TOO_OBLIQUE_DEG = 60.0, 70.0, 18, 75.0
"""Tilts that are said, and that are refused; with so many of 24 corners seen only this one is."""
SHARP_ENOUGH_OF_SQUARE = 0.08
"""Blur (standard deviation of the edge spread) above this part of a square is said."""

_GOOD_SQUARE_PX = 40.0
_READABLE_SQUARE_PX = 20.0

_MIN_CORNERS_OF_ONE_MARKER = 6
"""A single marker may be a chance or a foreign one; this many corners printed as ours beside it are not."""


@dataclass(frozen=True, eq=False)
class CardFinding:
    """Cards found in one picture, the largest in the picture first, and what was refused or noticed."""

    references: tuple[ScaleReference, ...]
    problems: tuple[Problem, ...]


@dataclass(frozen=True, eq=False)
class _Corners:
    """Chessboard corners of one card: ids (N,), px (N, 2), and how many of its markers were read."""

    card: CardBoard
    ids: NDArray[np.int64]
    px: NDArray[np.float64]
    marker_count: int


def find_cards(gray: NDArray[np.uint8], focal: FocalPrior) -> CardFinding:
    """Find every scale card of ours.

    Args:
        gray: (height, width) the full-resolution picture.
        focal: focal length prior, for the tilt and the bend.

    Returns:
        References best first. A card that is seen but cannot be used leaves a problem that refuses it.
    """
    found = _cards_in(gray, focal)
    if found.references:
        return found
    smooth = without_grain(gray)
    again = found if smooth is gray else _cards_in(smooth, focal)
    return again if again.references else found


def _cards_in(gray: NDArray[np.uint8], focal: FocalPrior) -> CardFinding:
    """`find_cards` in a picture as it is."""
    problems: list[Problem] = []
    markers: list[Marker] = []
    found = CardFinding((), ())
    for read in read_in_turn(gray):
        markers = max(markers, read, key=len)
        references, refused = _measure_groups(gray, focal, group_markers(read))
        if _most_corners(references) > _most_corners(found.references):
            largest_first = sorted(references, key=lambda r: -cv2.contourArea(r.outline_px.astype(np.float32)))
            found = CardFinding(tuple(largest_first), tuple(refused))
        if _most_corners(found.references) >= ENOUGH_CORNERS:
            return found
        problems = refused or problems
    seen = corners_by_squares(gray) if sum(m.id >= MIRRORED_ID_OFFSET for m in markers) < 2 else None
    corners = None if seen is None else _without_strays(_Corners(seen.card, seen.ids, seen.px, 0))
    if corners is not None and _hull_area_squares(corners) >= MIN_AREA_SQUARES:
        measured = _measured(gray, focal, corners)
        if isinstance(measured, ScaleReference) and len(corners.ids) > _most_corners(found.references):
            return CardFinding((measured,), ())
        problems = problems or ([measured] if isinstance(measured, Problem) else [])
    if found.references:
        return found
    return CardFinding((), tuple(problems or about_other_markers(markers)))


def _most_corners(references: Sequence[ScaleReference]) -> int:
    return max((len(r.points_mm) for r in references), default=0)


def _measure_groups(
    gray: NDArray[np.uint8], focal: FocalPrior, groups: list[MarkerGroup]
) -> tuple[list[ScaleReference], list[Problem]]:
    """Measure each group once; of two on each other that of more corners is the card, the other a piece or misread."""
    references: list[ScaleReference] = []
    refused: list[Problem] = []
    for group in sorted(groups, key=lambda g: -len(g.markers)):
        at = np.mean([m.corners_px.mean(0) for m in group.markers], axis=0)
        under = [r for r in references if _holds(r.outline_px, at)]
        if any(len(r.points_mm) >= NEARLY_WHOLE for r in under):
            continue
        result = _reference_of(gray, focal, group)
        if isinstance(result, ScaleReference):
            middle = result.outline_px.mean(axis=0)
            same = [r for r in references if r in under or _holds(r.outline_px, middle)]
            if all(len(r.points_mm) < len(result.points_mm) for r in same):
                references = [*(r for r in references if r not in same), result]
        elif not under and result.kind is not MARKERS_NOT_OURS:  # those are spoken of once, all together
            refused.append(result)
    return references, refused


def _holds(outline_px: NDArray[np.float64], point_px: NDArray[np.float64]) -> bool:
    return cv2.pointPolygonTest(outline_px.astype(np.float32), point_px.tolist(), False) >= 0


def _reference_of(gray: NDArray[np.uint8], focal: FocalPrior, group: MarkerGroup) -> ScaleReference | Problem:
    """Measure one card at full resolution, or say why it cannot be used."""
    card = group.card
    corners, square_px = _corners_of(gray, group)
    if len(corners.ids) == 0 and corners.marker_count < 2:
        return Problem(MARKERS_NOT_OURS, f"marker {group.markers[0].id} alone")
    if square_px < MIN_SQUARE_PX:
        return Problem(CARD_TOO_SMALL, f"squares of {square_px:.1f} px; {MIN_SQUARE_PX:.0f} px are needed")
    if len(corners.ids) < MIN_CORNERS or _hull_area_squares(corners) < MIN_AREA_SQUARES:
        seen = f"{corners.marker_count} of {len(card.marker_ids)} markers, {len(corners.ids)} of 24 corners seen"
        return Problem(CARD_TOO_LITTLE_SEEN, f"{seen}, squares of {square_px:.0f} px")
    return _measured(gray, focal, corners)


def _corners_of(gray: NDArray[np.uint8], group: MarkerGroup) -> tuple[_Corners, float]:
    """Corners of one card, and the side of its squares in px.

    Markers that were not all read are read again near the card at a size that suits them, the corners are looked for,
    and then refined in the photo itself.
    """
    card = group.card
    centers = np.array([m.corners_px.mean(0) for m in group.markers])
    marker_px = float(np.median([_side_px(m.corners_px) for m in group.markers]))
    square_px = marker_px * card.square_mm / card.marker_mm
    reach = 1.3 * np.hypot(COLUMNS, ROWS) * max(float(m.sides_px.max()) for m in group.markers)
    low = np.clip(np.floor(centers.mean(0) - reach), 0, None).astype(int)
    high = np.minimum(np.ceil(centers.mean(0) + reach).astype(int) + 1, gray.shape[::-1])
    crop = gray[low[1] : high[1], low[0] : high[0]]
    scale = float(np.clip(_GOOD_SQUARE_PX / square_px, 0.05, 3.0))
    scale = 1.0 if 0.8 < scale < 1.25 else scale
    picture = resized(crop, scale)
    # Where all its markers were read at first there is nothing to find by reading once more.
    whole = len(group.markers) == len(card.marker_ids)
    again = group.markers if whole else read_markers(picture, scale, (float(low[0]), float(low[1])))
    near = [] if whole else [g for g in group_markers(again) if g.card is card and _shares_place(g, group)]
    best = max([group, *near], key=lambda g: len(g.markers))

    shift = (0.5 - low) * scale - 0.5
    shrink = np.array([[scale, 0, shift[0]], [0, scale, shift[1]], [0, 0, 1.0]])
    found = search_corners(picture, card, shrink @ best.px_from_mm)
    needed = MIN_CORNERS if len(best.markers) >= 2 else _MIN_CORNERS_OF_ONE_MARKER
    photo_from_mm = np.linalg.inv(shrink) @ found.px_from_mm
    outline = apply_homography(photo_from_mm, card.outline_mm)
    strangers = sum(_holds(outline, m.corners_px.mean(0)) for m in again) - len(best.markers)
    nothing = _Corners(card, found.ids[:0], found.px[:0], len(best.markers))
    if len(found.ids) < needed or strangers > len(best.markers):
        return nothing, square_px
    start = (found.px + 0.5) / scale - 0.5
    crop_from_mm = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1.0]]) @ photo_from_mm
    refined = cross_corners(crop, start, card, crop_from_mm, found.ids)
    refined = align_corners(crop, card, found.ids, refined) + low
    square_px = local_scale_px_per_mm(crop_from_mm, card.outline_mm.mean(0)) * card.square_mm
    corners = _without_strays(_Corners(card, found.ids, refined, len(best.markers)))
    return nothing if are_of_another(best, corners.ids, corners.px) else corners, square_px


def _side_px(corners: NDArray[np.float64]) -> float:
    return float(np.sqrt(abs(cv2.contourArea(corners.astype(np.float32)))))


def _shares_place(one: MarkerGroup, other: MarkerGroup) -> bool:
    """True when two readings are of the same card: a marker of the same id at the same place."""
    places = {m.id: m.corners_px.mean(0) for m in one.markers}
    return any(
        m.id in places and np.linalg.norm(places[m.id] - m.corners_px.mean(0)) < 0.5 * _side_px(m.corners_px)
        for m in other.markers
    )


def _without_strays(corners: _Corners) -> _Corners:
    """Drop single corners pulled away by glare or dirt; if many stray the card is bent, and all stay."""
    if len(corners.ids) < 6:
        return corners
    mm = corners.card.corners_mm[corners.ids]
    fit = fit_homography(mm, corners.px, robust=True)
    if not fit:
        return corners
    off = np.linalg.norm(apply_homography(fit.px_from_mm, mm) - corners.px, axis=1)
    limit = max(0.5, 6.0 * float(np.median(off)))
    keep = off < limit
    if keep.mean() < 0.8:
        return corners
    return _Corners(corners.card, corners.ids[keep], corners.px[keep], corners.marker_count)


def _hull_area_squares(corners: _Corners) -> float:
    if len(corners.ids) < 3:
        return 0.0
    mm = corners.card.corners_mm[corners.ids].astype(np.float32)
    return float(cv2.contourArea(cv2.convexHull(mm))) / corners.card.square_mm**2


def _measured(gray: NDArray[np.uint8], focal: FocalPrior, corners: _Corners) -> ScaleReference | Problem:
    """Turn corners into a reference, with every doubt said in numbers."""
    card, mm, px = corners.card, corners.card.corners_mm[corners.ids], corners.px
    fit = fit_homography(mm, px)
    if not fit:
        return Problem(CARD_TOO_LITTLE_SEEN, fit.reason)
    if fit.rms_px > 0.25 * local_scale_px_per_mm(fit.px_from_mm, mm.mean(0)) * card.square_mm:
        return Problem(MARKERS_NOT_OURS, f"corners miss the card's grid by {fit.rms_px:.1f} px")
    poses = poses_of_points(mm, px, Camera.of_shape(gray.shape, focal.focal_px))
    tilt = poses[0].tilt_at_deg(mm.mean(0)) if poses else 0.0
    square_px = local_scale_px_per_mm(fit.px_from_mm, mm.mean(0)) * card.square_mm
    if square_px < MIN_SQUARE_PX:
        return Problem(CARD_TOO_SMALL, f"squares of {square_px:.1f} px; {MIN_SQUARE_PX:.0f} px are needed")
    limit = TOO_OBLIQUE_DEG if len(corners.ids) < NEARLY_WHOLE else WHOLE_TOO_OBLIQUE_DEG
    if tilt > limit:
        return Problem(CARD_TOO_OBLIQUE, f"tilted {tilt:.0f} deg; {limit:.0f} deg is the limit")

    said = [Problem(CARD_OBLIQUE, f"tilted {tilt:.0f} deg")] if tilt > OBLIQUE_DEG else []
    seen = f"{len(corners.ids)} of 24 corners seen"
    if len(corners.ids) < NEARLY_WHOLE:
        said.append(Problem(CARD_PARTLY_COVERED, seen))
    blur_px = edge_blur_px(gray, fit.px_from_mm, card, corners.ids)
    if blur_px > SHARP_ENOUGH_OF_SQUARE * square_px:
        spread = f"edges spread over {2.56 * blur_px:.1f} px, squares are {square_px:.0f} px"
        said.append(Problem(CARD_BLURRED, spread))
    elif corners.marker_count == 0 and square_px > _READABLE_SQUARE_PX:
        said.append(Problem(CARD_BLURRED, f"no marker can be read, though squares are {square_px:.0f} px"))
    expected_px = _expected_sd_px(blur_px)
    point_sd_px = fit.point_sd_px(expected_px)
    if fit.rms_px > 2.0 * expected_px and len(corners.ids) >= 8:
        bend = bend_of_card(card, mm, px, focal, gray.shape, expected_px)
        # What the bend explains is no scatter of the corners: whoever solves the card's plane solves its bend too.
        point_sd_px = min(point_sd_px, max(bend.scatter_px, expected_px))
        if bend.is_bent:
            said.append(Problem(CARD_BENT, f"bent by {bend.sagitta_mm:.1f} +/- {bend.sagitta_sd_mm:.1f} mm"))
    pocket_mm = float(np.hypot(POCKET.width_mm, POCKET.height_mm))
    return ScaleReference(
        kind="scale_card",
        label=f"{card.size} scale card",
        points_mm=mm,
        points_px=px,
        point_sd_px=point_sd_px,
        outline_px=apply_homography(fit.px_from_mm, card.outline_mm),
        size_relative_sd=PRINT_RELATIVE_SD,
        size_source=f"print:{card.size}",
        thickness_mm=CARD_THICKNESS_MM,
        bend_sd_per_mm=8.0 * BEND_SD_MM / pocket_mm**2 * POCKET.square_mm / card.square_mm,
        problems=tuple(said),
    )


def _expected_sd_px(blur_px: float) -> float:
    """What a corner of a sharp, flat card scatters by; measured on drawn cards with noise and JPEG."""
    return 0.05 + 0.02 * max(0.0, blur_px - 0.8)
