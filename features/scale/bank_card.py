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
from features.scale.card_corners import HEIGHT_MM, RADIUS_MM, WIDTH_MM, corner_roundness, corners_in_the_open
from features.scale.homography import fit_homography, local_scale_px_per_mm
from features.scale.known_rectangle import LEAST_CORNER_SD_PX, RectangleFit, fit_known_rectangle, rough_misfit
from features.scale.line_quads import find_quads
from features.scale.rectangle import Rectangle, lines_running_on, measure_rectangle
from features.scale.reference import ScaleReference
from features.scale.side_look import SidesSeen
from features.scale.whole_card import fit_whole_card

Array = NDArray[np.float64]

THICKNESS_MM = 0.76
"""ISO/IEC 7810, ID-1, as the sides in `card_corners`."""

SIZE_RELATIVE_SD = 0.0008
"""From the standard's limits 85.47 to 85.72 and 53.92 to 54.03 mm, taken as evenly spread."""

MIN_PX_PER_MM = 1.6
MAX_TILT_DEG = 65.0

_MAX_OFF = 0.0045
"""Largest corner misfit, as part of the diagonal."""

_UNSURE_RATIO_SD = 0.06
"""A ratio of sides told worse than this says nothing."""

_LEAST_CONFIDENCE = 0.5
_LEAST_CONTRAST = 8.0
_SIDE_SHARE = 0.5
"""Of a card's thickness as seen, so much is the standard uncertainty of its outline: its side shows, or does not."""
_MOST_RUNNING_ON = 3
_ROUGH, _ROUGH_MEASURED = 0.25, 0.15
"""How far from the right shape, at the focal length believed in, a rough outline may be, and a measured one."""
_TRIED_NEAR, _SAME_SHARE, _SAME_PX = 2, 0.05, 0.5
"""So many rough outlines whose corners lie this near, over the diagonal, are tried in vain; measured ones this near, in
pixels, are the same."""
_CANDIDATES = 16
_WHOLE_SUPPORT, _FAINT_SUPPORT, _HIDDEN_SUPPORT = 0.55, 0.35, 0.2
"""Of all sides of a card fitted as a whole, of all but one, and of the one that is hidden most."""
_FAINT = 0.25
"""The faintest side of a card stands out by so much of what the others do."""


@dataclass(frozen=True)
class Demands:
    """What a four-sided thing must show to be taken for an ID-1 card.

    Attributes:
        support: share of every side whose edge is seen.
        open_corners: corners with one ground all about them; a corner in a pattern of squares has not.
        ratio_sd: how well the ratio of its sides must be told.
        sure: a card found with more confidence is not looked for again in its place.
        round_corners: pairs of how far that ratio may be off or unsure, and how many corners must then be as round as
            the standard says: the less the ratio says, the more. A business card of 85 x 55 mm is 2.6 % off, a
            printed card or a sheet 12 %.
    """

    support: float
    open_corners: int
    ratio_sd: float
    sure: float
    round_corners: tuple[tuple[float, int], ...]

    @property
    def ratio_off(self) -> float:
        """So far the ratio of sides may be off at most."""
        return self.round_corners[-1][0]


BY_SHAPE = Demands(0.6, 2, 0.022, 0.0, ((0.04, 3),))
"""Of anything in a photo."""
TOLD = Demands(0.45, 0, _UNSURE_RATIO_SD, 0.95, ((0.022, 1), (0.06, 2), (0.09, 3)))
"""Of what is known by its looks to be a scale reference: tape may hide some corners, and its ground need not be open.
Sheets, printed cards and boards of squares look like one too, but for their corners."""


@dataclass(frozen=True, eq=False)
class CardMatch:
    """A four-sided thing tested against ID-1.

    Attributes:
        demands: what was asked of it.
        rectangle: as measured.
        fit: the known size fitted to it.
        support: share of its sides that is seen: of the worst one, or of all where they were fitted as a whole.
        roundness: (4,) how the corners lie between an ID-1 arc (0) and a sharp corner (1); nan where not
            seen.
    """

    demands: Demands
    rectangle: Rectangle
    fit: RectangleFit
    support: float
    roundness: Array

    @property
    def roundest(self) -> float:
        """So round a corner may look: a card that lies aslant shows its side, which cuts corners."""
        side_mm = THICKNESS_MM * float(np.sin(np.deg2rad(self.fit.tilt_deg)))
        return -0.5 - side_mm / (float(np.sqrt(2.0) - 1.0) * RADIUS_MM)

    @property
    def has_its_corners(self) -> bool:
        """Whether enough corners are as round as the standard says, and fewer are not: tape over one is sharp."""
        doubt, asked = max(self.fit.ratio_sd, abs(self.fit.ratio_off)), self.demands.round_corners
        needed = next((count for most, count in asked if doubt <= most), asked[-1][1])
        is_round = (self.roundness < 0.5) & (self.roundness > self.roundest)
        count, seen = int(np.count_nonzero(is_round)), int(np.count_nonzero(np.isfinite(self.roundness)))
        return count >= needed and 2 * count > seen

    @property
    def confidence(self) -> float:
        """0..1 from the misfit, the corners and the sides' support."""
        seen = self.roundness[np.isfinite(self.roundness)]
        if not self.has_its_corners:
            return 0.0
        off = float(np.median(seen))
        corner = float(np.clip(1.5 - 0.8 * (off / 0.5 if off > 0 else off / self.roundest), 0, 1))
        shape = float(np.clip(1.3 - 0.8 * self.fit.residual_px / most_off_px(self.fit), 0, 1))
        return corner * shape * float(np.clip(self.support / 0.8, 0, 1))


@dataclass(frozen=True, eq=False)
class BankCardFinding:
    """Cards found, the surest first, and what was noticed.

    Attributes:
        references: cards good enough to be a scale.
        problems: what was noticed.
        outlines_px: (4, 2) outlines of those and of everything that may be a card: what is printed there is private.
    """

    references: tuple[ScaleReference, ...] = ()
    problems: tuple[Problem, ...] = ()
    outlines_px: tuple[Array, ...] = ()

    def also(self, other: "BankCardFinding") -> "BankCardFinding":
        """What two searches found; a doubt is worth saying only where neither found a card."""
        references = (*self.references, *other.references)
        problems = () if references else (*self.problems, *other.problems)[:1]
        return BankCardFinding(references, problems, (*self.outlines_px, *other.outlines_px))


def find_bank_cards(
    pixels_rgb: NDArray[np.uint8], focal: FocalPrior, keep_out_px: Sequence[Array] = ()
) -> BankCardFinding:
    """Find bank cards (and other ID-1 cards).

    Args:
        pixels_rgb: (H, W, 3) full resolution.
        focal: focal length prior, which tells possible perspectives from impossible ones.
        keep_out_px: outlines of things already known to be something else.
    """
    quads = find_quads(pixels_rgb, 0.7 * MIN_PX_PER_MM * HEIGHT_MM, keep_out_px)
    likely = quads[rough_misfit(quads, WIDTH_MM / HEIGHT_MM, focal, pixels_rgb.shape) < _ROUGH]
    return cards_among(likely, pixels_rgb, focal, BY_SHAPE, keep_out_px)


def cards_among(
    quads_px: Array,
    pixels_rgb: NDArray[np.uint8],
    focal: FocalPrior,
    demands: Demands,
    keep_out_px: Sequence[Array] = (),
) -> BankCardFinding:
    """Measure rough outlines (N, 4, 2), the likeliest first, and test each."""
    matches: list[CardMatch] = []
    unsure: list[Problem] = []
    outlines: list[Array] = []
    refused: list[Array] = []
    for quad in quads_px[:_CANDIDATES]:
        taken = [*keep_out_px, *(m.rectangle.corners_px for m in matches if m.confidence > demands.sure)]
        if any(_covers(outline, quad) for outline in taken):
            continue
        if sum(_nearly(quad, other) for other in refused) >= _TRIED_NEAR:
            continue
        match = match_card(pixels_rgb, quad, focal, demands)
        if match is None:
            refused.append(quad)
            continue
        outlines.append(match.rectangle.corners_px)
        if match.confidence < _LEAST_CONFIDENCE:
            continue
        if match.fit.ratio_sd > demands.ratio_sd:
            told = f"its ratio of sides is told to {100 * match.fit.ratio_sd:.0f} % only"
            unsure.append(Problem(BANK_CARD_UNSURE, f"{told}, tilted {match.fit.tilt_deg:.0f} deg"))
        else:
            matches.append(match)
    matches.sort(key=lambda m: -m.confidence)
    matches = [m for k, m in enumerate(matches) if not any(_same_thing(m, surer) for surer in matches[:k])]
    said = () if matches else tuple(unsure[:1])
    return BankCardFinding(tuple(_reference(m) for m in matches), said, tuple(outlines))


def match_card(
    pixels_rgb: NDArray[np.uint8], quad_px: Array, focal: FocalPrior, demands: Demands = BY_SHAPE
) -> CardMatch | None:
    """Measure a rough outline and test it; None when it is no ID-1 card.

    What is known by its looks is fitted as a whole first. Side by side it is tried twice, since a card may have a
    printed frame inside its edge, or lie beside a parallel line of its ground.
    """
    seen = SidesSeen(pixels_rgb)
    best = match_whole_card(pixels_rgb, quad_px, focal, seen) if demands is TOLD else None
    if best is not None and best.confidence > 0.8:
        return best
    before: Rectangle | None = None

    def may_be(corners_px: Array) -> bool:
        return bool(rough_misfit(corners_px, WIDTH_MM / HEIGHT_MM, focal, pixels_rgb.shape) < _ROUGH_MEASURED)

    for outer_strength in (0.9, 0.6):
        rectangle = measure_rectangle(pixels_rgb, quad_px, outer_strength, may_be, seen)
        if rectangle is None:
            continue
        if before and np.abs(rectangle.corners_px - before.corners_px).max() < _SAME_PX:
            break
        before = rectangle
        match = _tested(pixels_rgb, rectangle, focal, demands)
        if match is not None and (best is None or match.confidence > best.confidence):
            best = match
        if best is not None and best.confidence > 0.8:
            break
    return best


def _tested(
    pixels_rgb: NDArray[np.uint8], rectangle: Rectangle, focal: FocalPrior, demands: Demands
) -> CardMatch | None:
    if rectangle.support < demands.support:
        return None
    if sum(side.contrast >= _LEAST_CONTRAST for side in rectangle.sides) < 3:
        return None  # a drawn outline, with the same ground inside and outside
    fit = _fitted(rectangle, 0.0, focal, pixels_rgb.shape)
    if fit is None or fit.residual_px > most_off_px(fit) or fit.tilt_deg > MAX_TILT_DEG:
        return None
    if fit.ratio_sd > _UNSURE_RATIO_SD:
        return None
    wide = _fitted(rectangle, side_sd_px(fit), focal, pixels_rgb.shape)
    if wide is None or abs(wide.ratio_off) > min(3.0 * wide.ratio_sd, demands.ratio_off):
        return None
    return _in_its_place(pixels_rgb, rectangle, fit, rectangle.support, demands)


def match_whole_card(
    pixels_rgb: NDArray[np.uint8], quad_px: Array, focal: FocalPrior, seen: SidesSeen
) -> CardMatch | None:
    """Fit an ID-1 card's outline as a whole to the edges about a rough outline of what is told to be a reference."""
    card = fit_whole_card(seen, quad_px, (WIDTH_MM, HEIGHT_MM), focal, pixels_rgb.shape)
    if card is None or card.fit.tilt_deg > MAX_TILT_DEG:
        return None
    supports = sorted(side.support for side in card.rectangle.sides)
    if np.mean(supports) < _WHOLE_SUPPORT or supports[1] < _FAINT_SUPPORT or supports[0] < _HIDDEN_SUPPORT:
        return None
    contrasts = sorted(side.contrast for side in card.rectangle.sides)
    if contrasts[0] < max(_LEAST_CONTRAST, _FAINT * contrasts[2]):
        return None  # a longer thing runs on beyond its faintest side
    height_px = card.fit.diagonal_px * HEIGHT_MM / float(np.hypot(WIDTH_MM, HEIGHT_MM))
    of_sides = float(np.hypot(side_sd_px(card.fit), LEAST_CORNER_SD_PX)) / height_px
    ratio_sd = float(np.hypot(card.fit.ratio_sd, of_sides))
    if ratio_sd > _UNSURE_RATIO_SD or abs(card.fit.ratio_off) > min(3.0 * ratio_sd, TOLD.ratio_off):
        return None
    return _in_its_place(pixels_rgb, card.rectangle, card.fit, float(np.mean(supports)), TOLD)


def _in_its_place(
    pixels_rgb: NDArray[np.uint8], rectangle: Rectangle, fit: RectangleFit, support: float, demands: Demands
) -> CardMatch | None:
    """What lies about an outline of the right shape: None for a part of a grid, or where it is too small to measure."""
    plane = fit_homography(fit.points_mm, fit.points_px)
    if not plane or local_scale_px_per_mm(plane.px_from_mm, fit.points_mm.mean(0)) < MIN_PX_PER_MM:
        return None
    if lines_running_on(pixels_rgb, rectangle) > _MOST_RUNNING_ON:
        return None
    if corners_in_the_open(pixels_rgb, plane.px_from_mm) < demands.open_corners:
        return None
    return CardMatch(demands, rectangle, fit, support, corner_roundness(pixels_rgb, plane.px_from_mm))


def _fitted(rectangle: Rectangle, side_px: float, focal: FocalPrior, shape: tuple[int, ...]) -> RectangleFit | None:
    """The known size fitted to the corners, its own side's share of their uncertainty included."""
    sd_px = float(np.hypot(rectangle.corner_sd_px, side_px))
    return fit_known_rectangle(rectangle.corners_px, sd_px, (WIDTH_MM, HEIGHT_MM), focal, shape)


def side_sd_px(fit: RectangleFit) -> float:
    """Standard uncertainty of a corner for the card's side, which shows, or lies in shadow, on some sides only."""
    px_per_mm = fit.diagonal_px / float(np.hypot(WIDTH_MM, HEIGHT_MM))
    return _SIDE_SHARE * THICKNESS_MM * px_per_mm * float(np.sin(np.deg2rad(fit.tilt_deg)))


def most_off_px(fit: RectangleFit) -> float:
    """Largest believable corner misfit: what edges are off by, and what the card's side adds."""
    return float(np.hypot(_MAX_OFF * fit.diagonal_px, 2.0 * side_sd_px(fit)))


def _nearly(quad: Array, other: Array) -> bool:
    """Whether a rough outline is one that was refused already, but for a little: both clockwise, from any corner."""
    near = _SAME_SHARE * float(np.linalg.norm(other[0] - other[2]))
    return any(float(np.abs(np.roll(quad, turn, axis=0) - other).max()) < near for turn in range(4))


def _covers(outline: Array, quad: Array) -> bool:
    middle = quad.mean(0)
    return cv2.pointPolygonTest(outline.astype(np.float32), middle.tolist(), False) >= 0


def _same_thing(match: CardMatch, other: CardMatch) -> bool:
    return _covers(other.rectangle.corners_px, match.rectangle.corners_px)


def _reference(match: CardMatch) -> ScaleReference:
    said = []
    if match.fit.tilt_deg > 55:
        said.append(Problem(CARD_OBLIQUE, f"bank card tilted {match.fit.tilt_deg:.0f} deg"))
    return ScaleReference(
        kind="bank_card",
        label="bank card",
        points_mm=match.fit.points_mm,
        points_px=match.fit.points_px,
        point_sd_px=max(
            match.rectangle.corner_sd_px, 0.5 * match.fit.residual_px, LEAST_CORNER_SD_PX, side_sd_px(match.fit)
        ),
        outline_px=match.fit.points_px,
        size_relative_sd=SIZE_RELATIVE_SD,
        size_source="standard:ID-1",
        thickness_mm=THICKNESS_MM,
        problems=tuple(said),
    )
