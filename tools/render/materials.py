"""Surfaces as Mitsuba plugins, built so that all scenes share one GPU kernel.

Two structures only: a picture of color (flat things), and a relief over it (grounds, walls). The pump has a third of
its own: relief over pictures of color, roughness and metalness (see weathering.py).
"""

import zlib
from dataclasses import dataclass
from typing import Any

import cv2
import mitsuba as mi
import numpy as np
from numpy.typing import NDArray

from tools.render import textures as tx
from tools.render.splits import Split
from tools.render.weathering import PaintedPump

VARIANTS = 16
"""Different pictures of one texture kind; test photos use another set of them."""


@dataclass(frozen=True, eq=False)
class Surface:
    """What a thing other than the pump is made of.

    Attributes:
        color: (N, M, 3) picture; roughness, metallic: of the principled model.
        relief: (N, N) heights in 0..1, None for a flat surface; relief_mm: their scale.
    """

    color: tx.Color
    roughness: float
    metallic: float = 0.0
    relief: tx.Gray | None = None
    relief_mm: float = 0.0


def texture_seed(split: Split, kind: str, variant: int) -> int:
    """Seed of one picture of a texture kind; no two splits share pictures with `test`."""
    return zlib.crc32(f"{kind}/{variant}/{'test' if split == 'test' else 'train'}".encode())


def bitmap(image: NDArray[np.float32]) -> dict[str, Any]:
    """A texture of linear values (gray or RGB) repeating in both directions; row 0 is v = 0."""
    pixels = np.ascontiguousarray(image if image.ndim == 3 else image[..., None], np.float32)
    return {"type": "bitmap", "bitmap": mi.Bitmap(pixels), "raw": True, "filter_type": "bilinear"}


def _principled(color: dict[str, Any], roughness: Any, metallic: Any) -> dict[str, Any]:
    """A principled surface; tiny values instead of 0 keep all of them on one code path (one GPU kernel)."""
    return {
        "type": "principled",
        "base_color": color,
        "roughness": roughness,
        "metallic": metallic if isinstance(metallic, dict) else max(0.001, float(metallic)),
        "specular": 0.5,
    }


def pump_surface(painted: PaintedPump) -> dict[str, Any]:
    """The surface of a whole pump."""
    return {
        "type": "bumpmap",
        "relief": bitmap(painted.relief_mm),
        "scale": 1.0,
        "surface": _principled(bitmap(painted.color), bitmap(painted.roughness), bitmap(painted.metallic)),
    }


@dataclass(frozen=True)
class PictureSizes:
    """Sides in texels of all pictures of a run: sizes are part of a GPU kernel, so there are only these few.

    Attributes:
        pump: of the pump's painted pictures.
        ground: of grounds and walls, color and relief.
        card: of scale references.
        small: of things lying about.
    """

    pump: int
    ground: int
    card: int
    small: int = 128


def picture_class(surface: Surface) -> str:
    """Which of the sizes a surface uses: "ground", "card" or "small"."""
    if surface.relief is not None:
        return "ground"
    return "card" if max(surface.color.shape) > 2 * PictureSizes.small else "small"


def plain_surface(surface: Surface, sizes: PictureSizes) -> dict[str, Any]:
    """The surface of a thing lying about, a scale reference, a floor or a wall, its pictures brought to their size."""
    side = int(getattr(sizes, picture_class(surface)))
    color = bitmap(_resized(np.clip(surface.color, 0.003, 0.95), side))
    plain = _principled(color, float(surface.roughness), surface.metallic)
    if surface.relief is None:
        return plain
    relief = _resized(surface.relief, side) * np.float32(surface.relief_mm)
    return {"type": "bumpmap", "relief": bitmap(relief), "scale": 1.0, "surface": plain}


def _resized(picture: NDArray[np.float32], side: int) -> NDArray[np.float32]:
    """A picture stretched to a square without moving anything in it against its borders."""
    if picture.shape[:2] == (side, side):
        return picture
    how = cv2.INTER_AREA if picture.shape[0] > side and picture.shape[1] > side else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(picture, (side, side), interpolation=how), np.float32)
