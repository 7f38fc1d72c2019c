"""What a report is made of, before it is known whether it becomes a PDF, a web page or lines on a terminal.

All text is plain text: whoever renders it escapes it. So a customer's file name or an imported note can never
turn into markup.
"""

from dataclasses import dataclass
from typing import Literal

Align = Literal["left", "right"]
Tone = Literal["plain", "muted", "warning"]


@dataclass(frozen=True)
class Paragraph:
    """Running text."""

    text: str
    tone: Tone = "plain"


@dataclass(frozen=True)
class Bullets:
    """Short points; numbered where their order matters."""

    items: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True)
class Column:
    """A column of a table: heading, alignment, share of the width, whether its text stays on one line."""

    title: str
    align: Align = "left"
    share: float = 1.0
    whole: bool = False


@dataclass(frozen=True)
class Table:
    """Rows of text under headings.

    Attributes:
        columns: headings.
        rows: one text a column.
        strong_rows: rows to stand out, by number from 0.
    """

    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    strong_rows: frozenset[int] = frozenset()

    def __post_init__(self) -> None:
        if any(len(row) != len(self.columns) for row in self.rows):
            raise ValueError("every row needs one text a column")


@dataclass(frozen=True)
class Picture:
    """A JPEG picture, its size in pixels and what it shows."""

    jpeg: bytes
    width_px: int
    height_px: int
    caption: str


@dataclass(frozen=True)
class Pictures:
    """Pictures side by side where the width allows."""

    pictures: tuple[Picture, ...]


@dataclass(frozen=True)
class Letter:
    """A message ready to be sent, kept apart so that it can be copied whole."""

    lines: tuple[str, ...]


@dataclass(frozen=True)
class Blanks:
    """Lines to fill in by hand, such as who confirmed what; each has a name and a date."""

    labels: tuple[str, ...]
    name: str = "name"
    date: str = "date"


Block = Paragraph | Bullets | Table | Pictures | Letter | Blanks


@dataclass(frozen=True)
class Section:
    """A titled part of a report.

    Attributes:
        title: heading.
        blocks: content in order.
        on_screen: whether the terminal shows it too; the report always does.
    """

    title: str
    blocks: tuple[Block, ...]
    on_screen: bool = True


@dataclass(frozen=True)
class ReportContent:
    """Everything a report says, in order.

    Attributes:
        title: what it is.
        made: date in words.
        headline: the answer in at most three lines.
        demo_note: said large when the reference set is invented, else empty.
        sections: the rest.
        footer: one line for every page.
        language: its code, as in "en".
    """

    title: str
    made: str
    headline: tuple[str, ...]
    demo_note: str
    sections: tuple[Section, ...]
    footer: str
    language: str = "en"
