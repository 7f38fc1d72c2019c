"""The commands `untagged serve` and `untagged users ...`: the pages, and who may sign in to them."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from identify.commands.photo_options import Reference
from identify.commands.screen import EXIT_UNREADABLE, GROUP_LOOK, say

SERVE_HELP = """Open the pages in a browser: for the technician, for sales and for the shop.

On this computer alone nobody has to sign in. With --host for other computers everybody has to, with an account made
by "untagged users add"; give --certificate and --key so that passwords do not travel readable, or stand a proxy that
encrypts before it. Cases are saved as they go, in a folder of their own; photos are kept without position, serial
numbers and names, and nothing is sent anywhere.

\b
Examples:
  untagged serve --port 7860 --reference sqlite:///shop.db
  untagged serve --host 192.168.1.20 --certificate shop.crt --key shop.key
"""

USERS_HELP = "Keep the accounts of the pages: who may sign in, and as what."

ADD_HELP = """Add an account, or give one a new role and password, which also unlocks it.

The password is asked for; when input comes from a file or a pipe it is its first line. A technician sends photos and
sees own cases, sales sees and answers all cases, admin also changes the reference set.

\b
Example:
  untagged users add kim --role sales
"""

users_app = typer.Typer(help=USERS_HELP, **GROUP_LOOK)

Data = Annotated[
    Path | None,
    typer.Option(
        "--data",
        metavar="FOLDER",
        show_default=False,
        help="Folder of cases and accounts; this user's data folder if not said. Example: --data /srv/untagged",
    ),
]
Name = Annotated[str, typer.Argument(metavar="NAME", show_default=False, help="Name to sign in with.")]


def serve(
    host: Annotated[
        str,
        typer.Option(
            "--host",
            metavar="HOST",
            help="Address to listen on; any but this computer's own demands logins. Example: --host 127.0.0.1",
        ),
    ] = "127.0.0.1",
    port: Annotated[
        int,
        typer.Option("--port", metavar="PORT", min=1, max=65535, help="Port to listen on. Example: --port 7860"),
    ] = 7860,
    reference: Reference = None,
    data: Data = None,
    certificate: Annotated[
        Path | None,
        typer.Option(
            "--certificate",
            metavar="FILE",
            exists=True,
            dir_okay=False,
            show_default=False,
            help="Certificate (PEM) for an encrypted connection. Example: --certificate shop.crt",
        ),
    ] = None,
    key: Annotated[
        Path | None,
        typer.Option(
            "--key",
            metavar="FILE",
            exists=True,
            dir_okay=False,
            show_default=False,
            help="Private key (PEM) of the certificate. Example: --key shop.key",
        ),
    ] = None,
) -> None:
    """Open the pages in a browser."""
    from identify.web.server import NobodyMayEnter, PortTaken, ServeOptions, default_data_folder, serve_page
    from reference_geometry.store_engine import StoreError

    if (certificate is None) != (key is None):
        raise typer.BadParameter("A certificate needs its key and the other way round.", param_hint="--certificate")
    options = ServeOptions(host, port, reference, data or default_data_folder(), certificate, key)
    if not options.is_local and certificate is None:
        say("untagged: note: without --certificate passwords and photos travel readable in this network.")
    try:
        serve_page(options)
    except PortTaken as taken:
        raise typer.BadParameter(f"{taken} Choose another.", param_hint="--port") from taken
    except NobodyMayEnter as nobody:
        reason = f"{host} can be reached by others, so it needs logins: {nobody}"
        raise typer.BadParameter(reason, param_hint="--host") from nobody
    except StoreError as error:
        say(f"untagged: the reference set could not be read, so nothing was done. {error}")
        raise typer.Exit(EXIT_UNREADABLE) from error


@users_app.command("add", help=ADD_HELP)
def add_command(
    name: Name,
    role: Annotated[
        str,
        typer.Option("--role", metavar="ROLE", help="technician, sales or admin. Example: --role sales"),
    ] = "technician",
    data: Data = None,
) -> None:
    """Add an account or change one."""
    from identify.web.accounts import AccountRefused, Accounts
    from identify.web.server import accounts_path, default_data_folder

    password = _password()
    accounts = Accounts(accounts_path(data or default_data_folder()))
    try:
        accounts.add(name, role, password)
    except AccountRefused as refused:
        raise typer.BadParameter(str(refused), param_hint="NAME, --role or password") from refused
    finally:
        accounts.close()
    say(f"{name.strip()} may sign in as {role}.")


@users_app.command("list", help="List the accounts.\n\n\b\nExample:\n  untagged users list")
def list_command(data: Data = None) -> None:
    """List the accounts."""
    from identify.web.accounts import Accounts
    from identify.web.server import accounts_path, default_data_folder

    accounts = Accounts(accounts_path(data or default_data_folder()))
    for user in accounts.users():
        typer.echo(f"{user.name}\t{user.role}")
    accounts.close()


@users_app.command("remove", help="Remove an account.\n\n\b\nExample:\n  untagged users remove kim")
def remove_command(name: Name, data: Data = None) -> None:
    """Remove an account; its sessions end with it."""
    from identify.web.accounts import Accounts
    from identify.web.server import accounts_path, default_data_folder

    accounts = Accounts(accounts_path(data or default_data_folder()))
    removed = accounts.remove(name)
    accounts.close()
    if not removed:
        raise typer.BadParameter(f"There is no account {name}.", param_hint="NAME")
    say(f"{name} may no longer sign in.")


def _password() -> str:
    if sys.stdin.isatty():
        answer: str = typer.prompt("Password", hide_input=True, confirmation_prompt=True)
        return answer
    return sys.stdin.readline().rstrip("\r\n")
