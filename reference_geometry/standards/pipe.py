"""Steel pipe by nominal size, ASME B36.10: what a port's bore and a mated pipe look like."""

from dataclasses import dataclass
from functools import cache

from reference_geometry.standards.table import Provenance, read_table


@dataclass(frozen=True)
class Pipe:
    """One nominal pipe size.

    Attributes:
        nominal_in, dn: nominal size.
        outside_diameter_mm: as the metric column of the standard rounds it.
        outside_diameter_inch_exact_mm: the inch value converted.
        wall_schedule_40_mm, wall_schedule_80_mm: wall thickness.
        provenance: where the row comes from.
    """

    nominal_in: str
    dn: int
    outside_diameter_mm: float
    outside_diameter_inch_exact_mm: float
    wall_schedule_40_mm: float
    wall_schedule_80_mm: float
    provenance: Provenance

    @property
    def bore_schedule_40_mm(self) -> float:
        """Inside diameter, outside less two walls."""
        return self.outside_diameter_mm - 2.0 * self.wall_schedule_40_mm

    @property
    def bore_schedule_80_mm(self) -> float:
        """Inside diameter, outside less two walls."""
        return self.outside_diameter_mm - 2.0 * self.wall_schedule_80_mm


@cache
def pipes() -> tuple[Pipe, ...]:
    """All nominal pipe sizes, smallest first."""
    return tuple(
        Pipe(
            nominal_in=row.text("nominal_in"),
            dn=row.whole("dn"),
            outside_diameter_mm=row.number("outside_diameter_mm"),
            outside_diameter_inch_exact_mm=row.number("outside_diameter_inch_exact_mm"),
            wall_schedule_40_mm=row.number("wall_schedule_40_mm"),
            wall_schedule_80_mm=row.number("wall_schedule_80_mm"),
            provenance=row.provenance(),
        )
        for row in read_table("pipe.csv")
    )


def find_pipe(nominal_in: str) -> Pipe | None:
    """The pipe of a nominal size, None when the table has none."""
    return next((p for p in pipes() if p.nominal_in == nominal_in), None)
