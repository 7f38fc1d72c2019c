"""Values as the trade reads them: lengths with their 95 % interval, chances, prices, lead times."""

import math
import re
import unicodedata
from collections.abc import Mapping, Sequence

MM_PER_INCH = 25.4

_UNIT_GAP = re.compile(r"(\d) (mm|in|%|bits|s)(?![\w])")

FEATURE_WORDS = {
    "chamber_diameter": "chamber diameter",
    "flange_diameter": "flange diameter",
    "bolt_circle_diameter": "bolt circle",
    "bolt_hole_diameter": "bolt hole",
    "raised_face_diameter": "raised face",
    "bolt_hole_count": "flange bolt holes",
    "port_bore": "port bore",
    "thread_major_diameter": "thread major diameter",
    "thread_minor_diameter": "thread minor diameter",
    "thread_pitch": "thread pitch",
    "port_spacing": "port spacing",
    "overall_height": "overall height",
    "overall_width": "overall width",
    "foot_spacing_long": "foot spacing, long side",
    "foot_spacing_short": "foot spacing, short side",
    "chamber_bolt_count": "chamber bolts",
    "connection": "connection",
    "housing_joint": "housing joint",
    "port_position": "port position",
    "port_standard": "port standard",
    "port_nominal_in": "nominal port size",
    "wetted_material": "wetted material",
    "air_valve_side": "air valve side",
    "swivel_flange": "swivel flange",
    "body_color": "body color",
    "slotted_holes": "slotted flange holes",
    "air_valve_screw_count": "air-valve screws",
    "kit_no": "kit number on paper",
}
"""A feature's name as a salesperson says it."""

BUDGET_WORDS = {
    "edge": "finding the edge",
    "reference": "finding the reference",
    "camera": "camera model",
    "offset": "height against the reference",
    "tilt": "tilt",
    "lens": "lens distortion",
    "print_scale": "true size of the reference",
    "scale": "no scale",
    "reading": "reading by hand",
}
"""Causes of uncertainty in a user's words, by the name they have in the budget."""

CARD_AT_WORDS = {
    "rim": "on the chamber rim or clamp band",
    "flange": "on the port flange",
    "cover": "on the chamber cover",
    "floor": "on the floor",
    "unknown": "place not said",
}


def feature_words(name: str) -> str:
    """A feature's name in words; names never heard of keep their own, with spaces."""
    return FEATURE_WORDS.get(name, name.replace("_", " "))


def value_words(value: str) -> str:
    """An attribute's value in words."""
    return value.replace("_", " ")


def likely_values(likelihood: Mapping[str, float]) -> tuple[tuple[str, ...], float]:
    """The value an attribute most likely has, or the two of which it is one, with their share of the chance.

    None where not even two have half of it: what was seen tells too little then to be shown.
    """
    total = sum(likelihood.values())
    ranked = sorted(likelihood, key=likelihood.__getitem__, reverse=True)
    for count in (1, 2):
        share = sum(likelihood[value] for value in ranked[:count]) / total if total > 0 else 0.0
        if share >= 0.5:
            return tuple(ranked[:count]), share
    return (), 0.0


def length_words(value_mm: float, low_mm: float, high_mm: float) -> str:
    """A length with its 95 % interval, e.g. `257.3 ± 2.1 mm`.

    The half width keeps two significant digits and the value as many decimals (JCGM 100:2008, 7.2.6). An
    interval more lopsided than a tenth of itself is written out, as `257 mm (212 to 312 mm)`.
    """
    below, above = value_mm - low_mm, high_mm - value_mm
    if not all(map(math.isfinite, (value_mm, low_mm, high_mm))):
        return "not known"
    half = (below + above) / 2
    if half <= 0:
        return f"{value_mm:.1f} mm"
    decimals = _decimals(half, digits=2)
    if is_lopsided(value_mm, low_mm, high_mm):
        value, low, high = (_three_digits(v) for v in (value_mm, low_mm, high_mm))
        return f"{value} mm ({low} to {high} mm)"
    return f"{_rounded(value_mm, decimals)} ± {_rounded(half, decimals)} mm"


def is_lopsided(value: float, low: float, high: float) -> bool:
    """Whether an interval reaches further to one side of a value than to the other, by more than a tenth of itself."""
    return abs((high - value) - (value - low)) > 0.1 * (high - low)


def inch_words(value_mm: float, low_mm: float, high_mm: float) -> str:
    """The same in inches, to the digits the interval deserves, e.g. `10.13 in`."""
    half = (high_mm - low_mm) / 2 / MM_PER_INCH
    decimals = min(3, _decimals(half, digits=1)) if half > 0 else 3
    return f"{_rounded(value_mm / MM_PER_INCH, decimals)} in"


def _decimals(half: float, digits: int) -> int:
    """Decimals that show `digits` significant digits of `half`; negative where tens are rounded away."""
    return min(3, digits - 1 - math.floor(math.log10(half)))


def _three_digits(value: float) -> str:
    """A number to three significant digits, never with an exponent."""
    return _rounded(value, _decimals(value, digits=3)) if value > 0 else "0"


def _rounded(value: float, decimals: int) -> str:
    return f"{round(value, decimals):.{max(0, decimals)}f}"


def place_words(height_mm: float) -> str:
    """How far behind something, or in front of it where the height is negative."""
    return f"{abs(height_mm):.3g} mm {'behind' if height_mm >= 0 else 'in front of'}"


def chance_words(probability: float) -> str:
    """A probability in percent, never a false 0 or 100."""
    if probability < 0.005:
        return "under 1 %"
    if probability > 0.995:
        return "over 99 %"
    return f"{100 * probability:.0f} %"


def price_words(price: float | None, currency: str) -> str:
    """A list price, e.g. `412.00 USD`, or that it is not known."""
    return "price not known" if price is None else f"{price:,.2f} {currency}".strip()


def lead_time_words(days: float | None) -> str:
    """A lead time in days, with weeks where that is how it is said."""
    if days is None:
        return "lead time not known"
    if days < 0.5:
        return "same day"
    whole = round(days)
    if whole >= 14:
        weeks = whole / 7
        return f"{whole} days (about {weeks:.0f} weeks)"
    return "1 day" if whole == 1 else f"{whole} days"


def stock_words(stock: int | None) -> str:
    """Pieces on the shelf."""
    if stock is None:
        return "stock not known"
    return "none in stock" if stock == 0 else f"{stock} in stock"


def tied(text: str) -> str:
    """Text whose numbers keep their units on the same line, by no-break spaces."""
    return _UNIT_GAP.sub("\\g<1>\u00a0\\g<2>", text.replace(" ± ", "\u00a0±\u00a0"))


def printable(text: str) -> str:
    """Text without control characters: a file name must not be able to steer the terminal."""
    return "".join(c if c == "\n" or c.isprintable() else "?" for c in text)


def joined(words: Sequence[str], last: str = "or") -> str:
    """`a, b or c`."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


_LETTERS = str.maketrans(
    {
        "Ł": "L",
        "ł": "l",
        "Đ": "D",
        "đ": "d",
        "ħ": "h",
        "ı": "i",
        "ø": "o",
        "Ø": "O",
        "ß": "ss",
        "æ": "ae",
        "Æ": "AE",
        "œ": "oe",
        "Œ": "OE",
        "×": "x",
        "–": "-",
        "—": "-",
        "’": "'",
    }
)
"""Letters and signs that Unicode does not take apart, as plain ones."""


def base_letters(char: str) -> str:
    """A character by its base letters where it has some, as `c` for `č`, else itself."""
    taken_apart = unicodedata.normalize("NFKD", char.translate(_LETTERS))
    return "".join(c for c in taken_apart if not unicodedata.combining(c))


def latin(text: str, allowed: str = "") -> str:
    """Text cut down to printable ASCII plus `allowed`: accents stripped, anything else as a question mark.

    For places whose font holds nothing more, so that a customer's file name can not crash a picture.
    """
    out = []
    for char in text:
        for plain in char if char in allowed else base_letters(char):
            out.append(plain if plain in allowed or (plain.isascii() and plain.isprintable()) else "?")
    return "".join(out)
