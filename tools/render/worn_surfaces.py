"""Worn surfaces of the things that stand about: mostly gray, black, brown and steel, now and then a faded paint."""

import numpy as np

from tools.render import textures as tx
from tools.render.materials import Surface

SIDE_PX = 128
_DULL: tuple[tx.Rgb, ...] = (
    (0.3, 0.3, 0.29), (0.13, 0.135, 0.14), (0.045, 0.045, 0.048), (0.5, 0.49, 0.46),
    (0.2, 0.19, 0.17), (0.09, 0.1, 0.11), (0.16, 0.2, 0.2), (0.22, 0.2, 0.15),
)  # fmt: skip
_PAINTS: tuple[tx.Rgb, ...] = (
    (0.05, 0.1, 0.2), (0.22, 0.045, 0.035), (0.36, 0.25, 0.06), (0.06, 0.14, 0.09),
    (0.34, 0.14, 0.04), (0.1, 0.16, 0.2),
)  # fmt: skip
_RUST: tx.Rgb = (0.13, 0.06, 0.03)


def muted(rng: np.random.Generator, painted: float = 0.3) -> tx.Rgb:
    """A color as a shop's things have it; `painted` is the chance of a faded paint instead of a dull one."""
    table = _PAINTS if rng.random() < painted else _DULL
    color = np.array(table[rng.integers(len(table))]) * rng.uniform(0.7, 1.35)
    # Years of light and dust take the strength out of a paint.
    color += (color.mean() - color) * rng.uniform(0.0, 0.5)
    return (float(color[0]), float(color[1]), float(color[2]))


def painted_metal(rng: np.random.Generator, color: tx.Rgb | None = None) -> Surface:
    """Painted sheet or casting, at times with some rust."""
    picture = _dirty(color if color is not None else muted(rng), rng)
    if rng.random() < 0.35:
        picture = _rusted(picture, float(rng.uniform(0.82, 1.05)), rng)
    return Surface(np.clip(picture, 0.004, 0.9), float(rng.uniform(0.3, 0.7)))


def cast_or_steel(rng: np.random.Generator) -> Surface:
    """Bare or galvanized steel, at times rusty."""
    value = float(rng.uniform(0.25, 0.5))
    picture = _dirty((value, value, 0.98 * value), rng)
    rusty = rng.random() < 0.35
    if rusty:
        picture = _rusted(picture, float(rng.uniform(0.5, 1.0)), rng)
    return Surface(np.clip(picture, 0.004, 0.9), float(rng.uniform(0.35, 0.7)), 0.35 if rusty else 0.85)


def plastic(rng: np.random.Generator, color: tx.Rgb | None = None) -> Surface:
    """Plastic or rubber, scuffed."""
    picture = _dirty(color if color is not None else muted(rng, 0.2), rng)
    return Surface(np.clip(picture, 0.004, 0.9), float(rng.uniform(0.35, 0.75)))


def raw_wood(rng: np.random.Generator) -> Surface:
    """Unpainted wood."""
    grain = tx.fractal_noise(rng, SIDE_PX, 1.4, 0.4, stretch=0.06)[..., None]
    color = np.array([0.33, 0.25, 0.16], np.float32) * np.float32(rng.uniform(0.6, 1.15))
    return Surface(np.asarray(color * (0.6 + 0.55 * grain), np.float32), 0.85)


def card_board(rng: np.random.Generator) -> Surface:
    """A brown carton with a strip of tape round it."""
    picture = np.full((SIDE_PX, SIDE_PX, 3), (0.33, 0.24, 0.15), np.float32) * np.float32(rng.uniform(0.7, 1.2))
    picture *= 0.85 + 0.2 * tx.fractal_noise(rng, SIDE_PX, 1.2)[..., None]
    picture[58:66] = picture[58:66] * 0.6 + np.array([0.3, 0.24, 0.16], np.float32) * 0.4
    return Surface(picture, 0.85)


def _dirty(color: tx.Rgb, rng: np.random.Generator) -> tx.Color:
    wear = tx.fractal_noise(rng, SIDE_PX, 1.6)[..., None]
    picture = np.asarray(color, np.float32) * (0.8 + 0.3 * wear)
    dust = np.float32(rng.uniform(0.0, 0.35)) * tx.fractal_noise(rng, SIDE_PX, 1.8)[..., None]
    return np.asarray(picture * (1 - dust) + np.float32(0.22) * dust, np.float32)


def _rusted(picture: tx.Color, level: float, rng: np.random.Generator) -> tx.Color:
    spots = tx.fractal_noise(rng, SIDE_PX, 1.1, 0.3)
    shade = tx.fractal_noise(rng, SIDE_PX, 0.8, 0.2)[..., None]
    rust = np.asarray(np.asarray(_RUST, np.float32) * (0.6 + 0.9 * shade), np.float32)
    return tx.mix(picture, rust, 0.85 * tx.smooth_threshold(spots, level, 0.3))
