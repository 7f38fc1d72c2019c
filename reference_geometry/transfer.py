"""Moves whole tables between CSV files and a store: an import is taken whole or not at all."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import final

from reference_geometry.families import LENGTH_NAMES, Family, Kit
from reference_geometry.family_rows import (
    ATTRIBUTE_COLUMNS,
    extra_columns,
    family_cells,
    length_columns,
)
from reference_geometry.kit_rows import KIT_COLUMNS, kit_cells
from reference_geometry.measurement_rows import MEASUREMENT_COLUMNS, measurement_cells
from reference_geometry.measurements import Measurement
from reference_geometry.store import ReferenceStore, StoreChange
from reference_geometry.table_import import (
    FamilyTable,
    KitTable,
    MeasurementTable,
    TableRefused,
    read_families,
    read_kits,
    read_measurements,
    without_family,
)
from reference_geometry.table_text import write_text_table

_ALWAYS_EXPORTED = frozenset(
    {
        "chamber_diameter_mm", "flange_diameter_mm", "bolt_circle_diameter_mm", "port_bore_mm",
        "port_spacing_mm", "overall_height_mm", "overall_width_mm",
    }
)  # fmt: skip
"""Length columns that stand in every family table, filled or not."""


@final
@dataclass(frozen=True)
class ImportReport:
    """What an import did.

    Attributes:
        change: numbers of rows added, changed and unchanged.
        notices: what was assumed, and columns that look misspelled.
    """

    change: StoreChange
    notices: tuple[str, ...]


def import_tables(
    store: ReferenceStore,
    families: Path | None,
    kits: Path | None = None,
    measurements: Path | None = None,
) -> ImportReport | TableRefused:
    """Read tables and put them into a store in one transaction.

    Rows are matched by family_id, by kit_no with family_id, and by measurement_id. Rows the files lack stay.

    Raises:
        StoreError: the store cannot be read or written; it is then as it was before.
    """
    family_table = read_families(families) if families else FamilyTable("", (), ())
    kit_table = read_kits(kits) if kits else KitTable("", (), ())
    reading_table = read_measurements(measurements) if measurements else MeasurementTable("", (), ())
    tables = (family_table, kit_table, reading_table)
    problems = [problem for table in tables if isinstance(table, TableRefused) for problem in table.problems]
    if not isinstance(family_table, TableRefused):
        known = store.family_ids() | {family.family_id for family in family_table.families}
        for table in (kit_table, reading_table):
            if not isinstance(table, TableRefused):
                problems.extend(without_family(table, known))
    if problems or not family_table or not kit_table or not reading_table:
        return TableRefused(tuple(problems))
    change = store.put(family_table.families, kit_table.kits, reading_table.measurements)
    return ImportReport(change, (*family_table.notices, *kit_table.notices, *reading_table.notices))


def export_families(path: Path, families: Sequence[Family]) -> None:
    """Write a family table that `read_families` reads back to equal families.

    Raises:
        OSError: the file cannot be written; nothing of it is left.
    """
    rows = [family_cells(family) for family in families]
    used = {column for row in rows for column in row}
    lengths = [column for name in LENGTH_NAMES for column in length_columns(name) if column in used | _ALWAYS_EXPORTED]
    columns = (
        *ATTRIBUTE_COLUMNS, *lengths, "bolt_hole_count", "air_valve_side", "max_flow_lpm",
        *extra_columns(families), "notes",
    )  # fmt: skip
    write_text_table(path, columns, rows)


def export_kits(path: Path, kits: Sequence[Kit]) -> None:
    """Write a kit table that `read_kits` reads back to equal kits.

    Raises:
        OSError: the file cannot be written; nothing of it is left.
    """
    write_text_table(path, KIT_COLUMNS, (kit_cells(kit) for kit in kits))


def export_measurements(path: Path, measurements: Sequence[Measurement]) -> None:
    """Write a table of shop measurements that `read_measurements` reads back to equal measurements.

    Raises:
        OSError: the file cannot be written; nothing of it is left.
    """
    write_text_table(path, MEASUREMENT_COLUMNS, (measurement_cells(m) for m in measurements))
