"""The air section between the joints, its valve, inlet and muffler."""

from itertools import pairwise

import numpy as np

from tools.other_pumps import fields as f
from tools.other_pumps.fields import Field
from tools.other_pumps.hardware import head, heads_at, size_for
from tools.other_pumps.joint_rings import MadeJoint
from tools.other_pumps.middle_forms import LATER_VALVES, later_core, later_valve
from tools.other_pumps.plan import Plan
from tools.other_pumps.shapes import rounded_loop, slab, turned_arc
from tools.other_pumps.styles import LATER
from tools.other_pumps.surfaces import surface
from tools.render.draws import chance
from tools.render.outlines import Points, circle
from tools.render.pieces import Pieces, piece, together
from tools.render.solids import Mesh, box, drum, join, lathe, placed, pose, sweep

UP = np.array([0.0, 0.0, 1.0])
MIDDLES = ("block", "waist", "finned", "barrel", "plates")
VALVES = ("box", "spool", "upright", "domed", "stack", "pod")


def air_section(plan: Plan, joint: MadeJoint, rng: np.random.Generator) -> tuple[Pieces, float, str]:
    """The middle casting; also how far it reaches to the front, where the valve is mounted."""
    later = LATER.get(plan.style)
    kind = str(rng.choice(later.middles if later else MIDDLES))
    size, z = plan.chamber, plan.center_z
    inner = plan.joint_x + joint.back_z + 1.0
    r0 = min(joint.back_r, 0.98 * plan.radius)
    neck_r = float(rng.uniform(0.5, 0.8)) * r0
    root = max(inner - float(rng.uniform(0.1, 0.2)) * size, 0.25 * inner)
    bowl = [(0, -1.0), (neck_r, -1.0), (neck_r, root), (0.9 * r0, 0.35 * root + 0.65 * inner), (r0, inner), (0, inner)]
    chamber = f.mirrored(f.turned(bowl, 1.0, (0.0, z)), 0)
    tall, deep = rng.uniform(0.55, 0.95) * size, rng.uniform(0.5, 0.8) * size
    if later:
        deep, core = later_core(kind, plan, inner, rng)
    elif kind == "waist":
        core = f.ellipsoid((0, 0, z), (0.9 * inner, 0.55 * deep, 0.55 * tall))
    elif kind == "barrel":
        core = f.drum((-0.95 * inner, 0, z), (0.95 * inner, 0, z), 0.5 * deep, 4.0)
    elif kind == "plates":
        core = f.union(
            f.block((0, 0, z), (0.55 * inner, deep, tall), 3.0),
            f.block((0, 0, z), (1.7 * inner, 0.7 * deep, 0.6 * tall), 3.0),
        )
    else:
        core = f.block((0, 0, z), (rng.uniform(1.0, 1.7) * inner, deep, tall), rng.uniform(2.0, 0.06 * size + 2.0))
    # Nothing of the middle stands out behind the joints: their round edge is what one sees from the side.
    inside = f.drum((-inner, 0, z), (inner, 0, z), float(rng.uniform(0.84, 0.96)) * plan.radius, 1.0)
    body = f.blend(float(rng.uniform(0.03, 0.1) * size), chamber, f.rounded_common(2 * plan.cell, core, inside))
    if kind == "finned" and not later:
        pitch = float(rng.uniform(0.07, 0.11) * size)
        fins = f.rounded_common(
            1.5 * plan.cell,
            _level_bars(pitch, 0.3 * pitch, z),
            f.block((0, 0, z), (1.5 * inner, deep + 0.1 * size, 0.9 * tall), 2.0),
        )
        body = f.blend(2.5, body, fins)
    elif chance(rng, 0.0 if later else 0.5):
        rib = f.block((0.5 * inner, 0, 0.5 * size), (inner, 0.03 * size, 0.9 * size), 1.5)
        ribs = f.moved(f.around_x(f.mirrored(rib, 0), int(rng.integers(6, 15)), rng.uniform(0, 1)), (0, 0, z))
        body = f.blend(
            3.0, body, f.rounded_common(2 * plan.cell, ribs, f.grown(chamber, rng.uniform(0.04, 0.07) * size), inside)
        )
    front = 0.5 * deep
    mount = f.block((0, plan.valve_side * 0.5 * front, z), (0.9 * inner, front + 0.06 * size, 0.42 * size), 2.5)
    body = f.blend(4.0, body, mount)
    reach = front / 2 + (front + 0.06 * size) / 2
    low = np.array([-inner, -0.5 * size, z - 0.5 * size])
    mesh = surface(body, low, np.array([inner, 0.5 * size, z + 0.5 * size]), 1.25 * plan.cell)
    return piece(mesh, "air_section", "air_section"), float(reach), kind


def _level_bars(pitch: float, thick: float, z: float) -> Field:
    def field(p: f.Values) -> f.Values:
        return np.asarray(np.abs(((p[:, 2] - z) / pitch) % 1.0 - 0.5) * pitch - thick / 2, np.float32)

    return field


def air_valve(plan: Plan, reach: float, rng: np.random.Generator) -> tuple[Pieces, float, str]:
    """The valve on its mount, drawn facing -y, then turned to its side; also how far it reaches out."""
    kind = str(rng.choice(VALVES if plan.style not in LATER else (*VALVES, *LATER_VALVES)))
    size, z = plan.chamber, plan.center_z + float(rng.uniform(-0.04, 0.08)) * plan.chamber
    inner = 2 * (plan.joint_x - 0.08 * size)
    wide = float(min(rng.uniform(0.28, 0.42) * size, 0.8 * inner))
    tall = float(rng.uniform(0.24, 0.4) * size)
    plate_t = float(rng.uniform(0.02, 0.04) * size + 3)
    deep = float(rng.uniform(0.12, 0.22) * size)
    frame = pose((0, -reach, z), (0, -1, 0))
    half_w, half_h = wide / 2, tall / 2
    outline = rounded_loop(
        [(-half_w, -half_h), (half_w, -half_h), (half_w, half_h), (-half_w, half_h)], rng.uniform(0.05, 0.3) * tall
    )
    parts: list[Pieces] = [piece(slab(outline, -2.0, plate_t, rng.uniform(0.5, 2.0)), "air_valve", "air_section")]
    parts.append(_valve_body(kind, wide, tall, plate_t, deep, plan, rng))
    made = head(str(rng.choice(["socket", "hex_flange", "hex", "button"])), size_for(size, 1))
    places = _screw_places(plan.valve_screws, half_w - 0.65 * made.wide_mm, half_h - 0.65 * made.wide_mm)
    seats = np.column_stack([places, np.full(len(places), plate_t)])
    parts.append(heads_at(made, seats, np.array([0, 0, 1.0]), np.array([0, 1.0, 0]), rng))
    if chance(rng, 0.4):
        plate = piece(box((0.45 * wide, 0.3 * tall, 0.8), 1.0, 0.2, (0, 0, plate_t + deep + 0.2)), "other", "nameplate")
        parts.append(plate if kind in ("box", "stack") else Pieces())
    out = together(parts).moved(frame)
    return turned_to_side(out, plan.valve_side), reach + plate_t + deep, kind


def turned_to_side(pieces: Pieces, side: float) -> Pieces:
    """Pieces drawn facing -y, turned half round when their side is the rear."""
    return pieces if side < 0 else pieces.moved(np.diag([-1.0, -1.0, 1.0, 1.0]))


def _screw_places(count: int, x: float, y: float) -> Points:
    """Screws at the corners of a plate, further ones along its upright sides."""
    rows = max(2, count // 2)
    ys = np.linspace(-y, y, rows)
    places = [(s * x, float(v)) for v in ys for s in (-1.0, 1.0)][:count]
    return np.array(places + [(0.0, y)] * (count - len(places)))


def _valve_body(
    kind: str, wide: float, tall: float, z0: float, deep: float, plan: Plan, rng: np.random.Generator
) -> Pieces:
    """What stands on the mounting plate, between the screws."""
    w, h = 0.62 * wide, 0.6 * tall
    if kind in LATER_VALVES:
        return later_valve(kind, w, h, z0, deep, rng)
    if kind == "spool":
        r = 0.5 * deep
        long = wide * rng.uniform(0.9, 1.25)
        tube = placed(drum(r, -long / 2, long / 2, 2.0, 64), pose((0, 0, z0 + 0.9 * r), (1, 0, 0), (0, 0, 1)))
        caps = [
            placed(
                slab(circle(1.12 * r, int(rng.choice([6, 48]))), -0.09 * long, 0.09 * long, 1.5),
                pose((s * long / 2, 0, z0 + 0.9 * r), (1, 0, 0), (0, 0, 1)),
            )
            for s in (-1.0, 1.0)
        ]
        saddle = box((0.8 * long, 1.1 * r, r), 2.0, 1.0, (0, 0, z0 + r / 2))
        return together([piece(m, "air_valve", "air_section") for m in (tube, saddle, *caps)])
    if kind == "upright":
        r = 0.5 * min(deep, w)
        long = tall * rng.uniform(0.9, 1.4)
        tube = placed(drum(r, -long / 2, long / 2, 2.5, 64), pose((0, 0, z0 + 0.8 * r), (0, 1, 0), (0, 0, 1)))
        cap = placed(
            slab(circle(0.8 * r, 48), 0, 0.2 * r, 1.0), pose((0, long / 2, z0 + 0.8 * r), (0, 1, 0), (0, 0, 1))
        )
        return together([piece(tube, "air_valve", "air_section"), piece(cap, "air_valve", "fastener")])
    if kind == "stack":
        levels = np.linspace(z0, z0 + deep, int(rng.integers(3, 5)))
        out = []
        for k, (a, b) in enumerate(pairwise(levels)):
            s = 1.0 - 0.07 * k
            out.append(
                piece(box((s * w, s * h, b - a - 0.4), 3.0, 0.7, (0, 0, (a + b) / 2)), "air_valve", "air_section")
            )
        return together(out)
    if kind == "domed":
        turns = np.linspace(0, np.pi / 2, 9)
        line = [
            (0.0, z0 - 1),
            (w / 2, z0 - 1),
            *((w / 2 * np.cos(t), z0 + 0.4 * deep + 0.6 * deep * np.sin(t)) for t in turns[:-1]),
            (0.0, z0 + deep),
        ]
        return piece(lathe(line, 64), "air_valve", "air_section")
    field = f.block((0, 0, z0 + deep / 2 - 2), (w, h, deep), 0.12 * h)
    if kind == "pod":
        field = f.blend(
            0.2 * h,
            f.ellipsoid((0, 0, z0 + 0.3 * deep), (0.62 * w, 0.6 * h, 0.7 * deep)),
            f.rod((-0.5 * w, 0, z0 + 0.4 * deep), (0.5 * w, 0, z0 + 0.4 * deep), 0.3 * deep),
        )
    mesh = surface(field, (-w, -h, z0 - 3), (w, h, z0 + deep + 2), plan.cell)
    return piece(mesh, "air_valve", "air_section")


def muffler(plan: Plan, at: Points, way: Points, rng: np.random.Generator) -> tuple[Pieces, str]:
    """A muffler screwed on at a point, standing along `way`."""
    kind = str(rng.choice(["none", "can", "ribbed", "sintered", "bowl"]))
    if kind == "none":
        return Pieces(), kind
    r, long = float(rng.uniform(0.045, 0.085) * plan.chamber + 4), float(rng.uniform(0.2, 0.4) * plan.chamber)
    neck = [(0, -4.0), (0.4 * r, -4.0), (0.4 * r, 0.12 * long)]
    if kind == "ribbed":
        rings = [
            q
            for k in np.linspace(0.14, 0.9, 2 * int(rng.integers(5, 10))).reshape(-1, 2) * long
            for q in ((0.8 * r, k[0]), (r, k[0] + 0.5), (r, k[1] - 0.5), (0.8 * r, k[1]))
        ]
        body = [*rings, (0.7 * r, long), (0, long)]
    elif kind == "sintered":
        body = [
            (0.8 * r, 0.13 * long),
            (0.8 * r, 0.25 * long),
            (0.62 * r, 0.27 * long),
            (0.5 * r, 0.9 * long),
            (0.2 * r, long),
            (0, long),
        ]
    elif kind == "bowl":
        body = [(r, 0.14 * long), (1.15 * r, 0.4 * long), (1.0 * r, 0.8 * long), (0.5 * r, long), (0, long)]
    else:
        body = [(r, 0.12 * long), (r, 0.92 * long), (0.85 * r, long), (0, long)]
    up = (0.0, 0.0, 1.0) if abs(way[2]) < 0.9 else (0.0, 1.0, 0.0)
    return piece(placed(lathe([*neck, *body], 56), pose(at, way, up)), "other", "muffler"), kind


def air_inlet(plan: Plan, at: Points, way: Points, rng: np.random.Generator) -> Pieces:
    """A brass fitting at the air inlet, mostly with a hose or a ball valve on it."""
    d = float(rng.uniform(0.025, 0.04) * plan.chamber + 6.0)
    up = (0.0, 0.0, 1.0) if abs(way[2]) < 0.9 else (0.0, 1.0, 0.0)
    frame = pose(at, way, up)
    nut = slab(circle(0.62 * d, 6), -3.0, 0.8 * d, 0.8)
    nipple = drum(0.42 * d, 0.0, 1.9 * d, 0.8, 40)
    out = [piece(placed(join([nut, nipple]), frame), "other", "accessory")]
    if chance(rng, 0.2):
        out.append(_gauge(at + 1.2 * d * way, d, plan, rng))
    if chance(rng, 0.65):
        out.append(piece(_hose(at + 1.3 * d * way, way, d, plan, rng), "other", "rubber"))
    return together(out)


def _gauge(at: Points, d: float, plan: Plan, rng: np.random.Generator) -> Pieces:
    """A pressure gauge on a stem over the air inlet, its face toward -y."""
    r = float(np.clip(0.09 * plan.chamber, 16.0, 32.0))
    long = float(rng.uniform(0.6, 1.2)) * r
    stem = placed(drum(0.3 * d, 0.0, long + 2, 0.5, 24), pose(at, UP, (0, 1, 0)))
    middle = at + (long + r) * UP
    case = placed(drum(r, -0.5 * r, 0.25 * r, 1.5, 64), pose(middle, (0, -1, 0)))
    face = placed(drum(0.88 * r, 0.2 * r, 0.25 * r + 0.4, 0.2, 64), pose(middle, (0, -1, 0)))
    return together([piece(join([stem, case]), "other", "accessory"), piece(face, "other", "nameplate")])


def lifting_eye(plan: Plan, rng: np.random.Generator) -> Pieces:
    """An eye bolt on top of the discharge manifold; it hangs on the pump and counts for none of its sizes."""
    r = 0.035 * plan.chamber + 4.0
    foot = np.array([float(rng.uniform(-0.1, 0.1)) * plan.chamber, plan.bar_y, plan.outlet_z + 0.8 * plan.pipe_r])
    turns = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    section = np.column_stack([r + 0.28 * r * np.cos(turns), 0.28 * r * np.sin(turns)])
    high = 0.25 * plan.pipe_r + 1.4 * r
    eye = placed(turned_arc(section, 0.0, 2 * np.pi, 40), pose(foot + high * UP, (rng.choice([0, 1]), 1, 0)))
    shank = placed(drum(0.45 * r, -2.0, high - 0.9 * r, 0.5, 32), pose(foot, UP, (0, 1, 0)))
    return piece(join([eye, shank]), "other", "accessory")


def _hose(at: Points, way: Points, d: float, plan: Plan, rng: np.random.Generator) -> Mesh:
    """A hose that leaves along `way`, sags and runs off behind."""
    size = plan.chamber
    side = float(rng.choice([-1, 1]))
    drop = min(at[2] - 1.2 * d, rng.uniform(0.2, 0.9) * size)
    end = at + way * rng.uniform(0.3, 0.7) * size + np.array([side * rng.uniform(0.1, 0.5) * size, 0, -drop])
    line = f.curve(
        [
            at,
            at + way * 0.35 * size,
            end + np.array([0, 0, 0.3 * drop]),
            end,
            end + np.array([side * 0.5 * size, 0.3 * way[1] * size, 0]),
        ],
        30,
    )
    return sweep(np.asarray(line, np.float64), circle(0.55 * d, 20))


def tie_rods(plan: Plan, joint: MadeJoint, bolts: Points) -> Pieces:
    """Rods from one joint to the other, at every second bolt of the +x joint (tops (K, 3), pump frame)."""
    out = []
    for top in bolts[:: 2 if len(bolts) >= 8 else 1]:
        long = plan.joint_x + joint.back_z + 2
        rod = drum(0.02 * plan.chamber + 1.5, -long, long, 0.0, 24)
        out.append(piece(placed(rod, pose((0, top[1], top[2]), (1, 0, 0))), "other", "fastener"))
    return together(out)
