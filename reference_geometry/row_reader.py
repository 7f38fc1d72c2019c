"""Reads the cells of one row with the type a column has and gathers everything wrong with them."""

from collections.abc import Mapping

from reference_geometry.numbers_in_text import DecimalMark, parse_number
from reference_geometry.spellings import canonical, known_words
from reference_geometry.table_text import CellProblem, TableRow


class RowReader:
    """Cells of one row. Empty cells and absent columns are None or "".

    Attributes:
        problems: what was wrong with cells read so far.
    """

    def __init__(self, file: str, row: TableRow, mark: DecimalMark) -> None:
        self._file, self._row, self._mark = file, row, mark
        self.problems: list[CellProblem] = []

    def refuse(self, column: str, reason: str) -> None:
        """Note a problem with a column of this row."""
        self.problems.append(CellProblem(self._file, self._row.line, column, reason))

    def text(self, column: str) -> str:
        """The cell as it stands."""
        return self._row.cells.get(column, "")

    def needed_text(self, column: str, longest: int = 120) -> str:
        """A cell that must be filled with one line of text."""
        cell = self.text(column)
        if not cell:
            self.refuse(column, "is empty")
        elif len(cell) > longest:
            self.refuse(column, f"is longer than {longest} characters")
        elif len(cell.splitlines()) > 1:
            self.refuse(column, "holds a line break")
        return cell

    def word(self, column: str, words: Mapping[str, str]) -> str | None:
        """One of the known words, in the spelling kept."""
        cell = self.text(column)
        if not cell:
            return None
        word = canonical(cell, words)
        if word is None:
            self.refuse(column, f'"{cell}" is not known; use {known_words(words)}')
        return word

    def number(self, column: str, low: float, high: float, unit: str = "") -> float | None:
        """A number within bounds, with or without its unit behind it."""
        cell = self._row.cells.get(column)
        if not cell:
            return None
        bare = cell[: -len(unit)] if unit and cell.lower().endswith(unit.lower()) else cell
        value = parse_number(bare, self._mark)
        if not isinstance(value, float):
            self.refuse(column, value.reason)
            return None
        if not low <= value <= high:
            self.refuse(column, f"{value:g} is not believable; expected {low:g} to {high:g}")
            return None
        return value

    def whole(self, column: str, low: int, high: int) -> int | None:
        """A whole number within bounds."""
        value = self.number(column, low, high)
        if value is None:
            return None
        if value != int(value):
            self.refuse(column, f'"{self.text(column)}" must be a whole number')
            return None
        return int(value)
