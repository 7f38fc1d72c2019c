"""The discharge manifold as a field in the pump frame (mirrored below for the inlet)."""

from dataclasses import dataclass

import numpy as np

from tools.other_pumps import fields as f
from tools.other_pumps.bar_forms import MORE_BARS
from tools.other_pumps.fields import Field
from tools.other_pumps.hardware import size_for
from tools.other_pumps.plan import LATER_STYLES, Plan
from tools.other_pumps.ports import LINING_MM, MadePort
from tools.render.draws import chance
from tools.render.outlines import Points

BARS = {
    "cast": ("elbow", "elbow", "header", "saddle", "ball"),
    "molded": ("elbow", "header", "square", "saddle", "ball"),
    "turned": ("square", "square", "header"),
    "sheet": ("elbow", "header"),
    "compact": ("elbow", "square", "header", "saddle"),
    "domed": ("tee", "tee", "bow", "elbow"),
    "lugged": ("channel", "channel", "log"),
    "barreled": ("log", "bow", "tee"),
    "housed": ("inside",),
    "spined": ("tee", "log", "header", "saddle"),
    "flanked": ("elbow", "tee", "channel", "log"),
    "halved": ("bow", "channel", "elbow", "ball"),
}


@dataclass(frozen=True)
class BarForm:
    """Drawn form of a manifold; the same for both unless drawn anew.

    Attributes:
        kind: of BARS; fins: ribs on it; split: "none", "flanges", "bands" where the bar is made of pieces.
        slim: radius of the middle against the ends; fillet: between its members, mm; split_x: where it is split.
        pad: "oval", "square", "round", "band", "union" of the joint to the chamber's neck; pad_thick: of one plate.
    """

    kind: str
    fins: str
    split: str
    slim: float
    fillet: float
    split_x: float
    pad: str
    pad_thick: float
    rib_count: int


def draw_form(plan: Plan, one_piece: bool, neck_r: float, rng: np.random.Generator) -> BarForm:
    """Draw a manifold's form."""
    sheet = plan.style == "sheet"
    fins = "none" if sheet else str(rng.choice(["none", "keel", "rings", "webs"], p=[0.4, 0.25, 0.15, 0.2]))
    split = "none" if chance(rng, 0.55) else str(rng.choice(["flanges", "bands"]))
    if one_piece:
        split = str(rng.choice(["flanges", "bands"]))
    thick = float(rng.uniform(0.022, 0.04) * plan.chamber + 2.5)
    # A joint to the neck must not stand out before the cover.
    room = plan.joint_x + plan.cover_depth - plan.neck_x - neck_r
    size = float(size_for(plan.chamber, 1)[1:])
    needs = {"oval": 0.0, "square": 0.8 * size + 1.0, "round": 2.4 * size, "band": 1.3 * thick}
    if plan.style in LATER_STYLES:
        needs["union"] = 0.16 * neck_r + 1.05 * thick
    pads = [pad for pad in (("band", "round", "oval") if sheet else needs) if needs[pad] <= max(room, 0.0)]
    # A center port's branch needs its place between the splits.
    clear = 1.1 * plan.pipe_r + 1.5 * thick if plan.center_port and plan.style in LATER_STYLES else 0.0
    if clear > 0.8 * plan.neck_x:
        split = "none"
    if plan.internal:
        fins, split, pads = "none", "none", ["none"]
    return BarForm(
        str(rng.choice(BARS[plan.style])),
        fins,
        split,
        float(rng.uniform(0.78, 1.0)),
        float(rng.uniform(0.15, 0.6) * plan.pipe_r),
        max(float(rng.uniform(0.3, 0.62) * plan.neck_x), clear),
        "none" if one_piece else str(rng.choice(pads)),
        thick,
        int(rng.integers(4, 9)),
    )


def manifold_field(
    plan: Plan, form: BarForm, port: MadePort, side: int, pad_up: float, rng: np.random.Generator
) -> Field:
    """The manifold of the port `side` (0 discharge), drawn as if on top: z as of the discharge manifold."""
    z, r, nx = plan.outlet_z, plan.pipe_r, plan.neck_x
    foot = plan.center_z + pad_up
    slim = bar_radius(plan, form)
    if plan.style == "sheet":
        slim = r = 0.94 * r
    members: list[Field] = []
    for s in () if plan.internal else (-1.0, 1.0):
        members.append(_corner(form, s * nx, foot, z, r, slim, plan.neck_y, plan.bar_y))
    if form.kind == "square":
        body = f.block((0, 0, z), (2 * nx, 1.9 * slim, 1.9 * slim), 0.14 * slim + 1.0)
    elif form.kind == "saddle":
        line = f.curve([(-nx, 0, z), (-0.4 * nx, 0, z - 0.35 * r), (0.4 * nx, 0, z - 0.35 * r), (nx, 0, z)], 11)
        body = f.path(line, slim * (1 - 0.1 * np.sin(np.linspace(0, np.pi, 11))))
    elif form.kind in MORE_BARS:
        body = MORE_BARS[form.kind](plan, slim, foot, rng)
    else:
        body = f.rod((-nx, 0, z), (nx, 0, z), slim)
    # The bar's members are drawn on the axis; a riser leads from the neck's end to wherever the bar lies.
    bar = f.blend(form.fillet, f.moved(body, (0, plan.bar_y, 0)), *members)
    bar = f.blend(form.fillet, bar, _branch(plan, form, port, side, z, r))
    fins = _fins(plan, form, z, r)
    if fins is not None:
        bar = f.blend(2.0 + 0.01 * plan.chamber, bar, f.moved(fins, (0, plan.bar_y, 0)))
    top = plan.height - 0.1 if side == 0 else plan.center_z * 2 - 2.0
    bar = f.common(bar, f.half_space(2, top, 1.0), f.half_space(2, foot, -1.0))
    return f.less(bar, _passage(plan, form, side, z))


def bar_radius(plan: Plan, form: BarForm) -> float:
    """Of the bar's middle: with a wall round the port's passage."""
    return min(plan.pipe_r, max(form.slim * plan.pipe_r, 0.5 * plan.port.bore_mm + LINING_MM + 2.0))


def _corner(form: BarForm, x: float, foot: float, z: float, r: float, slim: float, y0: float, y1: float) -> Field:
    """From a neck's end (at y0) up into the bar (at y1)."""
    s = np.sign(x)
    if form.kind in ("elbow", "tee", "bow"):
        points = [
            (x, y0, foot - r),
            (x, y0, z - 0.25 * r),
            (x, y1, z),
            (x - s * 0.25 * r, y1, z),
            (x - s * 1.6 * r, y1, z),
        ]
        return f.path(f.curve(points, 11), np.linspace(r, slim, 11))
    if abs(y1 - y0) > 0.3 * r:
        bend = f.curve([(x, y0, foot - r), (x, y0, foot + 0.3 * (z - foot)), (x, y1, foot), (x, y1, z)], 9)
        upright = f.path(bend, np.linspace(r, 0.97 * r, 9))
    else:
        upright = f.rod((x, y0, foot - r), (x, y1, z), r, 0.97 * r)
    if form.kind == "square":
        riser = f.block((x, y0, (foot + z) / 2), (2 * r, 2.0 * r, z - foot + 1.96 * r), 0.16 * r + 1.0)
        return (
            riser
            if abs(y1 - y0) < 0.3 * r
            else f.union(upright, f.block((x, y1, z), (2 * r, 2 * r, 1.96 * r), 0.2 * r))
        )
    if form.kind == "header":
        return f.blend(2.0, upright, f.drum((x - s * r, y1, z), (x + s * 0.98 * r, y1, z), 0.98 * r, 0.12 * r + 0.8))
    if form.kind == "ball":
        return f.union(upright, f.ellipsoid((x, y1, z), (r, 1.12 * r, r)))
    return upright


def _branch(plan: Plan, form: BarForm, port: MadePort, side: int, z: float, r: float) -> Field:
    """From the bar to the back of its port, with a hub or gussets behind a flange."""
    t, reach = plan.toward[side], plan.reach[side]
    stop = reach + port.back_z + 1.5
    hub = 0.5 * plan.port.bore_mm + max(4.0, 0.16 * plan.port.bore_mm)
    hub = (
        min(max(hub, 0.8 * r), 0.5 * (plan.port.circle_mm - plan.port.hole_mm) - 4.0)
        if plan.port.flanged
        else 0.47 * plan.port.boss_mm
    )
    start = 0.0 if plan.center_port or plan.internal else min(plan.neck_x - 0.2 * r, stop - 4.0)
    if plan.center_port:
        a, b = np.array([0, plan.bar_y, z]), np.array([0, t * stop, z])
    else:
        a, b = (np.array([t * d, plan.bar_y, z]) for d in (start, stop))
    way = (b - a) / np.linalg.norm(b - a)
    pipe = f.rod(a, b, r if not plan.center_port else bar_radius(plan, form), hub)
    cut = f.half_space(1 if plan.center_port else 0, t * stop, t)
    members = [pipe]
    if plan.port.flanged and plan.style in ("molded", "cast") and form.fins != "none":
        members.append(_gussets(plan, form, b, way, hub))
    return f.common(f.blend(3.0, *members), cut)


def _gussets(plan: Plan, form: BarForm, end: Points, way: Points, hub: float) -> Field:
    """Thin walls between pipe and flange, between its holes."""
    axis = int(np.argmax(np.abs(way)))
    s = float(way[axis])
    tall = 0.46 * plan.port.flange_mm - hub
    long, thick = 1.1 * tall, 0.03 * plan.port.flange_mm + 2.0
    count = plan.port.holes

    def field(p: f.Values) -> f.Values:
        q = p - end.astype(np.float32)
        back = -s * q[:, axis]
        u, v = (q[:, k] for k in range(3) if k != axis)
        size, angle = np.hypot(u, v), np.arctan2(v, u)
        step = 2 * np.pi / count
        off = size * np.abs(np.sin(angle - step * np.round(angle / step)))
        wall = off - thick / 2
        slope = (size - hub) - tall * (1 - back / long)
        return np.asarray(np.maximum(np.maximum(wall, 0.7 * slope), -back), np.float32)

    return field


def _fins(plan: Plan, form: BarForm, z: float, r: float) -> Field | None:
    nx, thick = plan.neck_x, 0.02 * plan.chamber + 2.0
    if form.fins == "keel":
        return f.block((0, 0, z - 0.75 * r), (2 * nx - r, thick, 1.1 * r), 0.3 * thick)
    if form.fins == "rings":
        places = np.linspace(-0.75, 0.75, form.rib_count) * nx
        return f.union(*(f.drum((x - thick / 2, 0, z), (x + thick / 2, 0, z), 1.08 * r, 0.3 * thick) for x in places))
    if form.fins == "webs":
        line = [
            (-nx, z - 0.2 * r),
            (nx, z - 0.2 * r),
            (nx - 0.3 * r, z - 1.6 * r),
            (0.6 * nx, z - 1.05 * r),
            (-0.6 * nx, z - 1.05 * r),
            (-nx + 0.3 * r, z - 1.6 * r),
        ]
        return f.plate(line, 1, -thick / 2, thick / 2, 0.3 * thick)
    return None


def _passage(plan: Plan, form: BarForm, side: int, z: float) -> Field:
    """Room for the lining of the port's passage, and for its bolts behind the flange."""
    t, reach = plan.toward[side], plan.reach[side]
    deep = passage_depth(plan, form, side)
    a = np.array([0, t * (reach + 2), z]) if plan.center_port else np.array([t * (reach + 2), plan.bar_y, z])
    b = (
        np.array([0, t * (reach - deep - 3), z])
        if plan.center_port
        else np.array([t * (reach - deep - 3), plan.bar_y, z])
    )
    wide = plan.port.bore_mm / 2 + LINING_MM - 0.4
    if not plan.port.flanged:
        wide = max(wide, plan.port.major_mm / 2 + 0.6)
    return f.drum(a, b, wide, 0.5)


def passage_depth(plan: Plan, form: BarForm, side: int) -> float:
    """How deep one looks into a port."""
    if plan.center_port:
        return plan.reach[side] - plan.toward[side] * plan.bar_y + 0.35 * plan.pipe_r
    # A bent bar leads away from the port's axis behind its corner.
    bent = form.kind in ("saddle", "bow")
    clear = plan.reach[side] - (plan.neck_x - 0.4 * plan.pipe_r if bent else -0.4 * plan.neck_x)
    return float(min(3.2 * plan.port.bore_mm + 10.0, clear))
