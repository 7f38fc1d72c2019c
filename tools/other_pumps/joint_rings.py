"""The round joint of a chamber: bolted rims or a clamp band, about the local z axis, its outermost edge at z = 0."""

from dataclasses import dataclass

import numpy as np

from tools.other_pumps.hardware import HEADS, Head, head, heads_at, size_for, through_bolt
from tools.other_pumps.plan import Plan
from tools.other_pumps.shapes import FINE, rounded_loop, slab, turned_arc, wavy_outline
from tools.other_pumps.styles import LATER
from tools.render.draws import chance
from tools.render.outlines import Points, circle
from tools.render.pieces import Pieces, local_circle, piece, together
from tools.render.solids import box, cut, drum, join, placed, shifted, tube

UP, OUT = np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, eq=False)
class MadeJoint:
    """A joint and what its neighbors must know.

    Attributes:
        pieces: parts with the chamber's circle.
        dish_r: greatest radius of the cover's dish; face_z: plane it rises from.
        back_z, back_r: where the air side begins and the radius it may have there.
        rest_z: plane of bolt-head tops or of the band's lip.
        kind: a word for it.
    """

    pieces: Pieces
    dish_r: float
    face_z: float
    back_z: float
    back_r: float
    rest_z: float
    kind: str


def made_joint(plan: Plan, rng: np.random.Generator) -> MadeJoint:
    """Draw and build the joint of a plan."""
    return _band(plan, rng) if plan.joint == "clamp_band" else _bolted(plan, rng)


def _bolted(plan: Plan, rng: np.random.Generator) -> MadeJoint:
    radius, count = plan.radius, plan.bolts
    pitch = 2 * np.pi * radius / count
    kind = str(rng.choice(HEADS, p=[0.12, 0.26, 0.18, 0.1, 0.08, 0.12, 0.08, 0.06]))
    made = head(kind, size_for(plan.chamber, int(chance(rng, 0.3)) + int(pitch < 2.8 * 14)))
    turn = float(rng.choice([0.0, np.pi / count])) + (0.3 * np.pi / count if chance(rng, 0.15) else 0.0)
    turns = turn + np.arange(count) * 2 * np.pi / count
    outline_kind = str(
        rng.choice(["round", "scalloped", "eared"], p=[0.6, 0.25, 0.15] if count <= 12 else [0.75, 0.25, 0.0])
    )
    later = LATER.get(plan.style)
    if later and outline_kind == "eared" and pitch < 7.0 * made.wide_mm:
        # Ears would leave too little of the round edge between them.
        outline_kind = "round"
    bolt_r = radius - made.wide_mm * rng.uniform(0.58, 0.8) - 1.5
    if outline_kind == "eared":
        bolt_r = radius - made.wide_mm * rng.uniform(0.05, 0.25)
    edge, seat, rest = _heights(plan, made, rng)
    thick = float(rng.uniform(*(later.rim if later else (0.03, 0.06))) * plan.chamber + 3.0)
    dish_r = min(bolt_r - 0.56 * made.wide_mm - 1.5, radius - 4.0)
    dish_r = max(dish_r, 0.7 * radius)
    outline = _rim_outline(radius, turns, outline_kind, made.wide_mm, rng)
    parts = [piece(slab(outline, -thick, edge, edge, 0.5), "bolted_rim", "wetted")]
    if outline_kind == "eared":
        ear_r = made.wide_mm * rng.uniform(0.62, 0.75)
        parts += [
            piece(placed(slab(circle(ear_r, 48), -thick, edge, edge, 0.5), shifted(*at)), "bolted_rim", "wetted")
            for at in _on(bolt_r, turns)
        ]
    if seat > edge + 0.2:
        parts += [
            piece(placed(slab(circle(0.56 * made.wide_mm, 48), 0.0, seat, 0.4), shifted(*at)), "bolted_rim", "wetted")
            for at in _on(bolt_r, turns)
        ]
    if later and outline_kind == "round":
        parts += _corner_lugs(radius, int(rng.choice(later.lugs)), thick, edge, rng)
    gap, back, back_r = _air_rim(plan, radius, outline_kind, turns, bolt_r, made, thick, rng)
    centers = np.column_stack([_on(bolt_r, turns), np.full(count, seat)])
    bolts = heads_at(made, centers, OUT, UP, rng)
    tops = centers + np.array([0, 0, made.height_mm])
    circle_ = Pieces(circles=(local_circle("chamber_diameter", plan.chamber, 0.0, tops),))
    # The chamber's own circle comes first: the preview looks there.
    pieces = together([circle_, *parts, *gap, bolts])
    return MadeJoint(pieces, dish_r, edge, back, back_r, rest, outline_kind + "_" + kind)


def _corner_lugs(radius: float, count: int, thick: float, edge: float, rng: np.random.Generator) -> list[Pieces]:
    """Square or round lugs that stand out beyond the round edge, drilled or plain."""
    wide, out = (
        float(rng.uniform(0.07, 0.13)) * radius * min(1.0, 4 / max(count, 1)),
        float(rng.uniform(0.08, 0.2)) * radius,
    )
    drilled, rounded = chance(rng, 0.6), chance(rng, 0.5)
    corner = float(rng.uniform(0.2, 0.9)) * wide
    lug = rounded_loop(
        [(0.8 * radius, -wide), (radius + out, -wide), (radius + out, wide), (0.8 * radius, wide)], corner
    )
    bodies = [slab(lug, -thick, edge, edge, 0.5)]
    if rounded:
        bodies.append(placed(slab(circle(1.15 * wide, 48), -thick, edge, edge, 0.5), shifted(radius + out - wide)))
    if drilled:
        hole = placed(drum(0.45 * wide, -thick - 1, edge + 1, 0.0, 32), shifted(radius + out - wide))
        bodies = [cut(body, [hole]) for body in bodies]
    mesh = join(bodies)
    first = np.pi / count if count and chance(rng, 0.7) else 0.0
    turns = first + np.arange(count) * 2 * np.pi / max(count, 1)
    return [piece(placed(mesh, shifted(turn=float(t))), "bolted_rim", "wetted") for t in turns]


def _heights(plan: Plan, made: Head, rng: np.random.Generator) -> tuple[float, float, float]:
    """Edge radius, seat height and top of the bolts; a family's rise is met by raised or sunk seats."""
    if plan.family_id is None:
        edge = float(rng.uniform(0.3, 3.0))
        seat = edge + (float(rng.uniform(0.5, 2.5)) if chance(rng, 0.35) else 0.0)
        return edge, seat, seat + made.height_mm
    room = plan.rise - made.height_mm
    edge = float(np.clip(rng.uniform(0.3, 2.5), 0.3, max(room, 0.3)))
    return edge, max(room, 0.0), max(room, 0.0) + made.height_mm


def _on(radius: float, turns: Points) -> Points:
    return np.asarray(radius * np.column_stack([np.sin(turns), np.cos(turns)]))


def _rim_outline(radius: float, turns: Points, kind: str, wide: float, rng: np.random.Generator) -> Points:
    """A round outline, or one that falls back between the bolts but is round about them."""
    if kind != "scalloped":
        return circle(radius, 2 * FINE if radius > 150 else FINE)
    deep = float(rng.uniform(0.25, 0.55)) * wide
    keep = float(rng.uniform(0.45, 0.65))
    step, first = 2 * np.pi / len(turns), np.pi / 2 - turns[0]

    def at(angle: Points) -> Points:
        off = np.abs(((angle - first + step / 2) % step) - step / 2) / (step / 2)
        dip = np.clip((off - keep) / (1 - keep), 0, 1)
        return np.asarray(radius - deep * (3 * dip**2 - 2 * dip**3))

    return wavy_outline(at, 3 * FINE)


def _air_rim(
    plan: Plan,
    radius: float,
    kind: str,
    turns: Points,
    bolt_r: float,
    made: Head,
    thick: float,
    rng: np.random.Generator,
) -> tuple[list[Pieces], float, float]:
    """The diaphragm's edge and the air chamber's rim behind the cover's, with nuts behind where bolts go through."""
    rubber = float(rng.uniform(1.5, 4.0))
    inner = radius - float(rng.uniform(0.3, 3.0))
    parts = [piece(tube(0.6 * radius, inner - rng.uniform(0.0, 1.5), -thick - rubber, -thick), "bolted_rim", "rubber")]
    behind = float(rng.uniform(0.03, 0.055) * plan.chamber + 3.0)
    back = -thick - rubber - behind
    outline = circle(inner, FINE) if kind != "scalloped" else _rim_outline(inner, turns, kind, made.wide_mm, rng)
    edge = float(rng.uniform(0.5, 2.5))
    parts.append(piece(slab(outline, back, -thick - rubber, 0.5, edge), "bolted_rim", "air_section"))
    if kind == "eared":
        parts += [
            piece(
                placed(slab(circle(0.62 * made.wide_mm, 40), back, -thick, 0.5), shifted(*at)),
                "bolted_rim",
                "air_section",
            )
            for at in _on(bolt_r, turns)
        ]
    if chance(rng, 0.55):
        nut = head(str(rng.choice(["nut", "nut_washer", "hex_flange"])), size_for(plan.chamber, 1))
        centers = np.column_stack([_on(bolt_r, turns), np.full(len(turns), back)])
        parts.append(heads_at(nut, centers, -OUT, UP, rng))
    return parts, back, min(inner - 2.0, bolt_r - 0.6 * made.wide_mm)


def _band(plan: Plan, rng: np.random.Generator) -> MadeJoint:
    radius = plan.radius
    wide = float(rng.uniform(0.03, 0.055) * plan.chamber + 5.0)
    kind = str(rng.choice(["vee", "round", "channel", "beaded"], p=[0.4, 0.25, 0.2, 0.15]))
    rise = plan.rise if plan.family_id else float(rng.uniform(4.0, 5.0) + 0.008 * plan.chamber)
    section, drop = _band_section(kind, radius, wide, rise, rng)
    ends = 1 if chance(rng, 0.35) else 2
    if plan.style in LATER:
        ends = int(rng.choice(LATER[plan.style].band_pieces))
    first = float(rng.choice([0.0, np.pi / 2, np.pi, -np.pi / 2, rng.uniform(0, 2 * np.pi)]))
    gap = float(rng.uniform(4.0, 11.0)) / radius
    opens = first + np.arange(ends) * 2 * np.pi / ends
    parts = [
        piece(turned_arc(section, a + gap / 2, a + 2 * np.pi / ends - gap / 2, 2 * FINE // ends), "clamp_band", "band")
        for a in opens
    ]
    low = float(section[:, 1].min())
    for angle in opens:
        parts.append(_closure(plan, angle, gap, radius, low, float(section[:, 1].max()), rng))
    # The two clamped lips, seen in the gap and beside the band.
    middle = (low + float(section[:, 1].max())) / 2
    dish_r = radius - drop - rng.uniform(5.0, 8.0)
    parts.append(
        piece(tube(0.7 * radius, radius - drop - 1.0, middle + 0.5, rise - 0.8, 0.8, FINE), "chamber_cover", "wetted")
    )
    parts.append(
        piece(tube(0.7 * radius, radius - drop - 1.0, low + 0.8, middle - 0.5, 0.8, FINE), "air_section", "air_section")
    )
    circle_ = Pieces(circles=(local_circle("chamber_diameter", plan.chamber, 0.0),))
    return MadeJoint(together([circle_, *parts]), dish_r, rise - 0.8, low, dish_r, rise, f"band_{kind}_{ends}")


def _band_section(kind: str, radius: float, wide: float, rise: float, rng: np.random.Generator) -> tuple[Points, float]:
    """Closed section (K, 2) of (r, z) with its crest's front edge at z = 0, and the lip's drop below the crest."""
    drop = float(rng.uniform(0.028, 0.05) * radius + 4.0)
    if kind == "round":
        turns = np.linspace(-np.pi / 2, np.pi / 2, 17)
        outer = np.column_stack([radius - drop + drop * np.cos(turns), rise * np.sin(turns)])
        return np.concatenate([outer, [[radius - drop - 5.0, rise], [radius - drop - 5.0, -rise]]]), drop
    crest = float(rng.uniform(0.4, 1.0) * wide)
    bend = float(rng.uniform(0.8, 2.2))
    if kind == "channel":
        corners = [
            (radius - drop - 4, -crest - rise),
            (radius - 0.6 * drop, -crest - rise),
            (radius, -crest),
            (radius, 0),
            (radius - 0.6 * drop, rise),
            (radius - drop - 4, rise),
        ]
    elif kind == "beaded":
        low = radius - 2.2
        corners = [
            (radius - drop - 4, -crest - rise),
            (radius - drop, -crest - rise),
            (radius, -crest),
            (radius, -0.72 * crest),
            (low, -0.6 * crest),
            (low, -0.4 * crest),
            (radius, -0.28 * crest),
            (radius, 0),
            (radius - drop, rise),
            (radius - drop - 4, rise),
        ]
    else:
        corners = [
            (radius - drop - 4, -crest - rise),
            (radius - drop, -crest - rise),
            (radius, -crest),
            (radius, 0),
            (radius - drop, rise),
            (radius - drop - 4, rise),
        ]
    return _bent_crest(np.array(corners), bend, radius), drop


def _bent_crest(corners: Points, bend: float, radius: float) -> Points:
    """The section with bent corners; the crest stays flat at its full radius."""
    made = rounded_loop(corners, bend)
    # Rounding takes nothing off the flat part of the crest; a very short crest is lifted back to its radius.
    return np.asarray(made + np.array([radius - made[:, 0].max(), 0.0]))


def _closure(
    plan: Plan, angle: float, gap: float, radius: float, low: float, high: float, rng: np.random.Generator
) -> Pieces:
    """Two ears at a gap of the band, drawn together by a bolt; drawn about the +x direction, then turned."""
    tall = float(rng.uniform(0.045, 0.075) * plan.chamber + 8.0)
    ear = float(rng.uniform(4.0, 7.0) + 0.01 * plan.chamber)
    deep = (high - low) * float(rng.uniform(0.75, 1.0))
    size = size_for(plan.chamber, int(chance(rng, 0.5)))
    half = gap / 2 * radius
    middle = (low + high) / 2
    out: list[Pieces] = []
    round_ears = chance(rng, 0.5)
    for sign in (-1.0, 1.0):
        y = sign * (half + ear / 2)
        if round_ears:
            lug = drum(deep / 2, -ear / 2, ear / 2, 0.8, 48)
            turn = np.array([[1, 0, 0, radius + 0.45 * tall], [0, 0, -1, y], [0, 1, 0, middle], [0, 0, 0, 1.0]])
            out.append(piece(placed(lug, turn), "clamp_band", "band"))
            out.append(
                piece(box((0.9 * tall, ear, deep), 1.0, 0.6, (radius + 0.02 * tall, y, middle)), "clamp_band", "band")
            )
        else:
            out.append(
                piece(box((tall + 4, ear, deep), 1.5, 0.8, (radius + tall / 2 - 3, y, middle)), "clamp_band", "band")
            )
    at = radius + (0.45 if round_ears else 0.55) * tall
    ends = [np.array([at, s * (half + ear), middle]) for s in (-1.0, 1.0)]
    bolt = through_bolt(ends[0], ends[1], size, rng)
    shank = drum(0.5 * float(size[1:]), -half - ear, half + ear, 0.0, 24)
    along_y = np.array([[1, 0, 0, at], [0, 0, -1, 0], [0, 1, 0, middle], [0, 0, 0, 1.0]])
    out += [bolt, piece(placed(shank, along_y), "other", "fastener")]
    return together(out).moved(shifted(turn=angle))
