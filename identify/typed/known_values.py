"""What a person types as `--known NAME=VALUE`: a length, an attribute, the elastomer, the fluid, an old kit number."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from fractions import Fraction

from features.measured import COVERAGE_95, Contribution, MeasuredLength
from identify.typed.known_words import attribute_names, canonical_value, legal_values, plain
from reference_geometry.families import LENGTH_NAMES

MM_PER_UNIT: Mapping[str, float] = {
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "in": 25.4,
    "inch": 25.4,
    "inches": 25.4,
    '"': 25.4,
    "''": 25.4,
    "ft": 304.8,
}
"""Millimeters in a unit; the inch is 25.4 mm exactly (ISO 31-1)."""

READING_SD_MM: Mapping[str, float] = {
    "chamber_diameter": 1.0,
    "flange_diameter": 0.7,
    "bolt_circle_diameter": 0.8,
    "bolt_hole_diameter": 0.4,
    "port_bore": 0.5,
    "thread_major_diameter": 0.3,
    "thread_pitch": 0.05,
    "port_spacing": 3.0,
    "overall_height": 4.0,
    "overall_width": 4.0,
    "foot_spacing_long": 2.0,
    "foot_spacing_short": 2.0,
}
"""Standard uncertainty of a reading on a dirty pump, by caliper or tape (common practice)."""

_OWN_NAMES = ("elastomer", "fluid", "kit_no")
"""Names whose values are taken as said."""

_LENGTH_LIMITS_MM = (0.2, 5000.0)


@dataclass(frozen=True)
class TypedLength:
    """A length somebody read off an instrument.

    Attributes:
        name: word of LENGTH_NAMES.
        value_mm: the reading.
        sd_mm: its standard uncertainty; from READING_SD_MM unless typed as "216 +/- 2 mm".
        typed: the text as given.
    """

    name: str
    value_mm: float
    sd_mm: float
    typed: str

    def as_measured(self) -> MeasuredLength:
        """The reading as a measured length with a budget of its own."""
        part = Contribution("reading", f"reading of {self.name}", self.sd_mm / self.value_mm)
        return MeasuredLength(self.name, self.value_mm, (part,))


@dataclass(frozen=True)
class TypedAttribute:
    """An attribute somebody looked at or knows; `value` is the canonical word."""

    name: str
    value: str
    typed: str


@dataclass(frozen=True)
class TypedElastomer:
    """The elastomer the customer says is or was in the pump."""

    elastomer: str
    typed: str


@dataclass(frozen=True)
class TypedFluid:
    """The pumped liquid, as said."""

    fluid: str
    typed: str


@dataclass(frozen=True)
class TypedKit:
    """A kit number somebody read off an old box, order or invoice."""

    kit_no: str
    typed: str


@dataclass(frozen=True)
class KnownRefused:
    """Why a typed value can not be used. Falsy."""

    typed: str
    reason: str

    def __bool__(self) -> bool:
        return False

    def __str__(self) -> str:
        return f"--known {self.typed}: {self.reason}"


KnownValue = TypedLength | TypedAttribute | TypedElastomer | TypedFluid | TypedKit


def legal_names() -> tuple[str, ...]:
    """Every name that `--known` takes."""
    return (*LENGTH_NAMES, *attribute_names(), *_OWN_NAMES)


def parse_known(text: str) -> KnownValue | KnownRefused:
    """Read one NAME=VALUE.

    Names are words of the design (`chamber_diameter`, with or without `_mm`). Lengths take millimeters unless
    a unit follows ("8.5in", "8-1/2 in", "216 mm", "21.6cm") and may carry their own uncertainty ("216 +/- 2
    mm").
    """
    name_text, equals, value = text.partition("=")
    if not equals:
        return KnownRefused(text, "write it as NAME=VALUE, for example chamber_diameter=216mm.")
    value = value.strip()
    name = _resolve_name(name_text)
    if not name:
        return KnownRefused(text, _unknown_name_reason(name_text))
    if not value:
        return KnownRefused(text, f"no value is given for {name}.")
    if name in LENGTH_NAMES:
        return _parse_length(name, value, text)
    if name == "elastomer":
        return TypedElastomer(value, text)
    if name == "fluid":
        return TypedFluid(value, text)
    if name == "kit_no":
        return TypedKit(value, text)
    word = canonical_value(name, value)
    if word is None:
        return KnownRefused(text, f"{value!r} is no value of {name}; use {_listing(legal_values(name))}.")
    return TypedAttribute(name, word, text)


def parse_knowns(texts: Sequence[str]) -> tuple[tuple[KnownValue, ...], tuple[KnownRefused, ...]]:
    """Read several; a name given twice with different values is refused the second time."""
    accepted: dict[str, KnownValue] = {}
    refused: list[KnownRefused] = []
    for text in texts:
        known = parse_known(text)
        if isinstance(known, KnownRefused):
            refused.append(known)
            continue
        name = known_name(known)
        if name in accepted and replace(accepted[name], typed="") != replace(known, typed=""):
            refused.append(KnownRefused(text, f"{name} was already given as {accepted[name].typed!r}; give it once."))
        accepted.setdefault(name, known)
    return tuple(accepted.values()), tuple(refused)


def known_name(known: KnownValue) -> str:
    """The name a known value was given under."""
    if isinstance(known, TypedLength | TypedAttribute):
        return known.name
    if isinstance(known, TypedKit):
        return "kit_no"
    return "fluid" if isinstance(known, TypedFluid) else "elastomer"


def _resolve_name(text: str) -> str | None:
    name = plain(text).removesuffix("_mm")
    return name if name in legal_names() else None


def _unknown_name_reason(text: str) -> str:
    name = plain(text)
    if name in {"family_id", "family"}:
        return "a family is what the tool works out; give what is seen or measured instead (maker=... is taken)."
    near = get_close_matches(name.removesuffix("_mm"), legal_names(), n=1, cutoff=0.6)
    hint = f" Did you mean {near[0]}?" if near else ""
    return f"unknown name {text.strip()!r}.{hint} Names are: {', '.join(legal_names())}."


def _listing(words: Sequence[str]) -> str:
    return ", ".join(words[:-1]) + f" or {words[-1]}" if len(words) > 1 else "".join(words)


_NUMBER = r"(?:\d+\s*[- ]\s*\d+\s*/\s*\d+|\d+\s*/\s*\d+|\d+(?:[.,]\d+)?|[.,]\d+)"
_LENGTH = re.compile(
    rf"^(?P<value>{_NUMBER})\s*(?P<unit>[a-z]+|\"|'')?\s*"
    rf"(?:(?:\+/?-|±)\s*(?P<sd>{_NUMBER})\s*(?P<sd_unit>[a-z]+|\"|'')?)?$"
)


def _number(text: str) -> float:
    """8.5, 8,5, 1/2, 8-1/2 or 8 1/2."""
    compact = text.strip().replace(",", ".")
    whole_and_part = re.match(r"^(\d+)\s*[- ]\s*(\d+\s*/\s*\d+)$", compact)
    if whole_and_part:
        return int(whole_and_part[1]) + _fraction(whole_and_part[2])
    return _fraction(compact) if "/" in compact else float(compact)


def _fraction(text: str) -> float:
    top, bottom = (int(part) for part in text.split("/"))
    return float(Fraction(top, bottom)) if bottom else float("nan")


def parse_length_mm(text: str) -> tuple[float, float | None] | None:
    """A length in mm and the standard uncertainty typed with it; None when it can not be read.

    A tolerance typed as "+/- 2" is taken as a 95 % interval, so its standard uncertainty is that over 1.96.
    """
    match = _LENGTH.match(text.strip().lower().replace("”", '"').replace("″", '"'))
    if not match:
        return None
    unit = match["unit"] or match["sd_unit"] or "mm"
    sd_unit = match["sd_unit"] or unit
    if unit not in MM_PER_UNIT or sd_unit not in MM_PER_UNIT:
        return None
    value_mm = _number(match["value"]) * MM_PER_UNIT[unit]
    half_mm = _number(match["sd"]) * MM_PER_UNIT[sd_unit] if match["sd"] else None
    return value_mm, None if half_mm is None else half_mm / COVERAGE_95


def _parse_length(name: str, value: str, text: str) -> TypedLength | KnownRefused:
    read = parse_length_mm(value)
    if read is None:
        return KnownRefused(text, f"{value!r} is no length; write 216mm, 8.5in or 8-1/2in.")
    value_mm, sd_mm = read
    low, high = _LENGTH_LIMITS_MM
    if not low <= value_mm <= high:
        return KnownRefused(text, f"{value_mm:g} mm is no length of a pump ({low:g} to {high:g} mm).")
    if sd_mm is None or sd_mm <= 0.0:
        sd_mm = READING_SD_MM[name]
    if sd_mm > value_mm / 3.0:
        return KnownRefused(text, f"an uncertainty of {COVERAGE_95 * sd_mm:g} mm says nothing about {value_mm:g} mm.")
    return TypedLength(name, value_mm, sd_mm, text)
