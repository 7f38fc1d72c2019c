"""The light that a picture's values stand for, and back, by the usual code of pictures (IEC 61966-2-1)."""

from typing import Any

import numpy as np
from numpy.typing import NDArray


def light_of(values: NDArray[Any]) -> NDArray[Any]:
    """Linear light 0..1 of gray levels or color values 0..255, of any shape, as exact as they are given."""
    coded = values / 255.0
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def coded_of(light: NDArray[Any]) -> NDArray[Any]:
    """Color values 0..1 of linear light 0..1, of any shape, as exact as it is given."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055)
