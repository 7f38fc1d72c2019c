"""Reads families.csv, kits.csv and measurements.csv whole: all rows, or all that is wrong with them."""

import difflib
from collections.abc import Callable, Container, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, Literal, TypeVar, final

from reference_geometry.families import Family, Kit
from reference_geometry.family_rows import (
    FAMILY_COLUMNS,
    FAMILY_NUMBER_COLUMNS,
    NEEDED_COLUMNS,
    read_family,
)
from reference_geometry.kit_rows import (
    KIT_COLUMNS,
    KIT_NEEDED_COLUMNS,
    KIT_NUMBER_COLUMNS,
    read_kit,
)
from reference_geometry.measurement_rows import (
    MEASUREMENT_COLUMNS,
    MEASUREMENT_NEEDED_COLUMNS,
    MEASUREMENT_NUMBER_COLUMNS,
    read_measurement,
)
from reference_geometry.measurements import Measurement
from reference_geometry.numbers_in_text import DecimalMark, decimal_mark
from reference_geometry.table_text import CellProblem, TableRow, TextTable, read_text_table

SHOWN_PROBLEMS = 20

TableKind = Literal["families", "kits", "measurements"]

Item = TypeVar("Item")


@final
@dataclass(frozen=True)
class TableRefused:
    """A table that was not taken. Falsy.

    Attributes:
        problems: everything wrong with it, in order of lines.
    """

    problems: tuple[CellProblem, ...]

    def __bool__(self) -> Literal[False]:
        return False

    def __str__(self) -> str:
        lines = [str(problem) for problem in self.problems[:SHOWN_PROBLEMS]]
        left = len(self.problems) - len(lines)
        if left:
            lines.append(f"... and {left} more problem{'s' if left > 1 else ''}")
        return "\n".join(lines)


@final
@dataclass(frozen=True)
class FamilyTable:
    """Families as read.

    Attributes:
        file: name of the file.
        families: one a row.
        lines: line of the file of each.
        notices: what was assumed, and columns that look misspelled.
    """

    file: str
    families: tuple[Family, ...]
    lines: tuple[int, ...]
    notices: tuple[str, ...] = ()


@final
@dataclass(frozen=True)
class KitTable:
    """Kit rows as read; fields as in FamilyTable."""

    file: str
    kits: tuple[Kit, ...]
    lines: tuple[int, ...]
    notices: tuple[str, ...] = ()


@final
@dataclass(frozen=True)
class MeasurementTable:
    """Shop measurements as read; fields as in FamilyTable."""

    file: str
    measurements: tuple[Measurement, ...]
    lines: tuple[int, ...]
    notices: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Reading(Generic[Item]):
    """What the rows of a table gave: items with their lines, problems, notices."""

    file: str
    items: tuple[Item, ...]
    lines: tuple[int, ...]
    problems: tuple[CellProblem, ...]
    notices: tuple[str, ...]


def table_kind(path: Path) -> TableKind:
    """What a table holds, from its first line; what cannot be read is left to be refused as families."""
    try:
        with path.open("rb") as file:
            first = file.readline(65_536).replace(b"\x00", b"").lower()  # UTF-16 has a zero in every letter
    except OSError:
        return "families"
    if b"measurement_id" in first:
        return "measurements"
    return "kits" if b"kit_no" in first else "families"


def read_families(path: Path) -> FamilyTable | TableRefused:
    """Read a family table.

    Args:
        path: CSV file with at least the columns family_id, maker and family.
    """
    reading = _read(path, FAMILY_COLUMNS, NEEDED_COLUMNS, FAMILY_NUMBER_COLUMNS, read_family)
    if isinstance(reading, TableRefused):
        return reading
    problems = [*reading.problems, *_repeated(reading, ("family_id",))]
    if problems:
        return _refused(problems)
    return FamilyTable(reading.file, reading.items, reading.lines, reading.notices)


def read_kits(path: Path) -> KitTable | TableRefused:
    """Read a kit table.

    Args:
        path: CSV file with at least the columns kit_no, family_id and section.
    """
    reading = _read(path, KIT_COLUMNS, KIT_NEEDED_COLUMNS, KIT_NUMBER_COLUMNS, read_kit)
    if isinstance(reading, TableRefused):
        return reading
    problems = [*reading.problems, *_repeated(reading, ("kit_no", "family_id")), *_contradictions(reading)]
    problems += _circles(reading)
    if problems:
        return _refused(problems)
    return KitTable(reading.file, reading.items, reading.lines, reading.notices)


def read_measurements(path: Path) -> MeasurementTable | TableRefused:
    """Read a table of shop measurements.

    Args:
        path: CSV file with the columns measurement_id, family_id, name, value_mm, measured_on and, where
            known, measured_by and instrument.
    """
    reading = _read(path, MEASUREMENT_COLUMNS, MEASUREMENT_NEEDED_COLUMNS, MEASUREMENT_NUMBER_COLUMNS, read_measurement)
    if isinstance(reading, TableRefused):
        return reading
    problems = [*reading.problems, *_repeated(reading, ("measurement_id",))]
    if problems:
        return _refused(problems)
    return MeasurementTable(reading.file, reading.items, reading.lines, reading.notices)


def without_family(table: KitTable | MeasurementTable, known: Container[str]) -> tuple[CellProblem, ...]:
    """Rows whose family is neither imported with them nor in the store."""
    if isinstance(table, KitTable):
        family_ids = [kit.family_id for kit in table.kits]
    else:
        family_ids = [measurement.family_id for measurement in table.measurements]
    return tuple(
        CellProblem(table.file, line, "family_id", f'there is no family "{family_id}"')
        for family_id, line in zip(family_ids, table.lines, strict=True)
        if family_id not in known
    )


def _read(
    path: Path,
    columns: Sequence[str],
    needed: Sequence[str],
    number_columns: Sequence[str],
    read_row: Callable[[str, TableRow, DecimalMark], Item | tuple[CellProblem, ...]],
) -> _Reading[Item] | TableRefused:
    table = read_text_table(path)
    if isinstance(table, CellProblem):
        return TableRefused((table,))
    missing = [column for column in needed if column not in table.headings]
    if missing:
        found = ", ".join(heading for heading in table.headings if heading)[:200]
        reason = f"column {', '.join(missing)} is missing; found {found}"
        return TableRefused((CellProblem(table.file, 1, "", reason),))
    mark = _mark(table, number_columns)
    items: list[Item] = []
    lines: list[int] = []
    problems = list(table.problems)
    for row in table.rows:
        item = read_row(table.file, row, mark)
        if isinstance(item, tuple):
            problems.extend(item)
        else:
            items.append(item)
            lines.append(row.line)
    notices = (*table.notices, *_mark_notice(table.file, mark), *_misspelled(table, columns))
    return _Reading(table.file, tuple(items), tuple(lines), tuple(problems), notices)


def _mark(table: TextTable, number_columns: Sequence[str]) -> DecimalMark:
    cells = (row.cells.get(column, "") for row in table.rows for column in number_columns)
    return decimal_mark(cells, table.delimiter)


def _repeated(reading: _Reading[Item], key: tuple[str, ...]) -> Iterator[CellProblem]:
    first: dict[tuple[str, ...], int] = {}
    for item, line in zip(reading.items, reading.lines, strict=True):
        value = tuple(getattr(item, name) for name in key)
        if value in first:
            named = " for ".join(f'"{part}"' for part in value)
            yield CellProblem(reading.file, line, key[0], f"{named} is already on line {first[value]}")
        first.setdefault(value, line)


def _contradictions(reading: _Reading[Kit]) -> Iterator[CellProblem]:
    """One kit number must mean one kit, at one price, whatever family it is listed for."""
    first: dict[str, tuple[Kit, int]] = {}
    for kit, line in zip(reading.items, reading.lines, strict=True):
        other, other_line = first.setdefault(kit.kit_no, (kit, line))
        for column in ("section", "elastomer", "price", "currency", "superseded_by"):
            here, there = getattr(kit, column), getattr(other, column)
            if here != there:
                reason = f'kit "{kit.kit_no}" has "{here}" here and "{there}" on line {other_line}'
                yield CellProblem(reading.file, line, column, reason)


def _circles(reading: _Reading[Kit]) -> Iterator[CellProblem]:
    """Numbers that supersede each other in a circle leave nothing to order."""
    successor = {kit.kit_no: kit.superseded_by for kit in reading.items}
    told: set[str] = set()
    for kit, line in zip(reading.items, reading.lines, strict=True):
        way = [kit.kit_no]
        while successor.get(way[-1]) and way[-1] not in way[:-1]:
            way.append(successor[way[-1]])
        if way[-1] == kit.kit_no and len(way) > 1 and kit.kit_no not in told:
            told |= set(way)
            reason = f"the numbers supersede each other in a circle: {' > '.join(way)}"
            yield CellProblem(reading.file, line, "superseded_by", reason)


def _mark_notice(file: str, mark: DecimalMark) -> tuple[str, ...]:
    return (f"{file}: the comma is read as the decimal mark",) if mark == "," else ()


def _misspelled(table: TextTable, columns: Sequence[str]) -> Iterator[str]:
    for heading in table.headings:
        if not heading or heading in columns:
            continue
        near = difflib.get_close_matches(heading, columns, n=1, cutoff=0.85)
        if near and near[0] not in table.headings:
            yield f'{table.file}: column "{heading}" is kept as a note; was "{near[0]}" meant?'


def _refused(problems: Iterable[CellProblem]) -> TableRefused:
    return TableRefused(tuple(sorted(problems, key=lambda problem: problem.line)))
