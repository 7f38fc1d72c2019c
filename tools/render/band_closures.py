"""Closures of a clamp band: lugs, cast ears, T-bolt trunnions or a saddle, each with one bolt."""

import numpy as np

from tools.render.draws import between
from tools.render.fasteners import head, nearest_size, thread_diameter
from tools.render.outlines import rounded_rectangle
from tools.render.pieces import Pieces, piece, together
from tools.render.pump_shape import JointShape
from tools.render.solids import Mesh, box, drum, join, placed, pose, prism, shifted


def closure(shape: JointShape, radius: float, half: float, angle: float) -> tuple[Pieces, Mesh]:
    """One closure and the body that cuts its gap out of the band, both in the chamber frame.

    Args:
        shape: band; its bolt system and size give the closure's bolt.
        radius: of the band's crest, mm.
        half: half of the band's width, mm.
        angle: from "up", counter-clockwise seen from outside, radians.
    """
    system = shape.bolt_system
    size = shape.bolt_size or nearest_size(system, 0.55 * half)
    thread = thread_diameter(system, size)
    gap, rise = 1.4 * thread, 2.3 * thread
    build, wide = _LUGS.get(shape.closure), half
    if build is None:
        rng = np.random.default_rng([shape.form, 6])
        build = (_plates, _ears, _t_bolt)[int(rng.integers(3))]
        gap, rise, wide = gap * between(rng, 0.7, 1.8), rise * between(rng, 0.75, 1.7), half * between(rng, 0.5, 1.25)
    lugs, span, bolt_y = build(gap, rise, wide, shape.band_mm, thread)
    here = shifted(turn=angle) @ shifted(y=radius)
    parts = [piece(placed(join(lugs), here), "clamp_band", "band")]
    along = pose((span / 2.0, bolt_y, 0.0), (1.0, 0.0, 0.0), (0.0, 0.0, 1.0))
    against = pose((-span / 2.0, bolt_y, 0.0), (-1.0, 0.0, 0.0), (0.0, 0.0, 1.0))
    shank = placed(drum(0.47 * thread, -span - 0.5, 0.5, 0.0, 24), along)
    bolt = join(
        [
            placed(head("nut_stud_washer", system, size).mesh, along),
            placed(head("hex", system, size).mesh, against),
            shank,
        ]
    )
    parts.append(piece(placed(bolt, here), "bolt", "fastener"))
    cutter = box((gap, 4.0 * half + 20.0, 4.0 * half), 0.1, 0.0)
    return together(parts), placed(cutter, here)


def _plates(gap: float, rise: float, half: float, thick: float, thread: float) -> tuple[list[Mesh], float, float]:
    wall = max(1.3 * thick, 0.45 * thread)
    outline = rounded_rectangle(1.5 * half, rise + half, 0.35 * half)
    plates = []
    for side in (-1.0, 1.0):
        middle = side * (gap + wall) / 2.0
        matrix = pose((middle - wall / 2.0, (rise - half) / 2.0, 0.0), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0))
        plates.append(placed(prism(outline, 0.0, wall, 0.12 * wall), matrix))
    return plates, gap + 2.0 * wall, 0.52 * rise


def _ears(gap: float, rise: float, half: float, thick: float, thread: float) -> tuple[list[Mesh], float, float]:
    """Cast ears: a thick lug with a gusset running down onto the band."""
    wall = 1.1 * thread
    ears = []
    for side in (-1.0, 1.0):
        near, far, tail = side * gap / 2.0, side * (gap / 2.0 + wall), side * (gap / 2.0 + 3.4 * wall)
        outline = np.array(
            [
                (near, -0.8 * half),
                (tail, -0.8 * half),
                (tail, -0.25 * thick),
                (far, 0.92 * rise),
                (near, rise),
            ]
        )
        if side < 0.0:
            outline = outline[::-1]
        ears.append(prism(outline, -0.72 * half, 0.72 * half, 0.08 * half))
    return ears, gap + 2.0 * wall, 0.55 * rise


def _t_bolt(gap: float, rise: float, half: float, thick: float, thread: float) -> tuple[list[Mesh], float, float]:
    """Trunnion barrels lying across the band, each held by a loop of the band."""
    barrel = 0.95 * thread
    bodies = []
    for side in (-1.0, 1.0):
        middle = side * (gap / 2.0 + 1.4 * barrel)
        bodies.append(placed(drum(barrel, -0.9 * half, 0.9 * half, 0.15 * barrel, 40), shifted(middle, 0.9 * barrel)))
        loop = drum(barrel + thick, -0.6 * half, 0.6 * half, 0.1 * thick, 40)
        bodies.append(placed(loop, shifted(middle, 0.9 * barrel)))
        bodies.append(
            box(
                (3.2 * barrel, 1.1 * thick, 1.2 * half),
                0.1 * thick,
                0.1 * thick,
                (middle + side * 1.5 * barrel, 0.35 * thick, 0.0),
            )
        )
    return bodies, gap + 4.9 * barrel + 2.0 * thick, 0.9 * barrel


def _saddle(gap: float, rise: float, half: float, thick: float, thread: float) -> tuple[list[Mesh], float, float]:
    """Two square posts joined by a bridge under the bolt."""
    wall = 0.9 * thread
    posts = [
        box(
            (wall, rise + half, 1.2 * half),
            0.2 * wall,
            0.1 * half,
            (side * (0.9 * gap + wall) / 1.0, (rise - half) / 2.0, 0.0),
        )
        for side in (-1.0, 1.0)
    ]
    bridge = box((3.2 * gap + 2.0 * wall, 0.8 * thick, 1.5 * half), 0.3 * thick, 0.1 * half, (0.0, 0.55 * thick, 0.0))
    return [*posts, bridge], 1.8 * gap + 3.0 * wall, 0.62 * rise


_LUGS = {"lugs": _plates, "ears": _ears, "t_bolt": _t_bolt, "saddle": _saddle}
