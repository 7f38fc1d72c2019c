"""Necks that lead from a chamber cover to its manifolds."""

import numpy as np

from tools.other_pumps import fields as f
from tools.other_pumps.fields import Field
from tools.other_pumps.joint_rings import MadeJoint
from tools.other_pumps.plan import LATER_STYLES, Plan, bolt_room
from tools.render.draws import chance


def neck_end(plan: Plan, rng: np.random.Generator) -> float:
    """Height of the upper neck's end over the chamber's axis."""
    rise = plan.outlet_z - plan.center_z - plan.pipe_r
    if plan.beside:
        return rise - float(rng.uniform(0.1, 0.4)) * plan.pipe_r
    if plan.style in LATER_STYLES:
        # Neither the joint's plate nor bolts beside the bar may stand in a port's passage.
        aside = plan.neck_y != plan.bar_y
        rise = max(rise - (bolt_room(plan) if aside else 0.042 * plan.chamber + 2.5), plan.radius)
    return float(plan.radius + (rise - plan.radius) * rng.uniform(0.35, 0.95) + 1.0)


def drawn_neck(plan: Plan, joint: MadeJoint, pad_up: float, rng: np.random.Generator) -> tuple[str, float, Field]:
    """The upper neck, drawn over the axis height (mirror it downward); stays before the bolts of the joint."""
    kinds = {"sheet": ("pipe",), "turned": ("boxy", "round", "wide")}.get(
        plan.style, ("round", "oblong", "boxy", "wide", "front")
    )
    kind = "side" if plan.beside else str(rng.choice(kinds))
    before = plan.neck_x - plan.joint_x - joint.rest_z - 1.0
    deep = float(np.clip(plan.pipe_r * rng.uniform(0.85, 1.1), 4.0, max(before, 0.6 * plan.pipe_r)))
    x, y, z0, up = plan.neck_x, plan.neck_y, 0.35 * plan.radius, pad_up
    swell = float(rng.uniform(1.0, 1.25))
    if plan.style in LATER_STYLES:
        # A neck must not stand out before the cover.
        room = plan.joint_x + plan.cover_depth - x - 0.5
        deep = min(deep, max(room, 0.6 * plan.pipe_r))
        swell = min(swell, max(room / deep, 1.0))
    if kind == "side":
        low = float(rng.uniform(0.15, 0.5)) * max(up - 1.2 * deep, 0.2 * plan.radius)
        bend = f.curve([(x, 0.4 * y, 0.7 * low), (x, 0.7 * y, low), (x, y, low), (x, y, up), (x, y, up + deep)], 11)
        return kind, deep, f.path(bend, np.linspace(swell, 1.0, 11) * deep)
    if kind in ("round", "pipe", "front"):
        neck = f.rod((x, 0, z0), (x, y, up), deep * (swell if kind == "round" else 1.0), deep)
        neck = f.union(neck, f.rod((x, y, up), (x, y, up + deep), deep))
        if kind == "front":
            bow = f.curve(
                [
                    (x + 0.2 * plan.cover_depth, 0, 0.1 * plan.radius),
                    (x + 0.5 * plan.cover_depth, 0, 0.5 * plan.radius),
                    (x, y, 0.75 * plan.radius),
                    (x, y, up + deep),
                ],
                9,
            )
            neck = f.blend(4.0, neck, f.path(bow, np.linspace(0.75, 1.0, 9) * deep))
    elif kind == "oblong":
        neck = f.rod((x, 0, z0), (x, y, up + 0.5 * deep), deep, deep, flat=float(rng.uniform(0.55, 0.8)))
    elif kind == "boxy":
        wide = deep * rng.uniform(1.9, 2.6)
        neck = f.block((x, y, 0.8 * up), (2 * deep, wide, up), 0.18 * deep + 1.0)
    else:
        foot = float(rng.uniform(0.2, 0.34)) * plan.chamber
        corners = [
            (-foot, 0.3 * plan.radius),
            (foot, 0.3 * plan.radius),
            (y + 1.1 * deep, up + 3),
            (y - 1.1 * deep, up + 3),
        ]
        neck = f.plate(corners, 0, x - deep, x + deep, 0.2 * deep + 1.0)
    if chance(rng, 0.35) and plan.style in ("cast", "molded", "compact"):
        at = 0.5 * (0.8 * plan.radius + up)
        neck = f.blend(0.3 * deep, neck, f.ellipsoid((x, 0.7 * y, at), (1.1 * deep, 1.45 * deep, 0.9 * deep)))
    return kind, deep, neck
