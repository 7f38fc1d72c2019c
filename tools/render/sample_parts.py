"""Draws the pieces of a pump's shape at random: joint, cover, ports, manifold, air section, feet."""

from dataclasses import dataclass, replace
from typing import cast

import numpy as np

from reference_geometry.standards import BSP, FLANGE_STANDARDS, NPT, Flange, find_flange, find_thread, size_of
from tools.render.draws import Rng, between, chance
from tools.render.fasteners import head, nearest_size
from tools.render.pump_shape import (
    AirShape,
    Connection,
    CoverShape,
    FeetShape,
    JointShape,
    ManifoldShape,
    PortShape,
)
from tools.render.pump_shape_kinds import Pool, Split, is_free, pick_kind

CHAMBER_RANGES_MM = {
    "1/4": (70, 115), "3/8": (90, 140), "1/2": (120, 175), "3/4": (140, 200), "1": (180, 250),
    "1-1/4": (210, 290), "1-1/2": (250, 350), "2": (310, 430), "2-1/2": (350, 470), "3": (380, 520),
    "4": (430, 560),
}  # fmt: skip
"""Outside diameter of the joint by port size: common practice, no source; the odd sizes interpolated."""

SIZE_WEIGHTS = {
    "1/4": 0.8, "3/8": 0.8, "1/2": 1.2, "3/4": 1.0, "1": 1.6, "1-1/4": 0.3, "1-1/2": 1.5, "2": 1.6,
    "2-1/2": 0.3, "3": 1.2, "4": 0.4,
}  # fmt: skip
"""How often a size is drawn; the odd sizes are rare in the trade."""


@dataclass(frozen=True)
class Basics:
    """What everything else depends on.

    Attributes:
        nominal_in: port size.
        chamber_mm: chamber diameter.
        metal: wetted material.
        connection: of the ports.
        split: whose shape kinds may be used.
    """

    nominal_in: str
    chamber_mm: float
    metal: bool
    connection: Connection
    split: Pool


def form_of(rng: Rng, *kinds: str) -> int:
    """What the form of free kinds is drawn from; 0, and nothing drawn, where none of the kinds is free."""
    return int(rng.integers(2**31)) if any(is_free(kind) for kind in kinds) else 0


def draw_basics(rng: Rng, split: Split) -> Basics:
    """Size, chamber, material and connection as they go together in the trade (common practice)."""
    names = list(SIZE_WEIGHTS)
    weights = np.array([SIZE_WEIGHTS[n] for n in names])
    nominal = names[int(rng.choice(len(names), p=weights / weights.sum()))]
    inches = size_of(nominal).inches
    metal = chance(rng, 0.5)
    if metal:
        flanged = chance(rng, 0.06 if inches < 1 else 0.2 if inches < 2 else 0.5 if inches < 3 else 0.75)
    else:
        flanged = chance(rng, 0.05 if inches < 1 else 0.55 if inches < 1.5 else 0.88)
    if inches < 0.5:
        flanged = False
    low, high = CHAMBER_RANGES_MM[nominal]
    return Basics(nominal, between(rng, low, high), metal, "flanged" if flanged else "threaded", split)


def draw_joint(rng: Rng, basics: Basics, clamped: bool | None = None, bolt_count: int | None = None) -> JointShape:
    """A clamp band or a bolted rim."""
    d = basics.chamber_mm
    if chance(rng, 0.42 if basics.metal else 0.3) if clamped is None else clamped:
        return _draw_band(rng, basics)
    kind = pick_kind(rng, "rim_outline", basics.split)
    counts = (
        [4, 6, 6, 8, 8, 10] if d < 130 else [6, 6, 8, 8, 8, 10, 12] if d < 240 else [8, 8, 10, 12, 12, 14, 16, 16, 20]
    )
    count = bolt_count or int(rng.choice(counts))
    system = str(rng.choice(["metric", "metric", "inch", "old_din"]))
    thread = (3.2 + 0.021 * d) * between(rng, 0.85, 1.2)
    size = nearest_size(system, thread)
    head_kind = pick_kind(rng, "bolt_head", basics.split)
    made = head(head_kind, system, size)
    seat = made.seat_radius_mm
    while 2.0 * np.pi * (0.45 * d) / count < 2.6 * seat and count > 6 and bolt_count is None:
        count -= 2
    seat_kind = pick_kind(rng, "bolt_seat", basics.split)
    inset = seat + between(rng, 1.5, 3.0 + 0.012 * d) + (2.0 if seat_kind == "counterbored" else 0.0)
    front = between(rng, 0.045, 0.085) * d * (1.0 if basics.metal else 1.25)
    flat_share = between(rng, 0.86, 0.95)
    if kind in ("rim_squarish", "rim_two_flats", "free_rim"):
        inset += (1.0 - flat_share) * d / 2.0
    seat_height = {"counterbored": -min(0.8 * made.height_mm, 0.55 * front), "pads": 0.25 * front}.get(seat_kind, 0.0)
    half_pitch = np.pi / count
    clock = half_pitch if chance(rng, 0.75) else 0.0
    return JointShape(
        housing_joint="bolted", kind=kind, diameter_mm=d, front_mm=front,
        back_mm=front * between(rng, 0.6, 1.0), seam_mm=between(rng, 0.8, 3.0), band_mm=0.0, bolt_count=count,
        bolt_head=head_kind, bolt_system=system, bolt_size=size, bolt_seat=seat_kind,
        bolt_seat_mm=seat_height, bolt_inset_mm=inset, clock_rad=clock, closure="none", closure_count=0,
        flat_share=flat_share, back_share=float(rng.choice([1.0, 0.99, 0.97])), form=form_of(rng, kind),
    )  # fmt: skip


def _draw_band(rng: Rng, basics: Basics) -> JointShape:
    d = basics.chamber_mm
    half = between(rng, 0.03, 0.055) * d + 2.0
    system = str(rng.choice(["metric", "inch"]))
    size = nearest_size(system, between(rng, 0.45, 0.65) * half + 1.5)
    kind = pick_kind(rng, "band_section", basics.split)
    return JointShape(
        housing_joint="clamp_band", kind=kind, diameter_mm=d,
        front_mm=half, back_mm=half, seam_mm=between(rng, 0.8, 2.5),
        band_mm=between(rng, 1.2, 2.0) + 0.006 * d, bolt_count=0, bolt_head="hex", bolt_system=system,
        bolt_size=size, bolt_seat="flush", bolt_seat_mm=0.0, bolt_inset_mm=0.0,
        clock_rad=float(rng.choice([-1.0, 1.0])) * between(rng, 0.9, 2.2),
        closure=(closure := pick_kind(rng, "band_closure", basics.split)), closure_count=int(rng.choice([1, 2])),
        flat_share=1.0, back_share=1.0, form=form_of(rng, kind, closure),
    )  # fmt: skip


def draw_cover(rng: Rng, basics: Basics) -> CoverShape:
    """A dished cover with or without ribs and boss."""
    d = basics.chamber_mm
    profile = pick_kind(rng, "cover_profile", basics.split)
    ribs = "none" if chance(rng, 0.35) else pick_kind(rng, "cover_ribs", basics.split)
    if ribs == "concentric" and profile in ("stepped_dome", "ring_bulge"):
        ribs = "none"
    boss = "none" if chance(rng, 0.25) else pick_kind(rng, "cover_boss", basics.split)
    rib_counts = {"concentric": (2, 6), "waffle": (6, 13), "parallel": (6, 13)}.get(ribs, (4, 17))
    depth = between(rng, 0.16, 0.36) * d * (0.8 if profile in ("flat_step", "saucer", "ring_bulge") else 1.0)
    return CoverShape(
        profile=profile, ribs=ribs, boss=boss, depth_mm=depth,
        rib_count=int(rng.integers(*rib_counts)),
        rib_height_mm=between(rng, 0.015, 0.045) * d, rib_thickness_mm=between(rng, 0.016, 0.034) * d + 1.0,
        boss_radius_mm=between(rng, 0.07, 0.15) * d, boss_height_mm=between(rng, 0.015, 0.05) * d,
        channel=chance(rng, 0.15), form=form_of(rng, profile, ribs),
    )  # fmt: skip


def bore_of(basics: Basics) -> float:
    """Nominal bore of the port's size, mm."""
    return float(size_of(basics.nominal_in).dn)


def draw_manifold(rng: Rng, basics: Basics, end_port: bool) -> ManifoldShape:
    """Pipe sizes after the port's nominal size."""
    bore = bore_of(basics)
    wall = between(rng, 0.1, 0.18) if basics.metal else between(rng, 0.15, 0.26)
    pipe = 0.5 * bore * (1.0 + 2.0 * wall) + 2.0
    kind = pick_kind(rng, "manifold", basics.split)
    joint_kind = pick_kind(rng, "manifold_joint", basics.split)
    neck = min(pipe * between(rng, 1.05, 1.4), max(1.03 * pipe, 0.155 * basics.chamber_mm))
    if end_port and kind == "cast_arch":
        neck = pipe * 1.2
    return ManifoldShape(
        kind,
        joint_kind,
        pipe,
        neck,
        pipe * between(rng, 1.15, 1.7),
        int(rng.choice([4, 4, 3, 6])),
        pick_kind(rng, "neck", basics.split),
    )


def draw_port(rng: Rng, basics: Basics, toward: str, standard: str | None = None) -> PortShape:
    """An open or mated port of a published size."""
    if basics.connection == "threaded":
        name = standard or str(rng.choice([NPT, BSP]))
        return thread_port(rng, basics, name, toward)
    name = standard or str(rng.choice(FLANGE_STANDARDS))
    row = find_flange(name, basics.nominal_in)
    if row is None:
        raise ValueError(f"{name} has no {basics.nominal_in} flange")
    return flange_port_shape(rng, basics, row, toward)


def flange_port_shape(rng: Rng, basics: Basics, row: Flange, toward: str) -> PortShape:
    """A flanged port after a row of a standard; build, face, slots and mating are drawn."""
    build = pick_kind(rng, "flange_build", basics.split)
    raised = chance(rng, 0.5 if basics.metal else 0.3) and build != "loose"
    slotted = build != "gusseted" and chance(rng, 0.1 if basics.metal else 0.35)
    loose = build == "loose"
    return PortShape(
        connection="flanged", standard=row.standard, nominal_in=row.nominal_in, toward=toward,
        bore_mm=row.dn * between(rng, 0.92, 1.06), build=build,
        flange_diameter_mm=float(rng.choice(row.flange_diameters_mm)),
        bolt_circle_mm=row.bolt_circle_diameter_mm, hole_count=int(rng.choice(row.bolt_hole_counts)),
        hole_mm=row.bolt_hole_diameter_mm,
        thickness_mm=row.thickness_mm * (between(rng, 0.9, 1.15) if basics.metal else between(rng, 1.1, 1.5)),
        raised_face_mm=row.raised_face_height_mm if raised else 0.0,
        raised_face_diameter_mm=row.raised_face_diameter_mm,
        slot_mm=between(rng, 0.25, 0.6) * row.bolt_hole_diameter_mm if slotted else 0.0,
        clock_rad=np.pi / row.bolt_hole_count if not loose else between(rng, 0.0, 2.0 * np.pi), swivel=loose,
    )  # fmt: skip


def thread_port(rng: Rng, basics: Basics, standard: str, toward: str) -> PortShape:
    """A threaded port of a standard; the bore is the thread's minor diameter at its mouth."""
    row = find_thread(standard, basics.nominal_in)
    if row is None:
        raise ValueError(f"{standard} has no {basics.nominal_in} thread")
    build = pick_kind(rng, "threaded_boss", basics.split)
    return PortShape(
        connection="threaded", standard=standard, nominal_in=basics.nominal_in, toward=toward,
        bore_mm=row.minor_diameter_mm, build=build,
        boss_mm=row.major_diameter_mm * 0.5 * between(rng, 1.3, 1.5) + 2.0, form=form_of(rng, build),
    )  # fmt: skip


def maybe_mated(
    rng: Rng, port: PortShape, chamber_mm: float, probability: float = 0.35, upward: bool = True
) -> PortShape:
    """The port, at times closed by a companion flange and pipe or by a fitting.

    Args:
        rng: random source.
        port: the open port.
        chamber_mm: gives the length of pipe.
        probability: of piping.
        upward: whether an elbow may lead up (a suction elbow leads aside, to stay clear of the pump).
    """
    if not chance(rng, probability):
        return port
    turns = [0.0, 0.0, 0.5 * np.pi, -0.5 * np.pi] if upward else [0.5 * np.pi, -0.5 * np.pi]
    port = replace(port, run_turn_rad=float(rng.choice(turns)))
    # A pipe from a center port leads out of the picture; one from an end port soon turns away from the chamber.
    straight = chance(rng, 0.75 if port.at_center else 0.4)
    length = between(rng, 900.0, 2400.0) if port.at_center else between(rng, 1.0, 2.5) * chamber_mm
    if port.connection == "flanged":
        return replace(
            port, mated=True, fitting="pipe" if straight else "elbow",
            run_mm=length if straight else between(rng, 0.5, 1.6) * chamber_mm,
            bolt_system=str(rng.choice(["metric", "inch"])),
            bolt_head=str(rng.choice(["hex_washer", "hex", "nut_stud_washer"])),
        )  # fmt: skip
    fitting = str(rng.choice(["nipple", "elbow", "plug", "barb"], p=[0.25, 0.35, 0.2, 0.2]))
    run = between(rng, 900.0, 2400.0) if fitting == "elbow" else min(length, 1200.0)
    return replace(port, mated=True, fitting=fitting, run_mm=run)


def draw_air(rng: Rng, basics: Basics, joint: JointShape, joint_x: float, free_half_z: float) -> AirShape:
    """Block, valve and what hangs on them; sizes after the chamber, the valve between the two joints."""
    d = basics.chamber_mm
    block_z = min(between(rng, 0.24, 0.36) * d, 0.9 * free_half_z)
    back = joint.back_mm + joint.seam_mm + (7.0 if joint.bolt_count else 2.0)
    width = min(between(rng, 0.9, 1.6) * joint_x, 2.0 * (joint_x - back) - 4.0)
    high = min(between(rng, 0.3, 0.55) * d, 1.7 * free_half_z)
    return AirShape(
        block=pick_kind(rng, "air_block", basics.split), valve=pick_kind(rng, "air_valve", basics.split),
        muffler=pick_kind(rng, "muffler", basics.split), block_y_mm=between(rng, 0.26, 0.36) * d,
        block_z_mm=block_z, valve_side="front" if chance(rng, 0.7) else "rear",
        valve_size_mm=(width, between(rng, 0.2, 0.34) * d, high), valve_screws=int(rng.choice([4, 6, 8])),
        muffler_radius_mm=between(rng, 0.06, 0.11) * d, muffler_length_mm=between(rng, 0.22, 0.5) * d,
        muffler_at="block" if chance(rng, 0.7) else "valve",
        air_line=str(rng.choice(["none", "plug", "fitting", "hose", "hose", "ball_valve", "regulator"])),
        pilot_caps=chance(rng, 0.4), ribs=int(rng.choice([0, 0, 0, 8, 12, 16])),
        nameplate=str(rng.choice(["blank", "missing", "missing", "none"])),
    )  # fmt: skip


def draw_details(rng: Rng, basics: Basics) -> frozenset[str]:
    """Small marks; lifting eyes only on big metal pumps, earth screws mostly on metal."""
    odds = {
        "parting": 0.35,
        "arrow": 0.4,
        "plugs": 0.15,
        "eyes": 0.3 if basics.metal and basics.chamber_mm > 280 else 0.0,
        "earth": 0.3,
    }
    return frozenset(name for name, odd in odds.items() if chance(rng, odd))


def draw_feet(rng: Rng, basics: Basics, neck_x: float) -> FeetShape:
    """Foot pattern after the neck spacing and the chamber."""
    d = basics.chamber_mm
    hole = float(np.clip(5.0 + 0.022 * d, 6.5, 15.0)) * between(rng, 0.9, 1.15)
    return FeetShape(
        kind=pick_kind(rng, "feet", basics.split), spacing_long_mm=round(between(rng, 1.3, 2.3) * neck_x, 1),
        spacing_short_mm=round(between(rng, 0.42, 0.72) * d, 1), hole_mm=hole,
        thickness_mm=max(between(rng, 0.025, 0.05) * d, 4.0), slotted=chance(rng, 0.4),
    )  # fmt: skip


def as_connection(word: str) -> Connection:
    """The word as a Connection.

    Raises:
        ValueError: no such connection is drawn.
    """
    if word not in ("flanged", "threaded"):
        raise ValueError(f'a pump with "{word}" ports cannot be drawn yet')
    return cast(Connection, word)
