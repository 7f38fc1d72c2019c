"""Bolt heads, nuts and washers: their sizes are a weak extra scale and shape what the renderer draws."""

from dataclasses import dataclass
from functools import cache
from statistics import fmean, pstdev
from typing import Literal, cast

from reference_geometry.standards.table import Provenance, read_table

FastenerKind = Literal["hex bolt", "hex nut", "heavy hex nut", "socket head", "washer"]


@dataclass(frozen=True)
class Fastener:
    """One bolt head, nut or washer of one thread size. None means the kind has no such dimension.

    Attributes:
        standard: "ISO 4014/4017", "DIN 934", "ASME B18.2.1", ...; ISO and old DIN differ at M10, M12,
            M14 and M22.
        kind: what it is.
        size: thread size in words, "M10" or "3/8" (inch).
        thread_diameter_mm: nominal thread diameter.
        pitch_mm: coarse pitch.
        across_flats_mm: hexagon, nominal.
        across_corners_sharp_mm: across_flats / cos 30, unrounded corners.
        across_corners_min_mm: least a real head has.
        height_mm: head or nut height, washer thickness.
        outside_diameter_mm: of a socket head (plain, largest) or washer.
        hole_diameter_mm: of a washer.
        socket_key_mm: key of a socket head.
        provenance: where the row comes from.
    """

    standard: str
    kind: FastenerKind
    size: str
    thread_diameter_mm: float
    pitch_mm: float | None
    across_flats_mm: float | None
    across_corners_sharp_mm: float | None
    across_corners_min_mm: float | None
    height_mm: float | None
    outside_diameter_mm: float | None
    hole_diameter_mm: float | None
    socket_key_mm: float | None
    provenance: Provenance


@dataclass(frozen=True)
class AcrossFlats:
    """How wide hexagons of one thread size are across their flats: the standards' mean and its relative uncertainty."""

    mean_mm: float
    relative_sd: float


_HEXAGONS: tuple[FastenerKind, ...] = ("hex bolt", "hex nut")
_FLATS_RELATIVE_SD = 0.01
"""Hexagons are up to 2 % narrower than their nominal width (tolerances of ISO 4014 and ISO 4032, from memory)."""


@cache
def fasteners() -> tuple[Fastener, ...]:
    """All fasteners, by standard and then by size."""
    return tuple(
        Fastener(
            standard=row.text("standard"),
            kind=cast(FastenerKind, row.text("kind")),
            size=row.text("size"),
            thread_diameter_mm=row.number("thread_diameter_mm"),
            pitch_mm=row.maybe_number("pitch_mm"),
            across_flats_mm=row.maybe_number("across_flats_mm"),
            across_corners_sharp_mm=row.maybe_number("across_corners_sharp_mm"),
            across_corners_min_mm=row.maybe_number("across_corners_min_mm"),
            height_mm=row.maybe_number("height_mm"),
            outside_diameter_mm=row.maybe_number("outside_diameter_mm"),
            hole_diameter_mm=row.maybe_number("hole_diameter_mm"),
            socket_key_mm=row.maybe_number("socket_key_mm"),
            provenance=row.provenance(),
        )
        for row in read_table("fasteners.csv")
    )


def find_fastener(standard: str, kind: FastenerKind, size: str) -> Fastener | None:
    """The fastener of a standard, kind and size, None when the table has none."""
    wanted = (standard, kind, size)
    return next((f for f in fasteners() if (f.standard, f.kind, f.size) == wanted), None)


def across_flats(size: str) -> AcrossFlats | None:
    """How wide bolt heads and nuts of a thread size ("M10", "3/8") are, whatever their standard; None: not tabulated.

    ISO and the older DIN differ at M10, M12, M14 and M22, which is part of the uncertainty.
    """
    rows = [f for f in fasteners() if f.kind in _HEXAGONS and f.size == size]
    widths = [f.across_flats_mm for f in rows if f.across_flats_mm is not None]
    if not widths:
        return None
    mean_mm = fmean(widths)
    return AcrossFlats(mean_mm, float((pstdev(widths) / mean_mm) ** 2 + _FLATS_RELATIVE_SD**2) ** 0.5)
