"""Round parts of random form: cover profiles, band sections, rim outlines, threaded bosses; for training only.

What a truth is measured on stays what it is: the cover is as high as told, the joint's round edge lies on its radius.
"""

import numpy as np

from tools.render.draws import between
from tools.render.outlines import Points, rounded_polyline, segments_for

LEAST_GAP = 0.035
"""Least distance of a profile's corners along the radius, as a share of it."""
ON_EDGE_MM = 0.01
"""Within this the radius is the full one."""
LEAST_ROUND = 0.45
"""Least share of a rim that lies on its full radius."""


def free_profile(form: int, r: float, h: float) -> Points:
    """(N, 2) a dish through random corners, from the axis to (r, 0); its highest point is h."""
    rng = np.random.default_rng([form, 1])
    radii = np.sort(rng.uniform(0.08, 0.96, int(rng.integers(2, 8))))
    radii = radii[np.concatenate([[True], np.diff(radii) > LEAST_GAP])]
    power, rough = float(np.exp(rng.uniform(np.log(0.9), np.log(5.0)))), between(rng, 0.0, 0.35)
    heights = 1.0 - radii**power + rough * rng.uniform(-1.0, 1.0, len(radii)) * (1.0 - radii)
    middle = heights[0] if rng.random() < 0.6 else heights[0] + between(rng, -0.3, 0.3)
    heights = np.clip(np.concatenate([[middle], heights]), 0.1, None)
    heights = np.maximum(heights / heights.max(), 0.12)
    corners = np.column_stack([np.concatenate([[0.0], radii, [1.0]]), np.concatenate([heights, [0.0]])])
    rounding = float(np.exp(rng.uniform(np.log(0.02), np.log(0.3))))
    line = rounded_polyline(corners * (r, h), rounding * r, 6)
    # Rounding takes off the tip; the dish is as high as it is told to be.
    return line * (1.0, h / line[:, 1].max())


def free_section(form: int, radius: float, half: float, thick: float) -> tuple[Points, float]:
    """(N, 2) closed section of a band, and the front-most z at which it reaches its full radius."""
    rng = np.random.default_rng([form, 2])
    crest, drop = between(rng, 0.05, 0.85) * half, max(between(rng, 0.25, 1.1) * half, 2.2 * thick)
    count = int(rng.integers(0, 4))
    z = np.concatenate([[crest], np.sort(rng.uniform(crest + 0.02 * half, 0.98 * half, count)), [half]])
    fall = np.concatenate([[0.0], np.sort(rng.uniform(0.0, 1.0, count)), [1.0]])
    outer = np.column_stack([radius - drop * fall, z])
    if rng.random() < 0.5:
        outer = rounded_polyline(np.concatenate([[(radius, 0.0)], outer]), between(rng, 0.05, 0.6) * half, 5)[1:]
        outer[0, 0] = radius
    crest = float(outer[outer[:, 0] > radius - ON_EDGE_MM, 1].max())
    side = np.concatenate([outer[::-1] * (1.0, -1.0), outer])
    return np.concatenate([side, side[::-1] * (1.0, 0.84) - (thick, 0.0)]), crest


def free_rim(form: int, radius: float, flat_share: float, bolt_count: int, clock_rad: float) -> Points:
    """(N, 2) outline on the radius with flats or hollows cut in, none deeper than `flat_share` of the radius leaves."""
    rng = np.random.default_rng([form, 3])
    per_bolt = rng.random() < 0.5
    count = max(bolt_count, 1) if per_bolt else int(rng.integers(1, 9))
    start = clock_rad + (np.pi / count if rng.random() < 0.7 else 0.0)
    if not per_bolt:
        start = float(rng.choice([0.0, np.pi / 2.0, between(rng, 0.0, 2.0 * np.pi)]))
    wide, sharp = between(rng, 0.12, 1.0 - LEAST_ROUND), float(np.exp(rng.uniform(np.log(0.35), np.log(3.0))))
    steps = max(segments_for(radius), 16 * count)
    angles = np.arange(steps) * 2.0 * np.pi / steps
    # 0 in the middle of a cut, 1 halfway between two.
    away = np.abs(((angles - start) * count / (2.0 * np.pi) + 0.5) % 1.0 - 0.5) * 2.0
    deep = np.clip(1.0 - away / wide, 0.0, 1.0) ** sharp
    r = radius * (1.0 - (1.0 - flat_share) * deep)
    turned = angles + np.pi / 2.0
    return np.column_stack([r * np.cos(turned), r * np.sin(turned)])


def free_boss_outline(form: int, outer: float) -> Points:
    """(N, 2) outline of a threaded boss within a radius: of any number of sides or lobes, rounded more or less."""
    rng = np.random.default_rng([form, 4])
    sides, sharp = int(rng.integers(3, 13)), between(rng, 0.1, 1.0)
    angles = np.arange(96) * 2.0 * np.pi / 96
    part = 2.0 * np.pi / sides
    turn = part * between(rng, 0.0, 1.0)
    straight = max(np.cos(part / 2.0), 0.8) / np.cos(np.arccos(max(np.cos(part / 2.0), 0.8)) * (
        2.0 * ((angles - turn) / part % 1.0) - 1.0))  # fmt: skip
    r = outer * ((1.0 - sharp) + sharp * straight)
    return np.column_stack([r * np.cos(angles), r * np.sin(angles)])
