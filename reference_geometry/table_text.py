"""Reads a CSV file into headed rows with line numbers, whatever spreadsheet wrote it, and writes one back."""

import codecs
import csv
import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

MAX_FILE_BYTES = 256 * 1024 * 1024
MAX_CELL_CHARACTERS = 20_000

_FORMULA_START = re.compile(r"'*[=+\-@\t\r]")
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


@dataclass(frozen=True)
class CellProblem:
    """One thing wrong with a table.

    Attributes:
        file: name of the file.
        line: line of the file where the row starts, 0 when it is about the file.
        column: heading, "" when it is about the row.
        reason: one sentence.
    """

    file: str
    line: int
    column: str
    reason: str

    def __str__(self) -> str:
        place = [self.file]
        if self.line:
            place.append(f"line {self.line}")
        if self.column:
            place.append(f"column {self.column}")
        return f"{', '.join(place)}: {self.reason}"


@dataclass(frozen=True)
class TableRow:
    """One row: where it starts and its cells by heading."""

    line: int
    cells: Mapping[str, str]


@dataclass(frozen=True)
class TextTable:
    """A table as text.

    Attributes:
        file: name of the file.
        headings: normalized, lower case with underscores.
        rows: rows with at least one filled cell.
        delimiter: what parts the cells.
        problems: rows that could not be split into cells.
        notices: what was assumed to read the file.
    """

    file: str
    headings: tuple[str, ...]
    rows: tuple[TableRow, ...]
    delimiter: str
    problems: tuple[CellProblem, ...]
    notices: tuple[str, ...]


def read_text_table(path: Path) -> TextTable | CellProblem:
    """Read a CSV file: UTF-8 with or without BOM, UTF-16 with BOM or Windows-1252; comma, semicolon or tab.

    Returns:
        The table, or the one reason why the file cannot be read as one.
    """
    decoded = _decoded(path)
    if isinstance(decoded, CellProblem):
        return decoded
    text, notices = decoded
    delimiter = _delimiter(text)
    records = _records(text, delimiter)
    try:
        line, cells = next(((line, cells) for line, cells in records if any(cells)), (1, []))
        headings = tuple(_heading(cell) for cell in cells)
        trouble = _heading_trouble(headings)
        if trouble:
            return CellProblem(path.name, line, "", trouble)
        rows, problems = _rows(records, headings, path.name)
    except csv.Error as error:
        line, reason = error.args
        return CellProblem(path.name, line, "", f"cannot be read as CSV ({reason}); is a quote left open?")
    if not rows and not problems:
        return CellProblem(path.name, 0, "", "has a heading line but no rows")
    return TextTable(path.name, headings, tuple(rows), delimiter, tuple(problems), notices)


def _decoded(path: Path) -> tuple[str, tuple[str, ...]] | CellProblem:
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            return CellProblem(path.name, 0, "", f"is larger than {MAX_FILE_BYTES // 2**20} MB")
        raw = path.read_bytes()
    except IsADirectoryError:
        return CellProblem(path.name, 0, "", "is a folder, not a file")
    except OSError as error:
        return CellProblem(path.name, 0, "", (error.strerror or "cannot be read").lower())
    if raw.startswith(b"PK\x03\x04") or raw.startswith(b"\xd0\xcf\x11\xe0"):
        return CellProblem(path.name, 0, "", "is a spreadsheet workbook; save it as CSV first")
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encoding = "utf-16"
    else:
        encoding = "utf-8-sig"
        if b"\x00" in raw:
            return CellProblem(path.name, 0, "", "is not a text file")
    if not raw.strip():
        return CellProblem(path.name, 0, "", "is empty")
    try:
        return raw.decode(encoding), ()
    except UnicodeDecodeError:
        pass
    try:
        return raw.decode("cp1252"), (f"{path.name} is not UTF-8; read as Windows-1252",)
    except UnicodeDecodeError:
        return CellProblem(path.name, 0, "", "is neither UTF-8 nor Windows-1252 text")


def _delimiter(text: str) -> str:
    """The mark that parts the heading line most often; headings never hold one themselves."""
    first = text.lstrip("\r\n").split("\n", 1)[0]
    return max(",;\t", key=first.count)


def _heading(cell: str) -> str:
    return re.sub(r"[\s\-]+", "_", cell.strip().lower())


def _heading_trouble(headings: Sequence[str]) -> str:
    if not any(headings):
        return "has no heading line"
    twice = sorted({h for h in headings if h and headings.count(h) > 1})
    return f"heading {', '.join(twice)} is there twice" if twice else ""


def _records(text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Cells of every record with the line it starts on; a quoted cell may run over several lines.

    Raises:
        csv.Error: a record cannot be split; its message gets the line in front.
    """
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    start = 1
    try:
        for cells in reader:
            yield start, [unguarded(cell.strip()) for cell in cells]
            start = reader.line_num + 1
    except csv.Error as error:
        raise csv.Error(start, str(error)) from error


def _rows(
    records: Iterable[tuple[int, list[str]]], headings: Sequence[str], file: str
) -> tuple[list[TableRow], list[CellProblem]]:
    rows: list[TableRow] = []
    problems: list[CellProblem] = []
    for line, cells in records:
        if not any(cells):
            continue
        if not any(cells[len(headings) :]):
            cells = cells[: len(headings)]
        if len(cells) != len(headings):
            reason = f"has {len(cells)} cells, the heading has {len(headings)}"
            problems.append(CellProblem(file, line, "", reason))
            continue
        found = _cell_trouble(cells, headings, file, line)
        problems.extend(found)
        if not found:
            rows.append(TableRow(line, {h: c for h, c in zip(headings, cells, strict=True) if h}))
    return rows, problems


def _cell_trouble(cells: Sequence[str], headings: Sequence[str], file: str, line: int) -> list[CellProblem]:
    found: list[CellProblem] = []
    for heading, cell in zip(headings, cells, strict=True):
        if len(cell) > MAX_CELL_CHARACTERS:
            found.append(CellProblem(file, line, heading, f"is longer than {MAX_CELL_CHARACTERS} characters"))
        elif _CONTROL.search(cell):
            found.append(CellProblem(file, line, heading, "holds a control character"))
        elif cell and not heading:
            found.append(CellProblem(file, line, "", f'"{cell[:40]}" stands under no heading'))
    return found


def guarded(cell: str) -> str:
    """A cell that a spreadsheet would take for a formula, marked as text by an apostrophe."""
    return f"'{cell}" if _FORMULA_START.match(cell) else cell


def unguarded(cell: str) -> str:
    """Undo `guarded`."""
    return cell[1:] if cell.startswith("'") and _FORMULA_START.match(cell) else cell


def write_text_table(path: Path, headings: Sequence[str], rows: Iterable[Mapping[str, str]]) -> None:
    """Write a CSV file in UTF-8 with BOM (spreadsheets need it), cells guarded against formulas.

    The file appears whole or not at all: it is written beside its place and then moved there.

    Raises:
        OSError: the file cannot be written.
    """
    beside = path.with_name(f".{path.name}.part")
    try:
        with beside.open("w", encoding="utf-8-sig", newline="") as file:
            writer = csv.writer(file, lineterminator="\r\n")
            writer.writerow(headings)
            writer.writerows([guarded(row.get(heading, "")) for heading in headings] for row in rows)
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
