"""Feet: cast on to the inlet manifold, sheet brackets, rails or a tray, with their mounting holes."""

import numpy as np

from tools.other_pumps import fields as f
from tools.other_pumps.plan import Plan
from tools.other_pumps.shapes import rounded_loop, slab
from tools.other_pumps.stand_forms import LATER_STANDS
from tools.other_pumps.styles import LATER
from tools.other_pumps.surfaces import surface
from tools.render.draws import chance
from tools.render.outlines import Points
from tools.render.pieces import Pieces, piece, together
from tools.render.pump_model import MaterialSlot
from tools.render.solids import Mesh, box, cut, drum, placed, pose, shifted

STANDS = {
    "cast": ("legs", "blades", "bracket", "legs"),
    "molded": ("legs", "blades", "rails"),
    "turned": ("rails", "bracket", "tray"),
    "sheet": ("bracket", "tray", "rails"),
    "compact": ("blades", "legs", "bracket"),
}


def foot_holes(plan: Plan) -> Points:
    """(4, 2) x and y of the mounting holes."""
    a, b = (plan.foot_long, plan.foot_short) if plan.long_along_x else (plan.foot_short, plan.foot_long)
    return np.array([(i * a / 2, j * b / 2) for i in (-1, 1) for j in (-1, 1)])


def feet(plan: Plan, rng: np.random.Generator) -> tuple[Pieces, str]:
    """The stand under the inlet manifold."""
    later = LATER.get(plan.style)
    kind = str(rng.choice(later.stands if later else STANDS[plan.style]))
    hole = 0.022 * plan.chamber + 3.0
    if kind in LATER_STANDS:
        return LATER_STANDS[kind](plan, foot_holes(plan), hole, rng), kind
    if kind in ("legs", "blades"):
        body = _cast(plan, kind, rng)
        low = [placed(drum(hole / 2, -2, 0.028 * plan.chamber + 8.0, 0.0, 32), shifted(*at)) for at in foot_holes(plan)]
        return piece(cut(body, low), "feet", "wetted"), kind
    material: MaterialSlot = "band" if kind != "rails" or plan.style != "molded" else "wetted"
    meshes = _sheet(plan, kind, hole, rng)
    return together([piece(m, "feet", material) for m in meshes]), kind


def _cast(plan: Plan, kind: str, rng: np.random.Generator) -> Mesh:
    """Legs or blades that run out into the manifold's underside."""
    size, z, r = plan.chamber, plan.inlet_z, plan.pipe_r
    holes = foot_holes(plan)
    thick = float(rng.uniform(0.022, 0.03) * size + 4.0)
    pad = float(rng.uniform(0.05, 0.065) * size + 5.0)
    members = []
    for x, y in holes:
        members.append(f.drum((x, y, 0.0), (x, y, thick), pad, 0.25 * thick))
    if kind == "legs":
        for x, y in holes:
            top = np.sign(x) * min(abs(x), 0.9 * plan.neck_x)
            members.append(
                f.rod(
                    (x, 0.92 * y, 0.5 * thick),
                    (top, plan.bar_y + 0.2 * y, z - 0.55 * r),
                    0.8 * thick,
                    1.1 * thick,
                    flat=float(rng.uniform(0.6, 1.0)),
                )
            )
    else:
        for x in sorted({float(v) for v in holes[:, 0]}):
            wide = float(abs(holes[0, 1]))
            arch = float(rng.uniform(0.2, 0.5)) * wide
            line = [
                (-wide - pad * 0.7, 0.3),
                (-wide - 0.7 * pad, thick),
                (plan.bar_y - 0.8 * r, z),
                (plan.bar_y + 0.8 * r, z),
                (wide + pad * 0.7, thick),
                (wide + 0.7 * pad, 0.3),
                (arch, 0.3),
                (0.7 * arch, 0.35 * z),
                (-0.7 * arch, 0.35 * z),
                (-arch, 0.3),
            ]
            members.append(f.plate(line, 0, x - 0.7 * thick, x + 0.7 * thick, 0.3 * thick))
    body = f.blend(float(rng.uniform(0.03, 0.06) * size), *members)
    inner = f.rod((-plan.neck_x, plan.bar_y, z), (plan.neck_x, plan.bar_y, z), 0.6 * r)
    body = f.less(f.common(body, f.half_space(2, 0.0, -1.0)), inner)
    reach = np.abs(holes).max(axis=0) + pad + 2
    return surface(body, (-reach[0], -reach[1], 0.0), (reach[0], reach[1], z + 1), plan.cell)


def _sheet(plan: Plan, kind: str, hole: float, rng: np.random.Generator) -> list[Mesh]:
    size, z, r = plan.chamber, plan.inlet_z, plan.pipe_r
    holes = foot_holes(plan)
    t = float(rng.uniform(3.0, 5.0) + 0.004 * size)
    edge = float(0.06 * size + 6.0)
    x, y = np.abs(holes).max(axis=0)
    tools = [placed(drum(hole / 2, -2, 3 * t, 0.0, 32), shifted(*at)) for at in holes]
    if kind == "tray":
        flat = rounded_loop(
            [(-x - edge, -y - edge), (x + edge, -y - edge), (x + edge, y + edge), (-x - edge, y + edge)], 0.6 * edge
        )
        out = [cut(slab(flat, 0.0, t, 0.5), tools)]
        for s in (-1.0, 1.0):
            out.append(
                box(
                    (0.25 * size, t, max(z - 0.5 * r, 2 * t)),
                    2.0,
                    0.5,
                    (s * 0.8 * plan.neck_x, plan.bar_y + 0.3 * r, max(z - 0.5 * r, 2 * t) / 2),
                )
            )
            out.append(
                box(
                    (t, 1.7 * r, max(z - 0.6 * r, 2 * t)),
                    2.0,
                    0.5,
                    (s * 0.7 * plan.neck_x, plan.bar_y, max(z - 0.6 * r, 2 * t) / 2),
                )
            )
        return out
    if kind == "rails":
        high = max(0.45 * (z - r), 3 * t)
        out = []
        for s in (-1.0, 1.0):
            bar = box((2 * x + 2 * edge, 1.2 * edge, t), 2.0, 0.4, (0, s * y, t / 2))
            out.append(cut(bar, tools))
            out.append(box((2 * x + 2 * edge, t, high), 2.0, 0.4, (0, s * (y - 0.5 * edge), high / 2)))
        for s in (-1.0, 1.0):
            lift = z - 0.75 * r
            out.append(box((1.1 * edge, 2 * y, t), 2.0, 0.4, (s * 0.75 * plan.neck_x, 0, min(high, lift))))
            if lift > high:
                out.append(
                    box(
                        (1.0 * edge, 1.2 * r, lift - high + 2 * t),
                        2.0,
                        0.5,
                        (s * 0.75 * plan.neck_x, plan.bar_y, (lift + high) / 2),
                    )
                )
        return out
    out = []
    for s in (-1.0, 1.0):
        # A bent plate: foot strip, upright, and a saddle under the bar.
        strip = rounded_loop(
            [
                (s * x - 0.9 * edge, -y - edge),
                (s * x + 0.9 * edge, -y - edge),
                (s * x + 0.9 * edge, y + edge),
                (s * x - 0.9 * edge, y + edge),
            ],
            0.4 * edge,
        )
        out.append(cut(slab(strip, 0.0, t, 0.4), tools))
        tall = z - 0.2 * r
        at = s * min(x, 0.92 * plan.neck_x)
        wall = rounded_loop(
            [
                (-y - 0.6 * edge, 0.0),
                (y + 0.6 * edge, 0.0),
                (plan.bar_y + 0.95 * r, tall),
                (plan.bar_y - 0.95 * r, tall),
            ],
            0.3 * edge,
        )
        frame = pose((at, 0, 0), (1, 0, 0))
        plate = placed(slab(wall, -t / 2, t / 2, 0.4), frame)
        if chance(rng, 0.5) and tall > 6 * t:
            window = placed(drum(0.22 * tall, -2 * t, 2 * t, 0.0, 40), pose((at, 0, 0.42 * tall), (1, 0, 0)))
            plate = cut(plate, [window])
        out.append(plate)
    return out
