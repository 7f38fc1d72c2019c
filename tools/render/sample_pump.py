"""Free inventions: pumps drawn at random within the trade's proportions, with one split's shape kinds."""

from dataclasses import replace

import numpy as np

from tools.render import sample_parts as draw
from tools.render.build_pump import build_pump
from tools.render.draws import between, chance
from tools.render.layout import (
    joint_front,
    least_center_reach,
    least_end_reach,
    least_half_spacing,
    least_neck_offset,
    port_half_width,
)
from tools.render.manifolds import drop_of, top_of_run
from tools.render.pump_model import PumpModel
from tools.render.pump_shape import (
    AirShape,
    CoverShape,
    FeetShape,
    JointShape,
    ManifoldShape,
    PortShape,
    PumpShape,
)
from tools.render.pump_shape_kinds import Split


def sample_pump(rng: np.random.Generator, split: Split) -> PumpModel:
    """A pump that never was, with exact truth.

    Args:
        rng: the only source of chance: the same state gives the same pump, vertex for vertex.
        split: whose shape kinds may be used.
    """
    return build_pump(sample_shape(rng, split))


def sample_shape(rng: np.random.Generator, split: Split) -> PumpShape:
    """The shape of `sample_pump`."""
    basics = draw.draw_basics(rng, split)
    end = chance(rng, 0.4)
    joint = draw.draw_joint(rng, basics)
    cover = draw.draw_cover(rng, basics)
    manifold = draw.draw_manifold(rng, basics, end)
    discharge, suction = _draw_ports(rng, basics, end)
    spread = between(rng, 0.27, 0.4) * basics.chamber_mm
    neck_x = neck_place(joint, cover, manifold, spread)
    least = least_half_spacing(joint, manifold, drop_of(manifold))
    half_spacing = least + between(rng, 0.0, 0.06) * basics.chamber_mm
    half_port = port_half_width(discharge)
    feet = draw.draw_feet(rng, basics, neck_x)
    lift = (
        max(half_port + 1.5 * feet.thickness_mm + 2.0, top_of_run(manifold) + feet.thickness_mm + 4.0)
        + between(rng, 0.0, 0.12) * basics.chamber_mm
    )
    air = draw.draw_air(rng, basics, joint, spread, half_spacing - half_port)
    return assemble(
        basics, spread, neck_x, lift, lift + 2.0 * half_spacing, cover, joint, manifold,
        draw.maybe_mated(rng, discharge, basics.chamber_mm),
        draw.maybe_mated(rng, suction, basics.chamber_mm, upward=False), _out_of_the_way(air, suction), feet,
        seed=int(rng.integers(2**31)), details=draw.draw_details(rng, basics),
    )  # fmt: skip


def assemble(
    basics: draw.Basics, joint_x: float, neck_x: float, inlet_z: float, outlet_z: float, cover: CoverShape,
    joint: JointShape, manifold: ManifoldShape, discharge: PortShape, suction: PortShape, air: AirShape,
    feet: FeetShape, seed: int, details: frozenset[str] = frozenset(), family_id: str | None = None,
    body_color: str = "",
) -> PumpShape:  # fmt: skip
    """Puts drawn parts together; how far the ports reach follows from what they must clear."""
    half = 0.5 * (outlet_z - inlet_z)
    wide = port_half_width(discharge)
    if discharge.toward in ("+y", "-y"):
        reach = least_center_reach(discharge, wide, joint, joint_x, half, manifold.pipe_radius_mm)
    else:
        front = joint_x + joint_front(joint) + 10.0
        reach = least_end_reach(discharge, wide, manifold, front, neck_x)
    if discharge.connection == "threaded":
        suction = replace(suction, build=discharge.build)
    return PumpShape(
        wetted_material="metal" if basics.metal else "plastic", joint_x_mm=joint_x, neck_x_mm=neck_x,
        inlet_z_mm=inlet_z, outlet_z_mm=outlet_z, port_reach_mm=reach, cover=cover, joint=joint,
        manifold=manifold, discharge=discharge, suction=suction, air=air, feet=feet, family_id=family_id,
        body_color=body_color, seed=seed, details=details,
        choices=_choices(cover, joint, manifold, discharge, air, feet),
    )  # fmt: skip


def neck_place(joint: JointShape, cover: CoverShape, manifold: ManifoldShape, joint_x: float) -> float:
    """The necks' distance from the middle: within the dish, clear of the joint, wide enough for elbows."""
    least = joint_x + least_neck_offset(joint, manifold.neck_radius_mm)
    wanted = joint_x + joint_front(joint) + 0.42 * cover.depth_mm
    return max(least, wanted, 1.15 * manifold.bend_mm)


def _draw_ports(rng: np.random.Generator, basics: draw.Basics, end: bool) -> tuple[PortShape, PortShape]:
    """Both ports of one standard and build; they may face different ways."""
    ways = ["+x", "-x"] if end else ["-y", "-y", "+y"]
    discharge = draw.draw_port(rng, basics, str(rng.choice(ways)))
    toward = discharge.toward if chance(rng, 0.75) else str(rng.choice(ways))
    clock = between(rng, 0.0, 2.0 * np.pi) if discharge.swivel else discharge.clock_rad
    return discharge, replace(discharge, toward=toward, clock_rad=clock)


def _out_of_the_way(air: AirShape, suction: PortShape) -> AirShape:
    """Moves a hanging muffler to the block where the suction port lies under the valve."""
    below = (suction.toward == "-y") == (air.valve_side == "front") and suction.toward in ("-y", "+y")
    return replace(air, muffler_at="block") if below else air


def _choices(
    cover: CoverShape,
    joint: JointShape,
    manifold: ManifoldShape,
    port: PortShape,
    air: AirShape,
    feet: FeetShape,
) -> dict[str, str]:
    """The named choices, for the splits."""
    words = {
        "cover_profile": cover.profile,
        "cover_ribs": cover.ribs,
        "cover_boss": cover.boss,
        "manifold": manifold.kind,
        "manifold_joint": manifold.joint,
        "neck": manifold.neck,
        "air_block": air.block,
        "air_valve": air.valve,
        "muffler": air.muffler,
        "feet": feet.kind,
    }
    if joint.housing_joint == "clamp_band":
        words |= {"band_section": joint.kind, "band_closure": joint.closure}
    else:
        words |= {"rim_outline": joint.kind, "bolt_head": joint.bolt_head, "bolt_seat": joint.bolt_seat}
    words["flange_build" if port.connection == "flanged" else "threaded_boss"] = port.build
    return words
