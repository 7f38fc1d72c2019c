"""The sign-in page: plain HTML of our own, so that nothing of gradio is open before somebody has signed in."""

import threading
import time
from collections import deque

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from identify.report.html_file import COLORS
from identify.web.accounts import LOCKED_FOR, Accounts, User
from identify.web.html_parts import text
from identify.web.sessions import COOKIE, KEPT_SECONDS, Sessions
from identify.web.words import LANGUAGES, Words

MOST_TRIES, TRY_SECONDS = 20, 300.0
"""Wrong passwords one address may send in a while, whatever names it tries."""

LONGEST_FORM_BYTES = 4096


class SignIn:
    """Routes to sign in and out.

    Args:
        accounts: who may.
        sessions: where it is noted.
        is_https: whether the cookie may only travel encrypted.
    """

    def __init__(self, accounts: Accounts, sessions: Sessions, is_https: bool) -> None:
        self._accounts, self._sessions, self._is_https = accounts, sessions, is_https
        self._lock = threading.Lock()
        self._tries: dict[str, deque[float]] = {}

    def routes(self) -> list[Route]:
        """The routes, one sign-in page a language."""
        pages = [
            Route(f"{Words(language).home}sign-in", self._page(Words(language)), methods=["GET", "POST"])
            for language in LANGUAGES
        ]
        return [*pages, Route("/sign-out", self._sign_out, methods=["POST"])]

    def _page(self, t: Words):  # type: ignore[no-untyped-def]  # noqa: ANN202 - starlette's own endpoint type
        async def page(request: Request) -> Response:
            if request.method == "GET":
                return _form(t)
            return await self._sign_in(request, t)

        return page

    async def _sign_in(self, request: Request, t: Words) -> Response:
        if int(request.headers.get("content-length") or LONGEST_FORM_BYTES + 1) > LONGEST_FORM_BYTES:
            return _form(t, t("sign_in.wrong"), 413)
        address = request.client.host if request.client else ""
        if self._too_many(address):
            return _form(t, t("sign_in.too_many"), 429)
        form = await request.form(max_files=0, max_fields=4)
        name, password = str(form.get("name", "")), str(form.get("password", ""))
        user = await run_in_threadpool(self._accounts.sign_in, name, password)
        if not isinstance(user, User):
            self._count(address)
            minutes = int(LOCKED_FOR.total_seconds() // 60)
            words = t("sign_in.locked", minutes=minutes) if user.is_locked else t("sign_in.wrong")
            return _form(t, words, 403)
        home = t.home if user.role == "technician" else f"{t.home}sales/"
        answer = RedirectResponse(home, 303)
        answer.set_cookie(
            COOKIE, self._sessions.begin(user), max_age=KEPT_SECONDS, path="/", httponly=True, samesite="strict",
            secure=self._is_https,
        )  # fmt: skip
        return answer

    async def _sign_out(self, request: Request) -> Response:
        self._sessions.end(request.cookies.get(COOKIE, ""))
        answer = RedirectResponse("/sign-in", 303)
        answer.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict", secure=self._is_https)
        return answer

    def _too_many(self, address: str) -> bool:
        with self._lock:
            tries, moment = self._tries.get(address, deque()), time.monotonic()
            while tries and moment - tries[0] > TRY_SECONDS:
                tries.popleft()
            if not tries:
                self._tries.pop(address, None)
            return len(tries) >= MOST_TRIES

    def _count(self, address: str) -> None:
        with self._lock:
            self._tries.setdefault(address, deque()).append(time.monotonic())


def _form(t: Words, trouble: str = "", status: int = 200) -> Response:
    warning = f'<p class="warning" role="alert">{text(trouble)}</p>' if trouble else ""
    title = text(t("sign_in.title"))
    page = f"""<!DOCTYPE html>
<html lang="{t.language}"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title><style>:root {{ {COLORS} }}
body {{ font: 16px/1.5 system-ui, sans-serif; color: var(--ink); background: var(--ground); margin: 0; }}
main {{ max-width: 22rem; margin: 12vh auto; background: #fff; padding: 1.2rem 1.5rem; border: 1px solid var(--line);
border-radius: 8px; }} h1 {{ font-size: 1.3rem; margin: 0 0 .6rem; }} label {{ display: block; margin: .6rem 0; }}
input {{ width: 100%; box-sizing: border-box; font: inherit; padding: .5rem; border: 1px solid var(--soft);
border-radius: 6px; }}
button {{ font: inherit; color: #fff; background: var(--accent); border: 0; border-radius: 6px; padding: .6rem 1.2rem;
}}
.warning {{ color: var(--warn); font-weight: 600; }}</style></head>
<body><main><h1>{title}</h1>{warning}<form method="post">
<label>{text(t("sign_in.name"))}<input name="name" autocomplete="username" required maxlength="60" autofocus></label>
<label>{text(t("sign_in.password"))}<input name="password" type="password" autocomplete="current-password" required
maxlength="200"></label><button>{text(t("sign_in.enter"))}</button></form></main></body></html>"""
    return HTMLResponse(page, status, headers={"cache-control": "no-store"})
