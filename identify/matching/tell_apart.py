"""What would tell two families apart: the one length or attribute both records differ most by."""

from math import sqrt

from scipy.special import ndtri

from identify.matching.family_table import FamilyTable
from identify.matching.settings import MatchSettings
from identify.typed.known_values import READING_SD_MM
from identify.wording import feature_words, value_words
from reference_geometry.families import LENGTH_NAMES

_TELLING = 2.5
"""d' from which a look or a reading is said to tell two families apart: wrong about once in ten."""


def tell_apart(
    table: FamilyTable, first: int, second: int, ids: tuple[str, str], settings: MatchSettings
) -> str:
    """One sentence on what would tell two families apart best.

    Every length and attribute both families know is rated by d', the difference over its standard deviation
    when a person reads it; an attribute read wrongly with probability e counts as the d' that errs as often.
    """
    contrasts = [*_length_contrasts(table, first, second, ids)]
    contrasts += _attribute_contrasts(table, first, second, ids, settings)
    if not contrasts:
        return f"Nothing recorded tells {ids[0]} and {ids[1]} apart; casting marks or the nameplate would."
    apart, words = max(contrasts)
    if apart < _TELLING:
        return f"Nothing recorded tells {ids[0]} and {ids[1]} apart for certain; closest: {words}"
    return words[0].upper() + words[1:]


def _length_contrasts(
    table: FamilyTable, first: int, second: int, ids: tuple[str, str]
) -> list[tuple[float, str]]:
    contrasts = []
    for name in LENGTH_NAMES:
        one, two = table.length_mm(name, first), table.length_mm(name, second)
        if one is None or two is None:
            continue
        sd = sqrt(0.5 * (one[1] ** 2 + two[1] ** 2) + READING_SD_MM[name] ** 2)
        values = f"{ids[0]} {one[0]:.1f} mm, {ids[1]} {two[0]:.1f} mm"
        contrasts.append((abs(one[0] - two[0]) / sd, f"the {feature_words(name)} differs: {values}."))
    return contrasts


def _attribute_contrasts(
    table: FamilyTable, first: int, second: int, ids: tuple[str, str], settings: MatchSettings
) -> list[tuple[float, str]]:
    contrasts = []
    for name in table.codes:
        one, two = table.value_of(name, first), table.value_of(name, second)
        if name in ("maker", "port") or one is None or two is None or one == two:
            continue
        apart = -2.0 * float(ndtri(settings.typed_error_of(name)))
        values = f"{ids[0]} {value_words(one)}, {ids[1]} {value_words(two)}"
        contrasts.append((apart, f"the {feature_words(name)} differs: {values}."))
    return contrasts
