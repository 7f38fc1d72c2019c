"""Changes of the shop's own set from the page: readings and families recorded, tables read in."""

import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from reference_geometry.additions import Addition, AdditionRefused, family_with, measurements_of, parse_pairs
from reference_geometry.families import Family
from reference_geometry.measurements import agreement
from reference_geometry.store import ReferenceStore, StoreChange, open_store
from reference_geometry.store_engine import StoreError
from reference_geometry.store_rows import family_with_readings
from reference_geometry.table_import import table_kind
from reference_geometry.transfer import import_tables


class BenchRefused(ValueError):  # noqa: N818 - it is named after what it tells the user
    """Nothing was kept; the message says why, one reason a line."""


@dataclass(frozen=True)
class BenchEntry:
    """What was typed at the bench.

    Attributes:
        family_id: of the pump.
        pairs: `NAME=VALUE`, one each.
        is_new: the family is not in the set yet.
        by, instrument: who measured, with what.
        insist: take readings far from what is known.
    """

    family_id: str
    pairs: tuple[str, ...]
    is_new: bool
    by: str
    instrument: str
    insist: bool


@dataclass(frozen=True)
class Agreed:
    """How the readings of one length agree: (count, mean, standard deviation or None, low, high), in mm."""

    name: str
    count: int
    mean_mm: float
    sd_mm: float | None
    low_mm: float
    high_mm: float


def record_entry(url: str, entry: BenchEntry) -> tuple[Agreed, ...]:
    """Keep attributes and readings of one pump, all or none of them.

    Raises:
        BenchRefused: with the reasons.
    """
    if not entry.family_id.strip():
        raise BenchRefused("Say which family.")
    addition = parse_pairs(entry.pairs)
    if isinstance(addition, AdditionRefused):
        raise BenchRefused("\n".join(addition.reasons))
    try:
        with open_store(url) as store:
            return _record(store, entry, addition)
    except StoreError as error:
        raise BenchRefused(str(error)) from error


def _record(store: ReferenceStore, entry: BenchEntry, addition: Addition) -> tuple[Agreed, ...]:
    before = store.listed_family(entry.family_id)
    if before is None and not entry.is_new:
        raise BenchRefused(f"{entry.family_id} is not in the set; tick that it is new.")
    if before is not None and entry.is_new:
        raise BenchRefused(f"{entry.family_id} is in the set already.")
    family = family_with(before, entry.family_id, addition.cells)
    if isinstance(family, AdditionRefused):
        raise BenchRefused("\n".join(family.reasons))
    known = _with_readings(store, family)
    readings = measurements_of(known, addition, entry.by, date.today(), entry.instrument, entry.insist)
    if isinstance(readings, AdditionRefused):
        raise BenchRefused("\n".join(readings.reasons).replace("--anyway", "the box below"))
    store.put([family], measurements=readings)
    return readings_of(store, entry.family_id)


def _with_readings(store: ReferenceStore, family: Family) -> Family:
    values: dict[tuple[str, str], list[float]] = {}
    for reading in store.measurements(family.family_id):
        values.setdefault((family.family_id, reading.name), []).append(reading.value_mm)
    return family_with_readings(family, values)


def readings_of(store: ReferenceStore, family_id: str) -> tuple[Agreed, ...]:
    """How the shop's own readings of a family agree, one entry a length."""
    values: dict[str, list[float]] = {}
    for reading in store.measurements(family_id):
        values.setdefault(reading.name, []).append(reading.value_mm)
    found = ((name, agreement(numbers)) for name, numbers in values.items())
    return tuple(Agreed(name, a.count, a.mean_mm, a.sd_mm, a.low_mm, a.high_mm) for name, a in found)


def read_tables(url: str, uploads: Sequence[Path]) -> tuple[StoreChange, tuple[str, ...]]:
    """Read uploaded tables into the set: all of them, or on any bad row nothing.

    Args:
        url: of the set.
        uploads: at most one table of each kind; what a file is follows from its headings.

    Returns:
        What changed, and notes.

    Raises:
        BenchRefused: with file, line, column and reason of every bad row.
    """
    by_kind: dict[str, Path] = {}
    with tempfile.TemporaryDirectory(prefix="untagged-") as folder:
        for upload in uploads:
            path = Path(shutil.copy(upload, Path(folder) / f"{len(by_kind)}-{upload.name}"))
            kind = table_kind(path)
            if kind in by_kind:
                raise BenchRefused(f"Two tables of {kind}: give at most one of each kind.")
            by_kind[kind] = path
        try:
            with open_store(url) as store:
                report = import_tables(store, by_kind.get("families"), by_kind.get("kits"), by_kind.get("measurements"))
        except StoreError as error:
            raise BenchRefused(str(error)) from error
    if not report:
        raise BenchRefused(str(report))
    return report.change, report.notices
