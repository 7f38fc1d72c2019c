"""Writes the demo set, the same on every machine: `python -m reference_geometry.demo.make_demo_set`."""

import csv
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

from reference_geometry.demo.make_families import FAMILY_COLUMNS, family_rows
from reference_geometry.demo.make_kits import KIT_COLUMNS, kit_rows


def write_rows(path: Path, columns: Sequence[str], rows: Sequence[Mapping[str, str]]) -> None:
    """Write a CSV file with a heading line."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def write_demo_set(folder: Path) -> None:
    """Write families.csv and kits.csv into a folder."""
    write_rows(folder / "families.csv", FAMILY_COLUMNS, family_rows())
    write_rows(folder / "kits.csv", KIT_COLUMNS, kit_rows())


if __name__ == "__main__":
    write_demo_set(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
