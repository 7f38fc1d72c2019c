"""From a row of kits.csv to a Kit, and back."""

import re

from reference_geometry.families import Kit
from reference_geometry.family_rows import number_cell
from reference_geometry.numbers_in_text import DecimalMark, parse_number
from reference_geometry.row_reader import RowReader
from reference_geometry.spellings import SECTIONS
from reference_geometry.table_text import CellProblem, TableRow

KIT_COLUMNS = (
    "kit_no", "family_id", "section", "elastomer", "contents", "price", "currency", "lead_time_days", "stock",
    "superseded_by",
)  # fmt: skip
KIT_NEEDED_COLUMNS = ("kit_no", "family_id", "section")
KIT_NUMBER_COLUMNS = ("price", "lead_time_days", "stock")
HIGHEST_PRICE = 1_000_000.0
LONGEST_LEAD_DAYS = 730.0

_SYMBOLS = {"€": "EUR", "£": "GBP"}
_DAYS_IN = {
    "": 1.0, "d": 1.0, "day": 1.0, "days": 1.0, "tag": 1.0, "tage": 1.0,
    "w": 7.0, "wk": 7.0, "wks": 7.0, "week": 7.0, "weeks": 7.0, "woche": 7.0, "wochen": 7.0,
}  # fmt: skip


def read_kit(file: str, row: TableRow, mark: DecimalMark) -> Kit | tuple[CellProblem, ...]:
    """The kit of one row, or everything wrong with the row."""
    reader = RowReader(file, row, mark)
    price, currency = _price(reader, mark)
    if not reader.text("section"):
        reader.refuse("section", "is empty; use fluid or air")
    kit = Kit(
        kit_no=reader.needed_text("kit_no"),
        family_id=reader.needed_text("family_id"),
        section=reader.word("section", SECTIONS) or "",
        elastomer=reader.text("elastomer"),
        contents=reader.text("contents"),
        price=price,
        currency=currency,
        lead_time_days=_lead_time_days(reader, mark),
        stock=reader.whole("stock", 0, 10_000_000),
        superseded_by=_successor(reader),
    )
    return tuple(reader.problems) or kit


def _successor(reader: RowReader) -> str:
    successor = reader.text("superseded_by")
    if successor and successor == reader.text("kit_no"):
        reader.refuse("superseded_by", "a kit cannot be superseded by itself")
    return successor


def _price(reader: RowReader, mark: DecimalMark) -> tuple[float | None, str]:
    """Price and currency; a currency code or sign beside the price is read where the column says nothing."""
    cell, currency = reader.text("price"), reader.text("currency").upper()
    if currency and not re.fullmatch(r"[A-Z]{3}", currency):
        reader.refuse("currency", f'"{reader.text("currency")}" is no three-letter code such as USD or EUR')
        currency = ""
    if not cell:
        return None, currency
    parts = re.fullmatch(r"([A-Za-z]{3}|[€£$])?\s*(.*?)\s*([A-Za-z]{3}|[€£$])?", cell)
    before, number, after = parts.groups() if parts else (None, cell, None)
    beside = (before or after or "").upper()
    beside = _SYMBOLS.get(beside, beside)
    price = parse_number(number, mark)
    if not isinstance(price, float):
        reader.refuse("price", price.reason)
        return None, currency
    if not 0.0 < price <= HIGHEST_PRICE:
        reader.refuse("price", f"{price:g} is not believable; leave it empty when not known")
    if beside and beside != "$" and currency and beside != currency:
        reader.refuse("price", f'"{cell}" and the currency {currency} disagree')
    currency = currency or ("" if beside == "$" else beside)
    if not currency:
        reader.refuse("currency", "is empty although a price is given; write USD, EUR, ...")
    return price, currency


def _lead_time_days(reader: RowReader, mark: DecimalMark) -> float | None:
    """Days, or weeks where the cell says so ("2 weeks")."""
    cell = reader.text("lead_time_days")
    if not cell:
        return None
    parts = re.fullmatch(r"([\d.,\s]+?)\s*([a-z]*)\.?", cell.lower())
    if parts is None or parts.group(2) not in _DAYS_IN:
        reader.refuse("lead_time_days", f'"{cell}" is not a number of days')
        return None
    number = parse_number(parts.group(1), mark)
    if not isinstance(number, float):
        reader.refuse("lead_time_days", number.reason)
        return None
    days = number * _DAYS_IN[parts.group(2)]
    if days > LONGEST_LEAD_DAYS:
        reader.refuse("lead_time_days", f"{days:g} days is not believable")
    return days


def kit_cells(kit: Kit) -> dict[str, str]:
    """The row of a kit; `read_kit` gives the kit back."""
    return {
        "kit_no": kit.kit_no,
        "family_id": kit.family_id,
        "section": kit.section,
        "elastomer": kit.elastomer,
        "contents": kit.contents,
        "price": "" if kit.price is None else number_cell(kit.price),
        "currency": kit.currency,
        "lead_time_days": "" if kit.lead_time_days is None else number_cell(kit.lead_time_days),
        "stock": "" if kit.stock is None else str(kit.stock),
        "superseded_by": kit.superseded_by,
    }
