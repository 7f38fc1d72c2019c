"""A pump family as the reference set knows it: attributes, lengths with their spread, notes."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isfinite

PORT_LENGTHS = (
    "flange_diameter",
    "bolt_circle_diameter",
    "bolt_hole_diameter",
    "port_bore",
    "thread_major_diameter",
    "thread_pitch",
)
"""Lengths of a port."""
LENGTH_NAMES = (
    "chamber_diameter",
    *PORT_LENGTHS,
    "port_spacing",
    "overall_height",
    "overall_width",
    "foot_spacing_long",
    "foot_spacing_short",
)
"""Lengths a family can carry, words of the design's section 3."""


@dataclass(frozen=True)
class KnownLength:
    """A family's length.

    Attributes:
        mean_mm: mean of the shop's measurements, or the published value.
        sd_mm: spread between pumps of the family (standard deviation), None when not known.
        count: number of measurements behind it, 0 when published or not known.
    """

    mean_mm: float
    sd_mm: float | None = None
    count: int = 0


@dataclass(frozen=True)
class Family:
    """One pump family of one size. None means not known.

    Attributes:
        family_id: unique within the set.
        lengths: name of LENGTH_NAMES -> what is known.
        extras: columns the import did not know, kept as text.
        Other attributes: words of the design's sections 3 and 7; `port_nominal_in` as the trade writes it,
            "1-1/2".
    """

    family_id: str
    maker: str
    family: str
    size_label: str
    connection: str | None = None
    port_standard: str | None = None
    port_nominal_in: str | None = None
    port_position: str | None = None
    swivel_flange: bool | None = None
    housing_joint: str | None = None
    chamber_bolt_count: int | None = None
    bolt_hole_count: int | None = None
    wetted_material: str | None = None
    air_valve_side: str | None = None
    max_flow_lpm: float | None = None
    lengths: Mapping[str, KnownLength] = field(default_factory=dict)
    notes: str = ""
    extras: Mapping[str, str] = field(default_factory=dict)

    def extra_number(self, column: str) -> float | None:
        """The number in a column of its own; None where it has no such column or no number in it."""
        try:
            value = float(self.extras[column])
        except (KeyError, ValueError):
            return None
        return value if isfinite(value) else None


@dataclass(frozen=True)
class Kit:
    """One rebuild kit for one family (a kit that fits several families has one row for each).

    Attributes:
        kit_no: the number to order by.
        section: "fluid" or "air" side.
        elastomer: as the set words it, "" when the section has none to choose.
        contents: text.
        price, currency: list price; None when not known.
        lead_time_days: None when not known.
        stock: pieces on the shelf; None when not known.
        superseded_by: number that is ordered in its place, "" while this one is current.
    """

    kit_no: str
    family_id: str
    section: str
    elastomer: str
    contents: str
    price: float | None = None
    currency: str = ""
    lead_time_days: float | None = None
    stock: int | None = None
    superseded_by: str = ""


@dataclass(frozen=True)
class ReferenceSet:
    """Everything known to match against.

    Attributes:
        families: all families.
        kits: all kit rows.
        name: where it comes from, in words.
        is_demo: True for the packaged invented set; every answer says so.
    """

    families: tuple[Family, ...]
    kits: tuple[Kit, ...]
    name: str
    is_demo: bool = False
