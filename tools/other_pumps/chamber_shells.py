"""Cast, molded, turned or spun chamber covers with their necks, as fields in the pump frame, for the +x side."""

from dataclasses import dataclass

import numpy as np

from tools.other_pumps import fields as f
from tools.other_pumps.fields import Field
from tools.other_pumps.joint_rings import MadeJoint
from tools.other_pumps.necks import drawn_neck, neck_end
from tools.other_pumps.plan import Plan
from tools.render.draws import chance
from tools.render.outlines import Points
from tools.render.pieces import Pieces

NOTHING = Pieces()
DISHES = {
    "cast": ("super", "cone", "bell", "knuckle", "step"),
    "molded": ("super", "cone", "step", "hollow", "knuckle"),
    "turned": ("flat", "flat", "step", "cone"),
    "sheet": ("knuckle", "super", "bell"),
    "compact": ("super", "cone", "step", "flat", "bell"),
}
RIBS = {
    "cast": ("none", "radial", "gussets", "ring", "fan", "spokes"),
    "molded": ("radial", "lattice", "gussets", "spokes", "radial_ring", "fan"),
    "turned": ("none", "none", "ring"),
    "sheet": ("none", "none", "ring"),
    "compact": ("none", "radial", "ring", "lattice", "fan"),
}


@dataclass(frozen=True, eq=False)
class Shell:
    """A cover's field and where it ends.

    Attributes:
        field: of cover and necks, pump frame.
        low, high: (3,) box.
        nose_r: radius of the flat there.
        pad_up: height of the neck's upper end over the axis; neck_r: its radius there.
        words: drawn kinds.
        pieces: what is screwed on to it.
    """

    field: Field
    low: Points
    high: Points
    nose_r: float
    pad_up: float
    neck_r: float
    words: dict[str, str]
    pieces: Pieces = NOTHING


def made_shell(plan: Plan, joint: MadeJoint, one_piece: bool, rng: np.random.Generator) -> Shell:
    """Draw a cover. `one_piece`: its necks run on into the manifolds."""
    dish_kind = str(rng.choice(DISHES[plan.style]))
    # A bell's hollow flanks leave a rib no even height.
    ribs_kind = str(rng.choice(RIBS[plan.style] if dish_kind != "bell" else ("none", "ring")))
    profile, nose = dish_profile(dish_kind, joint.dish_r, joint.face_z, plan.cover_depth, rng)
    bend = float(rng.uniform(0.8, 3.0))
    middle = (0.0, plan.center_z)
    dish = f.moved(f.turned(inset_profile(profile, bend), bend, middle), (plan.joint_x, 0, 0))
    body = f.blend(float(rng.uniform(0.02, 0.06) * plan.chamber), dish, floor_of(plan, joint))
    ribs = _ribs(ribs_kind, plan, joint, dish, rng)
    if ribs is not None:
        body = f.blend(float(rng.uniform(0.012, 0.03) * plan.chamber + 1.5), body, ribs)
    bosses = _bosses(plan, joint, profile, rng)
    if bosses is not None:
        body = f.blend(0.02 * plan.chamber + 1.0, body, bosses)
    words = {"cover_profile": dish_kind, "cover_ribs": ribs_kind}
    return with_necks(plan, joint, body, nose, words, rng, one_piece)


def floor_of(plan: Plan, joint: MadeJoint) -> Field:
    """The disk that a cover rises from, just behind the rim's face."""
    floor_r = _floor_r(plan, joint)
    return f.drum(
        (plan.joint_x - 4.0, 0, plan.center_z), (plan.joint_x + joint.face_z - 0.25, 0, plan.center_z), floor_r, 0.3
    )


def _floor_r(plan: Plan, joint: MadeJoint) -> float:
    return min(joint.dish_r + 0.05 * plan.chamber, plan.radius - 1.0)


def with_necks(
    plan: Plan,
    joint: MadeJoint,
    body: Field,
    nose: float,
    words: dict[str, str],
    rng: np.random.Generator,
    one_piece: bool = False,
) -> Shell:
    """A cover's body with its two necks, ended at the front's plane and at the manifolds."""
    if plan.internal:
        pad_up, neck_kind, neck_r = 0.3 * plan.radius, "none", plan.pipe_r
    else:
        pad_up = neck_end(plan, rng)
        neck_kind, neck_r, neck = drawn_neck(plan, joint, pad_up, rng)
        body = f.blend(
            float(rng.uniform(0.04, 0.12) * plan.chamber), body, f.moved(f.mirrored(neck, 2), (0, 0, plan.center_z))
        )
    # Ribs and bosses end at the nose's plane, with a soft edge that leaves the nose itself nearly where it is.
    edge = 1.6 * plan.cell
    capped = f.rounded_common(edge, body, f.half_space(0, plan.joint_x + plan.cover_depth + 0.3 * edge, 1.0))
    reach_z = pad_up if not one_piece else pad_up + 4.0
    if plan.internal:
        reach_z = plan.radius
    clipped = f.common(capped, _between(plan.center_z - reach_z, plan.center_z + reach_z))
    wide = max(joint.dish_r, _floor_r(plan, joint), abs(plan.neck_y) + 1.6 * plan.pipe_r) + 2.0
    low = np.array([plan.joint_x - 4.0, -wide, plan.center_z - max(reach_z, wide)])
    high = np.array([plan.joint_x + plan.cover_depth + 1.0, wide, plan.center_z + max(reach_z, wide)])
    return Shell(clipped, low, high, nose, pad_up, neck_r, words | {"neck": neck_kind})


def _between(low: float, high: float) -> Field:
    return lambda p: np.asarray(np.abs(p[:, 2] - (low + high) / 2) - (high - low) / 2, np.float32)


def dish_profile(kind: str, radius: float, face: float, depth: float, rng: np.random.Generator) -> tuple[Points, float]:
    """Profile (K, 2) of (r, x) from the axis behind the rim round to the foremost point, and the flat nose's radius."""
    t = np.linspace(0.0, 1.0, 22)
    tall = depth - face
    nose = float(rng.uniform(0.05, 0.25)) * radius
    if kind == "super":
        n, m = rng.uniform(1.7, 3.0), rng.uniform(1.6, 2.6)
        r = np.cos(t * np.pi / 2) ** (2 / n)
        z = np.sin(t * np.pi / 2) ** (2 / m)
        line = np.column_stack([radius * r, face + tall * z])
        nose = 0.12 * radius
    elif kind == "bell":
        power = rng.uniform(0.7, 1.5)
        r = 1 - t
        line = np.column_stack([radius * r, face + tall * (0.5 + 0.5 * np.cos(np.pi * r)) ** power])
        nose = 0.12 * radius
    elif kind == "cone":
        shoulder = face + tall * rng.uniform(0.05, 0.35)
        nose = float(rng.uniform(0.2, 0.5)) * radius
        line = np.array([[radius, face], [0.985 * radius, shoulder], [nose, depth - 0.6], [0.93 * nose, depth]])
    elif kind == "knuckle":
        wall = face + tall * rng.uniform(0.15, 0.45)
        knuckle = rng.uniform(0.12, 0.3) * radius
        turns = np.linspace(0, np.pi / 2, 8)
        corner = np.column_stack([radius - knuckle * (1 - np.cos(turns)), wall + (depth - wall) * 0.62 * np.sin(turns)])
        edge_r, edge_z = corner[-1]
        crown_r = edge_r * (1 - t[1:])
        crown = np.column_stack([crown_r, edge_z + (depth - edge_z) * (1 - (crown_r / edge_r) ** 2)])
        line = np.concatenate([[[radius, face]], corner, crown])
        nose = 0.15 * radius
    elif kind == "step":
        step_r, step_z = rng.uniform(0.5, 0.8) * radius, face + tall * rng.uniform(0.3, 0.7)
        lean = rng.uniform(0.01, 0.08) * radius
        line = np.array(
            [
                [radius, face],
                [radius - lean, step_z],
                [step_r + lean, step_z + 0.02 * tall],
                [step_r - lean, depth - 0.3],
                [0.4 * step_r, depth],
            ]
        )
        nose = 0.5 * step_r
    elif kind == "hollow":
        lip = rng.uniform(0.45, 0.7) * radius
        bowl = depth - tall * rng.uniform(0.15, 0.4)
        line = np.array(
            [
                [radius, face],
                [0.94 * radius, face + 0.55 * tall],
                [lip + 0.08 * radius, depth],
                [lip - 0.06 * radius, depth],
                [0.3 * lip + 0.05 * radius, bowl],
            ]
        )
        nose = 0.3 * lip
    else:
        bevel = rng.uniform(0.05, 0.16) * radius
        line = np.array(
            [
                [radius, face],
                [radius, depth - bevel * rng.uniform(0.5, 1.2)],
                [radius - bevel, depth - 0.2],
                [0.5 * radius, depth],
            ]
        )
        nose = 0.7 * radius
    start = np.array([[0.0, -4.0], [line[0, 0], -4.0]])
    end = np.array([[0.0, line[-1, 1]]])
    return np.concatenate([start, line, end]), float(nose)


def inset_profile(profile: Points, edge: float) -> Points:
    """A profile drawn in by its later rounding; simple because its slopes are gentle or upright."""
    ahead = np.diff(profile, axis=0, append=profile[-1:] + (profile[-1:] - profile[-2:-1]))
    back = np.diff(profile, axis=0, prepend=profile[:1] - (profile[1:2] - profile[:1]))
    normal = sum(
        np.column_stack([-d[:, 1], d[:, 0]]) / (np.linalg.norm(d, axis=1, keepdims=True) + 1e-9) for d in (ahead, back)
    )
    normal /= np.maximum(0.5 * (normal**2).sum(axis=1, keepdims=True), 0.35)
    made = profile + edge * np.asarray(normal)
    made[:, 0] = np.maximum(made[:, 0], 0.0)
    return np.asarray(made)


def _ribs(kind: str, plan: Plan, joint: MadeJoint, dish: Field, rng: np.random.Generator) -> Field | None:
    """Ribs that follow the dish, or stand up to straight lines from rim to nose."""
    if kind == "none":
        return None
    size, x0 = plan.chamber, plan.joint_x
    thick = float(rng.uniform(0.016, 0.034) * size + 2.0)
    high = float(rng.uniform(0.02, 0.05) * size + 1.5)
    edge = 1.6 * plan.cell
    over = f.common(f.grown(dish, high), f.half_space(0, x0 + plan.cover_depth - 0.3, 1.0))
    inside_rim = f.drum(
        (x0 - 3, 0, plan.center_z), (x0 + 2 * plan.cover_depth, 0, plan.center_z), joint.dish_r + 1.0, 0.5
    )
    over = f.common(over, inside_rim)

    def centered(field: Field) -> Field:
        return f.moved(field, (0, 0, plan.center_z))

    if kind in ("radial", "radial_ring", "spokes", "gussets"):
        count = int(rng.integers(3, 7)) * (2 if kind != "spokes" else 1)
        inner = float(rng.uniform(0.1, 0.45)) * joint.dish_r
        one = f.block(
            (x0 + 0.4 * size, 0, (inner + 0.6 * size) / 2), (0.9 * size, thick, 0.6 * size - inner), 0.3 * thick
        )
        spokes = centered(f.around_x(one, count, float(rng.choice([0.0, np.pi / count]))))
        if kind == "gussets":
            tip = float(rng.uniform(0.2, 0.5)) * joint.dish_r
            line = [
                (0, -4),
                (joint.dish_r, -4),
                (joint.dish_r, joint.face_z + 1),
                (tip, plan.cover_depth),
                (0, plan.cover_depth),
            ]
            over = f.common(f.moved(f.turned(line, 0.0, (0, plan.center_z)), (x0, 0, 0)), inside_rim)
        ribs = f.rounded_common(edge, spokes, over)
        if kind == "radial_ring":
            ribs = f.union(
                ribs,
                f.rounded_common(edge, centered(_tube_x(float(rng.uniform(0.4, 0.75)) * joint.dish_r, thick)), over),
            )
        return ribs
    if kind == "ring":
        rings = [
            centered(_tube_x(float(s) * joint.dish_r, thick)) for s in rng.uniform(0.3, 0.9, int(rng.integers(1, 3)))
        ]
        return f.rounded_common(edge, f.union(*rings), over)
    pitch = float(rng.uniform(0.1, 0.2) * size)
    turn = float(rng.choice([0.0, np.pi / 4, np.pi / 2]))
    bars = centered(parallel_walls(pitch, thick * 0.8, turn))
    if kind == "lattice":
        bars = f.union(bars, centered(parallel_walls(pitch, thick * 0.8, turn + np.pi / 2)))
    return f.rounded_common(edge, bars, over)


def _tube_x(radius: float, thick: float) -> Field:
    return lambda p: np.asarray(np.abs(np.hypot(p[:, 1], p[:, 2]) - radius) - thick / 2, np.float32)


def parallel_walls(pitch: float, thick: float, turn: float) -> Field:
    """Parallel walls along x, `pitch` apart."""

    def field(p: f.Values) -> f.Values:
        across = np.cos(turn) * p[:, 1] + np.sin(turn) * p[:, 2]
        off = np.abs((across / pitch) % 1.0 - 0.5) * pitch
        return np.asarray(off - thick / 2, np.float32)

    return field


def _bosses(plan: Plan, joint: MadeJoint, profile: Points, rng: np.random.Generator) -> Field | None:
    """A nose disk, small bosses round the dish, or a raised pad for a name."""
    out = []
    front, mid = plan.joint_x + plan.cover_depth, (0.0, plan.center_z)
    if chance(rng, 0.5):
        radius = float(rng.uniform(0.08, 0.22) * plan.chamber)
        out.append(f.drum((front - 0.5 * plan.cover_depth, *mid), (front, *mid), radius, 1.2))
    if chance(rng, 0.35) and plan.style in ("cast", "molded", "compact"):
        count, at = int(rng.integers(3, 9)), float(rng.uniform(0.45, 0.8)) * joint.dish_r
        top = plan.joint_x + height_at(profile, at) + rng.uniform(2.0, 6.0)
        one = f.drum(
            (plan.joint_x, 0, at), (min(top, front), 0, at), float(rng.uniform(0.025, 0.05) * plan.chamber), 1.0
        )
        out.append(f.moved(f.around_x(one, count, float(rng.uniform(0, 6))), (0, 0, plan.center_z)))
    if chance(rng, 0.3) and plan.style != "sheet":
        at = float(rng.uniform(0.35, 0.6)) * joint.dish_r * float(rng.choice([-1, 1]))
        top = min(plan.joint_x + height_at(profile, abs(at)) + rng.uniform(1.0, 4.0), front)
        size = (2 * (top - plan.joint_x), rng.uniform(0.25, 0.5) * plan.chamber, rng.uniform(0.08, 0.16) * plan.chamber)
        out.append(f.block((plan.joint_x, 0, plan.center_z + at), size, 1.2))
    return f.union(*out) if out else None


def height_at(profile: Points, radius: float) -> float:
    """Height of a dish's profile at a radius."""
    order = np.argsort(profile[2:, 0])
    return float(np.interp(radius, profile[2:, 0][order], profile[2:, 1][order]))
