"""Pipe threads met on diaphragm pumps: NPT (ASME B1.20.1) and BSP (ISO 228-1 and ISO 7-1)."""

from dataclasses import dataclass
from functools import cache

from reference_geometry.standards.table import Provenance, read_table

NPT = "NPT"
BSP = "BSP"
THREAD_STANDARDS = (NPT, BSP)


@dataclass(frozen=True)
class PipeThread:
    """One pipe thread of one size. BSP sizes that no pipe has (5/8, 7/8, ...) are left out.

    Attributes:
        standard: "NPT" or "BSP".
        nominal_in, dn: nominal size.
        tpi: threads per inch.
        pitch_mm: 25.4 / tpi, as tabulated.
        major_diameter_mm: BSP: at the gauge plane. NPT: D of ASME B1.20.1, outside diameter of the pipe;
            at the hand-tight plane the crest of a male thread is E1 + 0.8 p, 0.1 to 0.4 mm less.
        pitch_diameter_mm: at the gauge plane (NPT: E1, at hand-tight engagement), which is the mouth of a
            female thread.
        minor_diameter_mm: at the same plane, the opening seen at the mouth of a female thread
            (NPT: E1 - 0.8 p, the thread height being 0.8 p).
        gauge_length_mm: NPT: L1; BSP: gauge length of ISO 7-1; None for a size only ISO 228-1 has.
        useful_length_mm: NPT: L2; BSP: of ISO 7-1.
        thread_angle_deg: 60 (NPT) or 55 (BSP).
        taper_on_diameter: 1/16 for NPT and ISO 7-1 R/Rc; parallel threads (G, Rp) have none.
        provenance: where the row comes from.
    """

    standard: str
    nominal_in: str
    dn: int
    tpi: float
    pitch_mm: float
    major_diameter_mm: float
    pitch_diameter_mm: float
    minor_diameter_mm: float
    gauge_length_mm: float | None
    useful_length_mm: float | None
    thread_angle_deg: float
    taper_on_diameter: float
    provenance: Provenance


@cache
def threads() -> tuple[PipeThread, ...]:
    """All pipe threads, by standard and then by size."""
    return tuple(
        PipeThread(
            standard=row.text("standard"),
            nominal_in=row.text("nominal_in"),
            dn=row.whole("dn"),
            tpi=row.number("tpi"),
            pitch_mm=row.number("pitch_mm"),
            major_diameter_mm=row.number("major_diameter_mm"),
            pitch_diameter_mm=row.number("pitch_diameter_mm"),
            minor_diameter_mm=row.number("minor_diameter_mm"),
            gauge_length_mm=row.maybe_number("gauge_length_mm"),
            useful_length_mm=row.maybe_number("useful_length_mm"),
            thread_angle_deg=row.number("thread_angle_deg"),
            taper_on_diameter=row.number("taper_on_diameter"),
            provenance=row.provenance(),
        )
        for row in read_table("threads.csv")
    )


def find_thread(standard: str, nominal_in: str) -> PipeThread | None:
    """The thread of a canonical standard name and nominal size, None when the table has none."""
    return next((t for t in threads() if t.standard == standard and t.nominal_in == nominal_in), None)
