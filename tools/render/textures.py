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
            shifted = np.round((points.T + [dx, dy]) * 16).astype(np.int32).reshape(-1, 1, 2)
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


# Ground and wall pictures: (color, height), height feeding the bump map.


def concrete(rng: np.random.Generator, size: int) -> tuple[Color, Gray]:
    """Gray concrete with blotches, stains and pores."""
    blotch, fine = fractal_noise(rng, size, 2.2), fractal_noise(rng, size, 0.6, 0.05)
    base = rng.uniform(0.12, 0.42)
    warm = rng.uniform(0.92, 1.06)
    color = tint(0.6 * blotch + 0.4 * fine, (base * 0.62, base * 0.62, base * 0.6), (base * warm, base, base * 0.95))
    stain = smooth_threshold(fractal_noise(rng, size, 2.4), rng.uniform(0.6, 1.1), rng.uniform(0.3, 0.9))
    color = color * (1 - rng.uniform(0.1, 0.35) * stain[..., None])
    pores = speckles(rng, size, 300, (0.5, 2.0))
    color = color * (1 - 0.5 * pores[..., None])
    return color.astype(np.float32), 0.5 * fine - 0.5 * pores


def asphalt(rng: np.random.Generator, size: int) -> tuple[Color, Gray]:
    """Dark aggregate."""
    fine = fractal_noise(rng, size, 0.1, 0.015)
    blotch = fractal_noise(rng, size, 2.0)
    color = tint(0.7 * fine + 0.3 * blotch, (0.025, 0.025, 0.026), (0.16, 0.155, 0.15))
    return color, fine


def gravel(rng: np.random.Generator, size: int) -> tuple[Color, Gray]:
    """Loose stones of several gray and brown shades."""
    height = np.zeros((size, size), np.float32)
    color = np.full((size, size, 3), 0.05, np.float32)
    count = size * size // 60
    # Large stones first: small ones fill what they leave.
    for radius in np.sort(rng.lognormal(np.log(0.007), 0.4, count))[::-1] * size:
        x, y, r = rng.uniform(0, size), rng.uniform(0, size), float(np.clip(radius, 1.5, 0.02 * size))
        shade = rng.uniform(0.1, 0.34) * np.array([1.0, rng.uniform(0.93, 1), rng.uniform(0.82, 1)])
        axes = (round(r), round(r * rng.uniform(0.6, 1)))
        center = (round(x), round(y))
        angle = float(rng.uniform(0, 180))
        cv2.ellipse(color, center, axes, angle, 0, 360, shade.tolist(), -1, cv2.LINE_AA)
        cv2.ellipse(height, center, axes, angle, 0, 360, float(rng.uniform(0.5, 1)), -1, cv2.LINE_AA)
    grain = fractal_noise(rng, size, 0.4, 0.03)[..., None]
    return (color * (0.7 + 0.6 * grain)).astype(np.float32), cv2.GaussianBlur(height, (0, 0), 1.5)


def tiles(rng: np.random.Generator, size: int) -> tuple[Color, Gray]:
    """Square ceramic tiles with joints, each a little different."""
    count = int(rng.choice([3, 4, 5, 6]))
    step = size // count
    size_cut = step * count
    base = np.array([(0.5, 0.47, 0.42), (0.55, 0.55, 0.54), (0.25, 0.1, 0.06), (0.3, 0.32, 0.33)][rng.integers(4)])
    color = np.empty((size_cut, size_cut, 3), np.float32)
    for row in range(count):
        for column in range(count):
            color[row * step : (row + 1) * step, column * step : (column + 1) * step] = base * rng.uniform(0.85, 1.1)
    joint = np.zeros((size_cut, size_cut), np.float32)
    half = max(1, int(step * rng.uniform(0.006, 0.02)))
    for k in range(count):
        joint[k * step : k * step + half] = 1
        joint[:, k * step : k * step + half] = 1
    joint, color = cv2.resize(joint, (size, size)), cv2.resize(color, (size, size))
    dirt = fractal_noise(rng, size, 2.0)
    color = mix(color * (0.75 + 0.35 * dirt[..., None]), (0.09, 0.085, 0.08), joint)
    return color, 1 - joint


def planks(rng: np.random.Generator, size: int) -> tuple[Color, Gray]:
    """Wooden boards along u."""
    count = int(rng.integers(4, 9))
    grain = fractal_noise(rng, size, 1.6, 0.3, stretch=0.06)
    grain = np.asarray(0.5 + 0.5 * np.sin(18 * grain + 3 * fractal_noise(rng, size, 2.2)), np.float32)
    light = np.array([(0.42, 0.26, 0.13), (0.5, 0.36, 0.2), (0.3, 0.22, 0.15), (0.2, 0.17, 0.14)][rng.integers(4)])
    color = tint(grain, tuple(light * 0.5), tuple(light))
    gap = np.zeros((size, size), np.float32)
    for k in range(count):
        top, bottom = k * size // count, (k + 1) * size // count
        color[top:bottom] *= rng.uniform(0.7, 1.15)
        shift = int(rng.integers(size))
        color[top:bottom] = np.roll(color[top:bottom], shift, axis=1)
        gap[top : top + max(2, size // 170)] = 1
    dirt = smooth_threshold(fractal_noise(rng, size, 2.2), rng.uniform(0.6, 1.1), 0.6)
    color = color * (1 - rng.uniform(0.1, 0.45) * dirt[..., None])
    return mix(color.astype(np.float32), (0.02, 0.015, 0.01), gap), grain * 0.4 - gap


def timber(rng: np.random.Generator, size: int) -> tuple[Color, Gray]:
    """Rough-sawn wood of single boards, weathered, with dark stains and nail marks."""
    grain = fractal_noise(rng, size, 1.4, 0.4, stretch=0.03)
    rings = np.asarray(0.5 + 0.5 * np.sin(30 * fractal_noise(rng, size, 2.4, 0.5, stretch=0.1)), np.float32)
    light = np.array([(0.42, 0.29, 0.16), (0.36, 0.29, 0.2), (0.27, 0.25, 0.22)][rng.integers(3)])
    color = tint(0.7 * grain + 0.3 * rings, tuple(light * 0.55), tuple(light))
    stain = smooth_threshold(fractal_noise(rng, size, 2.0), float(rng.uniform(0.5, 0.9)), 0.8)
    nails = speckles(rng, size, 10, (1.0, 2.0))
    color = color * (1 - 0.35 * stain[..., None]) * (1 - 0.8 * nails[..., None])
    return np.asarray(color, np.float32), 0.7 * grain


def laminate(rng: np.random.Generator, size: int) -> tuple[Color, Gray]:
    """A worn bench top: one color with flecks, scratches, rings and spills."""
    base = np.array([(0.5, 0.48, 0.43), (0.22, 0.24, 0.25), (0.33, 0.27, 0.2), (0.12, 0.16, 0.2)][rng.integers(4)])
    fleck = fractal_noise(rng, size, 0.2, 0.02)
    color = np.asarray(base * (0.85 + 0.25 * fleck[..., None]), np.float32)
    spill = smooth_threshold(fractal_noise(rng, size, 1.9), float(rng.uniform(0.6, 0.95)), 0.5)
    marks = scratches(rng, size, int(rng.integers(40, 160)), 0.1)
    spots = speckles(rng, size, int(rng.integers(10, 80)), (0.6, 4.0))
    color = color * (1 - 0.25 * spill[..., None]) * (1 - 0.5 * spots[..., None])
    return mix(color, tuple(np.clip(base * 1.5 + 0.05, 0, 0.8)), 0.5 * marks), fleck * 0.1 - marks * 0.2


def checker_plate(rng: np.random.Generator, size: int) -> tuple[Color, Gray]:
    """Steel tread plate: raised lozenges in alternating directions."""
    count = int(rng.choice([10, 12, 14]))
    height = np.zeros((size, size), np.float32)
    step = size / count
    for row in range(count):
        for column in range(count):
            center = (round((column + 0.5) * step * 16), round((row + 0.5) * step * 16))
            angle = 45 if (row + column) % 2 else -45
            axes = (round(step * 0.42 * 16), round(step * 0.11 * 16))
            cv2.ellipse(height, center, axes, angle, 0, 360, 1.0, -1, cv2.LINE_AA, 4)
    height = cv2.GaussianBlur(height, (0, 0), size / 500)
    wear = fractal_noise(rng, size, 1.8)
    base = rng.uniform(0.25, 0.5)
    color = tint(0.6 * wear + 0.4 * height, (base * 0.4, base * 0.39, base * 0.37), (base, base, base * 1.02))
    rust = smooth_threshold(0.8 * fractal_noise(rng, size, 1.1) + 0.2 * (1 - height), rng.uniform(0.6, 1.1), 0.5)
    return mix(color, (0.12, 0.06, 0.03), rust * 0.6), height


def bricks(rng: np.random.Generator, size: int) -> tuple[Color, Gray]:
    """Running-bond brickwork or painted blocks."""
    rows = int(rng.choice([6, 8, 10]))
    columns = rows // 2
    height = np.ones((size, size), np.float32)
    painted = rng.random() < 0.5
    base = np.array([0.55, 0.54, 0.5] if painted else [0.3, 0.12, 0.07])
    color = np.empty((size, size, 3), np.float32)
    for row in range(rows):
        y0, y1 = row * size // rows, (row + 1) * size // rows
        for column in range(columns):
            x0 = int((column + 0.5 * (row % 2)) * size / columns)
            spread = 0.05 if painted else 0.3
            shade = base * rng.uniform(1 - spread, 1 + spread)
            span = np.arange(x0, x0 + size // columns + 1) % size
            color[y0:y1, span] = shade
            height[y0:y1, np.arange(x0, x0 + max(2, size // 130)) % size] = 0
        height[y0 : y0 + max(2, size // 130)] = 0
    grain = fractal_noise(rng, size, 1.0)
    mortar = base * 0.85 if painted else np.array([0.4, 0.38, 0.35])
    color = mix(color * (0.75 + 0.5 * grain[..., None]), mortar.astype(np.float32), 1 - height)
    return color, cv2.GaussianBlur(height, (0, 0), size / 500) + 0.2 * grain


def plaster(rng: np.random.Generator, size: int) -> tuple[Color, Gray]:
    """A painted wall, often two-colored shop paint worn and stained."""
    base = np.array(
        [(0.6, 0.58, 0.53), (0.7, 0.7, 0.7), (0.35, 0.42, 0.44), (0.5, 0.48, 0.3), (0.25, 0.33, 0.28)][rng.integers(5)]
    )
    blotch, fine = fractal_noise(rng, size, 2.2), fractal_noise(rng, size, 0.8, 0.03)
    color = np.asarray(base * (0.8 + 0.2 * blotch[..., None] + 0.05 * fine[..., None]), np.float32)
    marks = 0.5 * scratches(rng, size, int(rng.integers(0, 25))) + 0.6 * drips(rng, size, int(rng.integers(0, 10)))
    return mix(color, (0.12, 0.1, 0.08), np.minimum(marks, 1) * 0.5), fine


def painted_floor(rng: np.random.Generator, size: int) -> tuple[Color, Gray]:
    """Coated floor, worn through in places."""
    paint = np.array([(0.18, 0.2, 0.2), (0.3, 0.31, 0.3), (0.08, 0.16, 0.12), (0.2, 0.05, 0.035)][rng.integers(4)])
    bare, height = concrete(rng, size)
    broken = fractal_noise(rng, size, 1.0, 0.2) * 0.7 + 0.3 * fractal_noise(rng, size, 0.3, 0.03)
    wear = 0.85 * smooth_threshold(np.asarray(broken, np.float32), rng.uniform(0.68, 0.95), 0.12)
    wear = np.maximum(wear, 0.6 * scratches(rng, size, 40, 0.06))
    grime = fractal_noise(rng, size, 2.0)[..., None]
    coat = np.asarray(paint * (0.7 + 0.4 * grime), np.float32)
    return mix(coat, bare, wear), height * wear


def steel_sheet(rng: np.random.Generator, size: int) -> tuple[Color, Gray]:
    """Bench top of sheet steel or stainless: brushed, scratched, stained."""
    brushed = fractal_noise(rng, size, 0.8, 0.3, stretch=0.03)
    base = rng.uniform(0.35, 0.62)
    color = tint(brushed, (base * 0.75,) * 3, (base, base, base * 1.01))
    stain = smooth_threshold(fractal_noise(rng, size, 2.0), 0.6, 0.9)
    color = color * (1 - 0.2 * stain[..., None] * np.array([0.8, 0.95, 1.0], np.float32))
    marks = scratches(rng, size, 60)
    return (color * (1 + 0.25 * marks[..., None])).astype(np.float32), brushed * 0.2 - marks * 0.3


def profiled_sheet(rng: np.random.Generator, size: int) -> tuple[Color, Gray]:
    """Coated trapezoidal sheet: upright ribs, some dirt running down, screws."""
    ribs = int(rng.choice([4, 5, 8]))
    phase = (np.arange(size) * ribs / size) % 1.0
    height = np.tile(np.clip(np.minimum(phase, 1 - phase) * 8 - 0.8, 0, 1).astype(np.float32), (size, 1))
    base = np.array([(0.5, 0.51, 0.5), (0.3, 0.33, 0.34), (0.42, 0.4, 0.34), (0.2, 0.25, 0.24)][rng.integers(4)])
    runs = drips(rng, size, int(rng.integers(0, 14)))
    dirt = fractal_noise(rng, size, 1.8)
    color = np.asarray(base * (0.85 + 0.2 * dirt[..., None]), np.float32)
    return mix(color, (0.12, 0.1, 0.08), 0.35 * runs), cv2.GaussianBlur(height, (0, 0), size / 250)


def rubber_mat(rng: np.random.Generator, size: int) -> tuple[Color, Gray]:
    """Black mat with round studs."""
    count = int(rng.choice([14, 18, 24]))
    step = size / count
    height = np.zeros((size, size), np.float32)
    for row in range(count):
        for column in range(count):
            center = (round((column + 0.5) * step * 16), round((row + 0.5) * step * 16))
            cv2.circle(height, center, round(step * 0.3 * 16), 1.0, -1, cv2.LINE_AA, 4)
    dust = fractal_noise(rng, size, 1.8)
    return tint(dust, (0.012, 0.012, 0.013), (0.07, 0.065, 0.06)), cv2.GaussianBlur(height, (0, 0), size / 600)


def grass(rng: np.random.Generator, size: int) -> tuple[Color, Gray]:
    """Short worn grass and soil."""
    blades = fractal_noise(rng, size, 0.3, 0.03, stretch=0.4)
    soil = smooth_threshold(fractal_noise(rng, size, 1.8), 0.55, 0.25)
    green = tint(blades, (0.02, 0.04, 0.008), (0.16, 0.22, 0.06))
    earth = tint(blades, (0.06, 0.04, 0.025), (0.2, 0.14, 0.09))
    return mix(green, earth, soil), blades
