"""A manifold's run and necks of random form: sections that change along them; hub, rings, ridges and lumps on the run.

A run keeps within `TOP` radii of its middle line, and both within what clears the chamber joints.
"""

from collections.abc import Sequence

import numpy as np

from tools.render.draws import between
from tools.render.free_forms import CORNERS, form_rng, free_body, free_course, free_outline, lofted, slab
from tools.render.outlines import Points, bent_path, circle, divided, rounded_rectangle
from tools.render.pump_shape import PumpShape
from tools.render.solids import Mesh, drum, placed, pose, prism, shifted, sweep

TOP = 1.33
"""Highest reach over the middle line, in pipe radii."""


def free_run(shape: PumpShape, corners: Sequence[tuple[float, float, float]], with_hub: bool) -> list[Mesh]:
    """The run from neck to neck, in the manifold frame; both manifolds of a pump get one form.

    Args:
        shape: the pump.
        corners: four of the middle line: neck, above it, above the other, the other neck.
        with_hub: a body in the middle, around a center port's passage.
    """
    rng = form_rng(shape, "manifold")
    m, line_z = shape.manifold, corners[1][2]
    rp = m.pipe_radius_mm
    highest = 0.95 * (line_z - corners[0][2]) + 0.1
    bend = min(max(between(rng, 0.8, 1.5) * m.bend_mm, 1.15 * rp), highest)
    steps = int(rng.choice([2, 3, 12, 12, 12]))
    path = bent_path(corners, bend, steps)
    tall, wide = between(rng, 0.92, 1.04), between(rng, 0.92, 1.25)
    straight = corners[2][0] - bend
    over = rng.random() < 0.25
    bodies = _header(rng, shape, corners, tall * rp) if over else [_pipe(rng, path, tall * rp, wide * rp, rp)]
    if with_hub:
        bodies.append(placed(_hub(rng, rp), pose((0.0, 0.0, line_z), (0.0, 0.0, 1.0), (0.0, 1.0, 0.0))))
    if rng.random() < 0.5:
        bodies += _rings(rng, rp, min(straight, 0.6 * shape.joint_x_mm), line_z)
    if rng.random() < 0.45 and not over:
        bodies += _ridges(rng, path[steps // 2 + 1 : -steps // 2 - 1], path, tall * rp, wide * rp, rp)
    bodies += [_lump(rng, rp, straight, line_z) for _ in range(int(rng.choice([0, 0, 1, 2, 3])))]
    return bodies


def free_neck(shape: PumpShape, path: Points, side: float) -> Mesh:
    """The valve housing along its middle line (K, 3) from the manifold's joint into the dish; `side` mirrors it."""
    rng = form_rng(shape, "neck")
    line, share = divided(path, 17)
    away = share[:, None] ** between(rng, 0.3, 3.0)
    outlines = (1.0 - away[..., None]) * circle(1.0, CORNERS, np.pi / CORNERS)
    outlines = outlines + away[..., None] * free_outline(rng, 1.9, 0.1)
    wave = np.interp(share, np.linspace(0.0, 1.0, 5), rng.uniform(0.0, 1.0, 5))
    half = np.column_stack([1.02 - between(rng, 0.0, 0.12) * wave, 1.1 - between(rng, 0.0, 0.2) * wave])
    half = half * (1.0 + between(rng, 0.0, 0.2) * share[:, None] ** 3)
    half[:, 0] *= side
    half[:, 1] = np.minimum(half[:, 1], 1.02 + 2.0 * share)  # no wider than the joint where it meets it
    section = shape.manifold.neck_radius_mm * outlines[..., ::-1] * half[:, None, :]
    return sweep(line, section, up=(0.0, 1.0, 0.0))


def _pipe(rng: np.random.Generator, path: Points, tall_mm: float, wide_mm: float, rp: float) -> Mesh:
    """The pipe itself: one outline at the necks, another in the middle, swelling or slim there."""
    line, share = divided(path)
    place = np.abs(2.0 * share - 1.0)
    at_necks = circle(1.0, CORNERS, np.pi / CORNERS) if rng.random() < 0.6 else free_outline(rng, 1.8, 0.1)
    middle = free_outline(rng, 1.8, 0.1)
    away = (1.0 - place ** between(rng, 0.6, 6.0))[:, None]
    swell = between(rng, -0.06, 0.2) * np.exp(-((place / between(rng, 0.1, 0.6)) ** 2))
    neck_swell = between(rng, -0.06, 0.04) * np.exp(-(((1.0 - place) / 0.2) ** 2))
    half = np.column_stack([np.full(len(line), tall_mm), rp + away[:, 0] * (wide_mm - rp)])
    half = half * (1.0 + swell + neck_swell)[:, None]
    half[:, 0] = np.minimum(half[:, 0], TOP * rp)
    outlines = (1.0 - away[..., None]) * at_necks + away[..., None] * middle
    return sweep(line, outlines[..., ::-1] * half[:, None, :], up=(0.0, 1.0, 0.0))


def _header(
    rng: np.random.Generator, shape: PumpShape, corners: Sequence[tuple[float, float, float]], tall_mm: float
) -> list[Mesh]:  # fmt: skip
    """A straight roundish bar that ends over the necks, on a riser from each; in place of a bent pipe."""
    m, line_z = shape.manifold, corners[1][2]
    reach = corners[2][0] + between(rng, 0.95, 1.1) * m.neck_radius_mm
    outline = 0.5 * (free_outline(rng, 1.9, 0.1) + circle(1.0, CORNERS, np.pi / CORNERS))
    wide_mm = between(rng, 0.95, 1.2) * m.pipe_radius_mm
    bar = lofted(outline, outline, free_course(rng, 0.05), wide_mm, tall_mm, -reach, reach)
    along = pose((0.0, 0.0, line_z), (1.0, 0.0, 0.0))
    half = between(rng, 0.85, 1.05) * m.pipe_radius_mm
    riser = slab(free_outline(rng), half, half, corners[0][2], line_z, between(rng, -0.05, 0.0))
    return [placed(bar, along), *(placed(riser, shifted(x)) for x in (corners[0][0], corners[3][0]))]


def _hub(rng: np.random.Generator, rp: float) -> Mesh:
    """A drum or free body about the middle, wide enough for the port's passage; along x, y or z."""
    normal = np.eye(3)[int(rng.integers(3))]
    long = between(rng, 1.0, 1.8 if normal[0] else 1.3) * rp
    if rng.random() < 0.5:
        body = drum(between(rng, 1.08, 1.32) * rp, -long, long, between(rng, 0.05, 0.4) * rp)
    else:
        body = free_body(rng, between(rng, 1.18, 1.32) * rp, between(rng, 1.18, 1.32) * rp, -long, long, 0.1)
    return placed(body, pose((0.0, 0.0, 0.0), normal, (0.0, 1.0, 0.0) if not normal[1] else (0.0, 0.0, 1.0)))


def _rings(rng: np.random.Generator, rp: float, reach: float, line_z: float) -> list[Mesh]:
    """Pairs of collars on the straight piece, round or squarish."""
    half = between(rng, 0.05, 0.3) * rp
    radius = between(rng, 1.06, 1.3) * rp
    outline = circle(radius) if rng.random() < 0.7 else rounded_rectangle(2.0 * radius, 2.0 * radius, 0.4 * rp)
    ring = prism(outline, -half, half, between(rng, 0.1, 0.5) * half)
    places = rng.uniform(0.1, 1.0, int(rng.integers(1, 4))) * max(reach, 0.0)
    return [placed(ring, pose((side * x, 0.0, line_z), (1.0, 0.0, 0.0))) for x in places for side in (-1.0, 1.0)]


def _ridges(
    rng: np.random.Generator, upper: Points, path: Points, tall_mm: float, wide_mm: float, rp: float
) -> list[Mesh]:  # fmt: skip
    """Narrow bars along the run: over its back or on both its sides."""
    thick, stands = between(rng, 0.12, 0.5) * rp, between(rng, 0.08, 0.25) * rp
    if rng.random() < 0.55:
        bar = rounded_rectangle(2.0 * stands, thick, 0.3 * min(stands, thick), 3)
        over = upper + np.array([0.0, 0.0, tall_mm])
        apart = between(rng, 0.3, 0.6) * rp
        return [
            sweep(over + np.array([0.0, y, 0.0]), bar, up=(0.0, 1.0, 0.0))
            for y in ((0.0,) if rng.random() < 0.6 else (-apart, apart))
        ]
    bar = rounded_rectangle(thick, 2.0 * stands, 0.3 * min(stands, thick), 3)
    aside = max(wide_mm, rp)
    return [sweep(path + np.array([0.0, y, 0.0]), bar, up=(0.0, 1.0, 0.0)) for y in (-aside, aside)]


def _lump(rng: np.random.Generator, rp: float, straight: float, line_z: float) -> Mesh:
    """A boss on the top, front or back of the straight piece."""
    size = between(rng, 0.18, 0.5) * rp
    normal = np.array([(0.0, 0.0, 1.0), (0.0, 1.0, 0.0), (0.0, -1.0, 0.0)][int(rng.integers(3))])
    stands = between(rng, 1.05, TOP - 0.02) * rp
    spot = np.array([between(rng, -1.0, 1.0) * max(straight, 0.0), 0.0, line_z])
    return placed(drum(size, 0.0, stands, 0.15 * size), pose(spot, normal, (1.0, 0.0, 0.0)))
