"""Every round thing of a photo that may be a coin: guessed by votes, looked at roughly, measured where worth it."""

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from features.ellipse import Ellipse
from features.reduced import reduced
from features.scale.first_ring import RoughRing
from features.scale.rim import (
    MIN_RADIUS_PX,
    Pyramid,
    RimEllipse,
    is_inside_of,
    one_of_each,
    rim_about,
    ring_near,
    ring_outside,
)
from features.scale.round_votes import RoundGuess, guess_round_things

Array = NDArray[np.float64]

_FOLLOWED = 24
"""So many rings are measured where only the best is of interest."""
_LEAST_RING = 0.45
"""Part of a ring on which edges must be found at smaller size: few with less become rims, and those are no coins."""
_ENCLOSES = 1.7
"""A rim this much larger than a guess about its middle already holds it."""


@dataclass(frozen=True, eq=False)
class Worth:
    """What a round thing counts to whoever searches.

    Attributes:
        most: of a rough ring, what its thing can count at most.
        of: what a measured rim counts.
        rival: share of the best one's count below which a thing is of no interest.
    """

    most: Callable[[Pyramid, Ellipse], float]
    of: Callable[[RimEllipse], float]
    rival: float


def find_coin_ellipses(
    pixels: NDArray[np.uint8],
    smallest_px: float | None = None,
    largest_px: float | None = None,
    at_most: int = 120,
    worth: Worth | None = None,
) -> tuple[RimEllipse, ...]:
    """Find all round things that look like whole coins.

    Args:
        pixels: (H, W) gray or (H, W, 3) RGB, full resolution; color helps where gray tells little.
        smallest_px: smallest diameter looked for; by default 2 % of the longer side.
        largest_px: largest diameter; by default 45 % of the shorter side.
        at_most: guesses followed up.
        worth: what they count, where only the best and its rivals are of interest.

    Returns:
        Rims, best score first; of rings inside one another only the outermost.
    """
    gray = pixels if pixels.ndim == 2 else np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), np.uint8)
    longest = max(gray.shape)
    smallest = max(2 * MIN_RADIUS_PX, smallest_px or 0.02 * longest)
    largest = min(largest_px or 0.45 * min(gray.shape), 0.95 * min(gray.shape))
    if largest <= smallest:
        return ()
    # The guess needs about 16 px of diameter to see a ring.
    scale = min(1.0, max(800 / longest, min(1300 / longest, 16 / smallest)))
    small = reduced(gray, (round(gray.shape[1] * scale), round(gray.shape[0] * scale)))
    guesses = [
        _in_photo(guess, scale)
        for guess in guess_round_things(small, 0.45 * smallest * scale, 0.55 * largest * scale, at_most)
    ]
    pyramid = Pyramid(pixels)
    rims: list[RimEllipse] = []
    best = 0.0
    for ring, most in _rings(pyramid, guesses, worth):
        if worth is not None and most < worth.rival * best:
            continue
        size = float(np.sqrt(ring.semi_axes_px.prod()))
        if any(is_inside_of(ring.center_px, rim) and rim.diameter_px > _ENCLOSES * size for rim in rims):
            continue
        rim = rim_about(pyramid, ring, least_ring=_LEAST_RING)
        found = [] if rim is None else [rim, ring_outside(pyramid, rim)]
        rims += (good := [r for r in found if r and smallest <= r.diameter_px <= largest])
        best = best if worth is None else max([best, *(worth.of(one) for one in good)])
    return one_of_each(rims)


def _in_photo(guess: RoundGuess, scale: float) -> RoundGuess:
    """A guess made in a picture reduced by a scale."""
    x, y = (guess.x_px + 0.5) / scale - 0.5, (guess.y_px + 0.5) / scale - 0.5
    return RoundGuess(x, y, guess.radius_px / scale, guess.squeeze, guess.angle_deg, guess.votes)


def _rings(pyramid: Pyramid, guesses: list[RoundGuess], worth: Worth | None) -> list[tuple[Ellipse, float]]:
    """Rough rings of the guesses and what they can count at most.

    All as guessed where all are wanted, else the most promising ones, best closed first.
    """
    rings: list[tuple[RoughRing, float]] = []
    for guess in guesses:
        place = np.array([guess.x_px, guess.y_px])
        ring = ring_near(pyramid, place, guess.radius_px, guess.squeeze, guess.angle_deg)
        if ring is not None:
            rings.append((ring, 1.0 if worth is None else worth.most(pyramid, ring.ellipse)))
    if worth is not None:
        rings = sorted(rings, key=lambda one: -one[0].closed * one[1])[:_FOLLOWED]
    return [(ring.ellipse, most) for ring, most in rings]
