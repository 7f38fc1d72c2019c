"""Opens the reference set for the `untagged reference` commands and ends them with one clear sentence."""

import difflib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import NoReturn

import typer

from identify.commands.screen import EXIT_UNREADABLE, say
from reference_geometry.additions import AdditionRefused
from reference_geometry.families import ReferenceSet
from reference_geometry.store import ReferenceStore, load_reference, open_store
from reference_geometry.store_engine import StoreError

DEMO_NOTE = "This is the packaged demo set: its makers, pumps, kits and prices are invented."


@contextmanager
def store_of(url: str | None, create: bool = False) -> Iterator[ReferenceStore]:
    """The store of a URL; its errors end the command with one sentence."""
    if not url:
        raise typer.BadParameter(
            "Say which reference set, for example --reference sqlite:///shop.db; the packaged demo "
            "set cannot be changed.",
            param_hint="--reference",
        )
    try:
        with open_store(url, create) as store:
            yield store
    except StoreError as error:
        stop(error)


def load_or_stop(url: str | None) -> ReferenceSet:
    """The set of a URL, the demo set for None; errors end the command."""
    try:
        return load_reference(url)
    except StoreError as error:
        stop(error)


def kits_by_family(loaded: ReferenceSet) -> dict[str, frozenset[str]]:
    """Kit numbers by family id."""
    found: dict[str, set[str]] = {}
    for kit in loaded.kits:
        found.setdefault(kit.family_id, set()).add(kit.kit_no)
    return {family_id: frozenset(numbers) for family_id, numbers in found.items()}


def say_demo(loaded: ReferenceSet) -> None:
    """Say that the demo set is invented, when it is the one shown."""
    if loaded.is_demo:
        typer.echo(DEMO_NOTE)


def stop_without_family(family_id: str, known: list[str], more: str = "") -> NoReturn:
    """End the command: there is no such family."""
    near = difflib.get_close_matches(family_id, known, n=3)
    hint = f"; did you mean {', '.join(near)}?" if near else ""
    raise typer.BadParameter(f'there is no family "{family_id}"{hint}{more}', param_hint="FAMILY_ID")


def stop_refused(refused: AdditionRefused) -> NoReturn:
    """End the command: what was typed was not taken."""
    raise typer.BadParameter("nothing was kept; " + "; ".join(refused.reasons), param_hint="NAME=VALUE")


def stop(error: StoreError) -> NoReturn:
    """End the command: the store cannot be used."""
    say(f"untagged: {error}")
    raise typer.Exit(EXIT_UNREADABLE) from error
