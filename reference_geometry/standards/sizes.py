"""Nominal sizes: reads the trade's many spellings, writes one ("1-1/2"), and knows DN and inches."""

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from typing import final

from reference_geometry.refused import Refused

_DN_BY_NOMINAL = {
    "1/8": 6, "1/4": 8, "3/8": 10, "1/2": 15, "3/4": 20, "1": 25, "1-1/4": 32, "1-1/2": 40,
    "2": 50, "2-1/2": 65, "3": 80, "3-1/2": 90, "4": 100, "5": 125, "6": 150,
}  # fmt: skip
"""Nominal pipe size to DN, ASME B36.10 table 1."""


@final
@dataclass(frozen=True)
class NominalSize:
    """One nominal pipe size.

    Attributes:
        nominal_in: as the trade writes it, "1-1/2".
        dn: nominal diameter DN.
        inches: the number behind the name, 1.5. It is a name: no diameter has this length.
    """

    nominal_in: str
    dn: int
    inches: float


def _inches(nominal_in: str) -> float:
    total = 0.0
    for part in nominal_in.split("-"):
        above, _, below = part.partition("/")
        total += float(above) / float(below or 1)
    return total


NOMINAL_SIZES = tuple(NominalSize(name, dn, _inches(name)) for name, dn in _DN_BY_NOMINAL.items())
"""All known sizes, smallest first."""

_BY_NAME = {size.nominal_in: size for size in NOMINAL_SIZES}
_BY_DN = {size.dn: size for size in NOMINAL_SIZES}
_BY_INCHES = {size.inches: size for size in NOMINAL_SIZES}
_DECIMAL = re.compile(r"(\d*[.,]\d+|\d+)")
_FRACTION = re.compile(r"(?:(\d+)[\s\-+]+)?(\d+)\s*/\s*(\d+)")


@lru_cache(maxsize=1_000)
def parse_size(text: str) -> NominalSize | Refused:
    """Read a nominal size.

    Takes `1.5`, `1,5`, `1-1/2`, `1 1/2`, `1½`, `1-1/2"`, `1.5 in`, `NPS 1-1/2`, `DN40`, `40A` and `40 mm`
    (nominal millimeters are DN).
    """
    shown = text.strip()
    # NFKC turns ½ into 1⁄2 glued to what stands before it, so a vulgar fraction is set apart first.
    spaced = "".join(f" {c}" if unicodedata.decomposition(c).startswith("<fraction>") else c for c in shown)
    plain = unicodedata.normalize("NFKC", spaced).replace("⁄", "/").lower().strip()
    metric = re.fullmatch(r"dn\s*-?\s*(\d+)|(\d+)\s*a|(\d+)\s*mm", plain)
    if metric:
        dn = int(next(group for group in metric.groups() if group))
        return _BY_DN.get(dn) or Refused(f'"{shown}" is no nominal diameter; DN25, DN40, DN50 are')
    plain = re.sub(r"^(nps|g|r)\s*(?=\d)", "", plain)
    plain = re.sub(r"\s*(\"|''|”|″|′′|inches|inch|in\.?|-inch)$", "", plain).strip()
    inches = _number_of_inches(plain)
    if inches is None:
        return Refused(f'"{shown}" cannot be read as a nominal size; write 1-1/2, 1.5 or DN40')
    return _BY_INCHES.get(inches) or Refused(f'there is no nominal pipe size "{shown}"')


def _number_of_inches(plain: str) -> float | None:
    if _DECIMAL.fullmatch(plain):
        return float(plain.replace(",", "."))
    fraction = _FRACTION.fullmatch(plain)
    if fraction is None or int(fraction.group(3)) == 0:
        return None
    whole, above, below = (int(group or 0) for group in fraction.groups())
    return whole + above / below


def size_of(nominal_in: str) -> NominalSize:
    """The size of a canonical name.

    Raises:
        KeyError: the name is not canonical; read a user's spelling with `parse_size`.
    """
    return _BY_NAME[nominal_in]
