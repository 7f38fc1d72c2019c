"""A report as PDF pages that a distributor attaches to a quote."""

import io
from collections.abc import Sequence
from functools import partial
from typing import Any

from reportlab.lib.colors import Color, HexColor
from reportlab.lib.pagesizes import letter
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    Image,
    PageTemplate,
    Spacer,
)
from reportlab.platypus import Paragraph as PdfParagraph
from reportlab.platypus import Table as PdfTable

from identify.report.blocks import (
    Blanks,
    Block,
    Bullets,
    Letter,
    Paragraph,
    Picture,
    Pictures,
    ReportContent,
    Section,
    Table,
)
from identify.report.fonts import font_of, paragraph_markup, plain_letter
from identify.wording import tied

INK, SOFT, LINE = HexColor("#1e2228"), HexColor("#5b6470"), HexColor("#d4d9df")
GROUND, ACCENT, WARN = HexColor("#f4f5f7"), HexColor("#17507c"), HexColor("#8a3b00")

MARGIN = 18 * mm
"""Wide enough that a letter page printed on A4 loses nothing."""

WIDTH = letter[0] - 2 * MARGIN
PICTURE_HEIGHT = 84 * mm
_BETWEEN = 10
"""Points between the columns of a table."""


def _style(name: str, size: float, color: Color = INK, **more: Any) -> ParagraphStyle:
    return ParagraphStyle(name, fontName="Helvetica", fontSize=size, leading=1.32 * size, textColor=color, **more)


PLAIN = _style("plain", 9.5, spaceAfter=3)
MUTED = _style("muted", 8.5, SOFT, spaceAfter=3)
WARNING = _style("warning", 9.5, WARN, spaceAfter=3)
POINT = _style("point", 9.5, spaceAfter=2.5, leftIndent=16, bulletColor=SOFT)
CELL = _style("cell", 8.8)
CELL_RIGHT = _style("cell_right", 8.8, alignment=2)
HEADING = _style("heading", 11.5, ACCENT, spaceBefore=11, spaceAfter=4, keepWithNext=1)
ANSWER = _style("answer", 13, spaceAfter=2)
LETTER_STYLE = _style("letter", 9.2)
TITLE = _style("title", 17)
MADE = _style("made", 9, SOFT, alignment=2)
TONES = {"plain": PLAIN, "muted": MUTED, "warning": WARNING}


def pdf_report(content: ReportContent) -> bytes:
    """The whole report on letter paper."""
    out = io.BytesIO()
    document = BaseDocTemplate(
        out,
        pagesize=letter,
        leftMargin=MARGIN,
        rightMargin=MARGIN,
        topMargin=16 * mm,
        bottomMargin=18 * mm,
        title=_plain(content.title),
        author="",
        creator="untagged",
        lang=content.language,
    )
    frame = Frame(MARGIN, 18 * mm, WIDTH, letter[1] - 34 * mm, 0, 0, 0, 0, id="page")
    document.addPageTemplates([PageTemplate("page", [frame])])
    document.build(_story(content), canvasmaker=partial(_NumberedCanvas, footer=_plain(content.footer)))
    return out.getvalue()


class _NumberedCanvas(Canvas):  # type: ignore[misc]
    """Canvas that writes `n / m` once m is known."""

    def __init__(self, *args: Any, footer: str, **keywords: Any) -> None:
        super().__init__(*args, **keywords)
        self._footer = footer
        self._pages: list[dict[str, Any]] = []

    def showPage(self) -> None:  # noqa: N802 - reportlab's name
        self._pages.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        for number, page in enumerate(self._pages, start=1):
            self.__dict__.update(page)
            self._draw_footer(number)
            super().showPage()
        super().save()

    def _draw_footer(self, number: int) -> None:
        self.saveState()
        self.setStrokeColor(LINE)
        self.line(MARGIN, 14 * mm, letter[0] - MARGIN, 14 * mm)
        self.setFont("Helvetica", 7.5)
        self.setFillColor(SOFT)
        self.drawString(MARGIN, 10 * mm, self._footer[:150])
        self.drawRightString(letter[0] - MARGIN, 10 * mm, f"{number} / {len(self._pages)}")
        self.restoreState()


def _story(content: ReportContent) -> list[Flowable]:
    header = PdfTable(
        [[_paragraph(content.title, TITLE, strong=True), _paragraph(content.made, MADE)]],
        colWidths=[0.7 * WIDTH, 0.3 * WIDTH],
    )
    header.setStyle(
        [
            ("VALIGN", (0, 0), (-1, -1), "BOTTOM"),
            ("LINEBELOW", (0, 0), (-1, -1), 2, ACCENT),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (-1, -1), 0),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 5),
        ]
    )
    story: list[Flowable] = [header, Spacer(0, 8), _headline(content.headline), Spacer(0, 6)]
    if content.demo_note:
        story += [_boxed([_paragraph(content.demo_note, WARNING, strong=True)], frame=WARN), Spacer(0, 2)]
    for section in content.sections:
        story += _section(section)
    return story


def _headline(lines: tuple[str, ...]) -> Flowable:
    first, rest = lines[:1], lines[1:]
    rows = [_paragraph(line, ANSWER, strong=True) for line in first] + [_paragraph(line, PLAIN) for line in rest]
    return _boxed(rows, ground=GROUND, bar=ACCENT)


def _boxed(rows: list[Flowable], ground: Color = None, bar: Color = None, frame: Color = None) -> Flowable:
    table = PdfTable([[row] for row in rows], colWidths=[WIDTH])
    style: list[tuple[Any, ...]] = [
        ("LEFTPADDING", (0, 0), (-1, -1), 9),
        ("RIGHTPADDING", (0, 0), (-1, -1), 9),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
        ("TOPPADDING", (0, 0), (-1, 0), 6),
        ("BOTTOMPADDING", (0, -1), (-1, -1), 6),
    ]
    if ground is not None:
        style.append(("BACKGROUND", (0, 0), (-1, -1), ground))
    if bar is not None:
        style.append(("LINEBEFORE", (0, 0), (0, -1), 4, bar))
    if frame is not None:
        style.append(("BOX", (0, 0), (-1, -1), 1, frame))
    table.setStyle(style)
    return table


def _section(section: Section) -> list[Flowable]:
    heading = _paragraph(section.title, HEADING, strong=True)  # its style keeps it with what follows
    return [heading, *(flowable for block in section.blocks for flowable in _block(block))]


def _block(block: Block) -> list[Flowable]:
    match block:
        case Paragraph(text, tone):
            return [_paragraph(text, TONES[tone])]
        case Bullets(items, numbered):
            return [
                _paragraph(item, POINT, bullet=f"{number}." if numbered else "•")
                for number, item in enumerate(items, start=1)
            ]
        case Table():
            return [_table(block)]
        case Pictures(pictures):
            return _pictures(pictures)
        case Letter(lines):
            return [
                _boxed([_paragraph(line or " ", LETTER_STYLE) for line in lines], ground=GROUND),
                Spacer(0, 4),
            ]
        case Blanks():
            return [_blanks(block)]


def _table(table: Table) -> Flowable:
    rows = [
        [
            _cell(text, c.align == "right", strong=number in table.strong_rows)
            for text, c in zip(row, table.columns, strict=True)
        ]
        for number, row in enumerate(table.rows)
    ]
    head, widths = _head_and_widths(table, rows)
    drawn = PdfTable([head, *rows], colWidths=widths, repeatRows=1, spaceBefore=2, spaceAfter=5)
    drawn.setStyle(
        [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LINEBELOW", (0, 0), (-1, -1), 0.5, LINE),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (-1, -1), _BETWEEN),
            ("TOPPADDING", (0, 0), (-1, -1), 2.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
        ]
    )
    return drawn


def _head_and_widths(table: Table, rows: Sequence[Sequence[PdfParagraph]]) -> tuple[list[PdfParagraph], list[float]]:
    """Headings, smaller where there are many, and widths in which no word is broken: room left goes by the shares."""
    total = sum(column.share for column in table.columns)
    wanted = [WIDTH * column.share / total for column in table.columns]
    for size in (1.0, 0.9, 0.8, 0.7):
        head = [_head_cell(c.title, c.align == "right", size) for c in table.columns]
        needed = [max(cell.minWidth() for cell in cells) + _BETWEEN for cells in zip(head, *rows, strict=True)]
        if sum(needed) <= WIDTH:
            beyond = [max(share - least, 0.0) for share, least in zip(wanted, needed, strict=True)]
            left = (WIDTH - sum(needed)) / max(sum(beyond), 1e-6)
            return head, [least + left * more for least, more in zip(needed, beyond, strict=True)]
    return head, wanted


def _head_cell(text: str, right: bool, size: float) -> PdfParagraph:
    style = CELL_RIGHT if right else CELL
    small = {"fontSize": size * style.fontSize, "leading": size * style.leading}
    return _paragraph(text, ParagraphStyle(f"{style.name}_head", style, textColor=SOFT, **small), strong=True)


def _cell(text: str, right: bool, strong: bool = False) -> PdfParagraph:
    return _paragraph(text, CELL_RIGHT if right else CELL, strong=strong)


def _pictures(pictures: tuple[Picture, ...]) -> list[Flowable]:
    """Two pictures a row, one picture alone over the whole width."""
    columns = 1 if len(pictures) == 1 else 2
    gap = 4 * mm
    width = (WIDTH - gap * (columns - 1)) / columns
    cells = [
        [_sized(p, width, PICTURE_HEIGHT * (1.35 if columns == 1 else 1)), _paragraph(p.caption, MUTED)]
        for p in pictures
    ]
    cells += [[]] * (-len(cells) % columns)
    rows = [cells[i : i + columns] for i in range(0, len(cells), columns)]
    table = PdfTable(rows, colWidths=[width + gap / 2] * columns if columns > 1 else [WIDTH])
    table.setStyle(
        [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (-1, -1), gap / 2),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
        ]
    )
    return [table]


def _sized(picture: Picture, width: float, height: float) -> Flowable:
    scale = min(width / picture.width_px, height / picture.height_px)
    image = Image(io.BytesIO(picture.jpeg), picture.width_px * scale, picture.height_px * scale)
    image.hAlign = "LEFT"
    return image


def _blanks(block: Blanks) -> Flowable:
    to_fill = (_paragraph(block.name, MUTED), _paragraph(block.date, MUTED))
    rows = [[_paragraph(label, PLAIN), *to_fill] for label in block.labels]
    table = PdfTable(rows, colWidths=[0.42 * WIDTH, 0.36 * WIDTH, 0.22 * WIDTH], rowHeights=[24] * len(rows))
    table.setStyle(
        [
            ("LINEBELOW", (1, 0), (-1, -1), 0.6, INK),
            ("VALIGN", (0, 0), (-1, -1), "BOTTOM"),
            ("LEFTPADDING", (0, 0), (0, -1), 0),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
        ]
    )
    return table


def _paragraph(text: str, style: ParagraphStyle, strong: bool = False, bullet: str | None = None) -> PdfParagraph:
    markup = paragraph_markup(tied(text))
    return PdfParagraph(f"<b>{markup}</b>" if strong else markup, style, bulletText=bullet)


def _plain(text: str) -> str:
    """Text for places that take no font runs: characters outside Helvetica by their base letter."""
    return "".join(written if not font else plain_letter(written) for font, written in map(font_of, text))
