"""Write a scale card as a printable PDF at true size, with two ways to check the print on the page itself.

Everything that carries a length is drawn as vectors in mm. The page asks the printer for no scaling, and an
outline of a bank card and a 50 mm bar show at once whether the printer obeyed.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from features.scale.card_boards import CARDS, COLUMNS, MARKER_BITS, ROWS, CardBoard, CardSize, marker_bits

Paper = Literal["a4", "letter"]

PAPER_MM: dict[Paper, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Portrait width and height: ISO 216 A4, ANSI/ASME Y14.1 A (8.5 x 11 in)."""

ID1_WIDTH_MM, ID1_HEIGHT_MM, ID1_RADIUS_MM = 85.60, 53.98, 3.18
"""ISO/IEC 7810, format ID-1."""

CHECK_BAR_MM = 50.0
UNPRINTABLE_MM = 6.4
"""No office printer needs a wider margin than a quarter inch (common practice)."""

_POCKET_MARGIN_MM, _LARGE_MARGIN_MM = 6.0, 4.0
_INK = (0, 0, 0)
_FAINT = (0.55, 0.55, 0.55)

_STEPS = (
    "Print at 100 % (actual size). Switch off 'fit to page' and 'shrink oversized pages'.",
    "Check the print: the bar must measure 50.0 mm on a ruler, and a bank card must just cover the outline.",
    "If either is off, change the printer's setting and print again: a wrong card gives wrong numbers.",
    "Glue the sheet flat on stiff card or thin board, without bubbles, and cut along the gray line.",
    "Before you reach for the pump: shut off and vent its air supply, and follow your site's safety rules.",
    "Lay or tape the card flat on the part you want measured, print side to the camera, nothing over it.",
    "Do not laminate it glossy: glare hides the squares. Do not photograph it through a mirror.",
)


@dataclass(frozen=True)
class CardPage:
    """Where things lie on the sheet, in mm from its top left corner.

    Attributes:
        width_mm, height_mm: the sheet as it is turned.
        pattern_mm: top left corner of the pattern.
    """

    width_mm: float
    height_mm: float
    pattern_mm: tuple[float, float]


def page_of(size: CardSize, paper: Paper) -> CardPage:
    """The layout: the pocket card on a portrait sheet, the large one on a sheet turned to landscape.

    Raises:
        ValueError: unknown size or paper.
    """
    if size not in CARDS:
        raise ValueError(f"no scale card of size {size!r}; there are {', '.join(CARDS)}")
    if paper not in PAPER_MM:
        raise ValueError(f"no paper {paper!r}; there are {', '.join(PAPER_MM)}")
    short, long = PAPER_MM[paper]
    if size == "pocket":
        return CardPage(short, long, ((short - CARDS[size].width_mm) / 2, 40.0))
    spare = short - CARDS[size].height_mm
    return CardPage(long, short, (UNPRINTABLE_MM + _LARGE_MARGIN_MM, spare / 2))


def write_card(path: Path, size: CardSize = "pocket", paper: Paper = "a4", say: Callable[[str], str] = str) -> None:
    """Write the printable sheet of one scale card.

    Args:
        path: PDF file to write.
        size: which card.
        paper: sheet it is printed on.
        say: gives the sheet's language for its English; letters of Western Europe can be printed.

    Raises:
        ValueError: unknown size or paper.
        OSError: the file cannot be written.
    """
    page, card = page_of(size, paper), CARDS[size]
    sheet = _Sheet(path, page, say, title=f"untagged scale card, {size}")
    if size == "pocket":
        _pocket_page(sheet, card)
    else:
        _large_page(sheet, card)
        sheet.next_page()
        _check_page(sheet)
    sheet.save()


class _Sheet:
    """A PDF canvas whose unit is the mm and whose origin is the top left corner, y down."""

    def __init__(self, path: Path, page: CardPage, say: Callable[[str], str], title: str) -> None:
        self.page, self.say = page, say
        self.canvas: Any = Canvas(str(path), (page.width_mm * mm, page.height_mm * mm), invariant=1)
        self.canvas.setTitle(say(title))
        self.canvas.setAuthor("untagged")
        self.canvas.setViewerPreference("PrintScaling", "None")

    def next_page(self) -> None:
        self.canvas.showPage()

    def save(self) -> None:
        self.canvas.save()

    def fill(self, x: float, y: float, width: float, height: float, white: bool = False) -> None:
        self.canvas.setFillColorRGB(*((1, 1, 1) if white else _INK))
        bottom = (self.page.height_mm - y - height) * mm
        self.canvas.rect(x * mm, bottom, width * mm, height * mm, stroke=0, fill=1)

    def outline(self, x: float, y: float, width: float, height: float, radius: float, dashed: bool) -> None:
        self.canvas.setStrokeColorRGB(*(_FAINT if dashed else _INK))
        self.canvas.setLineWidth(0.15 * mm)
        self.canvas.setDash([2 * mm, 1 * mm] if dashed else [])
        bottom = (self.page.height_mm - y - height) * mm
        self.canvas.roundRect(x * mm, bottom, width * mm, height * mm, radius * mm, stroke=1, fill=0)
        self.canvas.setDash([])

    def bar(self, x: float, y: float, length: float, label: str, upright: bool = False) -> None:
        """A bar whose end ticks' outer edges are `length` apart; the text stands below or right of it."""
        thick, tick = 0.5, 5.0
        if upright:
            self.fill(x - thick / 2, y, thick, length)
            self.fill(x - tick / 2, y, tick, thick)
            self.fill(x - tick / 2, y + length - thick, tick, thick)
            self.text(x + 1.6, y + length / 2, label, 6.5, upright=True)
        else:
            self.fill(x, y - thick / 2, length, thick)
            self.fill(x, y - tick / 2, thick, tick)
            self.fill(x + length - thick, y - tick / 2, thick, tick)
            self.text(x + length / 2, y + tick / 2 + 3.0, label, 8, middle=True)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        points: float,
        bold: bool = False,
        middle: bool = False,
        upright: bool = False,
    ) -> None:
        self.canvas.setFillColorRGB(*_INK)
        self.canvas.setFont("Helvetica-Bold" if bold else "Helvetica", points)
        self.canvas.saveState()
        self.canvas.translate(x * mm, (self.page.height_mm - y) * mm)
        if upright:
            self.canvas.rotate(-90)
        (self.canvas.drawCentredString if middle or upright else self.canvas.drawString)(0, 0, self.say(words))
        self.canvas.restoreState()


def _pocket_page(sheet: _Sheet, card: CardBoard) -> None:
    middle = sheet.page.width_mm / 2
    sheet.text(20, 20, "untagged: pocket scale card", 16, bold=True)
    sheet.text(20, 27, "Squares of 12 mm. The program reads the size from the pattern itself.", 9)
    _cut_out(sheet, card, margin=_POCKET_MARGIN_MM)
    sheet.bar(middle - CHECK_BAR_MM / 2, 126, CHECK_BAR_MM, "This bar is 50.0 mm long, tick to tick.")
    _bank_card_outline(sheet, middle - ID1_WIDTH_MM / 2, 142)
    _steps(sheet, 214)


def _large_page(sheet: _Sheet, card: CardBoard) -> None:
    x, y = sheet.page.pattern_mm
    _cut_out(sheet, card, margin=_LARGE_MARGIN_MM)
    right = x + card.width_mm + 7.0
    sheet.bar(right, y + 5, CHECK_BAR_MM, "50.0 mm, tick to tick", upright=True)
    sheet.bar(right, y + 75, ID1_WIDTH_MM, "85.6 mm: the long side of a bank card, tick to tick", upright=True)
    sheet.text(x, y - 6.0, "untagged: large scale card, squares of 36 mm.", 9, bold=True)
    sheet.text(x + 76, y - 6.0, "Print at 100 %, never 'fit to page'. Check both bars. Next page: how to.", 9)


def _check_page(sheet: _Sheet) -> None:
    sheet.text(20, 20, "untagged: large scale card, how to print and check it", 16, bold=True)
    _bank_card_outline(sheet, 20, 32)
    sheet.bar(130, 50, CHECK_BAR_MM, "This bar is 50.0 mm long, tick to tick.")
    sheet.text(130, 68, "The pattern itself is 252.0 mm wide and 180.0 mm high.", 9)
    _steps(sheet, 110)


def _steps(sheet: _Sheet, top: float) -> None:
    for i, step in enumerate(_STEPS):
        sheet.text(20, top + 6.5 * i, f"{i + 1}.", 9)
        sheet.text(25, top + 6.5 * i, step, 9)
    note = "Used without checking, the print's size is taken as right to 0.5 %."
    sheet.text(20, top + 6.5 * len(_STEPS) + 2, note, 8)


def _bank_card_outline(sheet: _Sheet, x: float, y: float) -> None:
    sheet.outline(x, y, ID1_WIDTH_MM, ID1_HEIGHT_MM, ID1_RADIUS_MM, dashed=False)
    words = ("Lay a bank card here.", "It must just cover this outline (85.6 x 54.0 mm).")
    for i, line in enumerate(words):
        sheet.text(x + ID1_WIDTH_MM / 2, y + ID1_HEIGHT_MM / 2 + 5 * i, line, 8, middle=True)


def _cut_out(sheet: _Sheet, card: CardBoard, margin: float) -> None:
    """The pattern with white round it, a line to cut along and its name, so that it is known once cut out."""
    x, y = sheet.page.pattern_mm
    width, height = card.width_mm + 2 * margin, card.height_mm + 2 * margin
    sheet.outline(x - margin, y - margin, width, height, 0, dashed=True)
    name = f"untagged scale card, {card.size}, {card.square_mm:.0f} mm squares"
    sheet.text(x, y + card.height_mm + margin - 1.2, name, 5.5)
    white = 0
    for row in range(ROWS):
        for column in range(COLUMNS):
            left, top = x + column * card.square_mm, y + row * card.square_mm
            if (row + column) % 2 == 0:
                sheet.fill(left, top, card.square_mm, card.square_mm)
            else:
                _marker(sheet, card, card.first_id + white, left, top)
                white += 1


def _marker(sheet: _Sheet, card: CardBoard, marker_id: int, left: float, top: float) -> None:
    """One marker in the middle of a white square.

    White cells are drawn as runs along rows and again along columns: single cells would leave hairlines.
    """
    inset = (card.square_mm - card.marker_mm) / 2
    x, y, cell = left + inset, top + inset, card.marker_mm / (MARKER_BITS + 2)
    sheet.fill(x, y, card.marker_mm, card.marker_mm)
    bits = marker_bits(marker_id)
    for i in range(MARKER_BITS):
        for start, stop in _runs(bits[i]):
            sheet.fill(x + (start + 1) * cell, y + (i + 1) * cell, (stop - start) * cell, cell, white=True)
        for start, stop in _runs(bits[:, i]):
            sheet.fill(x + (i + 1) * cell, y + (start + 1) * cell, cell, (stop - start) * cell, white=True)


def _runs(bits: Any) -> list[tuple[int, int]]:
    """Start and stop of each run of ones."""
    steps = np.diff(np.concatenate([[0], bits, [0]]).astype(int))
    return list(zip(np.flatnonzero(steps == 1).tolist(), np.flatnonzero(steps == -1).tolist(), strict=True))
