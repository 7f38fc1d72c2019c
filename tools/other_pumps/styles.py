"""The later styles of construction, all for training: what each is made of, and its proportions."""

from dataclasses import dataclass, replace

import numpy as np

from tools.other_pumps.plan import Plan, bolt_room
from tools.render.draws import chance

Range = tuple[float, float]


@dataclass(frozen=True)
class Style:
    """What a style may show; lengths as shares of the chamber's diameter.

    Attributes:
        covers, middles, stands: kinds of `cover_forms`, `middle_forms` and `stand_forms`.
        rim: thickness of a bolted cover's rim beside 3 mm; lugs: on its corners.
        band_pieces: how many segments a clamp may have.
        depth, joint_at: cover depth and the joint's distance from the middle, of a free invention.
    """

    covers: tuple[str, ...]
    middles: tuple[str, ...]
    stands: tuple[str, ...]
    rim: Range
    lugs: tuple[int, ...]
    band_pieces: tuple[int, ...]
    depth: Range
    joint_at: Range


LATER = {
    "domed": Style(
        ("finned", "finned", "fluted", "terraced"),
        ("ribbed", "posts"),
        ("trestle", "skids", "legs"),
        (0.008, 0.025),
        (0,),
        (1, 2, 3),
        (0.3, 0.46),
        (0.2, 0.34),
    ),
    "lugged": Style(
        ("pocketed", "celled", "boxed"),
        ("cube", "ribbed"),
        ("pads", "legs", "blades"),
        (0.06, 0.11),
        (4, 4, 3, 6),
        (2, 3),
        (0.14, 0.26),
        (0.26, 0.42),
    ),
    "barreled": Style(
        ("hooped", "hooped", "lidded"),
        ("posts", "cube"),
        ("skids", "pedestal", "rails"),
        (0.02, 0.05),
        (0, 0, 4),
        (3, 4),
        (0.34, 0.52),
        (0.22, 0.3),
    ),
    "housed": Style(
        ("egg", "pillow", "lidded", "terraced"),
        ("shroud", "cube"),
        ("pedestal", "pads", "trestle"),
        (0.015, 0.04),
        (0, 0, 2),
        (1, 3),
        (0.2, 0.36),
        (0.34, 0.5),
    ),
    "spined": Style(
        ("spined", "spined", "split", "pillow"),
        ("posts", "ribbed", "shroud"),
        ("trestle", "pads", "blades"),
        (0.03, 0.07),
        (0, 4),
        (1, 2, 4),
        (0.22, 0.36),
        (0.24, 0.46),
    ),
    "halved": Style(
        ("split", "egg", "boxed", "fluted"),
        ("shroud", "cube", "posts"),
        ("skids", "pedestal", "legs"),
        (0.02, 0.08),
        (0, 0, 6),
        (2, 3),
        (0.2, 0.42),
        (0.2, 0.5),
    ),
    "flanked": Style(
        ("finned", "pillow", "terraced", "lidded", "celled"),
        ("cube", "shroud", "ribbed"),
        ("trestle",),
        (0.02, 0.06),
        (0, 0, 3),
        (1, 2, 3),
        (0.22, 0.4),
        (0.28, 0.45),
    ),
}


def proportioned(plan: Plan, rng: np.random.Generator) -> Plan:
    """A plan with the proportions of its later style; a family's measured lengths stay what they are."""
    style, free, pipe_r = LATER[plan.style], plan.family_id is None, plan.pipe_r
    if free:
        plan = _resized(plan, style, rng)
    cover, rear = plan.cover_depth, plan.joint_x - 0.08 * plan.chamber - 6.0
    room = max(cover - 1.1 * pipe_r - 2.0, 0.26 * cover)
    plan = replace(plan, neck_x=plan.joint_x + float(np.clip(cover * rng.uniform(0.3, 0.65), 0.25 * cover, room)))
    if plan.style == "housed":
        if rear < 1.05 * pipe_r:
            # Too narrow for passages between the joints.
            return replace(plan, style="halved")
        plan = _aside(plan, 0.0, 0.0)
        return replace(plan, internal=True, neck_x=float(rng.uniform(0.75, 1.0)) * rear)
    if plan.style == "flanked":
        return _beside(plan, free, rng)
    bar, share = plan.bar_y, float(rng.uniform(0.5, 1.0))
    if chance(rng, 0.35):
        bar = float(rng.choice([-1.0, 1.0]) * rng.uniform(0.2, 0.55)) * plan.radius
    rise = plan.outlet_z - plan.center_z - plan.pipe_r - plan.radius
    return _aside(plan, bar, bar * share if rise > 1.2 * bolt_room(plan) else bar)


def _resized(plan: Plan, style: Style, rng: np.random.Generator) -> Plan:
    """Chambers smaller for their ports, nearer or farther, covers deeper or flatter, a higher manifold."""
    chamber = plan.chamber * float(rng.uniform(0.78, 1.0))
    if plan.bolts and np.pi * chamber / plan.bolts < 30.0:
        chamber = plan.chamber
    cover, joint_x = float(rng.uniform(*style.depth)) * chamber, float(rng.uniform(*style.joint_at)) * chamber
    lift = float(rng.uniform(0.0, 0.4)) * chamber if chance(rng, 0.4) else 0.0
    front = joint_x + cover
    reach = plan.reach
    width = 2 * front
    if not plan.center_port:
        beyond = float(rng.uniform(0.05, 0.22)) * chamber
        both = plan.toward[0] == plan.toward[1]
        reach = (front + beyond,) * 2 if both else (front + beyond / 2,) * 2
        width += beyond
    return replace(
        plan,
        chamber=chamber,
        cover_depth=cover,
        joint_x=joint_x,
        width=width,
        reach=reach,
        rise=4.4 + 0.008 * chamber,
        outlet_z=plan.outlet_z + lift,
        center_z=plan.center_z + lift / 2,
        height=plan.height + lift,
        foot_long=chamber * float(rng.uniform(0.5, 1.0)),
        foot_short=chamber * float(rng.uniform(0.36, 0.6)),
        cell=float(np.clip(chamber / 118.0, 1.0, 4.0)),
    )


def _beside(plan: Plan, free: bool, rng: np.random.Generator) -> Plan:
    """The manifolds past the chambers' sides, away from the valve; of a free invention low and near each other."""
    way = -plan.valve_side
    bar = way * (1.04 * plan.radius + plan.pipe_r + float(rng.uniform(0.06, 0.14)) * plan.chamber + 6.0)
    if plan.center_port:
        plan = replace(_aside(plan, 0.0, 0.0), toward=(way, way))
    plan = replace(_aside(plan, bar, bar), beside=True)
    if not free:
        return plan
    half = max(float(rng.uniform(0.5, 1.0)) * plan.radius, 2.7 * plan.pipe_r + 0.15 * plan.radius)
    half = max(half, 0.55 * plan.port.outer_mm + 4.0)
    top, foot = max(plan.port.outer_mm / 2, plan.pipe_r) + 0.5, float(rng.uniform(10.0, 0.3 * plan.chamber))
    center = max(plan.radius, half + top) + foot
    return replace(plan, center_z=center, inlet_z=center - half, outlet_z=center + half, height=center + half + top)


def _aside(plan: Plan, bar_y: float, neck_y: float) -> Plan:
    """The manifolds moved to the front or rear; a center port's branch keeps its length before the bar."""
    reach = plan.reach
    if plan.center_port:
        out = [r - max(0.0, t * plan.bar_y) + max(0.0, t * bar_y) for r, t in zip(reach, plan.toward, strict=True)]
        reach = (out[0], out[1])
    return replace(plan, bar_y=bar_y, neck_y=neck_y, reach=reach)
