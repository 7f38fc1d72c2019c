"""Families, kits and measurements as rows of the store's tables: reading them, adding them, updating them."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import Connection, Table, func, select

from reference_geometry.families import LENGTH_NAMES, Family, Kit, KnownLength
from reference_geometry.family_rows import length_columns
from reference_geometry.measurements import Measurement, with_readings
from reference_geometry.schema import FAMILIES, KITS, MEASUREMENTS

Row = dict[str, Any]

_PLAIN_FAMILY_FIELDS = (
    "family_id", "maker", "family", "size_label", "connection", "port_standard", "port_nominal_in",
    "port_position", "swivel_flange", "housing_joint", "chamber_bolt_count", "bolt_hole_count",
    "wetted_material", "air_valve_side", "max_flow_lpm", "notes",
)  # fmt: skip
_KIT_FIELDS = (
    "kit_no", "family_id", "section", "elastomer", "contents", "price", "currency", "lead_time_days",
    "stock", "superseded_by",
)  # fmt: skip
MEASUREMENT_FIELDS = (
    "measurement_id", "family_id", "name", "value_mm", "measured_by", "measured_on", "instrument",
)  # fmt: skip
_CHUNK = 2_000


@dataclass(frozen=True)
class Change:
    """What one kind of rows of an import did to the store: numbers of rows."""

    added: int
    changed: int
    unchanged: int


def select_families(connection: Connection, only: Sequence[str] = ()) -> tuple[Family, ...]:
    """Families in the order they came, all or those of the given ids."""
    columns = (*_PLAIN_FAMILY_FIELDS, "extras", *(c for name in LENGTH_NAMES for c in length_columns(name)))
    query = select(*(FAMILIES.c[column] for column in columns)).order_by(FAMILIES.c.position)
    if only:
        query = query.where(FAMILIES.c.family_id.in_(only))
    return tuple(_family(row) for row in connection.execute(query))


def _family(row: Sequence[Any]) -> Family:
    """A family from the columns in the order of `select_families`."""
    plain = dict(zip(_PLAIN_FAMILY_FIELDS, row, strict=False))
    start = len(_PLAIN_FAMILY_FIELDS) + 1
    triples = zip(LENGTH_NAMES, row[start::3], row[start + 1 :: 3], row[start + 2 :: 3], strict=True)
    lengths = {name: KnownLength(mean, sd, count) for name, mean, sd, count in triples if mean is not None}
    return Family(**plain, lengths=lengths, extras=json.loads(row[start - 1]))


def _family_row(family: Family) -> Row:
    row: Row = {name: getattr(family, name) for name in _PLAIN_FAMILY_FIELDS}
    row["extras"] = json.dumps(dict(family.extras), ensure_ascii=False)
    for name in LENGTH_NAMES:
        known = family.lengths.get(name)
        values = (None, None, None) if known is None else (known.mean_mm, known.sd_mm, known.count)
        row |= dict(zip(length_columns(name), values, strict=True))
    return row


def select_kits(connection: Connection, numbers: Sequence[str] | None = None) -> tuple[Kit, ...]:
    """Kit rows in the order they came, all or those of the given numbers."""
    query = select(KITS).order_by(KITS.c.position)
    if numbers is not None:
        query = query.where(KITS.c.kit_no.in_(numbers))
    rows = connection.execute(query).mappings()
    return tuple(Kit(**{name: row[name] for name in _KIT_FIELDS}) for row in rows)


def select_readings(connection: Connection) -> dict[tuple[str, str], list[float]]:
    """Shop readings in mm by family id and length name."""
    columns = MEASUREMENTS.c
    query = select(columns.family_id, columns.name, columns.value_mm).order_by(columns.measurement_id)
    found: dict[tuple[str, str], list[float]] = {}
    for family_id, name, value_mm in connection.execute(query):
        found.setdefault((family_id, name), []).append(value_mm)
    return found


def family_with_readings(family: Family, readings: Mapping[tuple[str, str], list[float]]) -> Family:
    """The family with shop readings worked into its lengths."""
    lengths = dict(family.lengths)
    for name in LENGTH_NAMES:
        known = with_readings(lengths.get(name), readings.get((family.family_id, name), []))
        if known is not None:
            lengths[name] = known
    return replace(family, lengths=lengths)


def put_families(connection: Connection, families: Sequence[Family]) -> Change:
    """Add or update families by id."""
    known: dict[str, Family] = {}
    for chunk in _chunks([family.family_id for family in families]):
        known |= {family.family_id: family for family in select_families(connection, chunk)}
    new = [family for family in families if family.family_id not in known]
    changed = [f for f in families if f.family_id in known and f != known[f.family_id]]
    _insert(connection, FAMILIES, [_family_row(family) for family in new])
    for family in changed:
        row = _family_row(family)
        connection.execute(FAMILIES.update().where(FAMILIES.c.family_id == family.family_id).values(row))
    return Change(len(new), len(changed), len(families) - len(new) - len(changed))


def put_kits(connection: Connection, kits: Sequence[Kit]) -> Change:
    """Add or update kit rows by number and family; other rows of a given number follow it."""
    given = {(kit.kit_no, kit.family_id): kit for kit in kits}
    model = {kit.kit_no: kit for kit in kits}
    known: dict[tuple[str, str], Kit] = {}
    for chunk in _chunks(list(model)):
        known |= {(kit.kit_no, kit.family_id): kit for kit in select_kits(connection, chunk)}
    siblings = {key: replace(model[key[0]], family_id=key[1]) for key in known if key not in given}
    new = [kit for key, kit in given.items() if key not in known]
    changed = [kit for key, kit in (given | siblings).items() if key in known and kit != known[key]]
    _insert(connection, KITS, [_kit_row(kit) for kit in new])
    for kit in changed:
        here = (KITS.c.kit_no == kit.kit_no) & (KITS.c.family_id == kit.family_id)
        connection.execute(KITS.update().where(here).values(_kit_row(kit)))
    return Change(len(new), len(changed), len(given) + len(siblings) - len(new) - len(changed))


def _kit_row(kit: Kit) -> Row:
    return {name: getattr(kit, name) for name in _KIT_FIELDS}


def put_measurements(connection: Connection, measurements: Sequence[Measurement]) -> Change:
    """Add measurements whose id is new; the same id again is the same reading."""
    known: set[str] = set()
    for chunk in _chunks([measurement.measurement_id for measurement in measurements]):
        query = select(MEASUREMENTS.c.measurement_id).where(MEASUREMENTS.c.measurement_id.in_(chunk))
        known |= set(connection.execute(query).scalars())
    new = [measurement for measurement in measurements if measurement.measurement_id not in known]
    rows = [{name: getattr(measurement, name) for name in MEASUREMENT_FIELDS} for measurement in new]
    for chunk in _chunks(rows):
        connection.execute(MEASUREMENTS.insert(), chunk)
    return Change(len(new), 0, len(measurements) - len(new))


def _insert(connection: Connection, table: Table, rows: Sequence[Row]) -> None:
    """Insert rows behind those the table has, keeping their order."""
    last = connection.execute(select(func.coalesce(func.max(table.c.position), 0))).scalar_one()
    for position, row in enumerate(rows, start=last + 1):
        row["position"] = position
    for chunk in _chunks(rows):
        connection.execute(table.insert(), chunk)


def _chunks(items: Sequence[Any]) -> list[Sequence[Any]]:
    return [items[start : start + _CHUNK] for start in range(0, len(items), _CHUNK)]
