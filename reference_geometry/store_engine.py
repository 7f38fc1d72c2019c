"""From a URL to a database engine that loses nothing, and from a driver's error to one clear sentence."""

import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.pool import NullPool

FILL_COMMAND = "untagged reference import families.csv kits.csv --reference URL"
HINT = "write sqlite:///shop.db or postgresql+psycopg://user@host/database"
BUSY_TIMEOUT_MS = 15_000
CONNECT_TIMEOUT_S = 10


class StoreError(Exception):
    """The reference store cannot be used; the message is for a user and holds no password."""


def shown_url(url: URL | str) -> str:
    """The URL without password and options, for messages."""
    if isinstance(url, str):
        return re.sub(r"//([^/@:]*):.*@", r"//\1:***@", url).split("?")[0]
    shown = url.set(query={}).render_as_string(hide_password=True)
    return re.sub(r":\*\*\*@.*@", ":***@", shown)  # an @ left in a password ends up before the host


def make_store_engine(url: str, create: bool) -> Engine:
    """An engine for a store.

    SQLite: foreign keys are checked, the journal is a write-ahead log, a commit counts once it is on disk.

    Args:
        url: SQLAlchemy URL.
        create: a missing SQLite file is made; otherwise it is an error.

    Raises:
        StoreError: the URL, its driver or the file cannot be used.
    """
    parsed = _parsed(url)
    backend = parsed.get_backend_name()
    if backend == "sqlite":
        _check_file(parsed, create)
    elif backend != "postgresql":
        raise StoreError(f"{shown_url(parsed)}: {backend} is not supported; {HINT}")
    try:
        patience = {"connect_timeout": CONNECT_TIMEOUT_S} if backend == "postgresql" else {}
        engine = create_engine(parsed, poolclass=NullPool, hide_parameters=True, connect_args=patience)
    except ModuleNotFoundError as error:
        raise StoreError(
            f"{shown_url(parsed)}: the database driver {error.name} is not installed; "
            f"pip install 'psycopg[binary]' and write postgresql+psycopg://..."
        ) from None
    except (SQLAlchemyError, TypeError, ValueError) as error:
        raise StoreError(f"{shown_url(parsed)}: {_first_line(error, parsed)}") from None
    if backend == "sqlite":
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    return engine


def _parsed(url: str) -> URL:
    try:
        parsed = make_url(url)
        parsed.get_dialect()
    except NoSuchModuleError:
        raise StoreError(f"{shown_url(url)}: unknown kind of database; {HINT}") from None
    except ModuleNotFoundError as error:
        raise StoreError(f"{shown_url(url)}: the database driver {error.name} is not installed") from None
    except (ArgumentError, ValueError):
        hint = HINT if "/" in url or not url else f"did you mean sqlite:///{url}?"
        raise StoreError(f'"{shown_url(url)}" is no database URL; {hint}') from None
    return parsed


def _check_file(url: URL, create: bool) -> None:
    name = url.database or ""
    if name in {"", ":memory:"}:
        raise StoreError("a store in memory would be lost at once; write sqlite:///shop.db")
    if name.startswith("file:"):
        return  # an SQLite URI says itself how it wants to be opened
    path = Path(name)
    if path.is_dir():
        raise StoreError(f"{path} is a folder, not a reference store")
    if not path.exists() and not create:
        raise StoreError(f"there is no reference store {path}; make one with: {FILL_COMMAND}")
    if not path.parent.is_dir():
        raise StoreError(f"the folder {path.parent} does not exist")


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    connection.isolation_level = None  # transactions are begun by _begin_sqlite, so that they also hold DDL
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.execute("PRAGMA synchronous = FULL")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    writing = connection.get_execution_options().get("writing", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """A connection that sees one consistent state.

    Raises:
        StoreError: the database said no.
    """
    with _told(engine), engine.connect() as connection:
        yield connection


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """A transaction: all of it is kept, or on any error nothing.

    Raises:
        StoreError: the database said no.
    """
    with _told(engine), engine.connect() as connection:
        if engine.dialect.name == "sqlite":
            connection.connection.cursor().execute("PRAGMA journal_mode = WAL")
        with connection.execution_options(writing=True).begin():
            yield connection


@contextmanager
def _told(engine: Engine) -> Iterator[None]:
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error) as error:
        raise StoreError(f"{shown_url(engine.url)}: {_reason(error, engine.url)}") from None


_REASONS = (
    ("file is not a database", "is not a reference store (no SQLite database)"),
    ("unable to open database file", "cannot be opened or made; check the folder and its permissions"),
    ("readonly database", "is read-only"),
    ("database is locked", "is in use by another program; try again in a moment"),
    ("disk i/o error", "the disk reports an error"),
    ("database or disk is full", "the disk is full"),
    ("malformed", "is damaged; restore a copy"),
    ("password authentication failed", "the database refuses this user and password"),
    ("no password supplied", "the database wants a password"),
    ("could not translate host name", "there is no such host"),
    ("failed to resolve host", "there is no such host"),
    ("connection refused", "nothing answers at this host and port"),
    ("does not exist", "there is no such database or user"),
    ("timeout expired", "the database does not answer in time"),
    ("permission denied", "this user may not do that here"),
)


def _reason(error: Exception, url: URL) -> str:
    said = _first_line(error, url)
    lower = str(getattr(error, "orig", error)).lower()
    return next((reason for mark, reason in _REASONS if mark in lower), said)


def _first_line(error: Exception, url: URL) -> str:
    said = (str(getattr(error, "orig", None) or error).strip().splitlines() or ["unknown trouble"])[0]
    secret = url.password
    return said.replace(str(secret), "***") if secret else said
