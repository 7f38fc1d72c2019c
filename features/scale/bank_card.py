"""A bank card as scale reference: any card of ISO/IEC 7810 size ID-1, told by its sides and rounded corners.

Nothing printed on it is used. Three tests keep other rectangles out: the sides' lengths under a believable
perspective, the corner radius, and a color difference across the outline (a drawn outline has none).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from features.photo import FocalPrior
from features.problems import BANK_CARD_UNSURE, CARD_OBLIQUE, Problem
from features.scale.homography import apply_homography, fit_homography, local_scale_px_per_mm
from features.scale.known_rectangle import LEAST_CORNER_SD_PX, RectangleFit, fit_known_rectangle, rough_misfit
from features.scale.line_quads import find_quads
from features.scale.rectangle import Rectangle, SidesSeen, lines_running_on, measure_rectangle
from features.scale.reference import ScaleReference
from features.scale.strip_edges import BORDER, sample, strip_edges

Array = NDArray[np.float64]

WIDTH_MM, HEIGHT_MM, RADIUS_MM, THICKNESS_MM = 85.60, 53.98, 3.18, 0.76
"""ISO/IEC 7810, ID-1."""

SIZE_RELATIVE_SD = 0.0008
"""From the standard's limits 85.47 to 85.72 and 53.92 to 54.03 mm, taken as evenly spread."""

MIN_PX_PER_MM = 1.6
MAX_TILT_DEG = 65.0

_MAX_OFF = 0.0045
"""Largest corner misfit, as part of the diagonal."""

_MAX_RATIO_SD, _UNSURE_RATIO_SD, _MAX_RATIO_OFF = 0.022, 0.06, 0.04
"""How well the ratio of sides must be told: a business card of 85 x 55 mm is 2.6 % off."""

_LEAST_CONFIDENCE = 0.5
_LEAST_SUPPORT = 0.6
_LEAST_CONTRAST = 8.0
_MOST_RUNNING_ON = 3
_MOST_RAY_SPREAD = 0.5
_ROUGH, _ROUGH_MEASURED = 0.25, 0.15
"""How far from the right shape, at the focal length believed in, a rough outline may be, and a measured one."""
_TRIED_NEAR, _SAME_SHARE, _SAME_PX = 2, 0.05, 0.5
"""So many rough outlines whose corners lie this near, over the diagonal, are tried in vain; measured ones this near, in
pixels, are the same."""
_CANDIDATES = 16


@dataclass(frozen=True, eq=False)
class CardMatch:
    """A four-sided thing tested against ID-1.

    Attributes:
        rectangle: as measured.
        fit: the known size fitted to it.
        roundness: (4,) how the corners lie between an ID-1 arc (0) and a sharp corner (1); nan where not
            seen.
    """

    rectangle: Rectangle
    fit: RectangleFit
    roundness: Array

    @property
    def off(self) -> float:
        """Largest corner misfit as part of the diagonal."""
        return self.fit.residual_px / self.fit.diagonal_px

    @property
    def confidence(self) -> float:
        """0..1 from the misfit, the corners and the sides' support."""
        seen = self.roundness[np.isfinite(self.roundness)]
        if np.count_nonzero(np.abs(seen) < 0.5) < 3:
            return 0.0
        corner = float(np.clip(1.5 - 1.6 * abs(float(np.median(seen))), 0, 1))
        shape = float(np.clip(1.3 - 0.8 * self.off / _MAX_OFF, 0, 1))
        return corner * shape * float(np.clip(self.rectangle.support / 0.8, 0, 1))


@dataclass(frozen=True, eq=False)
class BankCardFinding:
    """Cards found, the surest first, and what was noticed.

    Attributes:
        references: cards good enough to be a scale.
        problems: what was noticed.
        outlines_px: (4, 2) outlines of those and of everything that may be a card: what is printed there is private.
    """

    references: tuple[ScaleReference, ...]
    problems: tuple[Problem, ...]
    outlines_px: tuple[Array, ...] = ()


def find_bank_cards(
    pixels_rgb: NDArray[np.uint8], focal: FocalPrior, keep_out_px: Sequence[Array] = ()
) -> BankCardFinding:
    """Find bank cards (and other ID-1 cards).

    Args:
        pixels_rgb: (H, W, 3) full resolution.
        focal: focal length prior, which tells possible perspectives from impossible ones.
        keep_out_px: outlines of things already known to be something else.
    """
    matches: list[CardMatch] = []
    unsure: list[Problem] = []
    outlines: list[Array] = []
    quads = find_quads(pixels_rgb, 0.7 * MIN_PX_PER_MM * HEIGHT_MM, keep_out_px)
    likely = quads[rough_misfit(quads, WIDTH_MM / HEIGHT_MM, focal, pixels_rgb.shape) < _ROUGH]
    refused: list[Array] = []
    for quad in likely[:_CANDIDATES]:
        taken = [*keep_out_px, *(m.rectangle.corners_px for m in matches)]
        if any(_covers(outline, quad) for outline in taken):
            continue
        if sum(_nearly(quad, other) for other in refused) >= _TRIED_NEAR:
            continue
        match = match_card(pixels_rgb, quad, focal)
        if match is None:
            refused.append(quad)
            continue
        outlines.append(match.rectangle.corners_px)
        if match.confidence < _LEAST_CONFIDENCE:
            continue
        if match.fit.ratio_sd > _MAX_RATIO_SD:
            told = f"its ratio of sides is told to {100 * match.fit.ratio_sd:.0f} % only"
            unsure.append(Problem(BANK_CARD_UNSURE, f"{told}, tilted {match.fit.tilt_deg:.0f} deg"))
        else:
            matches.append(match)
    matches.sort(key=lambda m: -m.confidence)
    said = () if matches else tuple(unsure[:1])
    return BankCardFinding(tuple(_reference(m) for m in matches), said, tuple(outlines))


def match_card(pixels_rgb: NDArray[np.uint8], quad_px: Array, focal: FocalPrior) -> CardMatch | None:
    """Measure a rough outline and test it; None when it is no ID-1 card.

    Tried twice, since a card may have a printed frame inside its edge, or lie beside a parallel line of its
    ground.
    """
    best: CardMatch | None = None
    before: Rectangle | None = None
    seen = SidesSeen(pixels_rgb)

    def may_be(corners_px: Array) -> bool:
        return bool(rough_misfit(corners_px, WIDTH_MM / HEIGHT_MM, focal, pixels_rgb.shape) < _ROUGH_MEASURED)

    for outer_strength in (0.9, 0.6):
        rectangle = measure_rectangle(pixels_rgb, quad_px, outer_strength, may_be, seen)
        if rectangle is None:
            continue
        if before and np.abs(rectangle.corners_px - before.corners_px).max() < _SAME_PX:
            break
        before = rectangle
        match = _tested(pixels_rgb, rectangle, focal)
        if match is not None and (best is None or match.confidence > best.confidence):
            best = match
        if best is not None and best.confidence > 0.8:
            break
    return best


def _tested(pixels_rgb: NDArray[np.uint8], rectangle: Rectangle | None, focal: FocalPrior) -> CardMatch | None:
    if rectangle is None or rectangle.support < _LEAST_SUPPORT:
        return None
    if sum(side.contrast >= _LEAST_CONTRAST for side in rectangle.sides) < 3:
        return None  # a drawn outline, with the same ground inside and outside
    size = (WIDTH_MM, HEIGHT_MM)
    fit = fit_known_rectangle(rectangle.corners_px, rectangle.corner_sd_px, size, focal, pixels_rgb.shape)
    if fit is None or fit.residual_px > _MAX_OFF * fit.diagonal_px or fit.tilt_deg > MAX_TILT_DEG:
        return None
    if fit.ratio_sd > _UNSURE_RATIO_SD or abs(fit.ratio_off) > min(3.0 * fit.ratio_sd, _MAX_RATIO_OFF):
        return None
    plane = fit_homography(fit.points_mm, fit.points_px)
    if not plane or local_scale_px_per_mm(plane.px_from_mm, fit.points_mm.mean(0)) < MIN_PX_PER_MM:
        return None
    if lines_running_on(pixels_rgb, rectangle) > _MOST_RUNNING_ON:
        return None
    if corners_in_the_open(pixels_rgb, plane.px_from_mm) < 2:
        return None
    return CardMatch(rectangle, fit, corner_roundness(pixels_rgb, plane.px_from_mm))


def corner_roundness(pixels_rgb: NDArray[np.uint8], px_from_mm: Array) -> Array:
    """How round the corners of a card-sized thing are: 0 for the radius of ID-1, 1 for a sharp corner.

    Rays run from where an ID-1 corner's arc has its center. On an arc the edge lies at the radius on every
    ray, on a sharp corner up to 41 % farther.

    Returns:
        (4,) median over the middle rays of each corner; nan where no edge is seen.
    """
    angles = np.deg2rad(np.linspace(25, 65, 13))
    scale = local_scale_px_per_mm(px_from_mm, np.array([WIDTH_MM / 2, HEIGHT_MM / 2]))
    pitch_mm = 0.5 / scale  # PITCH_PX, in mm
    reach = np.arange(-BORDER, int(5.6 / pitch_mm) + BORDER) * pitch_mm + 1.4
    out = []
    for cx, cy in ((0, 0), (1, 0), (1, 1), (0, 1)):
        sign = np.array([2.0 * cx - 1.0, 2.0 * cy - 1.0])
        center = np.array([cx * WIDTH_MM, cy * HEIGHT_MM]) - sign * RADIUS_MM
        rays = np.column_stack([np.cos(angles), np.sin(angles)]) * sign
        mm = center + rays[:, None, :] * reach[None, :, None]
        px = apply_homography(px_from_mm, mm.reshape(-1, 2)).reshape(mm.shape)
        out.append(_roundness(sample(pixels_rgb, px), angles, np.asarray(reach)))
    return np.array(out)


def _roundness(colors: NDArray[np.float32], angles: Array, reach: Array) -> float:
    """From (rays, samples, 3) colors along the rays of one corner."""
    inner = colors[:, reach < 2.2].reshape(-1, 3).astype(float)
    outer = colors[:, reach > 5.2].reshape(-1, 3).astype(float)
    within = np.cov(inner.T) + np.cov(outer.T) + 9.0 * np.eye(3)
    mix = np.linalg.solve(within, inner.mean(0) - outer.mean(0))
    if np.abs(mix).sum() < 1e-6:
        return float("nan")
    strip = np.asarray(colors @ (mix / np.abs(mix).sum()).astype(np.float32), np.float32)
    edges = strip_edges(strip, 2.0)
    found = []
    for ray, angle in enumerate(angles):
        mine = np.flatnonzero(edges.line == ray)
        if len(mine) == 0:
            continue
        strongest = mine[int(np.argmax(np.abs(edges.step[mine])))]
        radius = float(np.interp(edges.at[strongest], np.arange(len(reach)), reach))
        sharp = RADIUS_MM / max(np.cos(angle), np.sin(angle))
        found.append((radius - RADIUS_MM) / (sharp - RADIUS_MM))
    if len(found) < 6 or np.subtract(*np.quantile(found, (0.75, 0.25))) > _MOST_RAY_SPREAD:
        return float("nan")
    return float(np.median(found))


def corners_in_the_open(pixels_rgb: NDArray[np.uint8], px_from_mm: Array) -> int:
    """How many corners have the same ground on both sides and ahead, and another color inside.

    A corner in a pattern of squares has not.
    """
    count = 0
    grid = np.stack(np.meshgrid(np.linspace(-1, 1, 9), np.linspace(-1, 1, 9)), axis=-1).reshape(-1, 2)
    for cx, cy in ((0, 0), (1, 0), (1, 1), (0, 1)):
        sign = np.array([2.0 * cx - 1.0, 2.0 * cy - 1.0])
        corner = np.array([cx * WIDTH_MM, cy * HEIGHT_MM])
        colors = []
        for step, half in (
            ((-7.5, 2.0), (4, 1.2)),
            ((2.0, 2.0), (1.2, 1.2)),
            ((2.0, -7.5), (1.2, 4)),
            ((-5, -5), (2, 2)),
        ):
            px = apply_homography(px_from_mm, corner + sign * np.array(step) + np.array(half) * grid)
            colors.append(sample(pixels_rgb, px[None])[0].mean(0))
        ground, inner = np.array(colors[:3]), colors[3]
        spread = float(np.ptp(ground, axis=0).max())
        count += spread < 0.7 * float(np.abs(inner - np.median(ground, axis=0)).max())
    return count


def _nearly(quad: Array, other: Array) -> bool:
    """Whether a rough outline is one that was refused already, but for a little: both clockwise, from any corner."""
    near = _SAME_SHARE * float(np.linalg.norm(other[0] - other[2]))
    return any(float(np.abs(np.roll(quad, turn, axis=0) - other).max()) < near for turn in range(4))


def _covers(outline: Array, quad: Array) -> bool:
    middle = quad.mean(0)
    return cv2.pointPolygonTest(outline.astype(np.float32), middle.tolist(), False) >= 0


def _reference(match: CardMatch) -> ScaleReference:
    said = []
    if match.fit.tilt_deg > 55:
        said.append(Problem(CARD_OBLIQUE, f"bank card tilted {match.fit.tilt_deg:.0f} deg"))
    return ScaleReference(
        kind="bank_card",
        label="bank card",
        points_mm=match.fit.points_mm,
        points_px=match.fit.points_px,
        point_sd_px=max(match.rectangle.corner_sd_px, 0.5 * match.fit.residual_px, LEAST_CORNER_SD_PX),
        outline_px=match.fit.points_px,
        size_relative_sd=SIZE_RELATIVE_SD,
        size_source="standard:ID-1",
        thickness_mm=THICKNESS_MM,
        problems=tuple(said),
    )
