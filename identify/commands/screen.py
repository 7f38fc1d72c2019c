"""What every command shares: its look, its exit codes, and one line at a time on the error stream."""

from typing import Any

import typer

from identify.wording import printable

EXIT_NOT_WRITTEN = 1
EXIT_UNREADABLE = 3

GROUP_LOOK: dict[str, Any] = {
    "no_args_is_help": True,
    "rich_markup_mode": None,
    "context_settings": {"help_option_names": ["-h", "--help"], "max_content_width": 100},
}
"""How a group of commands shows its help."""


def say(text: str) -> None:
    """One line on the error stream; control characters of file names do not reach the terminal."""
    typer.echo(printable(text), err=True)
