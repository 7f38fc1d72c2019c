"""Repair or replace: families that go into the same piping, side by side, with what would change.

Nothing here is a recommendation: every row carries its caveats, and the whole table the general ones.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from heapq import nsmallest
from typing import Literal

from identify.wording import value_words
from reference_geometry.families import Family, Kit, ReferenceSet

Fit = Literal["drop-in", "near drop-in", "same port size"]

_SAME_MM = 3.0
"""Spans differing by less are taken as equal: pipework and feet give that much (common practice)."""

_SPANS = {
    "port_spacing": ("taller between ports: pipework changes", "shorter between ports: pipework changes"),
    "overall_height": ("taller overall: check the headroom", "shorter overall"),
    "overall_width": ("wider overall: check the room at the sides", "narrower overall"),
    "foot_spacing_long": (
        "wider between feet, long side: new mounting holes",
        "narrower between feet, long side: new mounting holes",
    ),
    "foot_spacing_short": (
        "wider between feet, short side: new mounting holes",
        "narrower between feet, short side: new mounting holes",
    ),
}

_HOURS = {"small": (1.0, 2.0), "medium": (1.5, 3.0), "large": (2.5, 5.0)}
"""Bench hours for a fluid-side rebuild, decontamination not counted (common practice, from memory)."""

CAVEATS = (
    "A table of dimensions is no recommendation: check chemical and temperature compatibility, suction lift, "
    "solids and pressure with the maker's data before replacing a pump.",
    "Flow figures are catalog maxima at open discharge; the working point is usually 25 to 60 % of them "
    "(common practice).",
    "Pipework, air supply and grounding must be right for the new pump; follow local codes and licensed "
    "practice.",
)


@dataclass(frozen=True)
class RepairEffort:
    """What a fluid-side rebuild takes.

    Attributes:
        parts: pieces in the kit, None when the set does not list them.
        hours: from, to; common practice.
    """

    parts: int | None
    hours: tuple[float, float]


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
        wearing_parts: pieces in its fluid-side kit, None when not listed.
        swivel_seals: True when swivel flanges add seals that wear and can leak.
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
    swivel_seals: bool
    life_hint: str


@dataclass(frozen=True)
class ReplacementTable:
    """The pump, its repair and the families that could take its place, best fit first."""

    pump: Family
    repair: RepairEffort
    rows: tuple[Replacement, ...]
    caveats: tuple[str, ...] = CAVEATS


def find_replacements(reference: ReferenceSet, family_id: str, most: int = 8) -> ReplacementTable:
    """Families that go into the same piping as this one.

    Args:
        reference: the set.
        family_id: the identified family.
        most: rows to keep.

    Raises:
        KeyError: the set has no such family.
    """
    by_id = {family.family_id: family for family in reference.families}
    pump = by_id[family_id]
    order: dict[Fit, int] = {"drop-in": 0, "near drop-in": 1, "same port size": 2}

    def place(other: Family) -> tuple[int, float, str]:
        return order[_fit(pump, other)], _span_distance(pump, other), other.family_id

    # Large sets hold thousands of families of one port size: only those kept are put into words.
    best = nsmallest(most, (other for other in reference.families if _could_replace(pump, other)), key=place)
    parts = _wearing_parts(reference, [pump, *best])
    return ReplacementTable(
        pump,
        RepairEffort(parts.get(family_id), _hours(pump)),
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
    differing, unknown = _span_differences(pump, other)
    alike = other.port_position == pump.port_position and not differing and not unknown
    return "drop-in" if alike else "near drop-in"


def _compare(pump: Family, other: Family, wearing_parts: int | None) -> Replacement:
    spans, unknown = _span_differences(pump, other)
    attributes = _attribute_differences(pump, other)
    return Replacement(
        family=other,
        fit=_fit(pump, other),
        differences=(*attributes, *spans, *_flow_difference(pump, other)),
        unknown=unknown,
        max_flow_lpm=other.max_flow_lpm,
        price=other.extra_number("price"),
        currency=other.extras.get("currency", ""),
        lead_time_days=other.extra_number("lead_time_days"),
        wearing_parts=wearing_parts,
        swivel_seals=bool(other.swivel_flange),
        life_hint=_life_hint(pump, other),
    )


def _span_differences(pump: Family, other: Family) -> tuple[tuple[str, ...], tuple[str, ...]]:
    found, unknown = [], []
    for name, (larger, smaller) in _SPANS.items():
        if name not in pump.lengths or name not in other.lengths:
            unknown.append(f"{name.replace('_', ' ')} not known for both")
            continue
        gap = other.lengths[name].mean_mm - pump.lengths[name].mean_mm
        if abs(gap) > _SAME_MM:
            found.append(f"{abs(gap):.0f} mm {larger if gap > 0 else smaller}")
    return tuple(found), tuple(unknown)


_ATTRIBUTES = {
    "connection": "adapters needed",
    "port_standard": "mating flanges or fittings change",
    "port_position": "pipework turns",
    "wetted_material": "check compatibility",
    "housing_joint": "other joint style",
    "swivel_flange": "swivel seals are extra wearing parts and leak points",
    "air_valve_side": "air hose moves",
}


def _attribute_differences(pump: Family, other: Family) -> tuple[str, ...]:
    found = []
    for name, consequence in _ATTRIBUTES.items():
        mine, theirs = getattr(pump, name), getattr(other, name)
        if mine is None or theirs is None or mine == theirs:
            continue
        if name == "swivel_flange":
            has = "swivel flanges" if theirs else "fixed flanges"
            found.append(f"{has}: {consequence}" if theirs else has)
        else:
            found.append(
                f"{name.replace('_', ' ')} {value_words(theirs)} for {value_words(mine)}: {consequence}"
            )
    return tuple(found)


def _flow_difference(pump: Family, other: Family) -> tuple[str, ...]:
    if pump.max_flow_lpm is None or other.max_flow_lpm is None:
        return ()
    percent = 100.0 * (other.max_flow_lpm / pump.max_flow_lpm - 1.0)
    if abs(percent) < 3.0:
        return ()
    word = "more" if percent > 0 else "less"
    return (
        f"{abs(percent):.0f} % {word} maximum flow ({other.max_flow_lpm:.0f} for {pump.max_flow_lpm:.0f} "
        f"L/min)",
    )


def _span_distance(pump: Family, other: Family) -> float:
    """Summed differences of spans known for both, in mm; missing ones count 50 mm."""
    total = 0.0
    for name in _SPANS:
        both = name in pump.lengths and name in other.lengths
        total += abs(other.lengths[name].mean_mm - pump.lengths[name].mean_mm) if both else 50.0
    return total


def _life_hint(pump: Family, other: Family) -> str:
    """Stroke over diaphragm width, with the chamber diameter standing for the width (common practice)."""
    mine, theirs = _flex(pump), _flex(other)
    if mine is None or theirs is None:
        return ""
    percent = 100.0 * (theirs / mine - 1.0)
    if abs(percent) < 5.0:
        return "diaphragm flexes about as much"
    word = "more, a shorter life is likely" if percent > 0 else "less, a longer life is likely"
    return f"diaphragm flexes {abs(percent):.0f} % {word} (stroke against width, common practice)"


def _flex(family: Family) -> float | None:
    stroke_mm = family.extra_number("stroke_mm")
    chamber = family.lengths.get("chamber_diameter")
    return None if stroke_mm is None or chamber is None else stroke_mm / chamber.mean_mm


def _wearing_parts(reference: ReferenceSet, families: Sequence[Family]) -> dict[str, int]:
    """Pieces in each family's fluid-side kit with the fewest, by family_id; only where a kit lists them."""
    wanted = {family.family_id for family in families}
    fewest: dict[str, int] = {}
    for kit in reference.kits:
        if kit.family_id in wanted and kit.section.lower().startswith("fluid") and (n := count_pieces(kit)):
            fewest[kit.family_id] = min(n, fewest.get(kit.family_id, n))
    return fewest


def count_pieces(kit: Kit) -> int:
    """Pieces in contents such as "2 diaphragms; 4 valve balls", 0 when none is counted there."""
    entries: Sequence[str] = re.split(r"[;\n]", kit.contents)
    found = (re.match(r"\s*(\d+)\s+\D", entry) for entry in entries)
    return sum(int(match[1]) for match in found if match)


def _hours(pump: Family) -> tuple[float, float]:
    chamber = pump.lengths.get("chamber_diameter")
    if chamber is None:
        return _HOURS["medium"]
    return _HOURS["small" if chamber.mean_mm < 180.0 else "medium" if chamber.mean_mm < 300.0 else "large"]
