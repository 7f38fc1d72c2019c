"""From a row of measurements.csv to a Measurement, and back."""

from datetime import date, datetime

from reference_geometry.families import LENGTH_NAMES
from reference_geometry.family_rows import number_cell
from reference_geometry.measurements import Measurement
from reference_geometry.numbers_in_text import DecimalMark
from reference_geometry.plausible import length_reason
from reference_geometry.row_reader import RowReader
from reference_geometry.table_text import CellProblem, TableRow

MEASUREMENT_COLUMNS = (
    "measurement_id", "family_id", "name", "value_mm", "measured_by", "measured_on", "instrument",
)  # fmt: skip
MEASUREMENT_NEEDED_COLUMNS = ("measurement_id", "family_id", "name", "value_mm", "measured_on")
MEASUREMENT_NUMBER_COLUMNS = ("value_mm",)


def parse_day(text: str) -> date | None:
    """A day written 2026-03-31 or 31.03.2026; None for anything else (3/4/2026 has two readings)."""
    for pattern in ("%Y-%m-%d", "%d.%m.%Y"):
        try:
            return datetime.strptime(text.strip(), pattern).date()
        except ValueError:
            continue
    return None


def read_measurement(file: str, row: TableRow, mark: DecimalMark) -> Measurement | tuple[CellProblem, ...]:
    """The measurement of one row, or everything wrong with the row."""
    reader = RowReader(file, row, mark)
    name = reader.needed_text("name").lower().removesuffix("_mm")
    if name and name not in LENGTH_NAMES:
        reader.refuse("name", f'"{name}" is no length; use {", ".join(LENGTH_NAMES)}')
    value = reader.number("value_mm", 0.0, 1e9, unit="mm")
    if value is None and not reader.text("value_mm"):
        reader.refuse("value_mm", "is empty")
    elif value is not None and name in LENGTH_NAMES and length_reason(name, value):
        reader.refuse("value_mm", length_reason(name, value))
    day = parse_day(reader.text("measured_on"))
    if day is None:
        reader.refuse("measured_on", f'"{reader.text("measured_on")}" is no day; write 2026-03-31')
    measurement = Measurement(
        measurement_id=reader.needed_text("measurement_id"),
        family_id=reader.needed_text("family_id"),
        name=name,
        value_mm=value or 0.0,
        measured_by=reader.text("measured_by"),
        measured_on=day or date.min,
        instrument=reader.text("instrument"),
    )
    return tuple(reader.problems) or measurement


def measurement_cells(measurement: Measurement) -> dict[str, str]:
    """The row of a measurement; `read_measurement` gives it back."""
    return {
        "measurement_id": measurement.measurement_id,
        "family_id": measurement.family_id,
        "name": measurement.name,
        "value_mm": number_cell(measurement.value_mm),
        "measured_by": measurement.measured_by,
        "measured_on": measurement.measured_on.isoformat(),
        "instrument": measurement.instrument,
    }
