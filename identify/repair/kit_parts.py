"""What a kit holds, counted, and how long putting it in takes: the work of a repair beside its price."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from reference_geometry.families import Family

_QUANTITY = re.compile(
    r"^\s*(?:(\d{1,3})\s*(?:x|×|pcs?\.?|ea\.?)?\s+(?=\D)|(\d{1,3})\s*[x×]\s*)(.+?)\s*$", re.IGNORECASE
)
_QUANTITY_BEHIND = re.compile(r"^\s*(.*\D)\s*(?:[x×]\s*(\d{1,3})|\((\d{1,3})\))\s*$", re.IGNORECASE)

_UNIT = re.compile(r"^(?:mm|cm|in|inch|g|kg|oz|lb|ml|l)\b", re.IGNORECASE)
"""A number before one of these is a size or an amount, no count of pieces."""

_HOURS = {
    "fluid": {"small": (1.0, 2.0), "medium": (1.5, 3.0), "large": (2.5, 5.0)},
    "air": {"small": (0.5, 1.0), "medium": (0.5, 1.5), "large": (1.0, 2.0)},
}
"""Bench hours of a rebuild by side and size, decontamination not counted (common practice, from memory)."""

_SMALL_BELOW_MM, _LARGE_FROM_MM = 180.0, 300.0
"""Chamber diameters at which a pump counts as small or large (common practice: to 1/2 in., from 1-1/2 in.)."""


@dataclass(frozen=True)
class KitPart:
    """One line of a kit's contents: how many of what."""

    count: int
    name: str


def kit_parts(contents: str) -> tuple[KitPart, ...]:
    """Parts of contents such as "2 diaphragms PTFE; 4 x valve balls; O-rings (8)".

    Entries are parted by semicolons or line ends, and by commas where each entry then starts with a count. An
    entry without a count, such as grease, is one piece of supply and no part to replace; it is left out.
    """
    entries = [entry for entry in re.split(r"[;\n]", contents) if entry.strip()]
    if len(entries) == 1:
        by_comma = entries[0].split(",")
        if all(_QUANTITY.match(entry) for entry in by_comma):
            entries = by_comma
    found = (_part(entry) for entry in entries)
    return tuple(part for part in found if part is not None)


def _part(entry: str) -> KitPart | None:
    ahead = _QUANTITY.match(entry)
    if ahead:
        is_amount = _UNIT.match(ahead[3])
        return None if is_amount else KitPart(int(ahead[1] or ahead[2]), ahead[3])
    behind = _QUANTITY_BEHIND.match(entry)
    return KitPart(int(behind[2] or behind[3]), behind[1].strip()) if behind else None


def piece_count(contents: str) -> int:
    """Pieces in a kit's contents, 0 when none is counted there."""
    return sum(part.count for part in kit_parts(contents))


def rebuild_hours(section: str, families: Sequence[Family]) -> tuple[float, float] | None:
    """From, to: hours at the bench for a rebuild of one side of these families; None for other sides.

    Families without a chamber diameter are taken as of middle size.
    """
    by_size = _HOURS.get(section.strip().lower())
    if by_size is None:
        return None
    spans = [by_size[_size(family)] for family in families] or [by_size["medium"]]
    return min(low for low, _ in spans), max(high for _, high in spans)


def _size(family: Family) -> str:
    chamber = family.lengths.get("chamber_diameter")
    if chamber is None:
        return "medium"
    if chamber.mean_mm < _SMALL_BELOW_MM:
        return "small"
    return "large" if chamber.mean_mm >= _LARGE_FROM_MM else "medium"
