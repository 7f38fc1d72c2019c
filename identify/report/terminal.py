"""A report's content as lines on a terminal: the answer first, then details, readable from 40 columns on."""

import sys
from collections.abc import Sequence
from typing import TextIO

from rich.console import Console
from rich.padding import Padding
from rich.table import Table as RichTable
from rich.text import Text

from identify.report.blocks import (
    Blanks,
    Block,
    Bullets,
    Letter,
    Paragraph,
    Pictures,
    ReportContent,
    Section,
    Table,
)
from identify.wording import printable

WIDEST = 100
"""Columns beyond which lines get hard to read."""

NARROW = 64
"""Below this many columns a table is written row by row instead."""

TONE_STYLES = {"plain": "", "muted": "dim", "warning": "bold yellow"}


class _Console(Console):
    def on_broken_pipe(self) -> None:
        """Let the command end the program: a reader that goes away is no error."""
        raise BrokenPipeError


def console_for(stream: TextIO | None = None) -> Console:
    """A console that adds color and width only where there is a terminal, and never reads text as markup."""
    stream = stream or sys.stdout
    console = _Console(file=stream, markup=False, emoji=False, highlight=False, soft_wrap=False)
    if console.width > WIDEST:
        console.width = WIDEST
    return console


def show_content(content: ReportContent, console: Console) -> None:
    """Print the answer in at most three lines, then the sections meant for the screen."""
    for number, line in enumerate(content.headline):
        console.print(_text(line, "bold" if number == 0 else ""))
    if content.demo_note:
        console.print(_text(content.demo_note, "bold yellow"))
    for section in content.sections:
        if section.on_screen:
            show_section(section, console)


def show_brief(lines: Sequence[tuple[str, str]], console: Console) -> None:
    """Print labeled lines, what they say hanging behind their label."""
    width = max(len(label) for label, _ in lines) + 2
    for number, (label, text) in enumerate(lines):
        if number == 0:
            console.print(_text(text, "bold"))
            continue
        grid = RichTable.grid(padding=0)
        grid.add_column(no_wrap=True, width=width)
        grid.add_column(overflow="fold")
        grid.add_row(_text(label, "bold cyan"), _text(text))
        console.print(grid)


def show_section(section: Section, console: Console) -> None:
    """Print one section."""
    console.print()
    console.print(_text(section.title.upper(), "bold cyan"))
    for block in section.blocks:
        _show_block(block, console)


def _show_block(block: Block, console: Console) -> None:
    match block:
        case Paragraph(text, tone):
            console.print(Padding(_text(text, TONE_STYLES[tone]), (0, 0, 0, 2), expand=False))
        case Bullets(items, numbered):
            for number, item in enumerate(items, start=1):
                _show_hanging(f"{number}. " if numbered else "- ", item, console)
        case Table():
            _show_table(block, console)
        case Letter(lines):
            for line in lines:
                console.print(Padding(_text(line), (0, 0, 0, 4), expand=False))
        case Pictures() | Blanks():
            pass  # a terminal shows no pictures and is not signed


def _show_hanging(lead: str, item: str, console: Console) -> None:
    grid = RichTable.grid(padding=0)
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    grid.add_row(f"  {lead}", _text(item))
    console.print(grid)


def _show_table(table: Table, console: Console) -> None:
    if console.width < NARROW:
        _show_row_by_row(table, console)
        return
    drawn = RichTable(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for column in table.columns:
        drawn.add_column(column.title, justify=column.align, overflow="fold", no_wrap=column.whole)
    for number, row in enumerate(table.rows):
        drawn.add_row(*map(_text, row), style="bold" if number in table.strong_rows else None)
    console.print(Padding(drawn, (0, 0, 0, 2), expand=False))


def _show_row_by_row(table: Table, console: Console) -> None:
    for number, row in enumerate(table.rows):
        style = "bold" if number in table.strong_rows else ""
        console.print(Padding(_text(row[0], style), (0, 0, 0, 2), expand=False))
        for column, cell in zip(table.columns[1:], row[1:], strict=True):
            if cell:
                console.print(Padding(_text(f"{column.title}: {cell}"), (0, 0, 0, 4), expand=False))


def _text(text: str, style: str = "") -> Text:
    return Text(printable(text), style=style)
