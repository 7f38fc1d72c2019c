"""Serves the pages: folders of our own, one port, only this computer unless people sign in, all ended in order."""

import contextlib
import logging
import os
import shutil
import signal
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import uvicorn

    from identify.web.desk import Desk

MAX_HEADER_BYTES = 32 * 1024


class PortTaken(OSError):  # noqa: N818 - it is named after what it tells the user
    """Another program listens on the port already."""


class NobodyMayEnter(RuntimeError):  # noqa: N818 - it is named after what it tells the user
    """The server would be open to other computers, and no account is there yet."""


@dataclass(frozen=True)
class ServeOptions:
    """How to serve.

    Attributes:
        host, port: where to listen.
        reference_url: the shop's own set, None for the packaged demo set.
        data: folder of cases and accounts.
        certificate, key: PEM files for an encrypted connection, None without.
    """

    host: str
    port: int
    reference_url: str | None
    data: Path
    certificate: Path | None = None
    key: Path | None = None

    @property
    def is_local(self) -> bool:
        """Whether only programs of this computer can reach it."""
        return is_loopback(self.host)


def is_loopback(host: str) -> bool:
    """Whether an address can be reached from this computer only."""
    try:
        return host == "localhost" or ip_address(host).is_loopback
    except ValueError:
        return False


def default_data_folder() -> Path:
    """Where this user's programs keep their data."""
    if os.name == "nt":
        base = os.environ.get("LOCALAPPDATA") or str(Path.home() / "AppData" / "Local")
    else:
        base = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Path(base) / "untagged"


def accounts_path(data: Path) -> Path:
    """Where the accounts are kept."""
    return data / "accounts.sqlite"


def serve_page(options: ServeOptions) -> None:
    """Serve until interrupted.

    Raises:
        PortTaken: another program has the port.
        NobodyMayEnter: other computers could reach it, and there is no account.
        reference_geometry.store_engine.StoreError: the reference set can not be read.
    """
    data = options.data.absolute()
    if not options.is_local:
        _check_accounts(data)
    _check_port(options.host, options.port)
    # A polite request to end is taken as Ctrl+C, at any time: folders and processes are still to be cleared away.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    folder = Path(tempfile.mkdtemp(prefix="untagged-"))  # readable by this user only
    home = Path.cwd()
    try:
        with _desk(options, data, folder) as desk:
            _settle_in(folder)
            _serve(options, data, folder, desk)
    finally:
        os.chdir(home)
        shutil.rmtree(folder, ignore_errors=True)


def _check_accounts(data: Path) -> None:
    from identify.web.accounts import Accounts

    if accounts_path(data).exists():
        accounts = Accounts(accounts_path(data))
        users = accounts.users()
        accounts.close()
        if users:
            return
    raise NobodyMayEnter(f'add an account first, as in: untagged users add NAME --role admin --data "{data}"')


def _check_port(host: str, port: int) -> None:
    """Find out at once whether the port is free, before anything large is loaded."""
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
    except OSError as error:
        raise PortTaken(f"{host} is no address of this computer ({error.strerror}).") from error
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        try:
            if os.name == "posix":  # a port that was just let go of counts as free, as it does for the server
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind((host, port))
        except OSError as error:
            raise PortTaken(f"port {port} of {host} can not be used ({error.strerror}).") from error


@contextmanager
def _desk(options: ServeOptions, data: Path, folder: Path) -> "Iterator[Desk]":
    """What the pages share, its worker processes started before the pages and ended after them."""
    from identify.web.case_store import CaseStore
    from identify.web.desk import Desk, ShopSet
    from identify.web.measuring import Measurer

    shop = ShopSet(_absolute(options.reference_url))
    cases = CaseStore(data / "cases")
    measurer = Measurer(cases, folder)
    measurer.start()
    try:
        yield Desk(cases, measurer, shop, folder / "uploads", has_logins=not options.is_local)
    finally:
        measurer.close()


def _sqlite_file(url: str) -> tuple[str, ...]:
    """The file of a SQLite URL, which nobody may fetch."""
    absolute = _absolute(url) or ""
    return (absolute.removeprefix("sqlite:///"),) if absolute.startswith("sqlite:///") else ()


def _absolute(url: str | None) -> str | None:
    """A relative SQLite path means this folder; the server will stand in another one."""
    prefix = "sqlite:///"
    if url is None or not url.startswith(prefix) or url == f"{prefix}:memory:":
        return url
    return prefix + str(Path(url.removeprefix(prefix)).absolute())


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


def _serve(options: ServeOptions, data: Path, folder: Path, desk: "Desk") -> None:
    import uvicorn

    from identify.web.accounts import Accounts
    from identify.web.guard import Gate
    from identify.web.sessions import Sessions
    from identify.web.sign_in import SignIn
    from identify.web.site import Addresses, build_site

    logging.getLogger("httpx").setLevel(logging.WARNING)
    shop = options.reference_url or ""
    closed = Addresses((str(data), str(folder / "empty"), *_sqlite_file(shop)))
    accounts = None
    if options.is_local:
        site = build_site(desk, Gate(None, _own_names(options)), [], closed)
    else:
        accounts = Accounts(accounts_path(data))
        sessions = Sessions(accounts)
        sign_in = SignIn(accounts, sessions, is_https=options.certificate is not None)
        site = build_site(desk, Gate(sessions), sign_in.routes(), closed)
    server = uvicorn.Server(
        uvicorn.Config(
            site, host=options.host, port=options.port, log_level="warning", server_header=False, date_header=False,
            proxy_headers=False, h11_max_incomplete_event_size=MAX_HEADER_BYTES, timeout_graceful_shutdown=2,
            ssl_certfile=options.certificate, ssl_keyfile=options.key, ws="none",
        )
    )  # fmt: skip
    telling = threading.Thread(target=_tell_when_ready, args=(server, options), daemon=True)
    telling.start()
    try:
        with contextlib.suppress(KeyboardInterrupt):  # uvicorn raises the signal again that stopped it
            server.run()
    finally:
        if accounts is not None:
            accounts.close()
    if not server.started:
        raise PortTaken(f"port {options.port} of {options.host} can not be used.")


def _tell_when_ready(server: "uvicorn.Server", options: ServeOptions) -> None:
    """Say where the pages are as soon as they are there."""
    while not server.started:
        if server.should_exit:
            return
        time.sleep(0.05)
    where = "of this computer" if options.is_local else "and sign in"
    print(f"Open {_address(options)} in a browser {where}. Ctrl+C stops it.", file=sys.stderr, flush=True)


def _own_names(options: ServeOptions) -> frozenset[str]:
    """Names a browser of this computer may call the server by; others are tricks to reach it through a name."""
    names = {"127.0.0.1", "localhost", "[::1]", f"[{options.host}]" if ":" in options.host else options.host}
    return frozenset({f"{name}:{options.port}" for name in names})


def _address(options: ServeOptions) -> str:
    scheme = "https" if options.certificate else "http"
    return f"{scheme}://{f'[{options.host}]' if ':' in options.host else options.host}:{options.port}"
