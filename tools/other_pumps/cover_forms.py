"""Covers of the later styles: finned, terraced, fluted, pocketed, boxed, drum-like, egg- or pillow-shaped, spined.

Each is a field in the pump frame for the +x side, inside the joint's dish radius and behind the plane of the cover's
front.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tools.other_pumps import fields as f
from tools.other_pumps.chamber_shells import (
    NOTHING,
    dish_profile,
    inset_profile,
    parallel_walls,
)
from tools.other_pumps.fields import Field, Values
from tools.other_pumps.joint_rings import MadeJoint
from tools.other_pumps.plan import Plan
from tools.render.draws import chance
from tools.render.outlines import Points
from tools.render.pieces import Pieces

OUT = np.array([1.0, 0.0, 0.0])


@dataclass(frozen=True, eq=False)
class CoverBody:
    """A cover without its necks.

    Attributes:
        field: pump frame, +x side.
        nose_r: radius of the flat in front.
        pieces: what is screwed on to it.
    """

    field: Field
    nose_r: float
    pieces: Pieces = NOTHING


Maker = Callable[[Plan, MadeJoint, np.random.Generator], CoverBody]


def turned_body(plan: Plan, profile: Points, bend: float) -> Field:
    """A profile (K, 2) of (r, height over the joint's edge) turned about the chamber's axis."""
    dish = f.turned(inset_profile(profile, bend), bend, (0.0, plan.center_z))
    return f.moved(dish, (plan.joint_x, 0, 0))


def closed_line(line: Points) -> Points:
    """The profile from the axis behind the rim to the axis in front."""
    return np.concatenate([[[0.0, -4.0], [line[0, 0], -4.0]], line, [[0.0, line[-1, 1]]]])


def drawn_dish(joint: MadeJoint, depth: float, kinds: tuple[str, ...], rng: np.random.Generator) -> Points:
    """Profile of a dish of one of some kinds, as deep as told."""
    return dish_profile(str(rng.choice(kinds)), joint.dish_r, joint.face_z, depth, rng)[0]


def column_of(plan: Plan, radius: float) -> Field:
    """All within a radius of the chamber's axis."""
    x = plan.joint_x
    return f.drum((x - 3, 0, plan.center_z), (x + 2 * plan.cover_depth, 0, plan.center_z), radius, 0.5)


def behind_front(plan: Plan) -> Field:
    """All behind the plane of the cover's front, which ribs and seams keep."""
    return f.half_space(0, plan.joint_x + plan.cover_depth - 0.3, 1.0)


def centered(plan: Plan, field: Field) -> Field:
    """What is drawn about the x axis, about the chamber's axis."""
    return f.moved(field, (0, 0, plan.center_z))


def _inverse(field: Field) -> Field:
    return lambda p: np.asarray(-field(p), np.float32)


def _lift(plan: Plan, p: Values) -> Values:
    """How far points lie from the joint to the cover's front, 0 to 1."""
    return np.asarray(np.clip((p[:, 0] - plan.joint_x) / plan.cover_depth, 0.0, 1.0), np.float32)


def finned(plan: Plan, joint: MadeJoint, rng: np.random.Generator) -> CoverBody:
    """A deep dome with many thin fins that stand proud of it."""
    size = plan.chamber
    high = float(rng.uniform(0.035, 0.09) * size)
    profile = drawn_dish(joint, plan.cover_depth - 0.5 * high, ("super",), rng)
    dish = turned_body(plan, profile, 1.5)
    thick = float(rng.uniform(0.02, 0.028) * size)
    inner = float(rng.uniform(0.1, 0.4)) * joint.dish_r
    one = f.block((plan.joint_x + 0.4 * size, 0, (inner + 0.6 * size) / 2), (size, thick, 0.6 * size - inner), 0.5)
    fins = centered(plan, f.around_x(one, int(rng.integers(12, 30)), float(rng.uniform(0, 0.3))))
    over = f.common(f.grown(dish, high), column_of(plan, joint.dish_r), behind_front(plan))
    nose = f.drum(
        (plan.joint_x, 0, plan.center_z), (plan.joint_x + plan.cover_depth, 0, plan.center_z), inner + thick, 2.0
    )
    return CoverBody(f.blend(3.0, dish, f.rounded_common(1.6 * plan.cell, fins, over), nose), 0.9 * inner)


def terraced(plan: Plan, joint: MadeJoint, rng: np.random.Generator) -> CoverBody:
    """Concentric steps up to a flat nose."""
    count = int(rng.integers(3, 6))
    radii = np.linspace(1.0, rng.uniform(0.3, 0.55), count + 1) * joint.dish_r
    heights = joint.face_z + (plan.cover_depth - joint.face_z) * np.linspace(0, 1, count + 1) ** rng.uniform(0.6, 1.3)
    lean = float(rng.uniform(0.05, 0.3)) * (radii[0] - radii[1])
    line = [(radii[0], joint.face_z)]
    for k in range(count):
        line += [(radii[k] - lean, heights[k + 1]), (radii[k + 1], heights[k + 1] + 0.01)]
    line[-1] = (0.5 * radii[count], heights[count])
    bend = float(rng.uniform(0.8, 2.5))
    return CoverBody(turned_body(plan, closed_line(np.array(line)), bend), 0.8 * radii[count - 1])


def fluted(plan: Plan, joint: MadeJoint, rng: np.random.Generator) -> CoverBody:
    """A dome drawn in along several meridians, like a gored melon."""
    dish = turned_body(plan, drawn_dish(joint, plan.cover_depth, ("super", "knuckle"), rng), 1.5)
    lobes, deep, turn = int(rng.integers(5, 13)), float(rng.uniform(0.08, 0.2)), float(rng.uniform(0, 1))

    def field(p: Values) -> Values:
        y, z = p[:, 1], p[:, 2] - plan.center_z
        wave = 0.5 + 0.5 * np.cos(lobes * (np.arctan2(y, z) - turn))
        grow = 1 + deep * wave * np.clip(3 * _lift(plan, p), 0, 1)
        return dish(np.stack([p[:, 0], y * grow, z * grow + plan.center_z], axis=1).astype(np.float32))

    return CoverBody(field, 0.15 * joint.dish_r)


def _thick_plate(plan: Plan, joint: MadeJoint, rng: np.random.Generator) -> Field:
    lean, edge = float(rng.uniform(0.02, 0.16)) * joint.dish_r, float(rng.uniform(0.04, 0.12)) * joint.dish_r
    r, d = joint.dish_r, plan.cover_depth
    line = [(r, joint.face_z), (r - lean, d - edge), (r - lean - edge, d), (0.3 * r, d)]
    return turned_body(plan, closed_line(np.array(line)), 2.0)


def pocketed(plan: Plan, joint: MadeJoint, rng: np.random.Generator) -> CoverBody:
    """A thick cover with pockets between radial walls, and at times a ring wall."""
    count, thick = int(rng.integers(5, 15)), float(rng.uniform(0.025, 0.045)) * plan.chamber
    wall = f.block((plan.joint_x, 0, plan.chamber), (4 * plan.chamber, thick, 2 * plan.chamber), 0.1)
    walls = centered(plan, f.around_x(wall, count, float(rng.choice([0.0, np.pi / count]))))
    if chance(rng, 0.4):
        at, middle = float(rng.uniform(0.5, 0.65)) * joint.dish_r, plan.center_z
        ring: Field = lambda p: np.asarray(np.abs(np.hypot(p[:, 1], p[:, 2] - middle) - at) - thick / 2, np.float32)  # noqa: E731
        walls = f.union(walls, ring)
    return _with_pockets(plan, joint, walls, rng)


def celled(plan: Plan, joint: MadeJoint, rng: np.random.Generator) -> CoverBody:
    """A thick cover with square or three-cornered cells."""
    pitch, thick = float(rng.uniform(0.13, 0.2)) * plan.chamber, float(rng.uniform(0.025, 0.035)) * plan.chamber
    turns = (0.0, np.pi / 2) if chance(rng, 0.5) else (0.0, np.pi / 3, 2 * np.pi / 3)
    lay, scale = float(rng.choice([0.0, np.pi / 4])), 1.0 if len(turns) == 2 else 1.4
    walls = f.union(*(centered(plan, parallel_walls(scale * pitch, thick, lay + t)) for t in turns))
    return _with_pockets(plan, joint, walls, rng)


def _with_pockets(plan: Plan, joint: MadeJoint, walls: Field, rng: np.random.Generator) -> CoverBody:
    body = _thick_plate(plan, joint, rng)
    hub = float(rng.uniform(0.18, 0.42)) * joint.dish_r
    outer = float(rng.uniform(0.74, 0.84)) * joint.dish_r
    floor = plan.joint_x + joint.face_z + float(rng.uniform(0.15, 0.6)) * (plan.cover_depth - joint.face_z)
    edge = 1.6 * plan.cell
    hollow = f.rounded_common(
        edge,
        column_of(plan, outer),
        _inverse(column_of(plan, hub)),
        _inverse(walls),
        f.half_space(0, floor, -1.0),
    )
    return CoverBody(f.less(body, hollow, fillet=edge), 0.85 * hub)


def boxed(plan: Plan, joint: MadeJoint, rng: np.random.Generator) -> CoverBody:
    """A low round plate that carries a rounded block."""
    low = joint.face_z + float(rng.uniform(0.2, 0.5)) * (plan.cover_depth - joint.face_z)
    plate = turned_body(plan, drawn_dish(joint, low, ("super", "flat", "cone"), rng), 1.5)
    angle = float(rng.uniform(np.radians(28), np.radians(62)))
    half = 0.93 * joint.dish_r * np.array([np.cos(angle), np.sin(angle)])
    front = plan.joint_x + plan.cover_depth
    edge = float(rng.uniform(0.06, 0.3)) * float(half.min())
    box = f.block((front - plan.cover_depth, 0, plan.center_z), (2 * plan.cover_depth, *(2 * half)), edge)
    return CoverBody(
        f.blend(float(rng.uniform(0.03, 0.1)) * plan.chamber, plate, box), float(0.9 * (half.min() - edge))
    )


def hooped(plan: Plan, joint: MadeJoint, rng: np.random.Generator) -> CoverBody:
    """A drum with hoops round it or staves along it, and a gently crowned end."""
    r, d, face = joint.dish_r * float(rng.uniform(0.86, 0.94)), plan.cover_depth, joint.face_z
    corner, crown = float(rng.uniform(0.06, 0.25)) * r, float(rng.uniform(0.02, 0.12)) * d
    turns = np.linspace(0, np.pi / 2, 6)
    shoulder = np.column_stack([r - corner * (1 - np.cos(turns)), d - crown - corner * (1 - np.sin(turns))])
    dome = [(0.6 * r, d - 0.35 * crown), (0.25 * r, d)]
    body = turned_body(plan, closed_line(np.concatenate([[[r, face]], shoulder, dome])), 1.0)
    thick = float(rng.uniform(0.025, 0.05)) * plan.chamber
    wall = d - corner - crown - face
    if chance(rng, 0.55):
        places = plan.joint_x + face + wall * np.linspace(0.15, 0.95, int(rng.integers(2, 5)))
        z = plan.center_z
        extra = f.union(
            *(f.drum((x - thick / 2, 0, z), (x + thick / 2, 0, z), joint.dish_r, 0.25 * thick) for x in places)
        )
    else:
        one = f.block((plan.joint_x + 0.4 * wall, 0, 0.9 * r), (1.9 * wall, thick, 0.35 * r), 0.8)
        staves = centered(plan, f.around_x(one, int(rng.integers(8, 25))))
        extra = f.rounded_common(1.6 * plan.cell, staves, column_of(plan, joint.dish_r))
    return CoverBody(f.blend(3.0, body, extra), 0.3 * r)


def egg(plan: Plan, joint: MadeJoint, rng: np.random.Generator) -> CoverBody:
    """A dome narrower one way, its top aside from the axis; at times with columns from rim to dome."""
    dish = turned_body(plan, drawn_dish(joint, plan.cover_depth, ("super", "bell"), rng), 1.5)
    aside = float(rng.uniform(-0.4, 0.4)) * joint.dish_r
    squeeze = float(rng.uniform(0.1, 0.8)) * float(rng.choice([-1.0, 1.0]))

    def field(p: Values) -> Values:
        u = _lift(plan, p)
        y = p[:, 1] * (1 + max(squeeze, 0.0) * u)
        z = (p[:, 2] - plan.center_z - aside * u * u) * (1 + max(-squeeze, 0.0) * u)
        return dish(np.stack([p[:, 0], y, z + plan.center_z], axis=1).astype(np.float32))

    body: Field = f.common(field, column_of(plan, joint.dish_r + 0.5))
    if chance(rng, 0.5):
        r = float(rng.uniform(0.03, 0.055)) * plan.chamber
        one = f.rod(
            (plan.joint_x, 0, joint.dish_r - 1.1 * r), (plan.joint_x + 0.5 * plan.cover_depth, 0, 0.6 * joint.dish_r), r
        )
        columns = centered(plan, f.around_x(one, int(rng.integers(4, 13)), float(rng.uniform(0, 1))))
        body = f.blend(0.03 * plan.chamber, body, columns)
    return CoverBody(body, 0.15 * joint.dish_r)


def pillow(plan: Plan, joint: MadeJoint, rng: np.random.Generator) -> CoverBody:
    """Round at the joint, a rounded square toward the front."""
    dish = turned_body(plan, drawn_dish(joint, plan.cover_depth, ("super", "knuckle", "cone"), rng), 1.5)
    power, turn = float(rng.uniform(3.0, 6.0)), float(rng.choice([0.0, np.pi / 4]))
    scale = 2 ** (0.5 - 1 / power)

    def field(p: Values) -> Values:
        y0, z0 = p[:, 1], p[:, 2] - plan.center_z
        y, z = np.cos(turn) * y0 + np.sin(turn) * z0, np.cos(turn) * z0 - np.sin(turn) * y0
        size = np.sqrt(y * y + z * z) + 1e-6
        square = scale * (np.abs(y) ** power + np.abs(z) ** power) ** (1 / power)
        grow = 1 + (square / size - 1) * np.clip(4 * _lift(plan, p), 0, 1)
        return dish(np.stack([p[:, 0], y0 * grow, z0 * grow + plan.center_z], axis=1).astype(np.float32))

    return CoverBody(field, 0.2 * joint.dish_r)


def spined(plan: Plan, joint: MadeJoint, rng: np.random.Generator) -> CoverBody:
    """A low dish crossed by an upright round housing between the necks, with a plug in front."""
    low = joint.face_z + float(rng.uniform(0.35, 0.65)) * (plan.cover_depth - joint.face_z)
    dish = turned_body(plan, drawn_dish(joint, low, ("super", "cone", "flat"), rng), 1.5)
    front, z = plan.joint_x + plan.cover_depth, plan.center_z
    r = float(np.clip(front - plan.neck_x - 0.02 * plan.chamber, 0.5 * plan.pipe_r, 0.45 * plan.radius))
    tall = float(rng.uniform(0.7, 0.95)) * joint.dish_r
    housing = f.rod((plan.neck_x, 0, z - tall + r), (plan.neck_x, 0, z + tall - r), r)
    collars = [
        f.drum((plan.neck_x, 0, z + s * at - 0.04 * tall), (plan.neck_x, 0, z + s * at + 0.04 * tall), 1.08 * r, 1.0)
        for s in (-1.0, 1.0)
        for at in (0.45 * tall, 0.75 * tall)[: int(rng.integers(0, 3))]
    ]
    plug_r = float(rng.uniform(0.45, 0.9)) * r
    plug = f.drum((plan.neck_x, 0, z), (front, 0, z), plug_r, 1.5)
    body = f.blend(float(rng.uniform(0.04, 0.1)) * plan.chamber, dish, housing)
    return CoverBody(f.blend(3.0, body, *collars, plug), 0.9 * plug_r)
