"""Repair or replace: families that go into the same piping, side by side, with what would change.

Nothing here is a recommendation: every row carries its caveats, and the whole table the general ones.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from heapq import nsmallest
from typing import Literal

from identify.repair.elastomers import kit_has_elastomer
from identify.repair.kit_choice import section_order
from identify.repair.kit_parts import piece_count, rebuild_hours
from identify.repair.pump_differences import (
    attribute_differences,
    flow_difference,
    life_hint,
    span_differences,
    span_distance,
    swivel_seal_count,
)
from reference_geometry.families import Family, Kit, ReferenceSet

Fit = Literal["drop-in", "near drop-in", "same port size"]

CAVEATS = (
    "A table of dimensions is no recommendation: check chemical and temperature compatibility, suction lift, "
    "solids and pressure with the maker's data before replacing a pump.",
    "Flow figures are catalog maxima at open discharge; the working point is usually 25 to 60 % of them "
    "(common practice).",
    "Pipework, air supply and grounding must be right for the new pump; follow local codes and licensed practice.",
)


@dataclass(frozen=True)
class RepairEffort:
    """What rebuilding one side of the pump takes.

    Attributes:
        section: "fluid" or "air".
        parts: fewest and most parts to replace: from one kit to all where each holds other parts; None when the
            set does not list them.
        hours: from, to; common practice.
        prices: the same of list prices, None when not known or in several currencies.
        currency: of the prices.
        lead_time_days: shortest and longest of its kits, None when not known.
    """

    section: str
    parts: tuple[int, int] | None
    hours: tuple[float, float]
    prices: tuple[float, float] | None = None
    currency: str = ""
    lead_time_days: tuple[float, float] | None = None


@dataclass(frozen=True)
class Replacement:
    """One family set beside the pump.

    Attributes:
        family: the family.
        fit: "drop-in" (ports, spacing and feet alike), "near drop-in" (same port, spans differ), "same port
            size" (adapters or new flanges needed).
        differences: what would change, in words with mm.
        unknown: what can not be compared because a value is missing.
        max_flow_lpm: catalog maximum, None when not known.
        price, currency, lead_time_days: of the pump, from the family's extra columns; None or "" when not
            known.
        wearing_parts: pieces in its fluid-side kit, None when not listed; swivel seals not counted.
        swivel_seal_count: seals of its swivel flanges, which wear and can leak besides; 0 without swivel flanges.
        life_hint: stroke against diaphragm width in words, "" when not known for both.
    """

    family: Family
    fit: Fit
    differences: tuple[str, ...]
    unknown: tuple[str, ...]
    max_flow_lpm: float | None
    price: float | None
    currency: str
    lead_time_days: float | None
    wearing_parts: int | None
    swivel_seal_count: int
    life_hint: str


@dataclass(frozen=True)
class ReplacementTable:
    """The pump, its repair and the families that could take its place, best fit first.

    Attributes:
        pump: the identified family.
        repairs: what its rebuild takes, a side each, fluid side first.
        rows: what could take its place.
        caveats: never left out.
    """

    pump: Family
    repairs: tuple[RepairEffort, ...]
    rows: tuple[Replacement, ...]
    caveats: tuple[str, ...] = CAVEATS

    @property
    def repair(self) -> RepairEffort:
        """The fluid side's rebuild, of the size's common practice where the set holds no kit for it."""
        own = next((effort for effort in self.repairs if effort.section == "fluid"), None)
        return own or RepairEffort("fluid", None, _hours("fluid", self.pump))


def find_replacements(reference: ReferenceSet, family_id: str, most: int = 8, elastomer: str = "") -> ReplacementTable:
    """Families that go into the same piping as this one.

    Args:
        reference: the set.
        family_id: the identified family.
        most: rows to keep.
        elastomer: as said; the repair then counts the kits in it only, where there are any. "" when not said.

    Raises:
        KeyError: the set has no such family.
    """
    by_id = {family.family_id: family for family in reference.families}
    pump = by_id[family_id]
    order: dict[Fit, int] = {"drop-in": 0, "near drop-in": 1, "same port size": 2}

    def place(other: Family) -> tuple[int, float, str]:
        return order[_fit(pump, other)], span_distance(pump, other), other.family_id

    # Large sets hold thousands of families of one port size: only those kept are put into words.
    best = nsmallest(most, (other for other in reference.families if _could_replace(pump, other)), key=place)
    parts = _wearing_parts(reference, [pump, *best])
    return ReplacementTable(
        pump,
        _repairs(reference, pump, elastomer),
        tuple(_compare(pump, other, parts.get(other.family_id)) for other in best),
    )


def _could_replace(pump: Family, other: Family) -> bool:
    return (
        other.family_id != pump.family_id
        and pump.port_nominal_in is not None
        and other.port_nominal_in == pump.port_nominal_in
    )


def _fit(pump: Family, other: Family) -> Fit:
    if other.connection != pump.connection or other.port_standard != pump.port_standard:
        return "same port size"
    differing, unknown = span_differences(pump, other)
    alike = other.port_position == pump.port_position and not differing and not unknown
    return "drop-in" if alike else "near drop-in"


def _compare(pump: Family, other: Family, wearing_parts: int | None) -> Replacement:
    spans, unknown = span_differences(pump, other)
    attributes = attribute_differences(pump, other)
    return Replacement(
        family=other,
        fit=_fit(pump, other),
        differences=(*attributes, *spans, *flow_difference(pump, other)),
        unknown=unknown,
        max_flow_lpm=other.max_flow_lpm,
        price=other.extra_number("price"),
        currency=other.extras.get("currency", ""),
        lead_time_days=other.extra_number("lead_time_days"),
        wearing_parts=wearing_parts,
        swivel_seal_count=swivel_seal_count(other),
        life_hint=life_hint(pump, other),
    )


def _wearing_parts(reference: ReferenceSet, families: Sequence[Family]) -> dict[str, int]:
    """Pieces in each family's fluid-side kit with the fewest, by family_id; only where a kit lists them."""
    wanted = {family.family_id for family in families}
    fewest: dict[str, int] = {}
    for kit in reference.kits:
        if kit.family_id in wanted and kit.section.lower().startswith("fluid") and (n := piece_count(kit.contents)):
            fewest[kit.family_id] = min(n, fewest.get(kit.family_id, n))
    return fewest


def _repairs(reference: ReferenceSet, pump: Family, elastomer: str) -> tuple[RepairEffort, ...]:
    """A rebuild for each side the set has kits for."""
    own = [kit for kit in reference.kits if kit.family_id == pump.family_id and not kit.superseded_by]
    as_said = [kit for kit in own if kit.elastomer and elastomer and kit_has_elastomer(kit.elastomer, elastomer)]
    if as_said:
        own = [*as_said, *(kit for kit in own if not kit.elastomer)]
    sections = sorted({kit.section for kit in own}, key=section_order)
    return tuple(_repair(section, [kit for kit in own if kit.section == section], pump) for section in sections)


def _repair(section: str, kits: Sequence[Kit], pump: Family) -> RepairEffort:
    """One side: of kits in different elastomers one is taken, of kits without a choice those whose parts are worn."""
    counts = [count for kit in kits if (count := piece_count(kit.contents))]
    adds_up = not any(kit.elastomer for kit in kits)
    parts = (min(counts), sum(counts) if adds_up else max(counts)) if counts else None
    days = [kit.lead_time_days for kit in kits if kit.lead_time_days is not None]
    prices = [kit.price for kit in kits if kit.price is not None]
    currencies = {kit.currency for kit in kits if kit.price is not None}
    span = None
    if prices and len(currencies) == 1:
        span = (min(prices), sum(prices) if adds_up else max(prices))
    lead = (min(days), max(days)) if days else None
    return RepairEffort(section, parts, _hours(section, pump), span, "".join(currencies) if span else "", lead)


def _hours(section: str, pump: Family) -> tuple[float, float]:
    return rebuild_hours(section, [pump]) or rebuild_hours("fluid", [pump]) or (0.0, 0.0)
