"""Takes NAME=VALUE pairs typed at the bench: readings of lengths, and attributes of a family."""

import difflib
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal, final

from reference_geometry.families import LENGTH_NAMES, Family
from reference_geometry.family_rows import FAMILY_COLUMNS, LENGTH_COLUMNS, family_cells, read_family
from reference_geometry.measurements import SURE_DISAGREEMENT, Measurement, disagreement
from reference_geometry.numbers_in_text import parse_number
from reference_geometry.plausible import length_reason
from reference_geometry.table_text import TableRow

MM_PER_INCH = 25.4
KNOWN_EXTRAS = (
    "cover_depth_mm", "stroke_mm", "joint_rise_mm", "slotted_holes", "body_color", "air_valve_screw_count",
)  # fmt: skip
"""Extra columns that other parts of the program make use of where a set has them."""

_UNITS = {
    "mm": 1.0,
    "cm": 10.0,
    "in": MM_PER_INCH,
    "inch": MM_PER_INCH,
    "inches": MM_PER_INCH,
    '"': MM_PER_INCH,
}
_ATTRIBUTES = tuple(column for column in FAMILY_COLUMNS if column not in LENGTH_COLUMNS and column != "family_id")


@final
@dataclass(frozen=True)
class AdditionRefused:
    """Pairs that were not taken. Falsy.

    Attributes:
        reasons: one sentence each.
    """

    reasons: tuple[str, ...]

    def __bool__(self) -> Literal[False]:
        return False


@final
@dataclass(frozen=True)
class Addition:
    """What the pairs ask for.

    Attributes:
        cells: attributes to set, by column of the family table.
        readings: (length name, millimeters), in the order typed.
    """

    cells: Mapping[str, str]
    readings: tuple[tuple[str, float], ...]


def parse_pairs(pairs: Sequence[str]) -> Addition | AdditionRefused:
    """Sort pairs into attributes and readings.

    A length takes mm, or the unit behind it ("8.36in"); given several times it counts as several readings.
    """
    cells: dict[str, str] = {}
    readings: list[tuple[str, float]] = []
    reasons: list[str] = []
    for pair in pairs:
        name, equals, value = (part.strip() for part in pair.partition("="))
        name = name.lower().replace("-", "_").replace(" ", "_")
        length = name.removesuffix("_mm")
        if not equals or not value:
            reasons.append(f'"{pair}" is not NAME=VALUE')
        elif length in LENGTH_NAMES:
            reading = parse_length(value)
            reason = reading if isinstance(reading, str) else length_reason(length, reading)
            if reason or isinstance(reading, str):
                reasons.append(f"{length}: {reason}")
            else:
                readings.append((length, reading))
        elif name in _ATTRIBUTES or name in KNOWN_EXTRAS:
            cells[name] = value
        else:
            near = difflib.get_close_matches(name, (*LENGTH_NAMES, *_ATTRIBUTES, *KNOWN_EXTRAS), n=2)
            hint = f"; did you mean {' or '.join(near)}?" if near else ""
            reasons.append(f'"{name}" is no length and no attribute{hint}')
    return AdditionRefused(tuple(reasons)) if reasons else Addition(cells, tuple(readings))


def parse_length(text: str) -> float | str:
    """Millimeters of "212.4", "212,4 mm", "21.24cm" or "8.36in"; a reason when it cannot be read."""
    bare, factor = text.strip().lower(), 1.0
    for unit in sorted(_UNITS, key=len, reverse=True):
        if bare.endswith(unit):
            bare, factor = bare.removesuffix(unit).strip(), _UNITS[unit]
            break
    number = parse_number(bare)
    return number * factor if isinstance(number, float) else number.reason


def family_with(family: Family | None, family_id: str, cells: Mapping[str, str]) -> Family | AdditionRefused:
    """A family, new (None) or known, with attributes set from cells; checked like a row of a table."""
    merged = {**(family_cells(family) if family else {"family_id": family_id}), **cells}
    made = read_family("", TableRow(0, merged), ".")
    if isinstance(made, Family):
        return made
    return AdditionRefused(tuple(f"{problem.column}: {problem.reason}" for problem in made))


def measurements_of(
    family: Family, addition: Addition, by: str, on: date, instrument: str, insist: bool
) -> tuple[Measurement, ...] | AdditionRefused:
    """Readings as measurements to keep.

    Args:
        family: with earlier shop measurements worked in; a reading is compared with it.
        addition: what was typed.
        by: who measured.
        on: when.
        instrument: with what.
        insist: take a reading that is far from what is known.
    """
    reasons = [
        f"{name}: {value:g} mm is {disagreement(family.lengths.get(name), value):.0%} away from the "
        f"{family.lengths[name].mean_mm:g} mm known; measure again, or insist with --anyway"
        for name, value in addition.readings
        if disagreement(family.lengths.get(name), value) > SURE_DISAGREEMENT and not insist
    ]
    if reasons:
        return AdditionRefused(tuple(reasons))
    return tuple(
        Measurement(uuid.uuid4().hex, family.family_id, name, value, by, on, instrument)
        for name, value in addition.readings
    )
