"""Everything that decides the form of one pump, in millimeters and names; drawn freely or from a family.

The builders read these and nothing else, so one shape always gives one and the same pump.
"""

from dataclasses import dataclass, field
from typing import Literal

Connection = Literal["flanged", "threaded"]
HousingJoint = Literal["clamp_band", "bolted"]


@dataclass(frozen=True)
class CoverShape:
    """The dished liquid chamber cover.

    Attributes:
        profile, ribs, boss: kinds.
        depth_mm: from the joint's front face to the highest point of the dish.
        rib_count, rib_height_mm, rib_thickness_mm: of radial ribs and gussets; of rings and grids the count
            across.
        boss_radius_mm, boss_height_mm: of the center boss.
        channel: a raised liquid passage runs up and down over the dish.
        form: what a free kind's form is drawn from.
    """

    profile: str
    ribs: str
    boss: str
    depth_mm: float
    rib_count: int
    rib_height_mm: float
    rib_thickness_mm: float
    boss_radius_mm: float
    boss_height_mm: float
    channel: bool
    form: int = 0


@dataclass(frozen=True)
class JointShape:
    """The round joint between liquid chamber and air section.

    Attributes:
        housing_joint: clamped or bolted.
        kind: band section or rim outline.
        diameter_mm: `chamber_diameter`.
        front_mm: clamped: half the band's width; bolted: thickness of the cover's flange.
        back_mm: thickness of the air section's flange.
        seam_mm: thickness of the diaphragm's bead between the two.
        band_mm: radial thickness of the band.
        bolt_count, bolt_head, bolt_system, bolt_size, bolt_seat: of a bolted rim (count 0 when clamped).
        bolt_seat_mm: height of the bolts' seats over the rim's face; below 0 in counterbores, above 0 on
            pads.
        bolt_inset_mm: from the round edge to the bolt circle.
        clock_rad: angle of the first bolt (bolted) or closure (clamped) from "up", counter-clockwise seen
            from outside.
        closure, closure_count: of a band.
        flat_share: for squarish and free outlines, distance of the flats as a share of the radius.
        back_share: the air section's flange diameter as a share of the cover's.
        form: what a free kind's form is drawn from.
    """

    housing_joint: HousingJoint
    kind: str
    diameter_mm: float
    front_mm: float
    back_mm: float
    seam_mm: float
    band_mm: float
    bolt_count: int
    bolt_head: str
    bolt_system: str
    bolt_size: str
    bolt_seat: str
    bolt_seat_mm: float
    bolt_inset_mm: float
    clock_rad: float
    closure: str
    closure_count: int
    flat_share: float
    back_share: float
    form: int = 0


@dataclass(frozen=True)
class PortShape:
    """One liquid port.

    Attributes:
        connection, standard, nominal_in: words of the design's section 3.
        toward: unit axis the port faces, "+x", "-x", "+y" or "-y".
        bore_mm: `port_bore`; for a female thread the minor diameter at its mouth.
        build: flange build or boss kind.
        flange_diameter_mm, bolt_circle_mm, hole_count, hole_mm, thickness_mm: of a flange.
        raised_face_mm, raised_face_diameter_mm: height 0 for a flat face.
        slot_mm: radial length added to each hole, 0 for round ones.
        clock_rad: angle of the first hole from "up"; holes straddle the center line unless swiveled.
        boss_mm: outside radius of a threaded boss.
        swivel: the flange ring can turn.
        mated: a companion flange and pipe, or a fitting, closes the port.
        fitting: for a mated threaded port: "nipple", "elbow", "plug" or "barb".
        bolt_system, bolt_head: of the companion's bolts.
        run_mm: length of the pipe beyond the port.
        run_turn_rad: which way an elbow beyond the port leads, from "up", counter-clockwise seen from
            outside.
        form: what a free kind's form is drawn from.
    """

    connection: Connection
    standard: str
    nominal_in: str
    toward: str
    bore_mm: float
    build: str
    flange_diameter_mm: float = 0.0
    bolt_circle_mm: float = 0.0
    hole_count: int = 0
    hole_mm: float = 0.0
    thickness_mm: float = 0.0
    raised_face_mm: float = 0.0
    raised_face_diameter_mm: float = 0.0
    slot_mm: float = 0.0
    clock_rad: float = 0.0
    boss_mm: float = 0.0
    swivel: bool = False
    mated: bool = False
    fitting: str = "none"
    bolt_system: str = "inch"
    bolt_head: str = "hex_washer"
    run_mm: float = 0.0
    run_turn_rad: float = 0.0
    form: int = 0

    @property
    def at_center(self) -> bool:
        """Whether the port lies in the manifold's middle and faces across it."""
        return self.toward in ("+y", "-y")


@dataclass(frozen=True)
class ManifoldShape:
    """How the two chambers are joined to the ports.

    Attributes:
        kind, joint: kinds of the manifold and of its joints to the chambers.
        pipe_radius_mm: outside radius of the run.
        neck_radius_mm: of the valve housings on the chambers.
        bend_mm: radius of the elbows' middle line.
        joint_bolts: bolts of one joint.
        neck: kind of the valve housings on the chambers.
    """

    kind: str
    joint: str
    pipe_radius_mm: float
    neck_radius_mm: float
    bend_mm: float
    joint_bolts: int
    neck: str


@dataclass(frozen=True)
class AirShape:
    """Air section with its valve, muffler and air line.

    Attributes:
        block, valve, muffler: kinds.
        block_y_mm, block_z_mm: half sizes of the block.
        valve_side: "front" or "rear".
        valve_size_mm: x, y, z of the valve block.
        valve_screws: screws of its cover.
        muffler_radius_mm, muffler_length_mm: size.
        muffler_at: "block" (opposite the valve) or "valve".
        air_line: "none", "plug", "fitting", "hose", "ball_valve", "regulator".
        pilot_caps: caps on the block's sides.
        ribs: stiffening ribs behind each joint, 0 for none.
        nameplate: "blank", "missing" or "none".
    """

    block: str
    valve: str
    muffler: str
    block_y_mm: float
    block_z_mm: float
    valve_side: str
    valve_size_mm: tuple[float, float, float]
    valve_screws: int
    muffler_radius_mm: float
    muffler_length_mm: float
    muffler_at: str
    air_line: str
    pilot_caps: bool
    ribs: int
    nameplate: str


@dataclass(frozen=True)
class FeetShape:
    """Feet and their mounting holes; the long side lies along x."""

    kind: str
    spacing_long_mm: float
    spacing_short_mm: float
    hole_mm: float
    thickness_mm: float
    slotted: bool


@dataclass(frozen=True)
class PumpShape:
    """One pump.

    Attributes:
        wetted_material: "plastic" or "metal".
        joint_x_mm: distance of each joint plane from the middle.
        neck_x_mm: distance of the valve housings' axes from the middle.
        inlet_z_mm, outlet_z_mm: heights of the manifold center lines above the floor.
        port_reach_mm: distance of a center port's face from the middle, or of an end port's face beyond the
            neck axis.
        discharge, suction: the two ports.
        family_id: None for a free invention.
        body_color: the family's word for its body's color, "" when not known.
        details: small marks: "parting", "arrow", "plugs", "eyes", "earth".
        seed: of the small free details the builders draw.
    """

    wetted_material: str
    joint_x_mm: float
    neck_x_mm: float
    inlet_z_mm: float
    outlet_z_mm: float
    port_reach_mm: float
    cover: CoverShape
    joint: JointShape
    manifold: ManifoldShape
    discharge: PortShape
    suction: PortShape
    air: AirShape
    feet: FeetShape
    family_id: str | None = None
    body_color: str = ""
    details: frozenset[str] = frozenset()
    seed: int = 0
    choices: dict[str, str] = field(default_factory=dict)

    @property
    def center_z_mm(self) -> float:
        """Height of the diaphragm axis."""
        return 0.5 * (self.inlet_z_mm + self.outlet_z_mm)

    @property
    def half_spacing_mm(self) -> float:
        """Half of `port_spacing`."""
        return 0.5 * (self.outlet_z_mm - self.inlet_z_mm)
