"""Procedural texture images: all tile without a seam, all come from one random generator.

Gray images are (N, N) float32 in 0..1; color images are (N, N, 3) linear-light float32. Row 0 is v = 0.
"""

import zlib
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

Gray = NDArray[np.float32]
Color = NDArray[np.float32]
Rgb = tuple[float, float, float]


def fractal_noise(
    rng: np.random.Generator, size: int, slope: float = 1.8, longest: float = 0.5, stretch: float = 1.0
) -> Gray:
    """Noise with a power-law spectrum, ranked to a uniform histogram.

    Args:
        rng: random source.
        size: pixels per side.
        slope: amplitude falls as 1 / frequency ** (slope / 2 + 0.5); larger is smoother.
        longest: longest wave as a part of the period.
        stretch: > 1 draws the marks out along v (rows), for drips and brushed metal.
    """
    fy = np.fft.fftfreq(size)[:, None] * size * stretch
    fx = np.fft.rfftfreq(size)[None, :] * size
    frequency = np.hypot(fx, fy)
    amplitude = 1.0 / np.maximum(frequency, 1.0 / longest) ** (slope / 2 + 0.5)
    amplitude[0, 0] = 0.0
    white = rng.standard_normal((size, size)).astype(np.float32)
    noise = np.fft.irfft2(np.fft.rfft2(white) * amplitude, s=(size, size))
    return _uniform(noise)


def _uniform(noise: NDArray[np.floating]) -> Gray:
    """Map a roughly normal field to a uniform histogram in 0..1."""
    z = (noise - noise.mean()) / (noise.std() + 1e-9)
    return np.asarray(1.0 / (1.0 + np.exp(-1.702 * z)), np.float32)


def blurred(picture: Gray, sigma_px: float) -> Gray:
    """A picture out of focus."""
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma_px), np.float32)


def resized(picture: NDArray[np.float32], width_px: int, height_px: int) -> NDArray[np.float32]:
    """A picture made larger or smaller, smoothly."""
    return np.asarray(cv2.resize(picture, (width_px, height_px), interpolation=cv2.INTER_CUBIC), np.float32)


def smooth_threshold(gray: Gray, level: float, width: float = 0.02) -> Gray:
    """1 above a level, 0 below, with a soft edge of `width`."""
    t = np.clip((gray - level) / width + 0.5, 0, 1)
    return np.asarray(t * t * (3 - 2 * t), np.float32)


def speckles(rng: np.random.Generator, size: int, count: int, radius_px: tuple[float, float]) -> Gray:
    """Round spots of random radius (splashes, pits, gravel)."""
    image = np.zeros((size, size), np.float32)
    centers = rng.uniform(0, size, (count, 2))
    radii = rng.uniform(*radius_px, count) * rng.uniform(0.3, 1, count)
    for (x, y), radius in zip(centers, radii, strict=True):
        for dx in (0, -size, size):
            for dy in (0, -size, size):
                near = -radius - 2 < x + dx < size + radius + 2 and -radius - 2 < y + dy < size + radius + 2
                if near and (dx == dy == 0 or _crosses(x, y, radius, size)):
                    center = (round((x + dx) * 16), round((y + dy) * 16))
                    cv2.circle(image, center, max(1, round(radius * 16)), 1.0, -1, cv2.LINE_AA, 4)
    return image


def _crosses(x: float, y: float, radius: float, size: int) -> bool:
    return min(x, y) < radius + 2 or max(x, y) > size - radius - 2


def scratches(rng: np.random.Generator, size: int, count: int, mean_length: float = 0.12) -> Gray:
    """Thin bright lines of random length, width and direction."""
    image = np.zeros((size, size), np.float32)
    for _ in range(count):
        x, y = rng.uniform(0, size, 2)
        angle, length = rng.uniform(0, 2 * np.pi), rng.exponential(mean_length) * size
        bend = rng.normal(0, 0.12)
        t = np.linspace(0, 1, 8)
        heading = angle + bend * t
        points = np.stack([x + np.cumsum(np.cos(heading)) * length / 8, y + np.cumsum(np.sin(heading)) * length / 8])
        value = float(rng.uniform(0.3, 1.0))
        for dx, dy in ((0, 0), (-size, 0), (size, 0), (0, -size), (0, size)):
            shifted = np.round((points.T + np.array([dx, dy])) * 16).astype(np.int32).reshape(-1, 1, 2)
            cv2.polylines(image, [shifted], False, value, int(rng.choice([1, 1, 1, 2])), cv2.LINE_AA, 4)
    return np.minimum(image, 1.0)


def drips(rng: np.random.Generator, size: int, count: int) -> Gray:
    """Runs going down (towards small v), fading with length: water marks, oil, salt."""
    image = np.zeros((size, size), np.float32)
    rows = np.arange(size)
    for _ in range(count):
        x0, top = int(rng.integers(size)), int(rng.integers(size))
        length = int(rng.uniform(0.08, 0.5) * size)
        width = rng.uniform(0.002, 0.012) * size
        wobble = np.cumsum(rng.normal(0, 0.25, length))
        fade = np.linspace(1, 0, length) ** rng.uniform(0.3, 1.5) * rng.uniform(0.4, 1)
        for k in range(length):
            row = rows[(top - k) % size]
            half = max(1.0, width * (0.6 + 0.4 * fade[k]))
            columns = np.arange(int(x0 + wobble[k] - 2 * half), int(x0 + wobble[k] + 2 * half) + 1)
            profile = np.exp(-(((columns - x0 - wobble[k]) / half) ** 2)) * fade[k]
            image[row, columns % size] = np.maximum(image[row, columns % size], profile)
    return image


def mix(a: Color | Rgb, b: Color | Rgb, weight: Gray) -> Color:
    """Blend two colors (images or constants) by a gray image."""
    w = weight[..., None]
    return np.asarray(np.asarray(a, np.float32) * (1 - w) + np.asarray(b, np.float32) * w, np.float32)


def tint(gray: Gray, dark: Rgb, light: Rgb) -> Color:
    """A gray image as a ramp between two colors."""
    return mix(np.asarray(dark, np.float32), np.asarray(light, np.float32), gray)


@lru_cache(maxsize=4)
def noise_volume(seed: int, size: int = 48) -> NDArray[np.float32]:
    """Tileable (size, size, size) fractal noise with a uniform histogram, for colors on mesh vertices."""
    rng = np.random.default_rng(seed)
    f = np.fft.fftfreq(size) * size
    r = np.fft.rfftfreq(size) * size
    frequency = np.sqrt(f[:, None, None] ** 2 + f[None, :, None] ** 2 + r[None, None, :] ** 2)
    amplitude = 1.0 / np.maximum(frequency, 1.0) ** 1.9
    amplitude[0, 0, 0] = 0.0
    white = rng.standard_normal((size, size, size)).astype(np.float32)
    return _uniform(np.fft.irfftn(np.fft.rfftn(white) * amplitude, s=(size,) * 3))


def sample_volume(volume: NDArray[np.float32], points: NDArray[np.float64], period_mm: float) -> Gray:
    """Trilinear lookup of a tileable volume at (N, 3) points in mm."""
    scaled = (points / period_mm * volume.shape[0]).T
    return np.asarray(map_coordinates(volume, scaled, order=1, mode="grid-wrap", prefilter=False), np.float32)


MARK_VARIANTS = 6
_MARK_PX = 512


@lru_cache(maxsize=64)
def mark_picture(kind: str, count: int, variant: int, test: bool) -> Gray:
    """A cached flat picture of marks: "scratches", "drips" or "speckles"."""
    rng = np.random.default_rng(zlib.crc32(f"{kind}/{count}/{variant}/{test}".encode()))
    if kind == "scratches":
        return scratches(rng, _MARK_PX, count, 0.06)
    if kind == "drips":
        return drips(rng, _MARK_PX, count)
    return speckles(rng, _MARK_PX, count, (0.6, _MARK_PX / 110))
