"""The store of a shop's reference set: families, kits and measurements behind a database URL."""

from collections.abc import Sequence
from dataclasses import dataclass
from types import TracebackType

from sqlalchemy import Engine, select

from reference_geometry.demo_set import load_demo_set
from reference_geometry.families import Family, Kit, ReferenceSet
from reference_geometry.measurements import Measurement
from reference_geometry.schema import CURRENT_VERSION, FAMILIES, MEASUREMENTS, migrate, stored_version
from reference_geometry.store_engine import (
    FILL_COMMAND,
    StoreError,
    make_store_engine,
    reading,
    shown_url,
    writing,
)
from reference_geometry.store_rows import (
    MEASUREMENT_FIELDS,
    Change,
    family_with_readings,
    put_families,
    put_kits,
    put_measurements,
    select_families,
    select_kits,
    select_readings,
)


@dataclass(frozen=True)
class StoreChange:
    """What an import did to the store."""

    families: Change
    kits: Change
    measurements: Change


class ReferenceStore:
    """Families, kits and measurements of one shop. Use as a context manager or call `close`.

    Every method raises StoreError when the database says no. What `put` took is on the disk when it
    returns; when it raises, the store is as it was before.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self.shown_url = shown_url(engine.url)

    def __enter__(self) -> "ReferenceStore":
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def load(self) -> ReferenceSet:
        """Everything known, shop measurements worked into the families' lengths."""
        with reading(self._engine) as connection:
            families, kits = select_families(connection), select_kits(connection)
            readings = select_readings(connection)
        if readings:
            families = tuple(family_with_readings(family, readings) for family in families)
        return ReferenceSet(families, kits, name=self.shown_url)

    def listed_families(self) -> tuple[Family, ...]:
        """Families as imported or added, without shop measurements."""
        with reading(self._engine) as connection:
            return select_families(connection)

    def listed_family(self, family_id: str) -> Family | None:
        """One family without shop measurements, None when the store has none of that id."""
        with reading(self._engine) as connection:
            found = select_families(connection, [family_id])
        return found[0] if found else None

    def family_ids(self) -> frozenset[str]:
        """Identifiers of all families."""
        with reading(self._engine) as connection:
            return frozenset(connection.execute(select(FAMILIES.c.family_id)).scalars())

    def measurements(self, family_id: str | None = None) -> tuple[Measurement, ...]:
        """Shop measurements of one family or of all, oldest first."""
        query = select(MEASUREMENTS).order_by(MEASUREMENTS.c.measured_on, MEASUREMENTS.c.measurement_id)
        if family_id is not None:
            query = query.where(MEASUREMENTS.c.family_id == family_id)
        with reading(self._engine) as connection:
            rows = connection.execute(query).mappings().all()
        return tuple(Measurement(**{name: row[name] for name in MEASUREMENT_FIELDS}) for row in rows)

    def put(
        self,
        families: Sequence[Family] = (),
        kits: Sequence[Kit] = (),
        measurements: Sequence[Measurement] = (),
    ) -> StoreChange:
        """Add or update rows in one transaction: families by id, kits by number and family, readings by id.

        Rows the store has and the arguments lack stay, except that a kit number means one kit: what is given
        for it (price, contents, ...) is also set on its rows for other families.
        """
        with writing(self._engine) as connection:
            family_change = put_families(connection, families)
            kit_change = put_kits(connection, kits)
            return StoreChange(family_change, kit_change, put_measurements(connection, measurements))


def open_store(url: str, create: bool = False) -> ReferenceStore:
    """Open a store and bring it to the current version.

    Args:
        url: SQLAlchemy URL, e.g. `sqlite:///shop.db` or `postgresql+psycopg://user@host/database`.
        create: make what is missing (the SQLite file, the tables); otherwise a missing store is an error.

    Raises:
        StoreError: with one sentence why, and no password in it.
    """
    engine = make_store_engine(url, create)
    shown = shown_url(engine.url)
    with reading(engine) as connection:
        version = stored_version(connection)
    if version > CURRENT_VERSION:
        raise StoreError(f"{shown}: was written by a newer version of this program; update the program")
    if version == 0 and not create:
        raise StoreError(f"{shown}: is a database without a reference set; fill it with: {FILL_COMMAND}")
    if version < CURRENT_VERSION:
        with writing(engine) as connection:
            migrate(connection)
    return ReferenceStore(engine)


def load_reference(url: str | None = None) -> ReferenceSet:
    """Everything known to match against.

    Args:
        url: SQLAlchemy URL of a store; None gives the packaged demo set, which is invented.

    Raises:
        StoreError: the store cannot be read, or holds no family yet.
    """
    if url is None:
        return load_demo_set()
    with open_store(url) as store:
        loaded = store.load()
    if not loaded.families:
        raise StoreError(f"{loaded.name}: holds no family yet; fill it with: {FILL_COMMAND}")
    return loaded
