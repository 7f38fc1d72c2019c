"""From a wet end of the design table to the dimensions of its families, by rules of proportion.

Flanges, threads and bores are the published ones. The rest keeps to the proportions such pumps commonly have;
small per-family differences come from a hash of the identifier, so the set is the same on every machine.
"""

import zlib
from dataclasses import dataclass

from reference_geometry.demo.design_table import Port, WetEnd
from reference_geometry.standards import (
    ASME_150,
    BSP,
    EN_PN10_16,
    JIS_10K,
    NPT,
    find_flange,
    find_pipe,
    find_thread,
)

STANDARD_OF_KIND = {"A": ASME_150, "D": EN_PN10_16, "J": JIS_10K, "N": NPT, "B": BSP}


def spread(key: str, low: float, high: float) -> float:
    """A number between `low` and `high` that depends on `key` alone."""
    return low + (high - low) * (zlib.crc32(key.encode()) % 10_000) / 9_999


@dataclass(frozen=True)
class PortDimensions:
    """What the published tables say of one port; None where the connection has no such thing."""

    outer_mm: float
    bore_mm: float
    flange_diameter_mm: float | None = None
    bolt_circle_mm: float | None = None
    hole_count: int | None = None
    hole_mm: float | None = None
    thread_major_mm: float | None = None
    thread_pitch_mm: float | None = None


def port_dimensions(wet_end: WetEnd, port: Port) -> PortDimensions:
    """Dimensions of a port from the tables; a flange has the bore of schedule 40 or (plastic) 80 pipe.

    Raises:
        LookupError: the tables lack the flange, thread or pipe the design table asks for.
    """
    standard = STANDARD_OF_KIND[port.kind]
    if port.kind in "NB":
        thread = find_thread(standard, wet_end.nominal_in)
        if thread is None:
            raise LookupError(f"no {standard} thread of size {wet_end.nominal_in}")
        boss = (1.62 if wet_end.material == "plastic" else 1.45) * thread.major_diameter_mm
        return PortDimensions(
            outer_mm=boss,
            bore_mm=thread.minor_diameter_mm,
            thread_major_mm=thread.major_diameter_mm,
            thread_pitch_mm=thread.pitch_mm,
        )
    flange, pipe = find_flange(standard, wet_end.nominal_in), find_pipe(wet_end.nominal_in)
    if flange is None or pipe is None:
        raise LookupError(f"no {standard} flange of size {wet_end.nominal_in}")
    return PortDimensions(
        outer_mm=flange.flange_diameter_mm,
        bore_mm=pipe.bore_schedule_80_mm if wet_end.material == "plastic" else pipe.bore_schedule_40_mm,
        flange_diameter_mm=flange.flange_diameter_mm,
        bolt_circle_mm=flange.bolt_circle_diameter_mm,
        hole_count=flange.bolt_hole_count,
        hole_mm=flange.bolt_hole_diameter_mm,
    )


@dataclass(frozen=True)
class BodyDimensions:
    """Body of one family, millimeters. Field names are words of the reference set."""

    port_spacing: float
    overall_height: float
    overall_width: float
    foot_spacing_long: float
    foot_spacing_short: float
    cover_depth: float
    stroke: float
    joint_rise: float


def body_dimensions(wet_end: WetEnd, port: Port) -> BodyDimensions:
    """Body dimensions: what depends on the wet end alone is equal for all its ports.

    The pump stands on feet that lift the largest flange it is offered with clear of the floor; its top is the
    discharge manifold or, where larger, the port on it. An end port reaches beyond one chamber cover.
    """
    chamber, key, plastic = wet_end.chamber_mm, wet_end.key, wet_end.material == "plastic"
    pipe = find_pipe(wet_end.nominal_in)
    if pipe is None:
        raise LookupError(f"no pipe of size {wet_end.nominal_in}")
    manifold = pipe.outside_diameter_mm * (1.55 if plastic else 1.35) + 4.0
    spacing = chamber * spread(key + "spacing", 1.02, 1.07) + manifold + (22.0 if plastic else 8.0)
    small = wet_end.nominal_in in {"1/4", "3/8", "1/2", "3/4"}  # small pumps run fast on a short stroke
    largest = max(port_dimensions(wet_end, p).outer_mm for p in wet_end.ports)
    foot = max(largest, manifold) / 2.0 + spread(key + "foot", 8.0, 16.0)
    top = max(port_dimensions(wet_end, port).outer_mm, manifold) / 2.0
    cover = chamber * spread(key + "cover", 0.23, 0.31)
    between_joints = chamber * spread(key + "middle", 0.56, 0.66)
    reach = chamber * spread(key + "reach", 0.14, 0.20) if port.position == "end" else 0.0
    rise = (4.6 + 0.009 * chamber) if wet_end.joint == "bolted" else (4.0 + 0.006 * chamber)
    return BodyDimensions(
        port_spacing=spacing,
        overall_height=spacing + foot + top,
        overall_width=between_joints + 2.0 * cover + reach,
        foot_spacing_long=chamber * spread(key + "long", 0.62, 0.74),
        foot_spacing_short=chamber * spread(key + "short", 0.44, 0.56),
        cover_depth=cover,
        stroke=chamber * (spread(key + "stroke", 0.094, 0.101) if small else spread(key + "stroke", 0.110, 0.128)),
        joint_rise=rise + spread(key + "rise", -0.4, 0.4),
    )
