"""Feet of the later styles: a plate on rubber pads, skids of tube, a pedestal, a trestle under the air section."""

from collections.abc import Callable

import numpy as np

from tools.other_pumps import fields as f
from tools.other_pumps.fields import Field
from tools.other_pumps.plan import Plan
from tools.other_pumps.shapes import rounded_loop, slab
from tools.other_pumps.surfaces import surface
from tools.render.draws import chance
from tools.render.outlines import Points
from tools.render.pieces import Pieces, piece, together
from tools.render.solids import box, cut, drum, placed, shifted, tube

Stand = Callable[[Plan, Points, float, np.random.Generator], Pieces]
"""Of the plan, its (4, 2) mounting holes and their diameter."""


def _drills(holes: Points, hole: float, high: float) -> list[Field]:
    return [f.drum((x, y, -5.0), (x, y, high), hole / 2, 0.1) for x, y in holes]


def _kept_free(plan: Plan) -> Field:
    """What a stand leaves to the inlet: the inside of the manifold, and the port with the room before it."""
    r = max(0.6 * plan.pipe_r, 0.5 * plan.port.bore_mm + 2.0)
    a, b = ((s * plan.neck_x, plan.bar_y, plan.inlet_z) for s in (-1.0, 1.0))
    t, reach, port = plan.toward[1], plan.reach[1], plan.port
    z, out = plan.inlet_z, t * (reach + 80.0)
    if not plan.center_port:
        return f.union(f.rod(a, b, r), f.rod(a, (out, plan.bar_y, z), r))
    back = t * (reach - (port.thick_mm if port.flanged else port.boss_mm) - 4.0)
    before = f.drum((0.0, back, z), (0.0, out, z), 0.5 * port.outer_mm + 3.0)
    return f.union(f.rod(a, b, r), f.rod((0.0, plan.bar_y, z), (0.0, out, z), r), before)


def _pads(plan: Plan, holes: Points, hole: float, rng: np.random.Generator) -> Pieces:
    """A plate on rubber pads, with posts or a block up to the manifold."""
    free = max(plan.inlet_z - plan.pipe_r, 8.0)
    edge = float(0.05 * plan.chamber + 6.0)
    high = min(float(rng.uniform(0.04, 0.09)) * plan.chamber, 0.5 * free)
    thick = min(float(rng.uniform(4.0, 9.0)), 0.4 * free)
    x, y = np.abs(holes).max(axis=0) + edge
    y = max(y, abs(plan.bar_y) + 0.6 * plan.pipe_r)
    plate = slab(
        rounded_loop([(-x, -y), (x, -y), (x, y), (-x, y)], float(rng.uniform(0.2, 0.9)) * edge), high, high + thick, 1.0
    )
    out = [
        piece(
            cut(plate, [placed(drum(hole / 2, -2, high + 2 * thick, 0, 32), shifted(*h)) for h in holes]),
            "feet",
            "band",
        )
    ]
    pad = tube(hole / 2, max(0.8 * edge, hole), 0.0, high, 1.2, 48)
    out += [piece(placed(pad, shifted(*h)), "feet", "rubber") for h in holes]
    top = plan.inlet_z - max(0.55 * plan.pipe_r, 0.5 * plan.port.bore_mm + 2.0)
    tall = max(top - high, 4.0)
    broad = float(rng.uniform(0.5, 1.5)) * plan.pipe_r
    for s in (-1.0, 1.0):
        post = (broad, float(rng.uniform(0.8, 1.6)) * plan.pipe_r, tall)
        at = (s * 0.75 * plan.neck_x, plan.bar_y, high + tall / 2)
        out.append(piece(box(post, 3.0, 0.8, at), "feet", "wetted"))
    return together(out)


def _skids(plan: Plan, holes: Points, hole: float, rng: np.random.Generator) -> Pieces:
    """Two runners of tube with their ends bent up, with straps to the manifold."""
    x, y = np.abs(holes).max(axis=0)
    free = max(plan.inlet_z - plan.pipe_r, 8.0)
    r = min(float(rng.uniform(0.03, 0.05)) * plan.chamber, 0.3 * free + 2.0)
    long, up = x + 3 * r, float(rng.uniform(1.5, 5.0)) * r
    members: list[Field] = []
    for s in (-1.0, 1.0):
        ends = [
            f.curve([(e * x, s * y, r), (e * long, s * y, r), (e * (long + r), s * y, r + up)], 6) for e in (-1.0, 1.0)
        ]
        members += [f.rod((-x, s * y, r), (x, s * y, r), r), *(f.path(end, r) for end in ends)]
    members += [f.drum((hx, hy, 0.0), (hx, hy, 0.7 * r), hole / 2 + 4.0, 1.0) for hx, hy in holes]
    for s in (-1.0, 1.0):
        at = s * min(0.8 * plan.neck_x, x)
        for side in (-1.0, 1.0):
            members.append(f.rod((at, side * y, r), (at, plan.bar_y, plan.inlet_z - 0.5 * plan.pipe_r), 0.8 * r))
    body = f.less(f.blend(0.6 * r, *members), _kept_free(plan), *_drills(holes, hole, 3 * r))
    body = f.common(body, f.half_space(2, 0.0, -1.0))
    wide = max(y, abs(plan.bar_y)) + 2 * r + 6
    mesh = surface(body, (-long - 3 * r, -wide, 0.0), (long + 3 * r, wide, plan.inlet_z + r + up), plan.cell)
    return piece(mesh, "feet", "band")


def _pedestal(plan: Plan, holes: Points, hole: float, rng: np.random.Generator) -> Pieces:
    """A column on a base plate, ribbed at times, up to the manifold's middle."""
    x, y = np.abs(holes).max(axis=0) + 0.05 * plan.chamber + 6.0
    thick = min(float(rng.uniform(0.02, 0.04)) * plan.chamber + 3.0, 0.5 * plan.inlet_z)
    plate = f.block((0, 0, thick / 2), (2 * x, 2 * y, thick), 0.3 * thick)
    foot, head = float(rng.uniform(0.5, 0.9)) * min(x, y), float(rng.uniform(0.6, 1.0)) * plan.pipe_r
    column: Field = f.rod((0, 0, 0.2 * thick), (0, plan.bar_y, plan.inlet_z - 0.5 * plan.pipe_r), 0.5 * foot, head)
    if chance(rng, 0.5):
        wide = float(rng.uniform(0.5, 0.9)) * x
        column = f.block((0, plan.bar_y, plan.inlet_z / 2), (2 * wide, 1.3 * plan.pipe_r, plan.inlet_z), 3.0)
    body = f.blend(float(rng.uniform(0.03, 0.1)) * plan.chamber, plate, column)
    body = f.less(f.common(body, f.half_space(2, 0.0, -1.0)), _kept_free(plan), *_drills(holes, hole, 3 * thick))
    wide = max(y, abs(plan.bar_y) + 1.4 * plan.pipe_r) + 3
    mesh = surface(body, (-x - 2, -wide, 0.0), (x + 2, wide, plan.inlet_z + 1), plan.cell)
    return piece(mesh, "feet", "wetted" if chance(rng, 0.5) else "air_section")


def _trestle(plan: Plan, holes: Points, hole: float, rng: np.random.Generator) -> Pieces:
    """Two walls between the joints, from pads on the floor up into the air section."""
    z, size = plan.center_z, plan.chamber
    x, y = np.abs(holes).max(axis=0)
    thick = float(rng.uniform(0.025, 0.05)) * size + 1.0
    at = float(np.clip(plan.joint_x - 0.16 * size - 8.0, 0.3 * plan.joint_x, 0.8 * plan.joint_x))
    low = min(float(rng.uniform(0.02, 0.035)) * size + 3.0, 0.6 * plan.inlet_z)
    pad = float(rng.uniform(0.05, 0.07)) * size + 4.0
    top, arch = float(rng.uniform(0.2, 0.5)) * size, float(rng.uniform(0.3, 0.75)) * y
    knee = z - float(rng.uniform(0.25, 0.42)) * size
    line = [(-y - 0.6 * pad, 0.2), (-y - 0.6 * pad, low), (-top, z - 0.2 * size), (top, z - 0.2 * size)]
    line += [
        (y + 0.6 * pad, low),
        (y + 0.6 * pad, 0.2),
        (arch, 0.2),
        (0.5 * arch, knee),
        (-0.5 * arch, knee),
        (-arch, 0.2),
    ]
    members: list[Field] = [f.drum((hx, hy, 0.0), (hx, hy, low), pad, 0.25 * low) for hx, hy in holes]
    for s in (-1.0, 1.0):
        members.append(f.plate(line, 0, s * at - thick / 2, s * at + thick / 2, 0.25 * thick))
        for side in (-1.0, 1.0):
            members.append(
                f.block((s * (at + x) / 2, side * y, low / 2), (abs(x - at) + pad, 1.4 * pad, low), 0.3 * low)
            )
    body = f.blend(0.02 * size, *members)
    # Clear of the manifold, and of the joints' rims.
    body = f.less(body, _kept_free(plan), *_drills(holes, hole, 3 * low))
    body = f.common(body, f.half_space(2, 0.0, -1.0))
    wide = max(y + 1.5 * pad, top + 4)
    mesh = surface(body, (-max(x, at) - 2 * pad, -wide, 0.0), (max(x, at) + 2 * pad, wide, z), plan.cell)
    return piece(mesh, "feet", "air_section" if chance(rng, 0.6) else "band")


LATER_STANDS: dict[str, Stand] = {"pads": _pads, "skids": _skids, "pedestal": _pedestal, "trestle": _trestle}
