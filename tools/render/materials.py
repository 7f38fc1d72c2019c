"""Finishes as Mitsuba surfaces: one and the same plugin structure for every pump part, so that GPU kernels are reused.

A pump surface is bumpmap(blend(overlay mask, base, overlay)): the base takes color and roughness from mesh vertices
(large marks: mottle, dust, streaks), the overlay mask and the relief from tiling images (small marks: chips, grain).
"""

import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import mitsuba as mi
import numpy as np
from numpy.typing import NDArray

from tools.render import textures as tx
from tools.render.finishes import Finish, Wear
from tools.render.mesh_shading import ShadedMesh
from tools.render.splits import Split

VARIANTS = 16
"""Different pictures of one texture kind; test photos use another set of them."""

Painter = Callable[[np.random.Generator, int], Any]

BUMPS: dict[str, Painter] = {
    "grain": lambda rng, n: tx.fractal_noise(rng, n, 2.0, 0.03),
    "molded": lambda rng, n: 0.8 * tx.fractal_noise(rng, n, 2.6, 0.3) + 0.2 * tx.fractal_noise(rng, n, 2.0, 0.02),
    "cast": lambda rng, n: 0.5 * tx.fractal_noise(rng, n, 2.2, 0.03) + 0.6 * tx.fractal_noise(rng, n, 2.4, 0.25),
    "hammered": lambda rng, n: tx.fractal_noise(rng, n, 3.5, 0.03),
    "brushed": lambda rng, n: tx.fractal_noise(rng, n, 0.5, 0.3, stretch=0.02),
}
OVERLAYS: dict[str, Callable[[np.random.Generator, int, float], tx.Gray]] = {
    "none": lambda rng, n, amount: np.zeros((8, 8), np.float32),
    "patches": lambda rng, n, amount: tx.smooth_threshold(_rough_noise(rng, n), 1 - amount, 0.12),
    "clouds": lambda rng, n, amount: tx.smooth_threshold(tx.fractal_noise(rng, n, 2.0), 1 - amount, 0.6) * 0.7,
    "chips": lambda rng, n, amount: np.maximum(
        tx.smooth_threshold(_rough_noise(rng, n), 1 - 0.6 * amount, 0.02), tx.scratches(rng, n, int(120 * amount), 0.04)
    ),
    "scratches": lambda rng, n, amount: tx.scratches(rng, n, int(260 * amount), 0.06) * 0.7,
    "drips": lambda rng, n, amount: tx.drips(rng, n, int(60 * amount)),
    "crust": lambda rng, n, amount: np.maximum(
        tx.smooth_threshold(_rough_noise(rng, n), 1 - 0.7 * amount, 0.2), 0.9 * tx.drips(rng, n, int(30 * amount))
    ),
    "spray": lambda rng, n, amount: tx.speckles(rng, n, int(900 * amount), (0.6, n / 110)),
}


def _rough_noise(rng: np.random.Generator, n: int) -> tx.Gray:
    """Islands with frayed edges."""
    return np.asarray(0.68 * tx.fractal_noise(rng, n, 2.0, 0.35) + 0.32 * tx.fractal_noise(rng, n, 0.7, 0.06), np.float32)


def texture_seed(split: Split, kind: str, variant: int) -> int:
    """Seed of one picture of a texture kind; no two splits share pictures with `test`."""
    return zlib.crc32(f"{kind}/{variant}/{'test' if split == 'test' else 'train'}".encode())


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


@lru_cache(maxsize=192)
def bump_image(kind: str, variant: int, size: int, split: Split) -> tx.Gray:
    """Relief of a surface, cached."""
    image = BUMPS[kind](np.random.default_rng(texture_seed(split, kind, variant)), size)
    return np.asarray(image, np.float32)


@lru_cache(maxsize=192)
def overlay_image(kind: str, tenths: int, variant: int, size: int, split: Split) -> tx.Gray:
    """Mask of a cover for an amount in tenths of 1/2 (0..20), cached."""
    rng = np.random.default_rng(texture_seed(split, f"{kind}{tenths}", variant))
    return np.asarray(OVERLAYS[kind](rng, size, tenths / 20), np.float32)


def bitmap(image: NDArray[np.float32], nearest: bool = False) -> dict[str, Any]:
    """A texture of linear values (gray or RGB) repeating in both directions."""
    pixels = np.ascontiguousarray(image if image.ndim == 3 else image[..., None], np.float32)
    # Mitsuba puts row 0 at v = 1 only when it loads files; an array has row 0 at v = 0 after this flip.
    return {
        "type": "bitmap",
        "bitmap": mi.Bitmap(np.ascontiguousarray(pixels[::-1])),
        "raw": True,
        "filter_type": "nearest" if nearest else "bilinear",
    }


def rgb(color: tx.Rgb) -> dict[str, Any]:
    """A constant color."""
    return {"type": "rgb", "value": [float(np.clip(c, 0, 0.95)) for c in color]}


def _principled(color: dict[str, Any], roughness: Any, metallic: float, specular: float, clearcoat: float) -> dict[str, Any]:
    """A principled surface; tiny values instead of 0 keep all of them on one code path (one GPU kernel)."""
    return {
        "type": "principled",
        "base_color": color,
        "roughness": roughness,
        "metallic": max(0.001, float(metallic)),
        "specular": float(specular),
        "clearcoat": max(0.001, float(clearcoat)),
        "clearcoat_gloss": 0.8,
    }


def pump_surface(finish: Finish, split: Split, size: int, rng: np.random.Generator) -> dict[str, Any]:
    """The surface of one material slot; its base color and roughness come from the mesh."""
    variant = int(rng.integers(VARIANTS))
    tenths = int(np.clip(round(finish.overlay_amount * 20), 0, 20))
    color = {"type": "mesh_attribute", "name": "vertex_color"}
    roughness = {"type": "mesh_attribute", "name": "vertex_roughness"}
    return {
        "type": "bumpmap",
        "relief": bitmap(bump_image(finish.bump, variant, size, split) * np.float32(finish.bump_mm)),
        "scale": 1.0,
        "surface": {
            "type": "blendbsdf",
            "weight": bitmap(overlay_image(finish.overlay, tenths, variant, size, split)),
            "bsdf_0": _principled(color, roughness, finish.metallic, finish.specular, finish.clearcoat),
            "bsdf_1": _principled(
                rgb(finish.overlay_color), float(finish.overlay_roughness), finish.overlay_metallic, 0.4, 0.0
            ),
        },
    }


def plain_surface(surface: Surface, relief_px: int) -> dict[str, Any]:
    """A surface with a color picture: things lying about, scale references; with relief: floors, walls.

    Args:
        surface: what it is.
        relief_px: every relief picture is brought to this size, because the size is part of the GPU kernel.
    """
    color = bitmap(np.clip(surface.color, 0.003, 0.95))
    plain = _principled(color, float(surface.roughness), surface.metallic, 0.5, 0.0)
    if surface.relief is None:
        return plain
    relief = surface.relief
    if relief.shape[0] != relief_px:
        relief = cv2.resize(relief, (relief_px, relief_px), interpolation=cv2.INTER_AREA)
    return {"type": "bumpmap", "relief": bitmap(relief * np.float32(surface.relief_mm)), "scale": 1.0, "surface": plain}


def vertex_look(
    mesh: ShadedMesh, finish: Finish, wear: Wear, seed: int, pump_height_mm: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Color (N, 3) and roughness (N,) of each vertex: mottle, fading, streaks, dust, splashes."""
    volume = tx.noise_volume(seed % 8)
    p = mesh.positions + (seed % 1000) * 3.7
    coarse, middle = tx.sample_volume(volume, p, 420.0), tx.sample_volume(volume, p + 77, 110.0)
    streak = tx.sample_volume(volume, p * [1, 1, 0.12] + 31, 140.0)
    color = np.asarray(finish.color, np.float32)[None, :].repeat(len(p), axis=0)
    color = color * (1 + finish.mottle * (1.2 * coarse + 0.8 * middle - 1))[:, None]
    roughness = finish.roughness * (1 + 0.35 * (middle - 0.5))

    pale = wear.fade * coarse * (1 - finish.metallic)
    color = _towards(color, color * 0.6 + 0.16, pale * 0.6)
    run = wear.streaks * tx.smooth_threshold(streak, 0.62, 0.35) * (1 - 0.7 * np.abs(mesh.normals[:, 2]))
    color = _towards(color, np.asarray(wear.streak_color, np.float32), run * 0.45)
    lying = wear.dust * np.clip(mesh.normals[:, 2] * 1.1, 0, 1) ** 0.7 * (0.35 + 0.65 * middle)
    film = wear.dust * 0.22 * coarse
    low = wear.splash * np.clip(1 - mesh.positions[:, 2] / (0.35 * pump_height_mm), 0, 1) * middle
    dirt = np.clip(np.maximum(lying * 0.9, film) + 0.6 * low, 0, 0.92)
    color = _towards(color, np.asarray(wear.dust_color, np.float32), dirt)
    roughness = roughness * (1 - dirt) + 0.9 * dirt
    return np.clip(color, 0.004, 0.9).astype(np.float32), np.clip(roughness, 0.07, 1.0).astype(np.float32)


def _towards(color: NDArray[np.float32], other: NDArray[np.float32], weight: NDArray[np.floating]) -> NDArray[np.float32]:
    w = np.asarray(weight, np.float32)[:, None]
    return np.asarray(color * (1 - w) + other * w, np.float32)
