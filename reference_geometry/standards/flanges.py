"""Pipe flanges met on diaphragm pumps: ASME B16.5 Class 150, EN 1092-1 PN10/16 and JIS B2220 10K."""

from dataclasses import dataclass
from functools import cache

from reference_geometry.standards.table import Provenance, read_table

ASME_150 = "ASME B16.5 Class 150"
EN_PN10_16 = "EN 1092-1 PN10/16"
JIS_10K = "JIS B2220 10K"
FLANGE_STANDARDS = (ASME_150, EN_PN10_16, JIS_10K)


@dataclass(frozen=True)
class Flange:
    """One flange of one size.

    Attributes:
        standard: one of FLANGE_STANDARDS.
        nominal_in: nominal size as the trade writes it, "1-1/2".
        dn: nominal diameter DN.
        flange_diameter_mm: outside diameter D.
        flange_diameter_alt_mm: a second one met on real flanges (ASME: the metric edition rounds), or None.
        bolt_circle_diameter_mm: K (EN), W (ASME), C (JIS).
        bolt_hole_count: number of holes.
        bolt_hole_count_alt: a second count met on real flanges (EN DN65: 4 as well as 8), or None.
        bolt_hole_diameter_mm: of a round hole; a slotted flange has the slot's width here.
        bolt: bolt size in words, "M16" or "5/8 in".
        bolt_diameter_mm: its thread diameter.
        raised_face_diameter_mm, raised_face_height_mm: of the sealing face.
        thickness_mm: with the raised face; EN: of type 11.
        provenance: where the row comes from.
    """

    standard: str
    nominal_in: str
    dn: int
    flange_diameter_mm: float
    flange_diameter_alt_mm: float | None
    bolt_circle_diameter_mm: float
    bolt_hole_count: int
    bolt_hole_count_alt: int | None
    bolt_hole_diameter_mm: float
    bolt: str
    bolt_diameter_mm: float
    raised_face_diameter_mm: float
    raised_face_height_mm: float
    thickness_mm: float
    provenance: Provenance

    @property
    def flange_diameters_mm(self) -> tuple[float, ...]:
        """Every outside diameter a real flange of this row may have, the usual one first."""
        alt = self.flange_diameter_alt_mm
        return (self.flange_diameter_mm,) if alt is None else (self.flange_diameter_mm, alt)

    @property
    def bolt_hole_counts(self) -> tuple[int, ...]:
        """Every hole count a real flange of this row may have, the usual one first."""
        alt = self.bolt_hole_count_alt
        return (self.bolt_hole_count,) if alt is None else (self.bolt_hole_count, alt)


@cache
def flanges() -> tuple[Flange, ...]:
    """All flanges of all standards, by standard and then by size."""
    return tuple(
        Flange(
            standard=row.text("standard"),
            nominal_in=row.text("nominal_in"),
            dn=row.whole("dn"),
            flange_diameter_mm=row.number("flange_diameter_mm"),
            flange_diameter_alt_mm=row.maybe_number("flange_diameter_alt_mm"),
            bolt_circle_diameter_mm=row.number("bolt_circle_diameter_mm"),
            bolt_hole_count=row.whole("bolt_hole_count"),
            bolt_hole_count_alt=row.maybe_whole("bolt_hole_count_alt"),
            bolt_hole_diameter_mm=row.number("bolt_hole_diameter_mm"),
            bolt=row.text("bolt"),
            bolt_diameter_mm=row.number("bolt_diameter_mm"),
            raised_face_diameter_mm=row.number("raised_face_diameter_mm"),
            raised_face_height_mm=row.number("raised_face_height_mm"),
            thickness_mm=row.number("thickness_mm"),
            provenance=row.provenance(),
        )
        for row in read_table("flanges.csv")
    )


def find_flange(standard: str, nominal_in: str) -> Flange | None:
    """The flange of a canonical standard name and nominal size, None when the table has none."""
    return next((f for f in flanges() if f.standard == standard and f.nominal_in == nominal_in), None)
