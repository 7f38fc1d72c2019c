"""A photo as every later step sees it: upright pixels, a focal length prior, nothing personal.

Pixel centers lie at integer coordinates, x to the right, y down (OpenCV's convention).
"""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from features.problems import Problem


@dataclass(frozen=True)
class FocalPrior:
    """What is believed of the focal length before the photo itself is asked.

    Attributes:
        focal_px: focal length in pixels of this photo.
        relative_sd: standard uncertainty of log(focal).
        source: where it comes from.
    """

    focal_px: float
    relative_sd: float
    source: Literal["exif_35mm", "exif_sensor", "phone_prior"]


@dataclass(frozen=True, eq=False)
class Photo:
    """One decoded photo.

    Attributes:
        name: file name as given, without folder.
        path: where it was read from.
        pixels_rgb: (height, width, 3) uint8, upright, sRGB.
        focal: focal length prior.
        problems: what the loader noticed.
    """

    name: str
    path: Path
    pixels_rgb: NDArray[np.uint8]
    focal: FocalPrior
    problems: tuple[Problem, ...] = field(default=())

    @property
    def width_px(self) -> int:
        """Width in pixels."""
        return int(self.pixels_rgb.shape[1])

    @property
    def height_px(self) -> int:
        """Height in pixels."""
        return int(self.pixels_rgb.shape[0])


@dataclass(frozen=True)
class PhotoRefused:
    """Why a file is not a usable photo. Falsy, so `if photo:` reads naturally."""

    name: str
    path: Path
    problem: Problem

    def __bool__(self) -> bool:
        return False


def load_photo(path: Path) -> Photo | PhotoRefused:
    """Read one photo file."""
    raise NotImplementedError
