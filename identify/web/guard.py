"""Stands before everything the server answers: which host, which page a request comes from, who asks, what is open.

Everything that is not named here as open is closed, so that a route a later gradio brings is closed too.
"""

import re
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.requests import cookie_parser
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from identify.web.accounts import Role, User
from identify.web.sessions import COOKIE, Sessions

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Scope]]
Send = Callable[[Scope], Awaitable[None]]
Asgi = Callable[[Scope, Receive, Send], Awaitable[None]]

EVERYBODY: tuple[Role, ...] = ("technician", "sales", "admin")
OFFICE: tuple[Role, ...] = ("sales", "admin")
SHOP: tuple[Role, ...] = ("admin",)

LOCAL_USER = User("local", "admin")
"""Whoever sits at a computer that serves nobody else."""

MOST_BODY_BYTES = 12 * 64 * 1024 * 1024
"""All photos of one upload together."""

_POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval' blob:; "
    "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:; "
    "connect-src 'self'; "
    "object-src 'none'; base-uri 'self'; form-action 'self'; frame-ancestors 'none'"
)
_HEADERS = (
    (b"content-security-policy", _POLICY.encode()),
    (b"referrer-policy", b"same-origin"),  # with no-referrer a browser hides the origin of our own forms from us
    (b"x-content-type-options", b"nosniff"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"geolocation=(), microphone=(), payment=(), usb=()"),
)

_PAGE = r"/(?:es/)?(?:sales/|shop/)?"
_GRADIO_OPEN = re.compile(
    _PAGE + r"(?:|config|theme\.css|favicon\.ico|manifest\.json|robots\.txt|(?:assets|static|svelte)/[\w./@+-]+"
    r"|gradio_api/(?:info|app_id|theme\.css|startup-events|upload|upload_progress|cancel|reset"
    r"|queue/(?:join|data)|heartbeat/\w+|(?:call|run)/[\w./-]+))/?"
)
"""What gradio's own pages and its client ask for. Its file, proxy, stream, deep link, run history and developer routes
are closed: nothing here needs them."""

_OWN_OPEN = re.compile(
    r"/(?:case/[\w-]+/(?:photo|thumb)/\d+\.jpg|case/[\w-]+/report\.(?:pdf|html)"
    r"|set/(?:families|kits|measurements)\.csv|card/(?:pocket|large)\.pdf|sign-out)"
)
_BEFORE_SIGN_IN = re.compile(r"/(?:es/)?sign-in")


@dataclass(frozen=True)
class Gate:
    """Who may come in.

    Attributes:
        sessions: of people who signed in; None where only this computer is served and nobody has to.
        hosts: names this server goes by; empty where any is right, since people sign in.
    """

    sessions: Sessions | None
    hosts: frozenset[str] = frozenset()


def roles_for(path: str) -> tuple[Role, ...]:
    """Who may ask for this path."""
    own = path.removeprefix("/es")
    if own.startswith(("/shop", "/set/")):
        return SHOP
    if own.startswith("/sales") or re.match(r"/case/[\w-]+/report", own):
        return OFFICE
    return EVERYBODY


class Guard:
    """ASGI middleware before all routes.

    Args:
        app: what it guards.
        gate: who may come in.
    """

    def __init__(self, app: Asgi, gate: Gate) -> None:
        self.app = app
        self._gate = gate

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass one request on, or refuse it; headers go on every answer."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return

        async def send_with_headers(message: Scope) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *_HEADERS]
            await send(message)

        if scope["type"] != "http":  # no page here uses a web socket
            await send({"type": "websocket.close", "code": 1008})
            return
        refused = self._refusal(scope)
        await (refused or self.app)(scope, _limited(receive), send_with_headers)

    def _refusal(self, scope: Scope) -> Response | None:
        """Why a request is not passed on; None when it is, with its user in `scope["untagged_user"]`."""
        headers, path = Headers(scope=scope), str(scope["path"])
        host = headers.get("host", "")
        if self._gate.hosts and host not in self._gate.hosts:
            return PlainTextResponse("This server does not go by that name.", 421)
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return PlainTextResponse("Not allowed.", 405)
        if _from_elsewhere(headers, host, scope["method"]):
            return PlainTextResponse("Requests of other sites are refused.", 403)
        if _too_long(headers):
            return PlainTextResponse("Too much at once.", 413)
        if path in ("/sales", "/shop", "/es", "/es/sales", "/es/shop"):
            return RedirectResponse(path + "/", 308)
        return self._closed_to(scope, headers, path)

    def _closed_to(self, scope: Scope, headers: Headers, path: str) -> Response | None:
        if _BEFORE_SIGN_IN.fullmatch(path):
            return None
        user = self._user(headers)
        if user is None:
            language = "/es" if path.startswith("/es/") else ""
            is_page = scope["method"] == "GET" and re.fullmatch(_PAGE, path)
            return RedirectResponse(f"{language}/sign-in", 303) if is_page else PlainTextResponse("Sign in.", 401)
        if user.role not in roles_for(path):
            return PlainTextResponse("This is not open to your role.", 403)
        if ".." in path or not (_GRADIO_OPEN.fullmatch(path) or _OWN_OPEN.fullmatch(path)):
            return PlainTextResponse("There is nothing here.", 404)
        scope["untagged_user"] = user
        return None

    def _user(self, headers: Headers) -> User | None:
        if self._gate.sessions is None:
            return LOCAL_USER
        token = cookie_parser(headers.get("cookie", "")).get(COOKIE, "")
        return self._gate.sessions.user_of(token) if token else None


def _from_elsewhere(headers: Headers, host: str, method: str) -> bool:
    """Whether a page of another site sends this.

    Browsers say so themselves (Fetch Metadata, W3C), and name the page's origin on every POST. Programs that are no
    browsers send neither, and carry no cookie that somebody else could ride on.
    """
    site = headers.get("sec-fetch-site", "none")
    if site not in ("same-origin", "none"):
        return method == "POST" or headers.get("sec-fetch-mode") != "navigate"
    origin = headers.get("origin")
    return origin is not None and urlsplit(origin).netloc != host


def _limited(receive: Receive) -> Receive:
    """The same, but a body that grows beyond what it may hold ends as if its sender had gone."""
    taken = 0

    async def receive_some() -> Scope:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        return message if taken <= MOST_BODY_BYTES else {"type": "http.disconnect"}

    return receive_some


def _too_long(headers: Headers) -> bool:
    length = headers.get("content-length", "0")
    return not length.isdigit() or int(length) > MOST_BODY_BYTES
