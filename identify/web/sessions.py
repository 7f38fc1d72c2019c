"""Who is signed in: a random token in a cookie, its hash here, gone when the server stops."""

import hashlib
import secrets
import threading
import time
from dataclasses import dataclass

from identify.web.accounts import Accounts, User

COOKIE = "untagged_session"
KEPT_SECONDS = 12 * 3600
IDLE_SECONDS = 2 * 3600
MOST_SESSIONS = 1000


@dataclass
class _Session:
    name: str
    opened: float
    used: float


class Sessions:
    """The open sessions.

    Args:
        accounts: a session ends with its account; a changed role counts at once.
    """

    def __init__(self, accounts: Accounts) -> None:
        self._accounts = accounts
        self._lock = threading.Lock()
        self._open: dict[str, _Session] = {}

    def begin(self, user: User) -> str:
        """A new session; the token for its cookie."""
        token, moment = secrets.token_urlsafe(32), time.monotonic()
        with self._lock:
            self._drop_old(moment)
            while len(self._open) >= MOST_SESSIONS:
                self._open.pop(next(iter(self._open)))
            self._open[_digest(token)] = _Session(user.name, moment, moment)
        return token

    def user_of(self, token: str) -> User | None:
        """Whose session this is, None when it is none any more."""
        moment = time.monotonic()
        with self._lock:
            self._drop_old(moment)
            session = self._open.get(_digest(token))
            if session is None:
                return None
            session.used = moment
        return self._accounts.user(session.name)

    def end(self, token: str) -> None:
        """Sign out."""
        with self._lock:
            self._open.pop(_digest(token), None)

    def _drop_old(self, moment: float) -> None:
        for key, session in list(self._open.items()):
            if moment - session.opened > KEPT_SECONDS or moment - session.used > IDLE_SECONDS:
                del self._open[key]


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()
