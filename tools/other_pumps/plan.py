"""What one pump shall be: lengths, counts and words, of a family or drawn freely in the trade's proportions."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from reference_geometry.families import Family, KnownLength
from reference_geometry.standards import find_flange, find_pipe, find_thread
from reference_geometry.standards.flanges import FLANGE_STANDARDS
from reference_geometry.standards.threads import THREAD_STANDARDS
from tools.render.draws import chance
from tools.render.splits import Split

SPREAD = 0.0015
"""Relative standard deviation of a length between two pumps of a family."""
FREE_SIZES = ("1/2", "3/4", "1", "1-1/4", "1-1/2", "2", "2-1/2", "3", "4")
CHAMBERS_MM = {
    "1/2": (120, 165),
    "3/4": (140, 190),
    "1": (165, 240),
    "1-1/4": (190, 270),
    "1-1/2": (220, 320),
    "2": (265, 380),
    "2-1/2": (300, 400),
    "3": (330, 420),
    "4": (370, 420),
}
"""Chamber diameters drawn for a port size."""
Near = Callable[[str, float], float]
"""Gives a length of a family by name, with its spread, or else the proportion given."""
LATER_STYLES = ("domed", "lugged", "barreled", "housed", "spined", "halved", "flanked")
"""What each is made of is told in `styles`."""
STYLES = ("cast", "molded", "turned", "sheet", "compact", *LATER_STYLES)
TRAINING_STYLES = ("cast", "molded", *LATER_STYLES)
"""Those that a model may learn from; pumps to judge it by are of the others."""


@dataclass(frozen=True)
class PortPlan:
    """Both ports of a pump.

    Attributes:
        standard, nominal_in: by the standard's name.
        flanged: else threaded.
        flange_mm, circle_mm, holes, hole_mm: of the flange, 0 when threaded; face_mm: raised face's diameter, 0 when
            flat; thick_mm: of the flange.
        slot_mm: how much longer than wide the holes are.
        swivel: a loose flange behind a stub end.
        bore_mm: opening; major_mm, pitch_mm, angle_deg, taper: of the thread.
        boss_mm: outside diameter of a threaded mouth; hexed: it is a hexagon.
    """

    standard: str
    nominal_in: str
    flanged: bool
    flange_mm: float = 0.0
    circle_mm: float = 0.0
    holes: int = 0
    hole_mm: float = 0.0
    face_mm: float = 0.0
    thick_mm: float = 0.0
    slot_mm: float = 0.0
    swivel: bool = False
    bore_mm: float = 0.0
    major_mm: float = 0.0
    pitch_mm: float = 0.0
    angle_deg: float = 60.0
    taper: float = 0.0
    boss_mm: float = 0.0
    hexed: bool = False

    @property
    def outer_mm(self) -> float:
        """Greatest diameter of the port."""
        return self.flange_mm if self.flanged else self.boss_mm


@dataclass(frozen=True)
class Plan:
    """Everything of a pump that its builders must agree on; lengths in mm, pump frame of `pump_model`.

    Attributes:
        style: construction, one of STYLES.
        family_id, color: of the family, None and "" when free.
        chamber: over the joint; joint: "clamp_band" or "bolted"; bolts: round one joint (0 with a band).
        rise: from the joint's outermost edge to bolt-head tops or the band's lip.
        cover_depth: from that edge to the cover's front.
        joint_x: of the edge; center_z, inlet_z, outlet_z: heights; height, width: overall.
        port: both ports; center_port: they face +y or -y (`toward`), else +x or -x; reach: x or y of each face.
        toward: sign of the direction each port faces, discharge first.
        pipe_r: radius of the manifold's bar; neck_x: where it meets the chambers.
        bar_y, neck_y: how far the bar and the necks' ends lie to the front or rear of the axis.
        valve_side: -1 front, 1 rear; valve_screws; wetted: "plastic" or "metal".
        foot_long, foot_short; long_along_x: which way the feet lie.
        cell: grid of cast bodies.
        internal: the liquid's ways lie between the joints, without necks.
        beside: necks leave at the chambers' sides, and the manifolds lie before or behind them.
    """

    style: str
    family_id: str | None
    color: str
    chamber: float
    joint: str
    bolts: int
    rise: float
    cover_depth: float
    joint_x: float
    center_z: float
    inlet_z: float
    outlet_z: float
    height: float
    width: float
    port: PortPlan
    center_port: bool
    toward: tuple[float, float]
    reach: tuple[float, float]
    pipe_r: float
    neck_x: float
    bar_y: float
    neck_y: float
    valve_side: float
    valve_screws: int
    wetted: str
    foot_long: float
    foot_short: float
    long_along_x: bool
    cell: float
    internal: bool = False
    beside: bool = False

    @property
    def radius(self) -> float:
        """Of the chamber joint."""
        return self.chamber / 2


def bolt_room(plan: Plan) -> float:
    """Height that the bolts of a joint to a neck take below a bar that lies aside of it."""
    return 0.045 * plan.chamber + 14.0


def draw_plan(rng: np.random.Generator, family: Family | None, split: Split = "test") -> Plan:
    """A plan of a family, or a free one, in a style that the split may show."""
    words = _free_words(rng) if family is None else family
    wetted = words.wetted_material or "metal"
    joint = words.housing_joint or "bolted"

    def near(name: str, otherwise: float) -> float:
        known = words.lengths.get(name) or words.extra_number(name + "_mm")
        mean = otherwise if known is None else known if isinstance(known, float) else known.mean_mm
        return float(mean * (1 + SPREAD * np.clip(rng.normal(), -2.5, 2.5)))

    port = _port_plan(rng, words, wetted, near)
    chamber = near("chamber_diameter", 200.0)
    pipe = find_pipe(port.nominal_in)
    pipe_r = 0.5 * (pipe.outside_diameter_mm if pipe else port.bore_mm * 1.2) * rng.uniform(1.22, 1.5) + 1.5
    spacing = near("port_spacing", chamber * rng.uniform(1.02, 1.16) + 2 * pipe_r + rng.uniform(8, 30))
    pipe_r = float(
        np.clip(pipe_r, 0.56 * port.bore_mm + 2.5, max(0.56 * port.bore_mm + 2.6, (spacing - chamber) / 2 - 2))
    )
    center_port = words.port_position == "center"
    top = max(port.outer_mm / 2, pipe_r) + 0.5
    foot = max(port.outer_mm / 2, pipe_r) + rng.uniform(8.0, 22.0)
    height = near("overall_height", spacing + foot + top)
    # A bolt, clamp or rib on top of the manifold must not stand higher than the port.
    outlet_z = height - top
    cover = near("cover_depth", chamber * rng.uniform(0.22, 0.33))
    width, joint_x = _width(rng, near, chamber, cover, center_port)
    neck_x = joint_x + float(
        np.clip(cover * rng.uniform(0.34, 0.55), 0.25 * cover, max(cover - pipe_r - 1.0, 0.26 * cover))
    )
    aside = float(rng.choice([-1.0, 1.0]) * rng.uniform(0.5, 2.0) * pipe_r)
    bar_y = 0.0 if chance(rng, 0.62) else aside
    toward, reach = _ways(rng, center_port, joint_x + cover, width, pipe_r, port)
    if center_port:
        # The branch needs its length before the bar, wherever that lies.
        reach = (reach[0] + max(0.0, toward[0] * bar_y), reach[1] + max(0.0, toward[1] * bar_y))
    return Plan(
        style=_style(rng, wetted, joint, split),
        family_id=None if family is None else family.family_id,
        color="" if family is None else family.extras.get("body_color", ""),
        chamber=chamber,
        joint=joint,
        bolts=0 if joint == "clamp_band" else int(words.chamber_bolt_count or 8),
        rise=near("joint_rise", 4.4 + 0.008 * chamber),
        cover_depth=cover,
        joint_x=joint_x,
        center_z=outlet_z - spacing / 2,
        inlet_z=outlet_z - spacing,
        outlet_z=outlet_z,
        height=height,
        width=width,
        port=port,
        center_port=center_port,
        toward=toward,
        reach=reach,
        pipe_r=pipe_r,
        neck_x=neck_x,
        bar_y=bar_y,
        neck_y=bar_y * float(rng.uniform(0.35, 0.85)),
        valve_side=1.0 if words.air_valve_side == "rear" else -1.0,
        valve_screws=int(words.extra_number("air_valve_screw_count") or 4),
        wetted=wetted,
        foot_long=near("foot_spacing_long", chamber * rng.uniform(0.6, 0.8)),
        foot_short=near("foot_spacing_short", chamber * rng.uniform(0.42, 0.58)),
        long_along_x=chance(rng, 0.6),
        cell=float(np.clip(chamber / 118.0, 1.0, 4.0)),
    )


def _style(rng: np.random.Generator, wetted: str, joint: str, split: Split) -> str:
    if wetted == "plastic":
        usual = {"molded": 0.6, "turned": 0.25, "compact": 0.15}
    elif joint == "clamp_band":
        usual = {"cast": 0.6, "sheet": 0.4}
    else:
        usual = {"cast": 0.75, "turned": 0.1, "compact": 0.15}
    held_out = split == "test"
    usual |= dict.fromkeys(LATER_STYLES, 0.25)
    allowed = {style: share for style, share in usual.items() if (style in TRAINING_STYLES) != held_out}
    shares = np.array(list(allowed.values()))
    return str(rng.choice(list(allowed), p=shares / shares.sum()))


def _width(rng: np.random.Generator, near: Near, chamber: float, cover: float, center: bool) -> tuple[float, float]:
    """Overall width and the joint's x; an end port reaches beyond one cover."""
    reach = 0.0 if center else chamber * float(rng.uniform(0.12, 0.22))
    width = near("overall_width", chamber * rng.uniform(0.5, 0.7) + 2 * cover + reach)
    joint_x = (width - 2 * cover - reach) / 2
    return width, float(np.clip(joint_x, 0.2 * chamber, 0.42 * chamber))


def _ways(
    rng: np.random.Generator, center: bool, front_x: float, width: float, pipe_r: float, port: PortPlan
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Which way each port faces and how far out its face is."""
    sign = float(rng.choice([-1.0, 1.0]))
    same = chance(rng, 0.75)
    toward = (sign, sign if same else -sign)
    if center:
        out = pipe_r + (port.thick_mm if port.flanged else 1.1 * port.bore_mm) * rng.uniform(1.2, 2.2)
        return (-1.0 if chance(rng, 0.7) else 1.0, -1.0 if chance(rng, 0.8) else 1.0), (out, out)
    one, both = width - front_x, width / 2
    return toward, (one, one) if same else (both, both)


def _port_plan(rng: np.random.Generator, words: Family, wetted: str, near: Near) -> PortPlan:
    standard, size = words.port_standard or "NPT", words.port_nominal_in or "1"
    pipe = find_pipe(size)
    if words.connection == "flanged":
        flange = find_flange(standard, size)
        if flange is None or pipe is None:
            raise LookupError(f"no {standard} flange of size {size}")
        bore = near("port_bore", pipe.bore_schedule_80_mm if wetted == "plastic" else pipe.bore_schedule_40_mm)
        slotted = words.extras.get("slotted_holes") == "yes"
        raised = wetted == "metal" and chance(rng, 0.4)
        return PortPlan(
            standard,
            size,
            True,
            flange_mm=near("flange_diameter", float(rng.choice(flange.flange_diameters_mm))),
            circle_mm=near("bolt_circle_diameter", flange.bolt_circle_diameter_mm),
            holes=words.bolt_hole_count or int(rng.choice(flange.bolt_hole_counts)),
            hole_mm=near("bolt_hole_diameter", flange.bolt_hole_diameter_mm),
            face_mm=flange.raised_face_diameter_mm if raised else 0.0,
            thick_mm=flange.thickness_mm * rng.uniform(0.85, 1.2) * (1.25 if wetted == "plastic" else 1.0),
            slot_mm=flange.bolt_hole_diameter_mm * rng.uniform(0.25, 0.6) if slotted else 0.0,
            swivel=bool(words.swivel_flange),
            bore_mm=bore,
        )
    thread = find_thread(standard, size)
    if thread is None:
        raise LookupError(f"no {standard} thread of size {size}")
    return PortPlan(
        standard,
        size,
        False,
        bore_mm=thread.minor_diameter_mm,
        major_mm=near("thread_major_diameter", thread.major_diameter_mm),
        pitch_mm=thread.pitch_mm,
        angle_deg=thread.thread_angle_deg,
        taper=thread.taper_on_diameter,
        boss_mm=thread.major_diameter_mm * rng.uniform(1.36, 1.6) + (4.0 if wetted == "plastic" else 1.0),
        hexed=chance(rng, 0.3),
    )


def _free_words(rng: np.random.Generator) -> Family:
    """A family that never was: words and counts only; lengths come from the proportions in `draw_plan`."""
    flanged = chance(rng, 0.6)
    standard = str(rng.choice(FLANGE_STANDARDS if flanged else THREAD_STANDARDS))
    sizes = [s for s in FREE_SIZES if (find_flange if flanged else find_thread)(standard, s)]
    size = str(rng.choice(sizes))
    chamber = float(rng.uniform(*CHAMBERS_MM[size]))
    wetted = "metal" if chance(rng, 0.52) else "plastic"
    clamped = chance(rng, 0.42)
    return Family(
        "",
        "",
        "",
        "",
        connection="flanged" if flanged else "threaded",
        port_standard=standard,
        port_nominal_in=size,
        port_position="center" if chance(rng, 0.3) else "end",
        swivel_flange=flanged and chance(rng, 0.12),
        housing_joint="clamp_band" if clamped else "bolted",
        wetted_material=wetted,
        chamber_bolt_count=None if clamped else _bolt_count(rng, chamber),
        air_valve_side="front" if chance(rng, 0.6) else "rear",
        lengths={"chamber_diameter": KnownLength(chamber)},
        extras={
            "slotted_holes": "yes" if flanged and chance(rng, 0.12) else "no",
            "air_valve_screw_count": str(rng.choice([4, 4, 6, 8])),
        },
    )


def _bolt_count(rng: np.random.Generator, chamber: float) -> int:
    most = 8 if chamber < 170 else 12 if chamber < 250 else 20
    return int(rng.choice([n for n in (6, 8, 10, 12, 14, 16, 18, 20) if n <= most]))
