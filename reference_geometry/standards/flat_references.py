"""Flat things of published size that can serve as a scale: cards, sheets, banknotes, discs."""

from dataclasses import dataclass
from functools import cache

from reference_geometry.standards.table import Provenance, read_table


@dataclass(frozen=True)
class FlatReference:
    """One flat thing.

    Attributes:
        name: "id-1", "a4", "a5", "letter", ...
        label: in words.
        kind: "card", "paper", "banknote" or "disc".
        standard: where its size is published, "" for a banknote.
        width_mm, height_mm: as the standard states them; a disc has its diameter in both.
        corner_radius_mm: None for square corners.
        thickness_mm: None when not stated.
        tolerance: in words, as the standard states it; "" when not known.
        provenance: where the row comes from.
    """

    name: str
    label: str
    kind: str
    standard: str
    width_mm: float
    height_mm: float
    corner_radius_mm: float | None
    thickness_mm: float | None
    tolerance: str
    provenance: Provenance

    @property
    def long_mm(self) -> float:
        """The longer side."""
        return max(self.width_mm, self.height_mm)

    @property
    def short_mm(self) -> float:
        """The shorter side."""
        return min(self.width_mm, self.height_mm)


@cache
def flat_references() -> tuple[FlatReference, ...]:
    """All flat references."""
    return tuple(
        FlatReference(
            name=row.text("name"),
            label=row.text("label"),
            kind=row.text("kind"),
            standard=row.text("standard"),
            width_mm=row.number("width_mm"),
            height_mm=row.number("height_mm"),
            corner_radius_mm=row.maybe_number("corner_radius_mm"),
            thickness_mm=row.maybe_number("thickness_mm"),
            tolerance=row.text("tolerance"),
            provenance=row.provenance(),
        )
        for row in read_table("flat_references.csv")
    )


def find_flat_reference(name: str) -> FlatReference | None:
    """The flat reference of a name, however capitalized ("A4", "ID-1", "id1"), None when there is none."""
    wanted = name.strip().lower().replace("-", "").replace(" ", "")
    return next((f for f in flat_references() if f.name.replace("-", "") == wanted), None)
