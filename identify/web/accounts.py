"""Who may use the app where others can reach it: names, roles and argon2 hashes, and a lock after wrong passwords."""

import secrets
import threading
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Literal, get_args

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy import Column, Integer, MetaData, String, Table, create_engine, delete, insert, select, update
from sqlalchemy.engine import Connection, Row

Role = Literal["technician", "sales", "admin"]
ROLES: tuple[Role, ...] = get_args(Role)

MOST_FAILURES = 5
LOCKED_FOR = timedelta(minutes=15)
SHORTEST_PASSWORD, LONGEST_PASSWORD = 10, 200
LONGEST_NAME = 60

_METADATA = MetaData()
_ACCOUNTS = Table(
    "accounts",
    _METADATA,
    Column("name", String(LONGEST_NAME), primary_key=True),
    Column("role", String(20), nullable=False),
    Column("password_hash", String(300), nullable=False),
    Column("failures", Integer, nullable=False, default=0),
    Column("locked_until", Integer, nullable=False, default=0),
)


class AccountRefused(ValueError):  # noqa: N818 - it is named after what it tells the user
    """An account can not be made like that; the message says why."""


@dataclass(frozen=True)
class User:
    """Somebody who is known."""

    name: str
    role: Role


@dataclass(frozen=True)
class SignInRefused:
    """Why nobody was let in. Falsy.

    Attributes:
        is_locked: too many wrong passwords; the account opens again by itself.
    """

    is_locked: bool

    def __bool__(self) -> bool:
        return False


class Accounts:
    """The accounts of one installation, in a file of their own.

    Args:
        path: SQLite file; made when it is missing, readable by this user only.
    """

    def __init__(self, path: Path) -> None:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        path.touch(mode=0o600)
        self._engine = create_engine(f"sqlite:///{path}")
        _METADATA.create_all(self._engine)
        self._hasher = PasswordHasher()
        self._nobody = self._hasher.hash(secrets.token_hex(16))
        self._one_at_a_time = threading.Lock()
        """Checking a password takes 64 MiB on purpose: a flood of guesses must not fill the memory."""

    def close(self) -> None:
        """Let go of the file."""
        self._engine.dispose()

    def add(self, name: str, role: str, password: str) -> None:
        """Add an account, or set role and password of one that is there, which also unlocks it.

        Raises:
            AccountRefused: with the reason.
        """
        name = name.strip()
        if not name or len(name) > LONGEST_NAME or not name.isprintable():
            raise AccountRefused(f"a name has 1 to {LONGEST_NAME} printable characters.")
        if role not in ROLES:
            raise AccountRefused(f"{role!r} is no role; say {', '.join(ROLES)}.")
        if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
            raise AccountRefused(f"a password has at least {SHORTEST_PASSWORD} characters; a sentence is a good one.")
        row = {"role": role, "password_hash": self._hasher.hash(password), "failures": 0, "locked_until": 0}
        with self._engine.begin() as connection:
            changed = connection.execute(update(_ACCOUNTS).where(_ACCOUNTS.c.name == name).values(row))
            if changed.rowcount == 0:
                connection.execute(insert(_ACCOUNTS).values(name=name, **row))

    def remove(self, name: str) -> bool:
        """Remove an account; False when there was none."""
        with self._engine.begin() as connection:
            return connection.execute(delete(_ACCOUNTS).where(_ACCOUNTS.c.name == name)).rowcount > 0

    def users(self) -> tuple[User, ...]:
        """Everybody, by name."""
        with self._engine.connect() as connection:
            rows = connection.execute(select(_ACCOUNTS.c.name, _ACCOUNTS.c.role).order_by(_ACCOUNTS.c.name))
            return tuple(User(row.name, row.role) for row in rows)

    def user(self, name: str) -> User | None:
        """The account of this name as it is now, None when it has gone."""
        return next((user for user in self.users() if user.name == name), None)

    def sign_in(self, name: str, password: str) -> User | SignInRefused:
        """Check a password.

        An unknown name takes as long as a wrong password. After `MOST_FAILURES` wrong ones in a row an account is
        locked for `LOCKED_FOR`, for the right password too, so that guessing can not go on unseen.
        """
        with self._one_at_a_time, self._engine.begin() as connection:
            row = connection.execute(select(_ACCOUNTS).where(_ACCOUNTS.c.name == name.strip())).one_or_none()
            right = self._is_right(row.password_hash if row else self._nobody, password[: LONGEST_PASSWORD + 1])
            if row is None:
                return SignInRefused(is_locked=False)
            if row.locked_until > _seconds_now():
                return SignInRefused(is_locked=True)
            return User(row.name, row.role) if self._counted(connection, row, right) else _refused(row)

    def _is_right(self, password_hash: str, password: str) -> bool:
        try:
            return self._hasher.verify(password_hash, password)
        except (VerificationError, InvalidHashError):
            return False

    def _counted(self, connection: Connection, row: "Row[tuple[object, ...]]", right: bool) -> bool:
        failures = 0 if right else row.failures + 1
        locked_until = 0
        if failures >= MOST_FAILURES:
            failures, locked_until = 0, _seconds_now() + int(LOCKED_FOR.total_seconds())
        values = {"failures": failures, "locked_until": locked_until}
        connection.execute(update(_ACCOUNTS).where(_ACCOUNTS.c.name == row.name).values(values))
        return right


def _refused(row: "Row[tuple[object, ...]]") -> SignInRefused:
    return SignInRefused(is_locked=row.failures + 1 >= MOST_FAILURES)


def _seconds_now() -> int:
    return int(datetime.now(UTC).timestamp())
