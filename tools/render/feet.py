"""Feet with their mounting holes: plate, stamped, molded, rails, splayed legs, pedestals, a free form. Pump frame."""

import numpy as np

from tools.render.free_feet import free_feet
from tools.render.manifolds import Run
from tools.render.outlines import Points, circle, rounded_rectangle
from tools.render.pieces import Pieces, piece
from tools.render.pump_shape import PumpShape
from tools.render.solids import Mesh, box, clear_of, cut, drum, join, loft, placed, prism, shifted


def feet(shape: PumpShape, run: Run, passage: Mesh | None) -> Pieces:
    """The feet of one pump, standing on z = 0.

    Args:
        shape: kinds and sizes; the holes lie at (+-long/2, +-short/2).
        run: the inlet manifold's lay.
        passage: what an open suction port clears out of posts that reach into the run.
    """
    bodies = _FEET[shape.feet.kind](shape, run)
    if passage is not None:
        bodies = clear_of(passage, bodies)
    return piece(join(bodies), "feet", "wetted")


def hole_places(shape: PumpShape) -> Points:
    """(4, 2) centers of the mounting holes."""
    f = shape.feet
    return 0.5 * np.array([(sx * f.spacing_long_mm, sy * f.spacing_short_mm) for sx in (-1, 1) for sy in (-1, 1)])


def _hole_tools(shape: PumpShape, places: Points) -> list[Mesh]:
    f = shape.feet
    outline = circle(f.hole_mm / 2.0, 32)
    if f.slotted:
        outline = outline + np.where(outline[:, :1] >= 0.0, 1.0, -1.0) * (0.5 * f.hole_mm, 0.0)
    tool = prism(outline, -1.0, f.thickness_mm + 1.0)
    return [placed(tool, shifted(x, y)) for x, y in places]


def _post(x: float, y: float, half_x: float, half_y: float, low: float, high: float, flare: float = 1.25) -> Mesh:
    """A drafted post with rounded corners."""
    top = rounded_rectangle(2 * half_x, 2 * half_y, 0.3 * min(half_x, half_y), 4)
    sections = [
        np.column_stack([top * scale + (x, y), np.full(len(top), z)])
        for scale, z in ((flare, low), (1.0, 0.5 * (low + high)), (1.0, high))
    ]
    return loft(sections)


def _plate(shape: PumpShape, run: Run) -> list[Mesh]:
    f = shape.feet
    edge = 1.6 * f.hole_mm
    outline = rounded_rectangle(f.spacing_long_mm + 2 * edge, f.spacing_short_mm + 2 * edge, 0.8 * edge)
    plate = cut(prism(outline, 0.0, f.thickness_mm, 0.15 * f.thickness_mm), _hole_tools(shape, hole_places(shape)))
    return [plate, *_posts_to_run(shape, run)]


def _posts_to_run(shape: PumpShape, run: Run) -> list[Mesh]:
    half = 0.6 * shape.manifold.pipe_radius_mm
    x = 0.55 * run.neck_x
    low = 0.6 * shape.feet.thickness_mm
    return [_post(s * x, 0.0, 0.7 * half, half, low, shape.inlet_z_mm) for s in (-1, 1)]


def _stamped(shape: PumpShape, run: Run) -> list[Mesh]:
    """Two bent sheets across the pump: a foot with holes, and a web up to the inlet manifold."""
    f = shape.feet
    sheet = max(0.35 * f.thickness_mm, 2.5)
    edge = 1.5 * f.hole_mm
    bodies: list[Mesh] = []
    for side in (-1.0, 1.0):
        x = side * f.spacing_long_mm / 2.0
        foot = prism(rounded_rectangle(2 * edge, f.spacing_short_mm + 2 * edge, 0.5 * edge), 0.0, sheet, 0.1 * sheet)
        places = np.array([(0.0, sy * f.spacing_short_mm / 2.0) for sy in (-1, 1)])
        bodies.append(placed(cut(foot, _hole_tools(shape, places)), shifted(x)))
        inner = x - side * (edge - sheet)
        lean = side * min(0.45 * run.neck_x, abs(inner)) if abs(inner) > 0.45 * run.neck_x else inner
        low_half, top_half = 0.5 * f.spacing_short_mm + 0.6 * edge, 0.95 * shape.manifold.pipe_radius_mm
        sections = []
        for x0, half, z in (
            (inner, low_half, 0.3 * sheet),
            (inner, low_half, 1.2 * sheet),
            (lean, top_half, shape.inlet_z_mm),
        ):
            sections.append(
                np.array(
                    [
                        (x0 - sheet / 2, -half, z),
                        (x0 + sheet / 2, -half, z),
                        (x0 + sheet / 2, half, z),
                        (x0 - sheet / 2, half, z),
                    ]
                )
            )
        bodies.append(loft(sections))
    return bodies


def _molded(shape: PumpShape, run: Run) -> list[Mesh]:
    """Four pads with gussets up to the inlet elbows."""
    f = shape.feet
    bodies: list[Mesh] = []
    pad = prism(
        rounded_rectangle(3.2 * f.hole_mm, 3.2 * f.hole_mm, 1.2 * f.hole_mm),
        0.0,
        f.thickness_mm,
        0.12 * f.thickness_mm,
    )
    pad = cut(pad, _hole_tools(shape, np.zeros((1, 2))))
    for x, y in hole_places(shape):
        bodies.append(placed(pad, shifted(x, y)))
        target = np.array([np.sign(x) * min(0.7 * run.neck_x, abs(x)), 0.0])
        bodies.append(
            _web(
                np.array([x, y]),
                target,
                1.5 * f.hole_mm,
                f.thickness_mm,
                0.6 * f.thickness_mm,
                shape.inlet_z_mm,
            )
        )
    bars = rounded_rectangle(2.2 * f.hole_mm, f.spacing_short_mm, 0.3 * f.hole_mm)
    bodies += [
        placed(
            prism(bars, 0.05 * f.thickness_mm, 0.9 * f.thickness_mm, 0.1 * f.thickness_mm),
            shifted(s * f.spacing_long_mm / 2.0),
        )
        for s in (-1, 1)
    ]
    return [
        *(_with_holes(shape, bodies)),
    ]


def _with_holes(shape: PumpShape, bodies: list[Mesh]) -> list[Mesh]:
    """Bodies that may cover a hole get it cut through as well."""
    tools = _hole_tools(shape, hole_places(shape))
    return [
        cut(body, tools) if body.bounds[0, 2] < shape.feet.thickness_mm and len(body.faces) < 3000 else body
        for body in bodies
    ]


def _web(foot: Points, target: Points, start: float, low: float, thick: float, top: float) -> Mesh:
    """A gusset from beside a foot's hole up to a point over `target`."""
    direction = (target - foot) / max(float(np.linalg.norm(target - foot)), 1e-6)
    across = np.array([-direction[1], direction[0]]) * thick / 2.0
    first, second = foot + start * direction, target
    sections = []
    for side in (-1.0, 1.0):
        corners = [
            (*(first + side * across), 0.4 * low),
            (*(second + side * across), 0.4 * low),
            (*(second + side * across), top),
            (*(first + side * across), 2.2 * low),
        ]
        sections.append(np.array(corners))
    return loft(sections)


def _rails(shape: PumpShape, run: Run) -> list[Mesh]:
    """Two rails along x with saddles."""
    f = shape.feet
    edge = 1.6 * f.hole_mm
    rails = [
        placed(
            prism(
                rounded_rectangle(f.spacing_long_mm + 2 * edge, 2.6 * f.hole_mm, 0.4 * f.hole_mm),
                0.0,
                1.4 * f.thickness_mm,
                0.2 * f.thickness_mm,
            ),
            shifted(y=s * f.spacing_short_mm / 2.0),
        )
        for s in (-1, 1)
    ]
    tools = [
        placed(drum(f.hole_mm / 2.0, -1.0, 2.0 * f.thickness_mm, 0.0, 32), shifted(x, y)) for x, y in hole_places(shape)
    ]
    cross = [
        box(
            (1.8 * f.thickness_mm, f.spacing_short_mm, 1.2 * f.thickness_mm),
            0.2 * f.thickness_mm,
            0.1 * f.thickness_mm,
            (s * 0.55 * run.neck_x, 0.0, 0.75 * f.thickness_mm),
        )
        for s in (-1, 1)
    ]
    return [*(cut(rail, tools) for rail in rails), *cross, *_posts_to_run(shape, run)]


def _splayed(shape: PumpShape, run: Run) -> list[Mesh]:
    """Four round legs leaning out from the inlet manifold to round pads."""
    f = shape.feet
    bodies: list[Mesh] = []
    for x, y in hole_places(shape):
        pad = cut(
            drum(1.9 * f.hole_mm, 0.0, f.thickness_mm, 0.15 * f.thickness_mm),
            _hole_tools(shape, np.zeros((1, 2))),
        )
        bodies.append(placed(pad, shifted(x, y)))
        target = np.array([np.sign(x) * min(0.6 * run.neck_x, abs(x)), 0.0, shape.inlet_z_mm])
        start = np.array([x, y, 0.5 * f.thickness_mm])
        inward = (target - start)[:2] / max(float(np.linalg.norm((target - start)[:2])), 1e-6)
        start[:2] += 1.35 * f.hole_mm * inward
        ring = circle(1.0, 24)
        sections = [
            np.column_stack([ring * r + p[:2], np.full(24, p[2])])
            for r, p in (
                (1.15 * f.hole_mm, start),
                (1.0 * f.hole_mm, 0.6 * start + 0.4 * target),
                (1.5 * f.hole_mm, target),
            )
        ]
        bodies.append(loft(sections))
    return bodies


def _pedestal(shape: PumpShape, run: Run) -> list[Mesh]:
    """Two cast pedestals under the inlet manifold, each with a broad drilled base and a window in its web."""
    f = shape.feet
    edge = 1.55 * f.hole_mm
    top_half = 1.05 * shape.manifold.pipe_radius_mm
    bodies: list[Mesh] = []
    for side in (-1.0, 1.0):
        x = side * f.spacing_long_mm / 2.0
        base = prism(
            rounded_rectangle(2 * edge, f.spacing_short_mm + 2 * edge, 0.6 * edge),
            0.0,
            f.thickness_mm,
            0.2 * f.thickness_mm,
        )
        places = np.array([(0.0, sy * f.spacing_short_mm / 2.0) for sy in (-1, 1)])
        bodies.append(placed(cut(base, _hole_tools(shape, places)), shifted(x)))
        top_x = side * min(0.7 * run.neck_x, abs(x))
        low_half = 0.5 * f.spacing_short_mm - 1.2 * f.hole_mm
        sections = []
        for x0, half, z in (
            (x, max(low_half, top_half), 0.5 * f.thickness_mm),
            (top_x, top_half, shape.inlet_z_mm),
        ):
            outline = rounded_rectangle(1.3 * edge, 2.0 * half, 0.3 * edge, 4)
            sections.append(np.column_stack([outline + np.array([x0, 0.0]), np.full(len(outline), z)]))
        bodies.append(loft(sections))
    return bodies


def _free(shape: PumpShape, run: Run) -> list[Mesh]:
    def drill(body: Mesh, places: Points) -> Mesh:
        return cut(body, _hole_tools(shape, places))

    return free_feet(shape, run.neck_x, hole_places(shape), drill)


_FEET = {
    "pedestal": _pedestal,
    "plate": _plate,
    "stamped": _stamped,
    "molded": _molded,
    "rails": _rails,
    "splayed": _splayed,
    "free_feet": _free,
}
