"""The color of a pump's wetted parts in one photo, beside the white of a printed card or sheet where one is in view."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from features.parts.part_maps import part_at
from features.parts.part_model import PartMaps
from features.parts.part_vocabulary import PART_CLASSES
from features.srgb import light_of

Array = NDArray[np.float64]
Light = Literal["paper_on_pump", "paper_elsewhere", "no_paper"]
"""What the photo is believed to show as white, the best first."""

WETTED = ("chamber_cover", "manifold")
NO_PUMP = ("background", "scale_reference", "companion", "other")
SURE_SHARE = 0.78
"""Cells of the map this surely of a wetted part are looked at, and of these none beside another part."""
BESIDE_CELLS = 5
LEAST_CELLS = 150
MOST_CELLS = 1500
"""Of more cells every so-manieth is looked at: medians of this many are known to a hundredth of their spread."""
BRIGHTER = (50.0, 90.0)
"""Percentiles of luminance between which a coat is taken to be lit as a card is: below lie shade and corners, above
gloss."""
CLIPPED = 250
"""Code value from which a channel may say less than there was."""
TWO_COATS = 8.0
"""Two groups of pixels whose a* and b* lie this far apart are two coats, such as paint and the mud on it."""
PAPER_SHARE = 0.8
"""Part of light that white paper gives back (common practice: office paper 0.8 to 0.9 new, less when handled)."""
PAPER_BAND = (78.0, 96.0)
"""Percentiles of luminance between which the pixels of a printed card lie on paper: its paper fills 28 % of it."""
SPOILED = 0.5
"""A paper of which this share is clipped tells no color."""
BESIDE_PAPER, ON_PUMP = (1.35, 1.6), 0.1
"""Round outlines so many times the paper's own at least this share is pump where the paper lies on one: seen are 0.14
to 0.99 on rims, covers and flanges, 0 to 0.12 on floors (826 rendered photos)."""
LIGHTER_THAN_PAPER = 110.0
"""L* beyond which a body stands in other light than the paper: no dull surface is half as light again as paper."""

LINEAR = light_of(np.arange(256))
"""(256,) linear light of a color value."""
XYZ_OF_RGB = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
"""CIE XYZ of linear sRGB, whose white is D65 (IEC 61966-2-1)."""
LUMINANCE = XYZ_OF_RGB[1]


@dataclass(frozen=True, eq=False)
class Coat:
    """One color of a body: the share of its surface that shows it, and (3,) CIE L*, a*, b*, paper taken as 0.8."""

    share: float
    lab: Array


@dataclass(frozen=True, eq=False)
class BodyColor:
    """What a photo shows of a body's color.

    Attributes:
        coats: one, or two where the surface plainly shows two.
        light: what was taken for white.
    """

    coats: tuple[Coat, ...]
    light: Light


@dataclass(frozen=True, eq=False)
class Paper:
    """White paper in a photo: (3,) its linear light, and its outline (4, 2) in photo pixels."""

    linear: Array
    outline_px: Array


def cie_lab(linear: Array) -> Array:
    """(..., 3) CIE L*, a*, b* of linear sRGB light, 1 in all channels being white (ISO/CIE 11664-4)."""
    shares = linear @ XYZ_OF_RGB.T / XYZ_OF_RGB.sum(axis=1)
    knee = 6 / 29
    x, y, z = np.moveaxis(
        np.where(shares > knee**3, np.cbrt(np.maximum(shares, 0.0)), shares / (3 * knee**2) + 4 / 29), -1, 0
    )
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def white_paper(pixels_rgb: NDArray[np.uint8], outlines_px: Sequence[Array]) -> Paper | None:
    """The first of some papers with four corners that is seen well enough to tell what is white.

    Args:
        pixels_rgb: (H, W, 3) photo.
        outlines_px: (4, 2) corners of printed cards and sheets.
    """
    unit = (np.mgrid[0:60, 0:60].reshape(2, -1).T[None] + 0.5).astype(np.float32) / 60
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    for outline in outlines_px:
        if len(outline) != 4:
            continue
        onto = cv2.getPerspectiveTransform(square, np.asarray(outline, np.float32))
        seen = _pixels_at(pixels_rgb, np.asarray(cv2.perspectiveTransform(unit, onto)[0], float))
        if len(seen) < unit.shape[1] // 2:
            continue
        paper = _within(seen, PAPER_BAND)
        if float((paper.max(axis=1) >= CLIPPED).mean()) < SPOILED:
            return Paper(np.median(LINEAR[paper], axis=0), np.asarray(outline, float))
    return None


def body_color(pixels_rgb: NDArray[np.uint8], maps: PartMaps, papers_px: Sequence[Array]) -> BodyColor | None:
    """The color of the wetted parts, None where too little of them is seen.

    The color of a surface is its light over that of white paper in the same light. Tone and color of paper lying on the
    pump are the body's own light but for how either is turned to it, which changes lightness and hardly color.

    Args:
        pixels_rgb: (H, W, 3) photo.
        maps: of the look at the pump.
        papers_px: (4, 2) outlines of printed cards and sheets, the best first.
    """
    own = sum(maps.shares[PART_CLASSES.index(name)] for name in WETTED) > SURE_SHARE
    inside = cv2.erode(own.astype(np.uint8), np.ones((BESIDE_CELLS, BESIDE_CELLS), np.uint8), borderValue=0)
    rows, columns = np.nonzero(inside)
    if len(rows) * maps.cell_px**2 < LEAST_CELLS:
        return None
    some = slice(None, None, 1 + len(rows) // MOST_CELLS)
    places = (np.column_stack([columns[some], rows[some]]) + 0.5) * maps.cell_px - 0.5
    seen = _pixels_at(pixels_rgb, maps.window.to_photo(np.asarray(places, np.float64)))
    paper = white_paper(pixels_rgb, papers_px)
    if paper is not None:
        color = BodyColor(_coats(seen, paper.linear / PAPER_SHARE), _light_of(maps, paper))
        if max(coat.lab[0] for coat in color.coats) <= LIGHTER_THAN_PAPER:
            return color
    return BodyColor(_coats(seen, np.ones(3)), "no_paper")


def _pixels_at(pixels_rgb: NDArray[np.uint8], places_px: Array) -> NDArray[np.uint8]:
    """(M, 3) pixels at those of (N, 2) places that lie in the photo."""
    at = np.rint(places_px).astype(np.int64)
    inside = ((at >= 0) & (at < [pixels_rgb.shape[1], pixels_rgb.shape[0]])).all(axis=1)
    return np.asarray(pixels_rgb[at[inside, 1], at[inside, 0]])


def _within(pixels: NDArray[np.uint8], percentiles: tuple[float, float]) -> NDArray[np.uint8]:
    """Those of (N, 3) pixels whose luminance lies between two percentiles."""
    luminance = LINEAR[pixels] @ LUMINANCE
    low, high = np.percentile(luminance, percentiles)
    return np.asarray(pixels[(luminance >= low) & (luminance <= high)])


def _coats(pixels: NDArray[np.uint8], white: Array) -> tuple[Coat, ...]:
    """The one or two coats of a body's pixels (N, 3), by the linear light (3,) of white."""
    chroma = np.asarray(cie_lab(LINEAR[pixels] / white)[:, 1:], np.float32)
    groups = _two_groups(chroma)
    middles = [chroma[groups == k].mean(axis=0) for k in (0, 1) if (groups == k).any()]
    if len(middles) < 2 or float(np.linalg.norm(middles[0] - middles[1])) < TWO_COATS:
        groups = np.zeros(len(pixels), np.int32)
    shares = [(pixels[groups == k], float((groups == k).mean())) for k in (0, 1)]
    return tuple(Coat(share, cie_lab(_lit(own) / white)) for own, share in shares if len(own))


def _two_groups(chroma: NDArray[np.float32]) -> NDArray[np.int32]:
    """(N,) 0 or 1: two means (Lloyd 1982) of (N, 2) colors, begun on either side of the longest axis' middle."""
    off = chroma - chroma.mean(axis=0)
    longest = np.linalg.eigh(np.cov(off.T))[1][:, -1]
    begun = (off @ longest > 0).astype(np.int32)[:, None]
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 20, 0.3)
    kmeans: Any = cv2.kmeans
    return np.asarray(kmeans(chroma, 2, begun, stop, 1, cv2.KMEANS_USE_INITIAL_LABELS)[1], np.int32).ravel()


def _lit(pixels: NDArray[np.uint8]) -> Array:
    """(3,) linear light of a coat's brighter pixels, highlights and clipped ones left out where others are there."""
    lit = _within(pixels, BRIGHTER)
    whole = lit[lit.max(axis=1) < CLIPPED]
    return np.asarray(np.median(LINEAR[whole if len(whole) else lit], axis=0))


def _light_of(maps: PartMaps, paper: Paper) -> Light:
    """Whether paper lies on the pump, by what the map shows round it."""
    along = np.linspace(0, 1, 12, endpoint=False)[:, None]
    border = np.concatenate(
        [(1 - along) * a + along * b for a, b in zip(paper.outline_px, np.roll(paper.outline_px, -1, 0), strict=True)]
    )
    middle = paper.outline_px.mean(axis=0)
    around = np.concatenate([middle + wide * (border - middle) for wide in BESIDE_PAPER])
    others = [-1, *(PART_CLASSES.index(name) for name in NO_PUMP)]
    on_pump = float((~np.isin(part_at(maps, around), others)).mean())
    return "paper_on_pump" if on_pump > ON_PUMP else "paper_elsewhere"
