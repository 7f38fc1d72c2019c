"""Joints of the discharge manifold: to the chambers' necks, and within its bar."""

import numpy as np

from tools.other_pumps.hardware import head, heads_at, size_for, through_bolt
from tools.other_pumps.pipework import BarForm
from tools.other_pumps.plan import Plan
from tools.other_pumps.ports import LINING_MM
from tools.other_pumps.shapes import rounded_loop, slab, wavy_outline
from tools.render.outlines import Points, circle
from tools.render.pieces import Pieces, piece, together
from tools.render.solids import cut, drum, lathe, placed, pose

UP = np.array([0.0, 0.0, 1.0])


def pad_joint(
    plan: Plan,
    form: BarForm,
    x: float,
    plane_z: float,
    radius: float,
    instance: int,
    rng: np.random.Generator,
) -> Pieces:
    """Two plates or a band where a neck meets the manifold, on a level plane at `plane_z`."""
    t, at = form.pad_thick, np.array([x, plan.neck_y, plane_z])
    frame = pose(at, (0, 0, 1), (0, 1, 0))
    size = size_for(plan.chamber, 1)
    made = head(str(rng.choice(["hex", "hex_washer", "socket", "hex_flange"])), size)
    room = 0.6 * made.wide_mm + 1.0
    if form.pad == "band":
        section = [
            (0, -t),
            (radius + 0.5 * t, -t),
            (radius + 1.3 * t, -0.3 * t),
            (radius + 1.3 * t, 0.3 * t),
            (radius + 0.5 * t, t),
            (0, t),
        ]
        beside = at - np.array([0, radius + 2.0 * t, 0])
        ear = through_bolt(beside - np.array([t, 0, 0]), beside + np.array([t, 0, 0]), size, rng)
        lug = slab(
            rounded_loop([(-t, 0), (t, 0), (t, radius + 3.2 * t), (-t, radius + 3.2 * t)], 1.5), -0.7 * t, 0.7 * t, 0.6
        )
        frame_y = pose(at, (0, 0, 1), (0, -1, 0))
        return together(
            [
                piece(placed(lathe(section, 96), frame), "manifold", "band", instance),
                piece(placed(lug, frame_y), "manifold", "band", instance),
                ear,
            ]
        )
    if form.pad == "union":
        return _union(radius, t, frame, instance, rng)
    if form.pad == "oval":
        span = radius + room
        outline = _stadium(span, 0.55 * made.wide_mm + 2.0, radius + 0.8)
        bolts = np.array([(0.0, span), (0.0, -span)])
    elif form.pad == "square":
        half = radius + 0.35 * made.wide_mm + 1.0
        outline = rounded_loop([(-half, -half), (half, -half), (half, half), (-half, half)], 0.4 * half)
        bolts = np.array([(i * (half - room), j * (half - room)) for i in (-1, 1) for j in (-1, 1)]) * 1.0
        bolts *= max(1.0, (0.72 * radius + room) / max(half - room, 1.0) * 0.8)
    else:
        half = radius + 1.1 * made.wide_mm
        outline = circle(half, 96)
        turns = np.pi / 4 + np.arange(4) * np.pi / 2
        bolts = (half - room) * np.column_stack([np.cos(turns), np.sin(turns)])
    up = piece(placed(slab(outline, 0.15, t, 0.12 * t + 0.5, 0.4), frame), "manifold", "wetted", instance)
    down = piece(placed(slab(outline, -t, -0.15, 0.4, 0.12 * t + 0.5), frame), "manifold", "wetted", instance)
    places = np.column_stack([bolts, np.zeros(len(bolts))]) @ frame[:3, :3].T + at
    top = heads_at(made, places + t * UP, UP, np.array([1.0, 0, 0]), rng)
    low = heads_at(head("nut", size), places - t * UP, -UP, np.array([1.0, 0, 0]), rng)
    return together([up, down, top, low])


def _union(radius: float, t: float, frame: Points, instance: int, rng: np.random.Generator) -> Pieces:
    """A nut over a collar: six or eight flats, or round with knurls."""
    high, wide = float(rng.uniform(1.2, 2.6)) * t, radius + float(rng.uniform(0.3, 0.9)) * t
    sides = int(rng.choice([6, 8, 48]))
    if sides == 48:
        outline = wavy_outline(lambda a: wide + 0.12 * t * np.cos(24 * a))
    else:
        outline = circle(wide / np.cos(np.pi / sides), sides)
    nut = slab(outline, -0.4 * high, 0.6 * high, 0.12 * high)
    collar = slab(circle(radius + 0.25 * t, 64), -0.9 * high, -0.3 * high, 0.5)
    return together([piece(placed(m, frame), "manifold", "wetted", instance) for m in (nut, collar)])


def _stadium(span: float, end_r: float, waist: float) -> Points:
    """An oval plate for two bolts on the y axis."""
    corners = [
        (-waist, -0.4 * waist),
        (-end_r, -span - end_r),
        (end_r, -span - end_r),
        (waist, -0.4 * waist),
        (waist, 0.4 * waist),
        (end_r, span + end_r),
        (-end_r, span + end_r),
        (-waist, 0.4 * waist),
    ]
    return rounded_loop(corners, 0.8 * end_r, 6)


def split_joint(plan: Plan, form: BarForm, x: float, z: float, instance: int, rng: np.random.Generator) -> Pieces:
    """A ring flange pair or a small band round the bar where it is split, on a plane across x."""
    r, t, y0 = plan.pipe_r, 0.7 * form.pad_thick, plan.bar_y
    frame = pose((x, y0, z), (1, 0, 0))
    limit = plan.height - plan.outlet_z - 0.3
    outer = min(1.28 * r + 2.0, max(limit, 1.02 * r))
    # Within, the joint leaves room for a port's passage.
    open_r = 0.5 * plan.port.bore_mm + LINING_MM + 0.4
    if not plan.port.flanged:
        open_r = max(open_r, 0.5 * plan.port.major_mm + 0.8)
    if form.split == "bands":
        section = [(open_r, -t), (r, -t), (outer, -0.45 * t), (outer, 0.45 * t), (r, t), (open_r, t)]
        y = y0 - outer - 0.7 * t
        bolt = through_bolt(
            np.array([x, y, z - 0.8 * t]), np.array([x, y, z + 0.8 * t]), size_for(plan.chamber, 2), rng
        )
        ears = slab(
            rounded_loop([(-0.8 * t, 0), (0.8 * t, 0), (0.8 * t, outer + 2 * t), (-0.8 * t, outer + 2 * t)], 1.0),
            -0.6 * t,
            0.6 * t,
            0.5,
        )
        to_front = pose((x, y0, z), (1, 0, 0), (0, -1, 0))
        return together(
            [
                piece(placed(lathe(section, 96), frame), "manifold", "band", instance),
                piece(placed(ears, to_front), "manifold", "band", instance),
                bolt,
            ]
        )
    size = size_for(plan.chamber, 2)
    made = head("hex", size)
    span = r + 0.62 * made.wide_mm + 1.0
    outline = _stadium(span, 0.6 * made.wide_mm + 1.0, min(r + 1.5, outer))
    # The plate lies level, its bolts in front and behind.
    level = pose((x, y0, z), (1, 0, 0), (0, 1, 0))
    plates = [
        piece(
            placed(cut(slab(outline, a, b, 0.8), [drum(open_r, -99, 99, 0.0, 96)]), level),
            "manifold",
            "wetted",
            instance,
        )
        for a, b in ((-t, -0.15), (0.15, t))
    ]
    bolts = [
        through_bolt(np.array([x - t, y0 + s * span, z]), np.array([x + t, y0 + s * span, z]), size, rng)
        for s in (-1.0, 1.0)
    ]
    return together([*plates, *bolts])
