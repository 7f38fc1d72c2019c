"""Puts one pump together from its plan: see `other_pump`."""

from dataclasses import replace

import numpy as np

from reference_geometry.families import Family
from tools.other_pumps.chamber_shells import Shell, made_shell
from tools.other_pumps.joint_rings import MadeJoint, made_joint
from tools.other_pumps.later_covers import later_shell
from tools.other_pumps.mates import mated_flange, mated_thread
from tools.other_pumps.middle import air_inlet, air_section, air_valve, lifting_eye, muffler, tie_rods, turned_to_side
from tools.other_pumps.pipe_joints import pad_joint, split_joint
from tools.other_pumps.pipework import BarForm, draw_form, manifold_field, passage_depth
from tools.other_pumps.plan import Plan, draw_plan
from tools.other_pumps.ports import flange, threaded_mouth
from tools.other_pumps.shapes import mirrored_mesh, mirrored_pieces
from tools.other_pumps.stand import feet
from tools.other_pumps.styles import LATER, proportioned
from tools.other_pumps.surfaces import surface
from tools.render.build_pump import lengths_told, number_bolts, own_bounds, yes_or_no
from tools.render.draws import chance
from tools.render.outlines import Points
from tools.render.pieces import Pieces, piece, together
from tools.render.pump_model import Part, PumpModel, Resting
from tools.render.solids import Mesh, common, cut, drum, placed, pose, shifted
from tools.render.splits import Split

MATED = 0.15
"""How often a port is in use."""
FLIP_Z = np.array([1.0, 1.0, -1.0])


def other_pump(
    rng: np.random.Generator, family: Family | None, split: Split = "test", mated_chance: float = MATED
) -> PumpModel:
    """A pump of a family, or a free invention, in the pump frame of `tools.render.pump_model`.

    Args:
        rng: all chance comes from here.
        family: of the packaged demo set (its lengths and words are met), or None.
        split: whose styles may be used.
        mated_chance: of each port, to have something screwed or bolted to it.

    Raises:
        LookupError: the family's port is in no standard's table.
    """
    plan = draw_plan(rng, family, split)
    if plan.style in LATER:
        plan = proportioned(plan, rng)
    one_piece = plan.style == "compact"
    joint = made_joint(plan, rng)
    shell = later_shell(plan, joint, rng) if plan.style in LATER else made_shell(plan, joint, one_piece, rng)
    sides = _chambers(plan, joint, shell)
    form = draw_form(plan, one_piece, shell.neck_r, rng)
    again = draw_form(plan, one_piece, shell.neck_r, rng) if chance(rng, 0.2) and not one_piece else form
    mated = [chance(rng, mated_chance), chance(rng, mated_chance)]
    ends = [
        _liquid_end(
            plan,
            form if side == 0 else replace(again, pad=form.pad, pad_thick=form.pad_thick),
            shell,
            side,
            mated[side],
            rng,
        )
        for side in (0, 1)
    ]
    middle, words = _middle(plan, joint, sides, rng)
    stand, stand_kind = feet(plan, rng)
    own = together([*sides, *(end for end, _ in ends), *middle, stand, _floor(plan)])
    made = together([own, *(hung for _, hung in ends)])
    parts = number_bolts(made.parts)
    words |= shell.words | {
        "joint": joint.kind,
        "manifold": form.kind,
        "manifold_joint": form.split,
        "pad": form.pad,
        "feet": stand_kind,
        "style": plan.style,
    }
    return PumpModel(
        parts,
        made.circles,
        made.restings,
        _lengths(plan, own.parts),
        _attributes(plan, mated),
        plan.family_id,
        {f"other_{k}": v for k, v in words.items()},
    )


def _chambers(plan: Plan, joint: MadeJoint, shell: Shell) -> list[Pieces]:
    """Both chambers with joint, cover and places for cards."""
    mesh = surface(shell.field, shell.low, shell.high, plan.cell)
    ring = joint.pieces.moved(pose((plan.joint_x, 0, plan.center_z), (1, 0, 0)))
    round_part = placed(drum(plan.radius, 0.0, 2.0 * shell.high[0]), pose((0.0, 0.0, plan.center_z), (1, 0, 0)))
    # What leads out over the round joint is labeled with what it leads to, as in the other maker's pumps.
    cover = piece(common(mesh, round_part), "chamber_cover", "wetted")
    necks = Pieces() if plan.internal else piece(cut(mesh, [round_part]), "manifold", "wetted")
    right = together([ring, cover, necks, shell.pieces, Pieces(restings=_rests(plan, joint, shell, mesh))])
    return [right, mirrored_pieces(right, 1)]


def _rests(plan: Plan, joint: MadeJoint, shell: Shell, cover: Mesh) -> tuple[Resting, ...]:
    """On the cover's front, and over the joint to both sides as far in as the cover lets a pocket card lie."""
    out = np.array([1.0, 0.0, 0.0])
    found = [
        Resting(
            "cover",
            0,
            np.array([float(cover.vertices[:, 0].max()), 0.0, plan.center_z]),
            out,
            np.array([0.0, 0.0, 1.0]),
            max(shell.nose_r, 0.12 * plan.chamber),
        )
    ]
    plane = plan.joint_x + joint.rest_z
    high = cover.vertices[cover.vertices[:, 0] > plane + 0.05][:, 1:] - [0.0, plan.center_z]
    # Manifolds beside the chambers leave one side free.
    free = plan.valve_side
    arcs = ((free, 0.6, 1.3), (free, 1.5, 2.4)) if plan.beside else ((-1.0, 0.6, 2.1), (1.0, 0.6, 2.1))
    for side, first, last in arcs:
        turns = side * np.linspace(first, last, 16)
        ways = np.column_stack([np.sin(turns), np.cos(turns)])
        inner = [_as_far_in(high, way) for way in ways]
        best = int(np.argmin(inner))
        way = ways[best]
        center = np.array([plane, inner[best] * way[0], plan.center_z + inner[best] * way[1]])
        found.append(Resting("rim", 0, center, out, np.array([0.0, way[0], way[1]]), 30.0))
    return tuple(found)


def _as_far_in(high: Points, way: Points) -> float:
    """Least distance of a pocket card's middle from the axis, its long side across `way`."""
    across = np.abs(high @ np.array([way[1], -way[0]]))
    along = (high @ way)[across < 42.5]
    return float(np.max(along, initial=0.0)) + 30.5


def _liquid_end(
    plan: Plan, form: BarForm, shell: Shell, side: int, mated: bool, rng: np.random.Generator
) -> tuple[Pieces, Pieces]:
    """The manifold of one port with port and joints, built on top and mirrored below; and what hangs on a mated one."""
    depth = passage_depth(plan, form, side)
    make = flange if plan.port.flanged else threaded_mouth
    port = make(plan.port, depth, mated, rng)
    field = manifold_field(plan, form, port, side, shell.pad_up, rng)
    wide = plan.neck_x + 1.3 * plan.pipe_r
    t, reach = plan.toward[side], plan.reach[side]
    near, far = sorted((0.0, plan.bar_y))
    deep = (2.8 if form.kind == "bow" else 1.6) * plan.pipe_r
    low = np.array([-wide, near - deep, plan.center_z + shell.pad_up - 1])
    high = np.array([wide, far + deep, plan.outlet_z + 1.2 * plan.pipe_r])
    axis = 1 if plan.center_port else 0
    low[axis], high[axis] = min(low[axis], t * reach), max(high[axis], t * reach)
    spread = 0.5 * max(plan.port.outer_mm, 2 * plan.pipe_r)
    low[2], other = min(low[2], plan.outlet_z - spread), 1 - axis
    middle = 0.0 if axis else plan.bar_y
    low[other], high[other] = min(low[other], middle - spread), max(high[other], middle + spread)
    high[2] = max(high[2], plan.outlet_z + spread)
    body = piece(surface(field, low, high, plan.cell), "manifold", "wetted")
    pads = _joints(plan, form, shell, rng)
    out = together([body, pads]).numbered(side)
    at = (
        np.array([0.0, t * reach, plan.outlet_z])
        if plan.center_port
        else np.array([t * reach, plan.bar_y, plan.outlet_z])
    )
    way = np.eye(3)[axis] * t
    if side == 1:
        out = _below(plan, out)
        at = at * FLIP_Z + [0, 0, 2 * plan.center_z]
    frame = pose(at, way)
    hung = Pieces()
    if mated:
        hung = mated_flange(plan.port, port, rng) if plan.port.flanged else mated_thread(plan.port, rng)
    port_pieces, hung = (pieces.numbered(side).moved(frame) for pieces in (port.pieces, hung))
    # A mated port's bolt circle is told by what hangs there.
    return together([out, port_pieces]), hung


def _below(plan: Plan, pieces: Pieces) -> Pieces:
    """Parts mirrored from the top to the bottom."""
    parts = tuple(replace(part, mesh=mirrored_mesh(part.mesh, FLIP_Z)) for part in pieces.parts)
    return Pieces(parts).moved(shifted(z=2 * plan.center_z))


def _joints(plan: Plan, form: BarForm, shell: Shell, rng: np.random.Generator) -> Pieces:
    """Joints to the necks and in the bar."""
    out = []
    if form.pad != "none":
        for x in (-plan.neck_x, plan.neck_x):
            plane_z, side = plan.center_z + shell.pad_up, 0 if x > 0 else 1
            out.append(pad_joint(plan, form, x, plane_z, shell.neck_r, side, rng))
    if form.split != "none":
        for x in (-form.split_x, form.split_x):
            out.append(split_joint(plan, form, x, plan.outlet_z, 0, rng))
    return together(out)


def _middle(
    plan: Plan, joint: MadeJoint, sides: list[Pieces], rng: np.random.Generator
) -> tuple[list[Pieces], dict[str, str]]:
    """Air section with valve, inlet and muffler; rods where the style has them."""
    section, reach, kind = air_section(plan, joint, rng)
    valve, out, valve_kind = air_valve(plan, reach, rng)
    size, z = plan.chamber, plan.center_z
    behind = np.array([rng.uniform(-0.08, 0.08) * size, 0.0, z + rng.uniform(-0.1, 0.1) * size])
    noise, muffler_kind = muffler(
        plan, behind + np.array([0.0, reach - 0.03 * size, 0.0]), np.array([0.0, 1.0, 0.0]), rng
    )
    fitting = air_inlet(
        plan,
        np.array([rng.uniform(-0.04, 0.04) * size, -out + 0.05 * size, z - 0.12 * size]),
        np.array([0.0, -1.0, 0.0]),
        rng,
    )
    pieces = [section, valve, turned_to_side(together([noise, fitting]), plan.valve_side)]
    if plan.chamber > 220 and chance(rng, 0.2):
        pieces.append(lifting_eye(plan, rng))
    rods = 1.0 if plan.style == "turned" else 0.25 if plan.style == "molded" else 0.0
    if plan.bolts and chance(rng, rods) and joint.kind.split("_")[0] != "eared":
        tops = next(c for c in sides[0].circles if c.name == "chamber_diameter").bolts_mm
        pieces.append(tie_rods(plan, joint, tops))
    return pieces, {"air_block": kind, "air_valve": valve_kind, "muffler": muffler_kind}


def _floor(plan: Plan) -> Pieces:
    center = np.array([0.0, -(0.5 * plan.chamber + 80.0), 0.0])
    return Pieces(restings=(Resting("floor", 0, center, np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0]), 150.0),))


def _lengths(plan: Plan, parts: tuple[Part, ...]) -> dict[str, float]:
    feet_mm = (plan.foot_long, plan.foot_short)
    lengths = lengths_told(plan.outlet_z - plan.inlet_z, own_bounds(parts), feet_mm)
    return lengths if plan.port.flanged else lengths | {"thread_pitch": plan.port.pitch_mm}


def _attributes(plan: Plan, mated: list[bool]) -> dict[str, str]:
    words = {
        "connection": "flanged" if plan.port.flanged else "threaded",
        "housing_joint": plan.joint,
        "chamber_bolt_count": str(plan.bolts),
        "port_position": "center" if plan.center_port else "end",
        "wetted_material": plan.wetted,
        "air_valve_side": "front" if plan.valve_side < 0 else "rear",
        "port_standard": plan.port.standard,
        "port_nominal_in": plan.port.nominal_in,
        "mated": yes_or_no(mated[0]),
        "mated_inlet": yes_or_no(mated[1]),
        "air_valve_screw_count": str(plan.valve_screws),
    }
    if plan.port.flanged:
        words |= {
            "bolt_hole_count": str(plan.port.holes),
            "slotted": yes_or_no(plan.port.slot_mm > 0),
            "swivel_flange": yes_or_no(plan.port.swivel),
        }
    return words | ({"body_color": plan.color} if plan.color else {})
