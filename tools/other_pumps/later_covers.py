"""Covers of the later styles with something screwed on, and the choice among all with their necks."""

from dataclasses import replace

import numpy as np

from tools.other_pumps import cover_forms as forms
from tools.other_pumps import fields as f
from tools.other_pumps.chamber_shells import Shell, floor_of, height_at, with_necks
from tools.other_pumps.cover_forms import OUT, CoverBody, Maker, behind_front, column_of, drawn_dish, turned_body
from tools.other_pumps.fields import Field
from tools.other_pumps.hardware import head, heads_at, size_for
from tools.other_pumps.joint_rings import MadeJoint
from tools.other_pumps.plan import Plan
from tools.other_pumps.styles import LATER
from tools.render.draws import chance
from tools.render.pieces import together

UP = np.array([0.0, 0.0, 1.0])


def lidded(plan: Plan, joint: MadeJoint, rng: np.random.Generator) -> CoverBody:
    """A dome with a round lid screwed on in front; the lid's hub stands before its screws."""
    made = head(str(rng.choice(["hex", "socket", "hex_flange"])), size_for(plan.chamber, 2))
    step = made.height_mm + 1.0
    ring_x = plan.joint_x + plan.cover_depth - step
    thick = float(rng.uniform(0.03, 0.06)) * plan.chamber
    under = max(plan.cover_depth - step - 0.5 * thick, 0.5 * plan.cover_depth)
    dish = turned_body(plan, drawn_dish(joint, under, ("super", "knuckle", "cone", "flat"), rng), 1.5)
    lid_r = float(rng.uniform(0.45, 0.68)) * joint.dish_r
    at = lid_r - 0.62 * made.wide_mm - 1.5
    hub = max(at - 0.7 * made.wide_mm - 1.0, 0.15 * plan.radius)
    z = plan.center_z
    lid = f.drum((ring_x - thick, 0, z), (ring_x, 0, z), lid_r, 1.0)
    neck = f.drum((plan.joint_x, 0, z), (ring_x - 0.5 * thick, 0, z), 0.92 * lid_r, 1.0)
    cap = f.drum((ring_x - 2, 0, z), (plan.joint_x + plan.cover_depth, 0, z), hub, 1.0)
    turns = (np.arange(n := int(rng.integers(5, 13))) + 0.5) * 2 * np.pi / n
    seats = np.column_stack([np.full(n, ring_x), at * np.sin(turns), z + at * np.cos(turns)])
    return CoverBody(
        f.union(f.blend(0.04 * plan.chamber, dish, neck), lid, cap), 0.9 * hub, heads_at(made, seats, OUT, UP, rng)
    )


def split(plan: Plan, joint: MadeJoint, rng: np.random.Generator) -> CoverBody:
    """Two halves drawn together by bolts through an upright or level seam that stands proud."""
    made = head(str(rng.choice(["hex_washer", "hex_flange", "socket"])), size_for(plan.chamber, 1))
    stand = max(1.25 * made.wide_mm, 0.05 * plan.chamber)
    profile = drawn_dish(joint, plan.cover_depth - 0.8 * stand, ("super", "knuckle"), rng)
    dish = turned_body(plan, profile, 1.5)
    half = float(rng.uniform(0.03, 0.05)) * plan.chamber
    level = chance(rng, 0.3)
    seam_axis, along_axis = (2, 1) if level else (1, 2)
    origin = np.array([0.0, 0.0, plan.center_z])

    def between(width: float) -> Field:
        return lambda p: np.asarray(np.abs(p[:, seam_axis] - origin[seam_axis]) - width, np.float32)

    over = f.common(f.grown(dish, stand), column_of(plan, joint.dish_r), behind_front(plan))
    seam = f.rounded_common(1.6 * plan.cell, over, between(half))
    groove = f.common(f.less(f.grown(dish, 2 * stand), f.grown(dish, 0.55 * stand)), between(1.1 * plan.cell))
    bolts = []
    way = np.eye(3)[seam_axis]
    for share in (0.3, 0.72):
        for side in (-1.0, 1.0):
            at = share * joint.dish_r
            slope = (height_at(profile, at + 2) - height_at(profile, at - 2)) / 4
            normal = np.array([1.0, -slope]) / np.hypot(1.0, slope)
            lift = 0.5 * stand
            point = origin + (plan.joint_x + height_at(profile, at) + lift * normal[0]) * OUT
            point[along_axis] += side * (at + lift * normal[1])
            for s in (-1.0, 1.0):
                bolts.append(heads_at(made, (point + s * half * way)[None], s * way, OUT, rng))
    body = f.less(f.blend(2.5, dish, seam), groove)
    return CoverBody(body, 0.2 * joint.dish_r, together(bolts))


MAKERS: dict[str, Maker] = {
    "finned": forms.finned,
    "terraced": forms.terraced,
    "fluted": forms.fluted,
    "pocketed": forms.pocketed,
    "celled": forms.celled,
    "boxed": forms.boxed,
    "hooped": forms.hooped,
    "lidded": lidded,
    "egg": forms.egg,
    "pillow": forms.pillow,
    "spined": forms.spined,
    "split": split,
}


def later_shell(plan: Plan, joint: MadeJoint, rng: np.random.Generator) -> Shell:
    """Draw a cover of a later style, with its necks."""
    kind = str(rng.choice(LATER[plan.style].covers))
    made = MAKERS[kind](plan, joint, rng)
    body = f.blend(float(rng.uniform(0.01, 0.05) * plan.chamber), made.field, floor_of(plan, joint))
    words = {"cover_profile": kind, "cover_ribs": "none"}
    return replace(with_necks(plan, joint, body, made.nose_r, words, rng), pieces=made.pieces)
