"""Bars of the later styles' manifolds, as fields: tees, channels, bows, logs, and blocks between the joints."""

from collections.abc import Callable

import numpy as np

from tools.other_pumps import fields as f
from tools.other_pumps.fields import Field
from tools.other_pumps.plan import Plan

Bar = Callable[[Plan, float, float, np.random.Generator], Field]
"""Of the plan, the bar's least radius and the height where the manifold begins; drawn at y = 0."""


def _room(plan: Plan) -> float:
    """Greatest radius that stands no higher than the port."""
    return plan.height - plan.outlet_z - 0.4


def _tee(plan: Plan, slim: float, foot: float, rng: np.random.Generator) -> Field:
    """A ball or barrel in the middle with collars where elbows are screwed on."""
    nx, z, r = plan.neck_x, plan.outlet_z, plan.pipe_r
    big = min(_room(plan), 1.3 * r)
    collar, at = float(rng.uniform(0.1, 0.25)) * r, float(rng.uniform(0.3, 0.55)) * nx
    middle: Field = f.ellipsoid((0, 0, z), (min(1.5 * r, 0.8 * at + 0.2 * r), min(1.4 * r, 1.5 * r), big))
    if rng.random() < 0.5:
        middle = f.drum((-0.7 * at, 0, z), (0.7 * at, 0, z), big, 0.2 * r)
    collars = (f.drum((s * at - collar, 0, z), (s * at + collar, 0, z), big, 0.8) for s in (-1.0, 1.0))
    return f.union(f.blend(0.2 * r, f.rod((-nx, 0, z), (nx, 0, z), slim), middle), *collars)


def _channel(plan: Plan, slim: float, foot: float, rng: np.random.Generator) -> Field:
    """A flat wide duct, its sides square or round."""
    nx, z, r = plan.neck_x, plan.outlet_z, plan.pipe_r
    wide = float(rng.uniform(2.4, 3.0)) * r
    edge = float(rng.uniform(0.15, 0.85)) * slim
    long = min(nx + 0.95 * r, plan.joint_x + plan.cover_depth - 0.5)
    duct = f.block((0, 0, z), (2 * nx + float(rng.uniform(0.0, 2.0)) * (long - nx), wide, 1.96 * slim), edge)
    seam = f.block((0, 0, z), (2 * long, min(wide + 0.3 * r, 3.1 * r), 0.25 * r), 0.08 * r)
    return f.union(duct, seam) if rng.random() < 0.5 else duct


def _bow(plan: Plan, slim: float, foot: float, rng: np.random.Generator) -> Field:
    """A bar bent to the front or rear."""
    nx, z, r = plan.neck_x, plan.outlet_z, plan.pipe_r
    out = float(rng.choice([-1.0, 1.0]) * rng.uniform(0.5, 1.6)) * r
    line = f.curve([(-nx, 0, z), (-0.6 * nx, out, z), (0.6 * nx, out, z), (nx, 0, z)], 11)
    return f.path(line, slim)


def _log(plan: Plan, slim: float, foot: float, rng: np.random.Generator) -> Field:
    """A bar that swells to its middle or to its ends, with a few rings."""
    nx, z, r = plan.neck_x, plan.outlet_z, plan.pipe_r
    big = min(_room(plan), float(rng.uniform(1.0, 1.3)) * r)
    wave = np.cos(np.linspace(-np.pi / 2, np.pi / 2, 9))
    # Its ends stand no farther out than the risers.
    sizes = slim + (big - slim) * wave if rng.random() < 0.6 else slim + (r - slim) * (1 - wave)
    bar = f.path(np.column_stack([np.linspace(-nx, nx, 9), np.zeros(9), np.full(9, z)]), sizes)
    half, ring = float(rng.uniform(0.06, 0.14)) * r, min(_room(plan), 1.08 * big)
    places = rng.uniform(-0.9, 0.9, int(rng.integers(0, 4))) * nx
    return f.union(bar, *(f.drum((x - half, 0, z), (x + half, 0, z), ring, 0.7) for x in places))


def _inside(plan: Plan, slim: float, foot: float, rng: np.random.Generator) -> Field:
    """A block or column between the joints, down to the air section."""
    nx, z, r = plan.neck_x, plan.outlet_z, plan.pipe_r
    broad = float(rng.uniform(1.0, 1.5)) * r
    if rng.random() < 0.4:
        column = f.rod((0, 0, foot - r), (0, 0, z), min(1.2 * r, nx))
        return f.blend(0.3 * r, column, f.drum((-nx, 0, z), (nx, 0, z), r, 0.3 * r))
    top = z + float(rng.uniform(0.3, 0.95)) * r
    wide = float(rng.uniform(1.0, 1.5)) * broad
    corners = [(-wide, foot - r), (wide, foot - r), (broad, z), (0.8 * broad, top), (-0.8 * broad, top), (-broad, z)]
    block = f.plate(corners, 0, -nx, nx, 0.12 * r + 1.0)
    return f.blend(0.2 * r, block, f.drum((-nx, 0, z), (nx, 0, z), 0.98 * r, 0.2 * r))


MORE_BARS: dict[str, Bar] = {"tee": _tee, "channel": _channel, "bow": _bow, "log": _log, "inside": _inside}
