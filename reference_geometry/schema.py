"""Tables of the store and the steps that bring an older store up to them.

A step is plain SQL that SQLite and PostgreSQL both understand; it is never changed once released. Steps run
inside one transaction with the new version number: a store is at one version or the next, never between.
"""

from collections.abc import Sequence

from sqlalchemy import (
    Boolean,
    Column,
    Connection,
    Date,
    Float,
    ForeignKey,
    Integer,
    MetaData,
    Table,
    Text,
    inspect,
    select,
    text,
)

from reference_geometry.families import LENGTH_NAMES
from reference_geometry.family_rows import length_columns

METADATA = MetaData()

SCHEMA_VERSION = Table("reference_schema_version", METADATA, Column("version", Integer, primary_key=True))

_LENGTH_TYPES = (Float, Float, Integer)

FAMILIES = Table(
    "reference_families",
    METADATA,
    Column("family_id", Text, primary_key=True),
    Column("position", Integer, nullable=False),
    Column("maker", Text, nullable=False),
    Column("family", Text, nullable=False),
    Column("size_label", Text, nullable=False),
    Column("connection", Text),
    Column("port_standard", Text),
    Column("port_nominal_in", Text),
    Column("port_position", Text),
    Column("swivel_flange", Boolean),
    Column("housing_joint", Text),
    Column("chamber_bolt_count", Integer),
    Column("bolt_hole_count", Integer),
    Column("wetted_material", Text),
    Column("air_valve_side", Text),
    Column("max_flow_lpm", Float),
    *(
        Column(column, kind)
        for name in LENGTH_NAMES
        for column, kind in zip(length_columns(name), _LENGTH_TYPES, strict=True)
    ),
    Column("notes", Text, nullable=False),
    Column("extras", Text, nullable=False),  # a JSON object, in the order of the table's columns
)

KITS = Table(
    "reference_kits",
    METADATA,
    Column("kit_no", Text, primary_key=True),
    Column("family_id", Text, ForeignKey("reference_families.family_id"), primary_key=True),
    Column("position", Integer, nullable=False),
    Column("section", Text, nullable=False),
    Column("elastomer", Text, nullable=False),
    Column("contents", Text, nullable=False),
    Column("price", Float),
    Column("currency", Text, nullable=False),
    Column("lead_time_days", Float),
    Column("stock", Integer),
    Column("superseded_by", Text, nullable=False),
)

MEASUREMENTS = Table(
    "reference_measurements",
    METADATA,
    Column("measurement_id", Text, primary_key=True),
    Column("family_id", Text, ForeignKey("reference_families.family_id"), nullable=False),
    Column("name", Text, nullable=False),
    Column("value_mm", Float, nullable=False),
    Column("measured_by", Text, nullable=False),
    Column("measured_on", Date, nullable=False),
    Column("instrument", Text, nullable=False),
)

_LENGTHS_OF_STEP_1 = (
    "chamber_diameter", "flange_diameter", "bolt_circle_diameter", "bolt_hole_diameter", "port_bore",
    "thread_major_diameter", "thread_pitch", "port_spacing", "overall_height", "overall_width",
    "foot_spacing_long", "foot_spacing_short",
)  # fmt: skip

_STEP_1 = (
    f"""
    CREATE TABLE reference_families (
        family_id TEXT NOT NULL PRIMARY KEY,
        position INTEGER NOT NULL,
        maker TEXT NOT NULL,
        family TEXT NOT NULL,
        size_label TEXT NOT NULL,
        connection TEXT,
        port_standard TEXT,
        port_nominal_in TEXT,
        port_position TEXT,
        swivel_flange BOOLEAN,
        housing_joint TEXT,
        chamber_bolt_count INTEGER,
        bolt_hole_count INTEGER,
        wetted_material TEXT,
        air_valve_side TEXT,
        max_flow_lpm DOUBLE PRECISION,
        {
        ", ".join(
            f"{name}_mm DOUBLE PRECISION, {name}_sd_mm DOUBLE PRECISION, {name}_n INTEGER"
            for name in _LENGTHS_OF_STEP_1
        )
    },
        notes TEXT NOT NULL,
        extras TEXT NOT NULL
    )
    """,
    """
    CREATE TABLE reference_kits (
        kit_no TEXT NOT NULL,
        family_id TEXT NOT NULL REFERENCES reference_families (family_id),
        position INTEGER NOT NULL,
        section TEXT NOT NULL,
        elastomer TEXT NOT NULL,
        contents TEXT NOT NULL,
        price DOUBLE PRECISION,
        currency TEXT NOT NULL,
        lead_time_days DOUBLE PRECISION,
        stock INTEGER,
        PRIMARY KEY (kit_no, family_id)
    )
    """,
    "CREATE INDEX reference_kits_by_family ON reference_kits (family_id)",
)
"""Families and kits."""

_STEP_2 = (
    """
    CREATE TABLE reference_measurements (
        measurement_id TEXT NOT NULL PRIMARY KEY,
        family_id TEXT NOT NULL REFERENCES reference_families (family_id),
        name TEXT NOT NULL,
        value_mm DOUBLE PRECISION NOT NULL,
        measured_by TEXT NOT NULL,
        measured_on DATE NOT NULL,
        instrument TEXT NOT NULL
    )
    """,
    "CREATE INDEX reference_measurements_by_family ON reference_measurements (family_id, name)",
)
"""Shop measurements."""

_STEP_3 = ("ALTER TABLE reference_kits ADD COLUMN superseded_by TEXT NOT NULL DEFAULT ''",)
"""Kit numbers that another number has taken the place of."""

STEPS: tuple[Sequence[str], ...] = (_STEP_1, _STEP_2, _STEP_3)
CURRENT_VERSION = len(STEPS)


def stored_version(connection: Connection) -> int:
    """Version of the store behind a connection, 0 when it holds no reference set."""
    if not inspect(connection).has_table(SCHEMA_VERSION.name):
        return 0
    return connection.execute(select(SCHEMA_VERSION.c.version)).scalar() or 0


def migrate(connection: Connection, up_to: int = CURRENT_VERSION) -> None:
    """Run the steps a store lacks. The caller commits."""
    version = stored_version(connection)
    if version >= up_to:
        return
    if not inspect(connection).has_table(SCHEMA_VERSION.name):
        connection.execute(text("CREATE TABLE reference_schema_version (version INTEGER NOT NULL PRIMARY KEY)"))
    for step in STEPS[version:up_to]:
        for statement in step:
            connection.execute(text(statement))
    connection.execute(SCHEMA_VERSION.delete())
    connection.execute(SCHEMA_VERSION.insert().values(version=up_to))
