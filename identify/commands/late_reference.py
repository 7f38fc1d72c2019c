"""The group `untagged reference`, whose commands are only loaded when they are looked at.

They bring a database library along; without this, help would take three times as long to appear.
"""

from collections.abc import MutableMapping
from typing import Any

import typer
from typer.core import TyperGroup
from typer.main import get_group

from identify.commands.screen import GROUP_LOOK

REFERENCE_HELP = "Keep the shop's own set of measured pumps and kits."


class LateReferenceGroup(TyperGroup):
    """A group that knows its name and help from the start and its commands on demand."""

    _loaded: MutableMapping[str, Any]

    @property
    def commands(self) -> MutableMapping[str, Any]:
        """Commands by name, loaded the first time anybody asks."""
        if not self._loaded:
            from identify.commands.reference import reference_app

            self._loaded = get_group(reference_app).commands
        return self._loaded

    @commands.setter
    def commands(self, _given_at_the_start: MutableMapping[str, Any]) -> None:
        self._loaded = {}


late_reference_app = typer.Typer(
    cls=LateReferenceGroup,
    help=REFERENCE_HELP,
    **GROUP_LOOK,
)


@late_reference_app.callback()
def _reference() -> None:
    """Stand for the real group until one of its commands is called."""
