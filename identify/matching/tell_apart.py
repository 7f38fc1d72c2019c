"""What would tell two families apart: the one length or attribute both records differ most by."""

from collections.abc import Collection
from dataclasses import dataclass
from math import sqrt

from scipy.special import ndtri

from identify.matching.family_table import FamilyTable
from identify.matching.settings import COUNT_ATTRIBUTES, MatchSettings
from identify.typed.known_values import READING_SD_MM
from identify.wording import feature_words, value_words
from reference_geometry.families import LENGTH_NAMES

_TELLING = 2.5
"""d' from which a look or a reading is said to tell two families apart: wrong about once in ten."""


_TAPE_FROM_MM = 350.0
"""Longer spans are read with a tape (common practice)."""

_TOOLS = {"thread_pitch": "a pitch gauge", "thread_major_diameter": "a caliper on the male fitting"}


def tell_apart(
    table: FamilyTable,
    first: int,
    second: int,
    ids: tuple[str, str],
    settings: MatchSettings,
    known: Collection[str] = (),
) -> str:
    """One sentence on what would tell two families apart best.

    Every length and attribute both families know is rated by d', the difference over its standard deviation
    when a person reads it; an attribute read wrongly with probability e counts as the d' that errs as often.

    Args:
        table: the families.
        first, second: their rows.
        ids: how to call them.
        settings: how often people err.
        known: names already measured or told, which have said what they can; the rest comes first.
    """
    contrasts = [*_length_contrasts(table, first, second, ids)]
    contrasts += _attribute_contrasts(table, first, second, ids, settings)
    if not contrasts:
        return f"Nothing recorded tells {ids[0]} and {ids[1]} apart; casting marks or the nameplate would."
    best = max(contrasts, key=lambda c: (c.name not in known and c.apart >= _TELLING, c.apart))
    if best.apart < _TELLING:
        return f"Nothing recorded tells {ids[0]} and {ids[1]} apart for certain; closest: {best.words}"
    return best.words[0].upper() + best.words[1:]


@dataclass(frozen=True)
class _Contrast:
    """One thing two families differ by, how far in standard deviations, and how to read it."""

    name: str
    apart: float
    words: str


def _length_contrasts(table: FamilyTable, first: int, second: int, ids: tuple[str, str]) -> list[_Contrast]:
    contrasts = []
    for name in LENGTH_NAMES:
        one, two = table.length_mm(name, first), table.length_mm(name, second)
        if one is None or two is None:
            continue
        sd = sqrt(0.5 * (one[1] ** 2 + two[1] ** 2) + READING_SD_MM[name] ** 2)
        tool = _TOOLS.get(name, "a tape" if max(one[0], two[0]) >= _TAPE_FROM_MM else "a caliper")
        values = f"{one[0]:.1f} mm for {ids[0]}, {two[0]:.1f} mm for {ids[1]}"
        words = f"read the {feature_words(name)} with {tool}: {values}."
        contrasts.append(_Contrast(name, abs(one[0] - two[0]) / sd, words))
    return contrasts


def _attribute_contrasts(
    table: FamilyTable, first: int, second: int, ids: tuple[str, str], settings: MatchSettings
) -> list[_Contrast]:
    contrasts = []
    for name in table.codes:
        one, two = table.value_of(name, first), table.value_of(name, second)
        if name in ("maker", "port") or one is None or two is None or one == two:
            continue
        apart = -2.0 * float(ndtri(settings.typed_error_of(name)))
        verb = "count the" if name in COUNT_ATTRIBUTES else "look at the"
        values = f"{value_words(one)} for {ids[0]}, {value_words(two)} for {ids[1]}"
        contrasts.append(_Contrast(name, apart, f"{verb} {feature_words(name)}: {values}."))
    return contrasts
