"""Numbers as people and spreadsheets write them: 212.4, 212,4, 1.234,50, 1,234.50, 212.4 mm."""

import re
from collections.abc import Iterable
from functools import lru_cache
from typing import Literal

from reference_geometry.refused import Refused

DecimalMark = Literal[".", ",", "mixed", "unknown"]

_PLAIN = re.compile(r"\d+")
_SURE_POINT = re.compile(
    r"\d+\.(?:\d{1,2}|\d{4,})|0\.\d+|\d{4,}\.\d+|\.\d+|\d{1,3}(?:,\d{3})+\.\d+|\d{1,3}(?:,\d{3}){2,}"
)
_SURE_COMMA = re.compile(r"\d+,(?:\d{1,2}|\d{4,})|0,\d+|\d{4,},\d+|,\d+|\d{1,3}(?:\.\d{3})+,\d+|\d{1,3}(?:\.\d{3}){2,}")
_UNSURE = re.compile(r"\d{1,3}[.,]\d{3}")
_SPACES = re.compile(r"[\s\u00a0\u202f']")


def decimal_mark(cells: Iterable[str], delimiter: str) -> DecimalMark:
    """Which decimal mark a table uses, from the cells that can be read in one way only.

    Args:
        cells: all cells of the number columns.
        delimiter: what parts the cells; a semicolon or tab without other evidence speaks for the comma only
            where a comma is there to be read.
    """
    point = comma = commas_seen = False
    for cell in set(cells):
        plain = _SPACES.sub("", cell)
        point = point or _SURE_POINT.fullmatch(plain) is not None
        comma = comma or _SURE_COMMA.fullmatch(plain) is not None
        commas_seen = commas_seen or "," in plain
    if point and comma:
        return "mixed"
    if point or comma:
        return "." if point else ","
    return "," if delimiter != "," and commas_seen else "unknown"


@lru_cache(maxsize=50_000)
def parse_number(text: str, mark: DecimalMark = "unknown") -> float | Refused:
    """Read a number without sign and exponent.

    A text like 1,234 or 1.234 has two readings. The table's decimal mark decides; where that is not known, a
    point is taken as the decimal mark and a comma is refused.
    """
    shown, plain = text.strip(), _SPACES.sub("", text)
    if re.fullmatch(r"[-+−].*", plain):
        return Refused(f'"{shown}" has a sign; only positive numbers make sense here')
    if _PLAIN.fullmatch(plain) or _SURE_POINT.fullmatch(plain):
        return float(plain.replace(",", ""))
    if _SURE_COMMA.fullmatch(plain):
        return float(plain.replace(".", "").replace(",", "."))
    if not _UNSURE.fullmatch(plain):
        return Refused(f'"{shown}" is not a number')
    separator = "," if "," in plain else "."
    if mark == "mixed" or (mark == "unknown" and separator == ","):
        whole, part = plain.split(separator)
        return Refused(f'"{shown}" could be {whole}.{part} or {whole}{part}; write one without doubt')
    is_decimal = separator == (mark if mark != "unknown" else ".")
    return float(plain.replace(separator, "." if is_decimal else ""))
