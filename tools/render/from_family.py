"""A pump of a family of the reference set: its lengths and attributes, free details after its series.

What a family does not say (cover profile, ribs, bosses, muffler, feet) is drawn from the names of maker and
series, so a family always looks the same and its sisters of other sizes and ports look related. The caller's
random source only
adds what differs between two pumps of one family: manufacturing tolerance, and how a swivel flange is turned.
"""

import zlib
from dataclasses import replace

import numpy as np

from reference_geometry.families import Family
from reference_geometry.standards import find_flange, find_thread
from tools.render import sample_parts as draw
from tools.render.build_pump import build_pump
from tools.render.covers import cover as build_cover
from tools.render.draws import between
from tools.render.fasteners import head
from tools.render.joints import joint as build_joint
from tools.render.joints import rim_bevel
from tools.render.layout import (
    joint_front,
    least_half_spacing,
    least_neck_offset,
    neck_side_reach,
    port_half_width,
)
from tools.render.manifolds import drop_of, top_of_run
from tools.render.pump_model import PumpModel
from tools.render.pump_shape import CoverShape, FeetShape, JointShape, ManifoldShape, PortShape, PumpShape
from tools.render.pump_shape_kinds import Pool, Split
from tools.render.sample_pump import assemble

TYPICAL_RELATIVE_SD = 0.0015
"""Spread between pumps of one family where the set does not give one (common practice)."""


def pump_from_family(
    family: Family, rng: np.random.Generator, split: Split = "train", mated_chance: float = 0.0
) -> PumpModel:
    """A pump of this family with exact truth.

    Lengths are the family's means plus a draw of its spread. Overall sizes are met exactly where the pump's
    other lengths leave room for it; the model's truth always tells what was built.

    Args:
        family: what is not known is filled in within the trade's proportions.
        rng: tolerance and clocking.
        split: whose shape kinds may be used for the free details.
        mated_chance: probability for each port that piping is connected.
    """
    style = np.random.default_rng(zlib.crc32(f"{family.maker}/{family.family}".encode()))
    basics = _basics(family, rng, split)
    width = _drawn(family, "overall_width", rng) or 1.25 * basics.chamber_mm
    height = _drawn(family, "overall_height", rng)
    shape = _shape(family, style, rng, basics, width, height, mated_chance)
    return _built_to_size(shape, width, height, family.port_position == "end")


def _shape(
    family: Family, style: np.random.Generator, rng: np.random.Generator, basics: draw.Basics, width: float,
    height: float | None, mated_chance: float,
) -> PumpShape:  # fmt: skip
    """The pump's shape before its overall sizes are met exactly."""
    end = family.port_position == "end"
    joint = _joint(family, style, basics)
    depth = _extra(family, "cover_depth_mm") or 0.27 * basics.chamber_mm
    joint_x = 0.5 * (width - (0.17 * basics.chamber_mm if end else 0.0)) - depth
    joint_x = float(np.clip(joint_x, 0.2 * basics.chamber_mm, 0.45 * basics.chamber_mm))
    cover = _cover_of_depth(draw.draw_cover(style, basics), joint, depth)
    spacing = _drawn(family, "port_spacing", rng)
    manifold = _manifold(draw.draw_manifold(style, basics, end), joint, depth, spacing, basics)
    half = 0.5 * spacing if spacing else least_half_spacing(joint, manifold, drop_of(manifold))
    aside = min(0.6 * depth, depth - neck_side_reach(manifold))
    neck_x = joint_x + max(least_neck_offset(joint, manifold.neck_radius_mm), aside)
    neck_x = max(neck_x, 1.02 * manifold.bend_mm)
    discharge, suction = _ports(family, style, rng, basics, end, mated_chance)
    feet = _feet(family, style, basics, neck_x, rng)
    top = max(port_half_width(discharge), top_of_run(manifold))
    inlet_z = (height or 2.0 * half + 2.0 * top + 0.06 * basics.chamber_mm) - 2.0 * half - top
    air = draw.draw_air(style, basics, joint, joint_x, half - port_half_width(discharge))
    screws = _extra(family, "air_valve_screw_count")
    air = replace(air, valve_side=family.air_valve_side or air.valve_side, valve_screws=int(screws or air.valve_screws))
    return assemble(
        basics, joint_x, neck_x, inlet_z, inlet_z + 2.0 * half, cover, joint, manifold, discharge, suction,
        air, feet, seed=zlib.crc32(family.family_id.encode()), details=draw.draw_details(style, basics),
        family_id=family.family_id, body_color=family.extras.get("body_color", ""),
    )  # fmt: skip


def _built_to_size(shape: PumpShape, width: float, height: float | None, end: bool) -> PumpModel:
    """Builds, and shifts heights, port reach or joints until the overall sizes are met, if they can be."""
    built = build_pump(shape)
    for _ in range(3):
        higher = height - built.lengths_mm["overall_height"] if height else 0.0
        wider = width - built.lengths_mm["overall_width"]
        if abs(higher) < 1e-6 and abs(wider) < 1e-6:
            break
        shape = _wider(_higher(shape, higher), wider, end)
        built = build_pump(shape)
    return built


def _higher(shape: PumpShape, by_mm: float) -> PumpShape:
    """Everything above the feet lifted, but not sunk so far that the inlet would touch the floor."""
    low = max(port_half_width(shape.suction), top_of_run(shape.manifold) + 0.5 * shape.feet.thickness_mm) + 0.5
    lift = max(shape.inlet_z_mm + by_mm, low) - shape.inlet_z_mm
    return replace(shape, inlet_z_mm=shape.inlet_z_mm + lift, outlet_z_mm=shape.outlet_z_mm + lift)


def _wider(shape: PumpShape, by_mm: float, end: bool) -> PumpShape:
    """End ports moved out or in as far as their necks let them, and for the rest the two chambers moved."""
    if end:
        least = 1.02 * shape.manifold.neck_radius_mm + shape.discharge.thickness_mm + 1.0
        sides = 2.0 if shape.discharge.toward != shape.suction.toward else 1.0
        reach = max(shape.port_reach_mm + by_mm / sides, least)
        by_mm -= sides * (reach - shape.port_reach_mm)
        shape = replace(shape, port_reach_mm=reach)
    shift = max(0.5 * by_mm, 0.18 * shape.joint.diameter_mm - shape.joint_x_mm)
    return replace(shape, joint_x_mm=shape.joint_x_mm + shift, neck_x_mm=shape.neck_x_mm + shift)


def _basics(family: Family, rng: np.random.Generator, split: Split) -> draw.Basics:
    connection = draw.as_connection(family.connection or "threaded")
    chamber = _drawn(family, "chamber_diameter", rng)
    nominal = family.port_nominal_in
    if nominal is None:
        wanted = chamber or 215.0
        nominal = min(draw.CHAMBER_RANGES_MM, key=lambda n: abs(sum(draw.CHAMBER_RANGES_MM[n]) / 2.0 - wanted))
    if chamber is None:
        chamber = sum(draw.CHAMBER_RANGES_MM.get(nominal, (180, 250))) / 2.0
    pool: Pool = "test" if split == "test" else "family"
    return draw.Basics(nominal, chamber, family.wetted_material == "metal", connection, pool)


def _joint(family: Family, style: np.random.Generator, basics: draw.Basics) -> JointShape:
    """The joint with the family's bolt count and, where known, the rise of its bolt heads or band."""
    clamped = family.housing_joint == "clamp_band" if family.housing_joint else None
    joint = draw.draw_joint(style, basics, clamped, family.chamber_bolt_count)
    rise = _extra(family, "joint_rise_mm")
    if joint.housing_joint == "clamp_band":
        if "one closing bolt" in family.notes:
            joint = replace(joint, closure_count=1)
        if "V band" in family.notes or rise:
            joint = replace(joint, kind="band_v" if joint.kind in ("band_flat", "band_channel") else joint.kind)
        return replace(joint, front_mm=rise * _rise_share(joint, rise)) if rise else joint
    if rise is None:
        return joint
    made = head(joint.bolt_head, joint.bolt_system, joint.bolt_size)
    while made.height_mm + rim_bevel(joint) > rise + 0.4 * joint.front_mm and joint.bolt_head != "hex_flange":
        joint = replace(joint, bolt_head="hex_flange")
        made = head("hex_flange", joint.bolt_system, joint.bolt_size)
    seat = rise - rim_bevel(joint) - made.height_mm
    seat = max(seat, -0.6 * joint.front_mm)
    words = "flush" if seat == 0.0 else "counterbored" if seat < 0.0 else "pads"
    return replace(
        joint,
        bolt_seat_mm=seat,
        bolt_seat=words,
        bolt_inset_mm=max(joint.bolt_inset_mm, made.seat_radius_mm + 3.5),
    )


def _rise_share(joint: JointShape, rise: float) -> float:
    """Half width of a band per millimeter of its rise over the crest's front edge."""
    if joint.kind == "band_round":
        return 1.0
    if joint.kind == "band_lipped":
        return max((rise - 0.6 * joint.band_mm) / rise, 0.5) / 0.66
    return 1.0 / 0.66


def _cover_of_depth(shape: CoverShape, joint: JointShape, depth: float) -> CoverShape:
    """The cover whose foremost point lies `depth` before the joint plane."""
    made = build_joint(joint)
    shape = replace(shape, depth_mm=max(depth - made.face_mm - shape.boss_height_mm, 0.05 * joint.diameter_mm))
    for _ in range(4):
        front = float(build_cover(shape, made.dish_start_mm, made.face_mm)[0].parts[0].mesh.vertices[:, 2].max())
        shape = replace(shape, depth_mm=max(shape.depth_mm + depth - front, 0.04 * joint.diameter_mm))
    return shape


def _manifold(
    drawn: ManifoldShape, joint: JointShape, depth: float, spacing: float | None, basics: draw.Basics
) -> ManifoldShape:
    """The drawn manifold made to fit between the joint and the cover's front, and under the port spacing."""
    bore = draw.bore_of(basics)
    least = 0.5 * bore * 1.12 + 1.2
    room = depth - joint_front(joint)
    clamped = joint.housing_joint == "clamp_band"

    def fits(m: ManifoldShape) -> bool:
        offset = least_neck_offset(joint, m.neck_radius_mm) - joint_front(joint)
        tall = spacing is None or least_half_spacing(joint, m, drop_of(m)) <= 0.5 * spacing
        return offset + neck_side_reach(m) <= room and tall

    tries = [
        drawn,
        replace(drawn, kind="pipe_elbow" if drawn.kind in ("straight_header", "block_header") else drawn.kind),
    ]
    tries += [replace(tries[-1], joint=kind) for kind in ("oval_flange", "small_band" if clamped else "plain", "plain")]
    for candidate in tries:
        for shrink in (1.0, 0.93, 0.86, 0.8, 0.74, 0.68, 0.62):
            pipe = max(drawn.pipe_radius_mm * shrink, least)
            neck = max(drawn.neck_radius_mm * shrink**1.5, 1.03 * pipe)
            for bend in (drawn.bend_mm / drawn.pipe_radius_mm, 1.15, 1.03):
                m = replace(candidate, pipe_radius_mm=pipe, neck_radius_mm=neck, bend_mm=bend * pipe)
                if fits(m):
                    return m
    pipe = least
    return replace(tries[-1], pipe_radius_mm=pipe, neck_radius_mm=1.03 * pipe, bend_mm=1.03 * pipe)


def _ports(
    family: Family,
    style: np.random.Generator,
    rng: np.random.Generator,
    basics: draw.Basics,
    end: bool,
    mated_chance: float,
) -> tuple[PortShape, PortShape]:
    toward = str(style.choice(["+x", "-x"] if end else ["-y", "-y", "+y"]))
    if basics.connection == "threaded":
        port = _threaded(family, style, basics, toward)
    else:
        port = _flanged(family, style, rng, basics, toward)
    clock = between(rng, 0.0, 2.0 * np.pi) if port.swivel else port.clock_rad
    both = (port, replace(port, clock_rad=clock))
    mated = [
        draw.maybe_mated(rng, p, basics.chamber_mm, mated_chance, upward)
        for p, upward in zip(both, (True, False), strict=True)
    ]
    return mated[0], mated[1]


def _threaded(family: Family, style: np.random.Generator, basics: draw.Basics, toward: str) -> PortShape:
    standard = family.port_standard or "NPT"
    if find_thread(standard, basics.nominal_in) is None:
        raise ValueError(f"{family.family_id}: {standard} has no {basics.nominal_in} thread")
    return draw.thread_port(style, basics, standard, toward)


def _flanged(
    family: Family, style: np.random.Generator, rng: np.random.Generator, basics: draw.Basics, toward: str
) -> PortShape:
    standard = family.port_standard or "ASME B16.5 Class 150"
    row = find_flange(standard, basics.nominal_in)
    if row is None:
        raise ValueError(f"{family.family_id}: {standard} has no {basics.nominal_in} flange")
    port = draw.flange_port_shape(style, basics, row, toward)
    swivel = bool(family.swivel_flange)
    if swivel != port.swivel:
        port = replace(port, build="loose" if swivel else "hub", swivel=swivel, raised_face_mm=0.0)
    slotted = family.extras.get("slotted_holes", "").lower() in ("yes", "true", "1")
    slot = max(port.slot_mm, 0.35 * port.hole_mm) if slotted else 0.0
    count = family.bolt_hole_count or row.bolt_hole_count
    return replace(
        port, slot_mm=slot, hole_count=count,
        clock_rad=between(rng, 0.0, 2.0 * np.pi) if swivel else np.pi / count,
        flange_diameter_mm=_drawn(family, "flange_diameter", rng) or row.flange_diameter_mm,
        bolt_circle_mm=_drawn(family, "bolt_circle_diameter", rng) or row.bolt_circle_diameter_mm,
        hole_mm=_drawn(family, "bolt_hole_diameter", rng) or row.bolt_hole_diameter_mm,
        bore_mm=_drawn(family, "port_bore", rng) or port.bore_mm,
    )  # fmt: skip


def _feet(
    family: Family, style: np.random.Generator, basics: draw.Basics, neck_x: float, rng: np.random.Generator
) -> FeetShape:
    feet = draw.draw_feet(style, basics, neck_x)
    long, short = _drawn(family, "foot_spacing_long", rng), _drawn(family, "foot_spacing_short", rng)
    return replace(feet, spacing_long_mm=long or feet.spacing_long_mm, spacing_short_mm=short or feet.spacing_short_mm)


def _drawn(family: Family, name: str, rng: np.random.Generator) -> float | None:
    """The length of one pump of the family, None when the family does not know it."""
    known = family.lengths.get(name)
    if known is None:
        return None
    sd = known.sd_mm if known.sd_mm is not None else TYPICAL_RELATIVE_SD * known.mean_mm
    return known.mean_mm + sd * float(np.clip(rng.normal(), -3.0, 3.0))


def _extra(family: Family, name: str) -> float | None:
    """A number among the family's further columns, None when it is missing or no positive number."""
    try:
        value = float(family.extras.get(name, ""))
    except ValueError:
        return None
    return value if value > 0.0 else None
