"""Pictures of floors, bench tops and walls: color and height, tiling without a seam, from one random generator each.

Heights in 0..1 feed the bump map. Row 0 is v = 0.
"""

import cv2
import numpy as np

from tools.render.textures import (
    Color,
    Gray,
    blurred,
    drips,
    fractal_noise,
    mix,
    resized,
    scratches,
    smooth_threshold,
    speckles,
    tint,
)


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
    return (color * (0.7 + 0.6 * grain)).astype(np.float32), blurred(height, 1.5)


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
    joint, color = resized(joint, size, size), resized(color, size, size)
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
    height = blurred(height, size / 500)
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
    return color, blurred(height, size / 500) + 0.2 * grain


def plaster(rng: np.random.Generator, size: int) -> tuple[Color, Gray]:
    """A painted wall, often two-colored shop paint worn and stained."""
    base = np.array(
        [(0.6, 0.58, 0.53), (0.7, 0.7, 0.7), (0.35, 0.42, 0.44), (0.5, 0.48, 0.3), (0.25, 0.33, 0.28)][rng.integers(5)]
    )
    blotch, fine = fractal_noise(rng, size, 2.2), fractal_noise(rng, size, 0.8, 0.03)
    color = np.asarray(base * (0.8 + 0.2 * blotch[..., None] + 0.05 * fine[..., None]), np.float32)
    marks = 0.5 * scratches(rng, size, int(rng.integers(0, 25))) + 0.6 * drips(rng, size, int(rng.integers(0, 10)))
    return mix(color, (0.12, 0.1, 0.08), np.asarray(np.minimum(marks, 1) * 0.5, np.float32)), fine


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
    return mix(color, (0.12, 0.1, 0.08), 0.35 * runs), blurred(height, size / 250)


def pavers(rng: np.random.Generator, size: int) -> tuple[Color, Gray]:
    """Rectangular concrete pavers in a running bond, sand in the joints."""
    rows = int(rng.choice([6, 8]))
    columns = rows // 2
    base = rng.uniform(0.2, 0.34) * np.array([1.0, rng.uniform(0.9, 1.0), rng.uniform(0.8, 1.0)])
    color = np.empty((size, size, 3), np.float32)
    height = np.ones((size, size), np.float32)
    joint = max(2, size // 150)
    for row in range(rows):
        y0, y1 = row * size // rows, (row + 1) * size // rows
        for column in range(columns):
            x0 = int((column + 0.5 * (row % 2)) * size / columns)
            color[y0:y1, np.arange(x0, x0 + size // columns + 1) % size] = base * rng.uniform(0.82, 1.15)
            height[y0:y1, np.arange(x0, x0 + joint) % size] = 0
        height[y0 : y0 + joint] = 0
    grain = fractal_noise(rng, size, 0.5, 0.04)[..., None]
    dirt = fractal_noise(rng, size, 2.0)[..., None]
    color = mix(np.asarray(color * (0.65 + 0.35 * grain + 0.25 * dirt), np.float32), (0.16, 0.14, 0.11), 1 - height)
    return color, blurred(height, size / 400) + 0.15 * grain[..., 0]


def terrazzo(rng: np.random.Generator, size: int) -> tuple[Color, Gray]:
    """Polished floor of stone chips in cement, worn paths in it."""
    base = rng.uniform(0.28, 0.5)
    color = np.full((size, size, 3), base, np.float32)
    for radius in np.minimum(rng.lognormal(np.log(0.003), 0.5, size * size // 150), 0.01) * size:
        shade = base * rng.uniform(0.45, 1.5) * np.array([1.0, rng.uniform(0.9, 1.0), rng.uniform(0.8, 1.0)])
        center = (int(rng.integers(size)), int(rng.integers(size)))
        axes = (max(1, round(radius)), max(1, round(radius * rng.uniform(0.5, 1))))
        angle = float(rng.uniform(0, 180))
        cv2.ellipse(color, center, axes, angle, 0, 360, np.minimum(shade, 0.75).tolist(), -1, cv2.LINE_AA)
    dirt = fractal_noise(rng, size, 2.2)[..., None]
    return np.asarray(color * (0.7 + 0.3 * dirt), np.float32), np.zeros((size, size), np.float32)


def formed_concrete(rng: np.random.Generator, size: int) -> tuple[Color, Gray]:
    """A fair-faced concrete wall: panel joints, tie holes, runs of water."""
    blotch, fine = fractal_noise(rng, size, 2.2), fractal_noise(rng, size, 0.6, 0.04)
    base = float(rng.uniform(0.25, 0.45))
    color = tint(0.7 * blotch + 0.3 * fine, (base * 0.75, base * 0.74, base * 0.72), (base * 1.05, base * 1.04, base))
    height = np.ones((size, size), np.float32)
    line = max(1, size // 300)
    height[:line], height[:, :line] = 0, 0
    height[size // 2 : size // 2 + line] = 0
    for x in (0.2, 0.8):
        for y in (0.12, 0.38, 0.62, 0.88):
            cv2.circle(height, (round(x * size), round(y * size)), max(2, size // 110), 0.0, -1, cv2.LINE_AA)
    runs = drips(rng, size, int(rng.integers(2, 14)))
    color = mix(color * (0.45 + 0.55 * height[..., None]), (0.1, 0.095, 0.085), 0.3 * runs)
    return color, height + 0.1 * fine


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
    return tint(dust, (0.012, 0.012, 0.013), (0.07, 0.065, 0.06)), blurred(height, size / 600)


def grass(rng: np.random.Generator, size: int) -> tuple[Color, Gray]:
    """Short worn grass and soil."""
    blades = fractal_noise(rng, size, 0.3, 0.03, stretch=0.4)
    soil = smooth_threshold(fractal_noise(rng, size, 1.8), 0.55, 0.25)
    green = tint(blades, (0.02, 0.04, 0.008), (0.16, 0.22, 0.06))
    earth = tint(blades, (0.06, 0.04, 0.025), (0.2, 0.14, 0.09))
    return mix(green, earth, soil), blades
