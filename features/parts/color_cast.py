"""The color of the light, told by a photo's surroundings, where it is stronger than a camera that knows it leaves.

Lamps of one color, or a camera that takes them for daylight, tint a whole photo; the part model then takes what a pump
is made of for something else. On average surroundings are about gray (Buchsbaum 1980, "A spatial processor model for
object color perception"); the pump itself, which may be of any color and fill much of the photo, is left out.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

USUAL = 0.15
"""Largest logarithm of red or blue over green that surroundings have under light that the camera knew: in 144 of 150
rendered photos, and about what the part model was trained on. Only what goes beyond it is taken for the light's."""
LEAST_SHARE = 0.1
"""Of a photo's pixels that must be surroundings, or nothing is said."""
DARKEST, BRIGHTEST = 12, 250
"""Pixels whose largest value lies beyond these say little of color: noise, or clipped."""


@dataclass(frozen=True)
class ColorCast:
    """Logarithms of how many times too strong red and blue are beside green."""

    log_red: float
    log_blue: float

    def removed(self, picture: NDArray[np.float32]) -> NDArray[np.float32]:
        """(..., 3, h, w) picture of 0 to 255 without the cast, as light on the whole as before."""
        logs = np.array([self.log_red, 0.0, self.log_blue])
        gains = np.exp(logs.mean() - logs).astype(np.float32)
        return np.asarray(np.clip(picture * gains[:, None, None], 0, 255), np.float32)


def cast_of(picture_rgb: NDArray[np.uint8], surroundings: NDArray[np.bool_]) -> ColorCast | None:
    """The cast of a picture (h, w, 3), from those of its pixels (h, w) that are surroundings; None if usual."""
    largest = picture_rgb.max(axis=2)
    telling = surroundings & (largest > DARKEST) & (largest < BRIGHTEST)
    if telling.mean() < LEAST_SHARE:
        return None
    red, green, blue = np.maximum(picture_rgb[telling].mean(axis=0), 1.0).tolist()
    logs = np.log([red / green, blue / green])
    beyond = np.sign(logs) * np.maximum(np.abs(logs) - USUAL, 0.0)
    return ColorCast(float(beyond[0]), float(beyond[1])) if beyond.any() else None
