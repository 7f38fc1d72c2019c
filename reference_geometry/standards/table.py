"""Reads the packaged tables of published dimensions; every row says where its values come from."""

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources


@dataclass(frozen=True)
class Provenance:
    """Where a row of a published table comes from.

    Attributes:
        source: the sources compared, first the one adopted; "memory" means recalled without a document.
        check: how they compare: "agrees", "differs by ...", "single source" or "memory only", by column.
        note: what a reader must know to use the row.
    """

    source: str
    check: str
    note: str


class Row:
    """One line of a table, read with the type a column has; an empty cell is None."""

    def __init__(self, cells: Mapping[str, str]) -> None:
        self._cells = cells

    def text(self, column: str) -> str:
        """The cell as it stands."""
        return self._cells[column]

    def number(self, column: str) -> float:
        """A number that every row has."""
        return float(self._cells[column])

    def whole(self, column: str) -> int:
        """A whole number that every row has."""
        return int(self._cells[column])

    def maybe_number(self, column: str) -> float | None:
        """A number that may be missing."""
        cell = self._cells[column]
        return float(cell) if cell else None

    def maybe_whole(self, column: str) -> int | None:
        """A whole number that may be missing."""
        cell = self._cells[column]
        return int(cell) if cell else None

    def provenance(self) -> Provenance:
        """The row's `source`, `check` and `note` columns."""
        return Provenance(self.text("source"), self.text("check"), self.text("note"))


def read_table(file_name: str) -> tuple[Row, ...]:
    """All rows of a packaged table.

    Args:
        file_name: name of a CSV file beside this module.
    """
    text = resources.files(__package__).joinpath(file_name).read_text(encoding="utf-8")
    return tuple(Row(cells) for cells in csv.DictReader(text.splitlines()))
