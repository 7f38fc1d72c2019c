"""Serves the page on this computer: a private folder for its files, no other host, all cleared at the end."""

import logging
import os
import shutil
import signal
import socket
import sys
import tempfile
import threading
from collections.abc import Awaitable, Callable, MutableMapping
from pathlib import Path
from typing import Any

from reference_geometry.families import ReferenceSet

MAX_UPLOAD = "40mb"
WAITING = 8
"""Jobs that may wait; one runs at a time, since decoding and measuring fill a small computer."""

_POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval' blob:; "
    "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:; "
    "connect-src 'self'; "
    "object-src 'none'; base-uri 'self'; form-action 'self'; frame-ancestors 'none'"
)
_HEADERS = (
    (b"content-security-policy", _POLICY.encode()),
    (b"referrer-policy", b"no-referrer"),
    (b"x-content-type-options", b"nosniff"),
)

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Scope]]
Send = Callable[[Scope], Awaitable[None]]


class PortTaken(OSError):  # noqa: N818 - it is named after what it tells the user
    """Another program listens on the port already."""


class OwnHostOnly:
    """ASGI middleware: every answer forbids the browser to load from or send to any other host."""

    def __init__(self, app: Callable[[Scope, Receive, Send], Awaitable[None]]) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass one request on and add the headers to its answer."""

        async def send_with_headers(message: Scope) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *_HEADERS]
            await send(message)

        await self.app(scope, receive, send_with_headers)


def serve_page(host: str, port: int, reference: ReferenceSet) -> None:
    """Serve until interrupted.

    Args:
        host: a loopback address.
        port: port to listen on.
        reference: what to match against, already loaded: the working folder changes below.

    Raises:
        PortTaken: another program has the port.
    """
    _check_port(host, port)
    folder = Path(tempfile.mkdtemp(prefix="untagged-"))  # readable by this user only
    home = Path.cwd()
    try:
        _settle_in(folder)
        _serve(host, port, reference, folder)
    finally:
        os.chdir(home)
        shutil.rmtree(folder, ignore_errors=True)


def _check_port(host: str, port: int) -> None:
    """Find out at once whether the port is free, before anything large is loaded."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        try:
            if os.name == "posix":  # a port that was just let go of counts as free, as it does for the server
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind((host, port))
        except OSError as error:
            raise PortTaken(f"port {port} of {host} can not be used ({error.strerror}).") from error


def _settle_in(folder: Path) -> None:
    """Point gradio at our folder before it is imported; stand in an empty one, whose files it may serve."""
    for name in ("uploads", "empty"):
        (folder / name).mkdir()
    os.environ["GRADIO_TEMP_DIR"] = str(folder / "uploads")
    os.environ["GRADIO_ANALYTICS_ENABLED"] = "False"
    os.environ["HF_HUB_DISABLE_TELEMETRY"] = "1"
    for name in ("GRADIO_SHARE", "GRADIO_ALLOWED_PATHS", "GRADIO_ROOT_PATH", "GRADIO_SERVER_NAME"):
        os.environ.pop(name, None)
    os.chdir(folder / "empty")


def _serve(host: str, port: int, reference: ReferenceSet, folder: Path) -> None:
    import gradio
    from starlette.middleware import Middleware

    from identify.web.page import STYLE, build_page

    logging.getLogger("httpx").setLevel(logging.WARNING)
    page = build_page(reference, folder / "uploads")
    page.queue(max_size=WAITING, default_concurrency_limit=1)
    try:
        page.launch(
            server_name=host,
            server_port=port,
            prevent_thread_lock=True,
            quiet=True,
            share=False,
            show_error=False,
            strict_cors=True,
            ssr_mode=False,
            pwa=False,
            mcp_server=False,
            enable_monitoring=False,
            run_history=False,
            allowed_paths=[],
            blocked_paths=[str(folder / "empty")],
            max_file_size=MAX_UPLOAD,
            footer_links=[],
            theme=gradio.themes.Base(
                font=["system-ui", "sans-serif"], font_mono=["ui-monospace", "monospace"]
            ),
            css=STYLE,
            app_kwargs={"middleware": [Middleware(OwnHostOnly)], "docs_url": None, "redoc_url": None},
        )
    except OSError as error:
        raise PortTaken(f"port {port} of {host} can not be used ({error}).") from error
    print(
        f"Open http://{host}:{port} in a browser of this computer. Ctrl+C stops it.",
        file=sys.stderr,
        flush=True,
    )
    try:
        _wait_for_stop()
    finally:
        page.close(verbose=False)


def _wait_for_stop() -> None:
    """Block until Ctrl+C or a polite request to end."""
    stopped = threading.Event()
    for wanted in (signal.SIGINT, signal.SIGTERM):
        signal.signal(wanted, lambda *_: stopped.set())
    stopped.wait()
