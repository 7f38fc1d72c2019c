"""From a row of families.csv to a Family, and back."""

from collections.abc import Container, Iterable
from decimal import Decimal
from functools import cache

from reference_geometry.families import LENGTH_NAMES, Family, KnownLength
from reference_geometry.numbers_in_text import DecimalMark
from reference_geometry.plausible import (
    BAND_BOLTS,
    CHAMBER_BOLTS,
    FLANGE_HOLES,
    FLOW_BOUNDS_LPM,
    LARGEST_RELATIVE_SD,
    length_reason,
    relation_problems,
)
from reference_geometry.row_reader import RowReader
from reference_geometry.spellings import (
    CONNECTIONS,
    HOUSING_JOINTS,
    MATERIALS,
    PORT_POSITIONS,
    VALVE_SIDES,
    YES_NO,
)
from reference_geometry.standards import parse_port_standard, parse_size
from reference_geometry.table_text import CellProblem, TableRow

ATTRIBUTE_COLUMNS = (
    "family_id", "maker", "family", "size_label", "connection", "port_standard", "port_nominal_in",
    "port_position", "swivel_flange", "housing_joint", "chamber_bolt_count", "wetted_material",
)  # fmt: skip
NEEDED_COLUMNS = ("family_id", "maker", "family")


@cache
def length_columns(name: str) -> tuple[str, str, str]:
    """Columns of a length: mean, standard deviation, number of measurements."""
    return f"{name}_mm", f"{name}_sd_mm", f"{name}_n"


LENGTH_COLUMNS = tuple(column for name in LENGTH_NAMES for column in length_columns(name))
FAMILY_COLUMNS = (
    *ATTRIBUTE_COLUMNS, *LENGTH_COLUMNS, "bolt_hole_count", "air_valve_side", "max_flow_lpm", "notes",
)  # fmt: skip
"""Every column a family table is read by; all others are kept as extras."""

FAMILY_NUMBER_COLUMNS = (*LENGTH_COLUMNS, "chamber_bolt_count", "bolt_hole_count", "max_flow_lpm")


def read_family(file: str, row: TableRow, mark: DecimalMark) -> Family | tuple[CellProblem, ...]:
    """The family of one row, or everything wrong with the row."""
    reader = RowReader(file, row, mark)
    known = set(FAMILY_COLUMNS)
    extras = {heading: cell for heading, cell in row.cells.items() if heading not in known and cell}
    connection, standard = _connection_and_standard(reader, extras)
    joint, bolts = _joint_and_bolts(reader, extras)
    swivel = reader.word("swivel_flange", YES_NO)
    lengths = _lengths(reader)
    _refuse_alien_lengths(reader, connection, lengths)
    family = Family(
        family_id=reader.needed_text("family_id"),
        maker=reader.needed_text("maker"),
        family=reader.needed_text("family"),
        size_label=reader.text("size_label"),
        connection=connection,
        port_standard=standard,
        port_nominal_in=_nominal_size(reader),
        port_position=reader.word("port_position", PORT_POSITIONS),
        swivel_flange=None if swivel is None else swivel == "yes",
        housing_joint=joint,
        chamber_bolt_count=bolts,
        bolt_hole_count=reader.whole("bolt_hole_count", *FLANGE_HOLES),
        wetted_material=_material(reader, extras),
        air_valve_side=reader.word("air_valve_side", VALVE_SIDES),
        max_flow_lpm=reader.number("max_flow_lpm", *FLOW_BOUNDS_LPM),
        lengths=lengths,
        notes=reader.text("notes"),
        extras=extras,
    )
    return tuple(reader.problems) or family


def _connection_and_standard(reader: RowReader, extras: dict[str, str]) -> tuple[str | None, str | None]:
    connection = reader.word("connection", CONNECTIONS)
    spelling = reader.text("port_standard")
    if not spelling:
        return connection, None
    standard = parse_port_standard(spelling)
    if not standard:
        reader.refuse("port_standard", standard.reason)
        return connection, None
    if connection is not None and connection != standard.connection:
        reason = f'"{spelling}" is for {standard.connection} ports, connection says {connection}'
        reader.refuse("port_standard", reason)
        return connection, None
    if standard.detail:
        extras["port_standard_as_written"] = standard.spelling
    return standard.connection, standard.name


def _joint_and_bolts(reader: RowReader, extras: dict[str, str]) -> tuple[str | None, int | None]:
    """A band's own closing bolts are no bolts round the joint: they are kept as an extra."""
    joint = reader.word("housing_joint", HOUSING_JOINTS)
    column = "chamber_bolt_count"
    if joint != "clamp_band":
        return joint, reader.whole(column, *CHAMBER_BOLTS)
    band_bolts = reader.whole(column, BAND_BOLTS[0], CHAMBER_BOLTS[1])
    if band_bolts is not None and band_bolts > BAND_BOLTS[1]:
        reader.refuse(column, f"a clamp band has no {band_bolts} bolts round the joint; leave it empty")
    elif band_bolts:
        extras["band_bolt_count"] = str(band_bolts)
    return joint, None


def _material(reader: RowReader, extras: dict[str, str]) -> str | None:
    material = reader.word("wetted_material", MATERIALS)
    written = reader.text("wetted_material")
    if material is not None and written.lower() != material:
        extras["wetted_material_as_written"] = written
    return material


def _nominal_size(reader: RowReader) -> str | None:
    cell = reader.text("port_nominal_in")
    if not cell:
        return None
    size = parse_size(cell)
    if not size:
        reader.refuse("port_nominal_in", size.reason)
        return None
    return size.nominal_in


def _lengths(reader: RowReader) -> dict[str, KnownLength]:
    lengths: dict[str, KnownLength] = {}
    for name in LENGTH_NAMES:
        known = _length(reader, name)
        if known is not None:
            lengths[name] = known
    for name, reason in relation_problems({name: known.mean_mm for name, known in lengths.items()}):
        reader.refuse(f"{name}_mm", reason)
    return lengths


def _length(reader: RowReader, name: str) -> KnownLength | None:
    mean_column, sd_column, count_column = length_columns(name)
    mean = reader.number(mean_column, 0.0, 1e9, unit="mm")
    sd = reader.number(sd_column, 0.0, 1e9, unit="mm")
    count = reader.whole(count_column, 0, 100_000)
    if mean is None:
        if (sd is not None or count) and not reader.text(mean_column):
            reader.refuse(mean_column, f"is empty although {sd_column} or {count_column} is given")
        return None
    reason = length_reason(name, mean)
    if reason:
        reader.refuse(mean_column, reason)
        return None
    if sd is not None and sd > LARGEST_RELATIVE_SD * mean:
        reader.refuse(sd_column, f"{sd:g} mm is more than {LARGEST_RELATIVE_SD:.0%} of the length")
    return KnownLength(mean, sd, count or 0)


def _refuse_alien_lengths(reader: RowReader, connection: str | None, lengths: Container[str]) -> None:
    alien = {
        "threaded": ("flange_diameter", "bolt_circle_diameter", "bolt_hole_diameter"),
        "flanged": ("thread_major_diameter", "thread_pitch"),
    }
    for name in alien.get(connection or "", ()):
        if name in lengths:
            reader.refuse(f"{name}_mm", f"is given although the connection is {connection}")


def family_cells(family: Family) -> dict[str, str]:
    """The filled cells of a family by column, extras included; `read_family` gives the family back."""
    plain: dict[str, object] = {column: getattr(family, column) for column in ATTRIBUTE_COLUMNS}
    plain |= {name: getattr(family, name) for name in ("bolt_hole_count", "air_valve_side", "max_flow_lpm", "notes")}
    cells = {column: _cell(value) for column, value in plain.items()}
    for name, known in family.lengths.items():
        values = (known.mean_mm, known.sd_mm, known.count or None)
        cells |= {column: _cell(value) for column, value in zip(length_columns(name), values, strict=True)}
    return {column: cell for column, cell in {**family.extras, **cells}.items() if cell}


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return number_cell(value) if isinstance(value, float) else str(value)


def number_cell(value: float) -> str:
    """A float in full, never with an exponent."""
    return format(Decimal(repr(value)).normalize(), "f")


def extra_columns(families: Iterable[Family]) -> tuple[str, ...]:
    """Names of all extras, in order of appearance."""
    return tuple(dict.fromkeys(name for family in families for name in family.extras))
