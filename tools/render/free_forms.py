"""Forms drawn at random: outlines from round over superelliptic to polygonal, bodies that change along their length.

The free shape kinds (`pump_shape_kinds`) are made of these, so that no two pumps show the same form of a part.
"""

import zlib
from dataclasses import dataclass

import numpy as np

from tools.render.draws import between
from tools.render.outlines import Points
from tools.render.pump_shape import PumpShape
from tools.render.solids import Mesh, loft

CORNERS = 48
"""Corners of a free outline, the same for all so that one can be lofted into another."""


def form_rng(shape: PumpShape, part: str) -> np.random.Generator:
    """The random source of one part's form: from the shape alone, so a shape is one and the same pump."""
    return np.random.default_rng([shape.seed, zlib.crc32(part.encode())])


def free_outline(rng: np.random.Generator, least_power: float = 1.7, leaning: float = 0.25) -> Points:
    """(CORNERS, 2) outline that fills the square from -1 to 1, counter-clockwise, the same left and right.

    Args:
        rng: random source.
        least_power: of the superellipse; 2 is a circle, 9 nearly a square.
        leaning: how much narrower top or bottom may be.
    """
    angles = (np.arange(CORNERS) + 0.5) * 2.0 * np.pi / CORNERS
    upper, lower = np.exp(rng.uniform(np.log(least_power), np.log(9.0), 2))
    if rng.random() < 0.6:
        lower = upper
    power = np.where(np.sin(angles) > 0.0, upper, lower)
    x, y = (np.sign(v) * np.abs(v) ** (2.0 / power) for v in (np.cos(angles), np.sin(angles)))
    if rng.random() < 0.25:
        x, y = _polygon(rng, angles)
    if rng.random() < 0.35:
        x = x * (1.0 + between(rng, -leaning, leaning) * y)
    return np.column_stack([x / np.abs(x).max(), y / np.abs(y).max()])


def _polygon(rng: np.random.Generator, angles: Points) -> tuple[Points, Points]:
    """A polygon of five to seven sides, rounded by a circle; a side or a corner up."""
    part = 2.0 * np.pi / int(rng.integers(5, 8))
    turn = np.pi / 2.0 + (0.5 * part if rng.random() < 0.5 else 0.0)
    straight = np.cos(part / 2.0) / np.cos((angles - turn) % part - part / 2.0)
    sharp = between(rng, 0.4, 1.0)
    radius = (1.0 - sharp) + sharp * straight
    return radius * np.cos(angles), radius * np.sin(angles)


@dataclass(frozen=True, eq=False)
class Course:
    """How an outline changes along a body.

    Attributes:
        along: (K,) places from -1 to 1, rising.
        wide, tall: (K,) factors of the outline's two axes, at most 1.
        blend: (K,) share of the second outline.
    """

    along: Points
    wide: Points
    tall: Points
    blend: Points


def free_course(rng: np.random.Generator, deepest: float, bevel: float = 0.04) -> Course:
    """A smooth or stepped course, often the same at both ends, with beveled ends.

    Args:
        rng: random source.
        deepest: largest share by which the outline may narrow.
        bevel: share by which the end faces are smaller, and its share of the half length.
    """
    even = rng.random() < 0.65
    make = _waves if rng.random() < 0.6 else _steps
    along, wide, tall = make(rng, even)
    wide, tall = (1.0 - between(rng, 0.0, deepest) * values for values in (wide, tall))
    low, high = 1.0 - bevel, -1.0 + bevel
    along = np.clip(along, high, low)
    along = np.concatenate([[-1.0], along, [1.0]])
    wide, tall = (np.concatenate([v[:1] * (1.0 - bevel), v, v[-1:] * (1.0 - bevel)]) for v in (wide, tall))
    blend = np.clip(0.5 + between(rng, 0.3, 1.0) * along, 0.0, 1.0) if not even else np.abs(along)
    return Course(along, wide, tall, blend)


def _waves(rng: np.random.Generator, even: bool) -> tuple[Points, Points, Points]:
    """Places and, for both axes, a wave between 0 and 1."""
    along = np.linspace(-1.0, 1.0, 15)
    waves = []
    for _ in range(2):
        phase = float(rng.choice([0.0, np.pi])) if even else between(rng, 0.0, 2.0 * np.pi)
        waves.append(0.5 - 0.5 * np.cos(between(rng, 0.5, 2.2) * np.pi * along + phase))
    return along, waves[0], waves[1]


def _steps(rng: np.random.Generator, even: bool) -> tuple[Points, Points, Points]:
    """Places and, for both axes, levels between 0 and 1 with short slopes between them."""
    count = int(rng.integers(2, 5))
    edges = np.sort(rng.uniform(0.1, 0.9, count - 1)) if even else np.sort(rng.uniform(-0.85, 0.85, count - 1))
    half_slope = between(rng, 0.01, 0.05)
    along = np.concatenate([[0.0 if even else -1.0], np.repeat(edges, 2), [1.0]])
    along[1:-1] += np.tile([-half_slope, half_slope], count - 1)
    along = np.maximum.accumulate(along)
    levels = [np.repeat(rng.uniform(0.0, 1.0, count), 2) for _ in range(2)]
    if even:
        along = np.concatenate([-along[:0:-1], along])
        levels = [np.concatenate([v[:0:-1], v]) for v in levels]
    return along, levels[0], levels[1]


def free_body(
    rng: np.random.Generator, half_x: float, half_y: float, low: float, high: float, deepest: float = 0.3
) -> Mesh:
    """A body along z from `low` to `high` that keeps within the half sizes, mm."""
    first = free_outline(rng)
    last = free_outline(rng) if rng.random() < 0.4 else first
    return lofted(first, last, free_course(rng, deepest), half_x, half_y, low, high)


def lofted(
    first: Points, last: Points, course: Course, half_x: float, half_y: float, low: float, high: float
) -> Mesh:  # fmt: skip
    """Skins outlines (CORNERS, 2) along z as the course says, from `low` to `high`, mm."""
    sections = []
    for t, wide, tall, share in zip(course.along, course.wide, course.tall, course.blend, strict=True):
        flat = ((1.0 - share) * first + share * last) * (half_x * wide, half_y * tall)
        sections.append(np.column_stack([flat, np.full(CORNERS, low + 0.5 * (t + 1.0) * (high - low))]))
    return loft(sections)


def slab(outline: Points, half_x: float, half_y: float, low: float, high: float, bevel: float) -> Mesh:
    """A straight body over a free outline (CORNERS, 2), from `low` to `high` along z, mm.

    `bevel` is the share by which its end faces are smaller.
    """
    along = np.array([-1.0, -0.7, 0.7, 1.0])
    factors = np.array([1.0 - bevel, 1.0, 1.0, 1.0 - bevel])
    return lofted(outline, outline, Course(along, factors, factors, np.zeros(4)), half_x, half_y, low, high)
