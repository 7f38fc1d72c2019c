"""Passwords are kept as argon2 hashes, checked here by the library that makes them; wrong ones lock."""

import sqlite3
from contextlib import closing
from datetime import timedelta

import argon2
import pytest

from identify.web import accounts as module
from identify.web.accounts import MOST_FAILURES, AccountRefused, Accounts, User
from identify.web.sessions import Sessions


@pytest.fixture
def accounts(tmp_path):
    kept = Accounts(tmp_path / "accounts.sqlite")
    kept.add("kim", "sales", "a long enough sentence")
    yield kept
    kept.close()


def test_a_password_is_kept_as_an_argon2id_hash_only(accounts, tmp_path):
    """Parameters are at least those of RFC 9106's second recommendation (64 MiB, 3 passes, 4 lanes)."""
    stored = (tmp_path / "accounts.sqlite").read_bytes()
    assert b"long enough" not in stored
    with closing(sqlite3.connect(tmp_path / "accounts.sqlite")) as connection:
        (kept,) = connection.execute("select password_hash from accounts").fetchone()
    assert kept.startswith("$argon2id$")
    assert argon2.PasswordHasher().verify(kept, "a long enough sentence")
    parameters = argon2.extract_parameters(kept)
    assert parameters.memory_cost >= 64 * 1024
    assert parameters.time_cost >= 3
    assert (tmp_path / "accounts.sqlite").stat().st_mode & 0o077 == 0


def test_signing_in(accounts):
    assert accounts.sign_in("kim", "a long enough sentence") == User("kim", "sales")
    assert not accounts.sign_in("kim", "another sentence")
    assert not accounts.sign_in("nobody", "a long enough sentence")


def test_a_locked_account_opens_again_by_itself(accounts, monkeypatch):
    for _ in range(MOST_FAILURES):
        refused = accounts.sign_in("kim", "wrong")
    assert refused.is_locked
    assert accounts.sign_in("kim", "a long enough sentence").is_locked
    later = module._seconds_now() + int(module.LOCKED_FOR.total_seconds()) + 1
    monkeypatch.setattr(module, "_seconds_now", lambda: later)
    assert accounts.sign_in("kim", "a long enough sentence")
    assert timedelta(minutes=5) <= module.LOCKED_FOR <= timedelta(hours=1)


def test_a_right_password_forgives_earlier_slips(accounts):
    for _ in range(3):
        for _ in range(MOST_FAILURES - 1):
            accounts.sign_in("kim", "wrong")
        assert accounts.sign_in("kim", "a long enough sentence")


@pytest.mark.parametrize(
    ("name", "role", "password"),
    [("", "sales", "a long enough one"), ("x\n", "boss", "a long enough one"), ("kim", "sales", "short")],
)
def test_an_account_that_can_not_be_is_refused(accounts, name, role, password):
    with pytest.raises(AccountRefused):
        accounts.add(name, role, password)


def test_a_session_ends_with_its_account_and_a_new_role_counts_at_once(accounts):
    sessions = Sessions(accounts)
    token = sessions.begin(User("kim", "sales"))
    assert sessions.user_of(token) == User("kim", "sales")
    accounts.add("kim", "admin", "a long enough sentence")
    assert sessions.user_of(token) == User("kim", "admin")
    assert sessions.user_of(token + "x") is None
    accounts.remove("kim")
    assert sessions.user_of(token) is None
