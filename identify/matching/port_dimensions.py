"""What a port standard and size say about a family's lengths, so that a family need not repeat the tables."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from math import exp, log

from reference_geometry.standards import Flange, PipeThread, flanges, threads

_HOLE_SD = 0.05
"""Relative spread of bolt holes: slotted, opened up or cast with draft (common practice)."""

_THREAD_MOUTH_SD = 0.02
"""Relative spread of the mouth of a female thread, which a chamfer enlarges (common practice)."""

_THREAD_MAJOR_SD = 0.008


@dataclass(frozen=True)
class PortDimensions:
    """One standard port.

    Attributes:
        standard, nominal_in: as in features.ports.
        connection: "flanged" or "threaded".
        lengths: name -> (mm, relative sd beyond manufacturing, where editions or practice differ).
        bolt_hole_count: holes of the flange; None for threads and where two counts are met.
    """

    standard: str
    nominal_in: str
    connection: str
    lengths: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    bolt_hole_count: int | None = None


@cache
def all_standard_ports() -> tuple[PortDimensions, ...]:
    """Every port of the standards' tables."""
    return (*(_of_flange(flange) for flange in flanges()), *(_of_thread(thread) for thread in threads()))


@cache
def _by_key() -> Mapping[tuple[str, str], PortDimensions]:
    return {(port.standard, port.nominal_in): port for port in all_standard_ports()}


def standard_port(standard: str | None, nominal_in: str | None) -> PortDimensions | None:
    """One port, None when the standard or size is not known or not in the tables."""
    return _by_key().get((standard or "", nominal_in or ""))


def _of_flange(flange: Flange) -> PortDimensions:
    """Where two outside diameters are met, the middle with half their distance as a spread covers both."""
    outside = [log(d) for d in flange.flange_diameters_mm]
    middle = 0.5 * (min(outside) + max(outside))
    lengths = {
        "flange_diameter": (exp(middle), 0.5 * (max(outside) - min(outside))),
        "bolt_circle_diameter": (flange.bolt_circle_diameter_mm, 0.0),
        "bolt_hole_diameter": (flange.bolt_hole_diameter_mm, _HOLE_SD),
    }
    counts = flange.bolt_hole_counts
    return PortDimensions(
        flange.standard, flange.nominal_in, "flanged", lengths, counts[0] if len(counts) == 1 else None
    )


def _of_thread(thread: PipeThread) -> PortDimensions:
    lengths = {
        "thread_major_diameter": (thread.major_diameter_mm, _THREAD_MAJOR_SD),
        "thread_pitch": (thread.pitch_mm, 0.0),
        "port_bore": (thread.minor_diameter_mm, _THREAD_MOUTH_SD),
    }
    return PortDimensions(thread.standard, thread.nominal_in, "threaded", lengths)
