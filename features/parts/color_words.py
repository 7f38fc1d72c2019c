"""How likely what a photo shows of a body's color is where the body is black, white, gray and so on.

A word is a region of CIE L*a*b* (ISO/CIE 11664-4, D65). A photo shows it paler and flatter than it is, and blurs it; by
how much depends on what there was to tell white by. Regions are common practice: natural and white plastics, the usual
grays, and for colored paint the hues at which people place the basic color names (Berlin and Kay 1969) and the RAL
CLASSIC tones that machines are painted in, both from memory.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from features.parts.body_color import BodyColor, Coat, Light

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Region:
    """Where the surfaces lie that a word names: means, and standard deviations of what it leaves open.

    Attributes:
        lightness, lightness_sd: L*.
        chroma, chroma_sd: C*, along the hue.
        hue_deg: h; across_sd: across the hue, in units of a* and b*.
    """

    lightness: float
    lightness_sd: float
    chroma: float
    chroma_sd: float
    hue_deg: float
    across_sd: float


WORDS: Mapping[str, Region] = {
    "black": Region(18, 8, 0, 2, 90, 2),
    "white": Region(91, 4, 1, 3, 90, 1.5),
    "gray": Region(55, 12, 0, 3, 90, 3),
    "blue": Region(38, 13, 38, 18, 262, 12),
    "red": Region(38, 10, 45, 20, 32, 10),
    "green": Region(42, 13, 35, 17, 150, 11),
    "yellow": Region(72, 10, 60, 25, 85, 8),
    "orange": Region(55, 10, 60, 23, 52, 10),
    "natural": Region(80, 6, 7, 5, 90, 1.5),
    "bare_metal": Region(65, 20, 0, 3, 90, 3),
}
"""Bare metal mirrors what stands about it: a gray of any lightness. Plastic or metal is told by another attribute."""


@dataclass(frozen=True)
class Showing:
    """How photos show colors: L* as `base + gain L*`, a* and b* times `chroma_gain`, with standard uncertainties.

    Gloss (4 % of the surroundings' light at the surface of plastic and paint, Fresnel), dust, stray light and the
    phone's own evening-out of light and dark raise dark bodies; shade lowers light ones. That, and how the body is
    turned to the light beside the paper, makes lightness three to eight times less sure than a* and b*.
    """

    base: float
    gain: float
    chroma_gain: float
    lightness_sd: float
    a_sd: float
    b_sd: float


SHOWN: Mapping[Light, Showing] = {
    "paper_on_pump": Showing(33, 0.55, 0.70, 9, 2.0, 3.5),
    "paper_elsewhere": Showing(25, 0.75, 0.65, 20, 2.5, 5.0),
    "no_paper": Showing(31, 0.40, 0.55, 16, 3.0, 5.5),
}
"""Measured by `tools.bench.body_color` on 280 rendered photos of 110 pumps: middles by robust regression on the words',
the rest what 68 in 100 residuals stay within less the words' own spread, rounded up since residuals have long tails. On
280 photos of 110 other pumps and on 360 of 120 more, each word counting alike, the calibration error is 0.080 and 0.078
(0.057 and 0.052 on so few where every likelihood is true)."""

PLAINLY = Showing(0, 1.0, 1.0, 9, 2.0, 3.5)
"""How a clean, dull body shows in an untouched photo: as it is, but for its turn to the light."""
PLAIN_SHARE = 0.3
"""Share of photos believed to be such; other phones and cleaner pumps than those measured (a belief)."""

DIRT = (np.array([55.0, 3.0, 9.0]), np.array([18.0, 6.0, 10.0]))
"""Mean and standard deviation of L*, a*, b* of what covers bodies: dust, mud, rust, cement (common practice: grays and
browns; never blue, green or red)."""
ANYTHING = (np.array([58.0, 2.0, 6.0]), np.array([20.0, 12.0, 16.0]))
"""The same of surfaces of any kind in a photo that misleads."""
MISLED = 0.1
"""Share of photos whose light or parts are not what they are taken for."""


def color_likelihood(seen: BodyColor) -> dict[str, float]:
    """Likelihood of each word for the color that the body has now, normalized to sum 1.

    Of two coats one is the body's and one lies on it; each is as likely to be the body's as the share it fills.
    """
    own = np.array([_density(coat, seen.light) for coat in seen.coats])
    cover = np.array([_gauss(coat.lab - DIRT[0], np.diag(DIRT[1] ** 2)) for coat in seen.coats])
    shares = np.array([coat.share for coat in seen.coats])
    others = cover.prod() / cover
    total = (shares * others) @ own
    return dict(zip(WORDS, (total / total.sum()).tolist(), strict=True))


def _density(coat: Coat, light: Light) -> Array:
    """(V,) density of a coat's color for each word."""
    measured, plain = (
        np.array([_gauss(coat.lab - middle, spread) for middle, spread in words]) for words in _shown(light)
    )
    told = (1 - PLAIN_SHARE) * measured + PLAIN_SHARE * plain
    return (1 - MISLED) * told + MISLED * _gauss(coat.lab - ANYTHING[0], np.diag(ANYTHING[1] ** 2))


@cache
def _shown(light: Light) -> tuple[tuple[tuple[Array, Array], ...], ...]:
    """Mean (3,) and covariance (3, 3) of L*, a*, b* as photos show each word: most photos, and plain ones."""
    by = SHOWN[light]
    plain = replace(PLAINLY, lightness_sd=by.lightness_sd, a_sd=by.a_sd, b_sd=by.b_sd)
    return tuple(tuple(_as_shown(region, one) for region in WORDS.values()) for one in (by, plain))


def _as_shown(region: Region, by: Showing) -> tuple[Array, Array]:
    hue = np.radians(region.hue_deg)
    along, across = np.array([np.cos(hue), np.sin(hue)]), np.array([-np.sin(hue), np.cos(hue)])
    spread = np.diag([by.lightness_sd**2, by.a_sd**2, by.b_sd**2])
    spread[0, 0] += (by.gain * region.lightness_sd) ** 2
    for way, sd in ((along, region.chroma_sd), (across, region.across_sd)):
        spread[1:, 1:] += (by.chroma_gain * sd) ** 2 * np.outer(way, way)
    middle = np.array([by.base + by.gain * region.lightness, *(by.chroma_gain * region.chroma * along)])
    return middle, spread


def _gauss(off: Array, covariance: Array) -> float:
    """Density of a normal distribution with this covariance (3, 3) so far off its mean (3,)."""
    return float(np.exp(-0.5 * off @ np.linalg.solve(covariance, off)) / np.sqrt(np.linalg.det(2 * np.pi * covariance)))
