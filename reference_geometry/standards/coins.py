"""Coins as scale references: their diameters, and the many ways people name them."""

import difflib
import re
from dataclasses import dataclass
from functools import cache
from typing import Literal, final

from reference_geometry.standards.table import Provenance, read_table

_COUNTRY_WORDS = {
    "USD": ("us", "usd", "usa"),
    "EUR": ("eur", "euro", "e"),
    "GBP": ("gbp", "uk", "gb"),
    "CAD": ("cad", "ca", "canada"),
    "JPY": ("jpy", "jp", "japan"),
    "INR": ("inr", "in", "india"),
    "MXN": ("mxn", "mx", "mexico"),
    "BRL": ("brl", "br", "brazil"),
    "CHF": ("chf", "ch", "switzerland", "swiss"),
    "AUD": ("aud", "au", "australia"),
    "CNY": ("cny", "cn", "china", "rmb"),
}
_UNIT_WORDS = {
    "c": ("c", "ct", "cent", "cents", "centavo", "centavos", "rp", "rappen", "centime", "centimes"),
    "p": ("p", "penny", "pence"),
    "j": ("j", "jiao"),
    "": ("", "dollar", "dollars", "euro", "euros", "pound", "pounds", "yen", "rupee", "rupees",
         "peso", "pesos", "real", "reais", "franc", "francs", "yuan"),
}  # fmt: skip
_SYMBOLS = {"€": " eur ", "£": " gbp ", "¥": " jpy ", "₹": " inr ", "$": " usd ", "¢": " c "}


@final
@dataclass(frozen=True)
class Coin:
    """One coin.

    Attributes:
        name: what a user types, "us-25c", "eur-2".
        label: in words, "US 25 cents".
        currency: ISO 4217 code.
        shape: "round" or what it is instead (a polygon of constant width is not a circle in perspective).
        diameter_mm: see `diameter_definition`.
        diameter_definition: what the diameter is measured over.
        thickness_mm: at the rim, None when not known.
        hole_mm: diameter of a middle hole, or None.
        edge: in words.
        aliases: further names people use.
        provenance: where the row comes from.
    """

    name: str
    label: str
    currency: str
    shape: str
    diameter_mm: float
    diameter_definition: str
    thickness_mm: float | None
    hole_mm: float | None
    edge: str
    aliases: tuple[str, ...]
    provenance: Provenance

    @property
    def is_round(self) -> bool:
        """True when its outline is a circle."""
        return self.shape == "round"


@final
@dataclass(frozen=True)
class CoinNotFound:
    """No coin goes by this name. Falsy.

    Attributes:
        asked: the name as typed.
        reason: one sentence with the nearest names.
        nearest: names of coins that look similar.
    """

    asked: str
    reason: str
    nearest: tuple[str, ...]

    def __bool__(self) -> Literal[False]:
        return False


@cache
def coins() -> tuple[Coin, ...]:
    """All coins, by currency."""
    return tuple(
        Coin(
            name=row.text("name"),
            label=row.text("label"),
            currency=row.text("currency"),
            shape=row.text("shape"),
            diameter_mm=row.number("diameter_mm"),
            diameter_definition=row.text("diameter_definition"),
            thickness_mm=row.maybe_number("thickness_mm"),
            hole_mm=row.maybe_number("hole_mm"),
            edge=row.text("edge"),
            aliases=tuple(alias for alias in row.text("aliases").split(";") if alias),
            provenance=row.provenance(),
        )
        for row in read_table("coins.csv")
    )


def find_coin(name: str) -> Coin | CoinNotFound:
    """The coin that goes by a name, however it is spelled: "eur-2", "EUR 2", "2 euro", "€2", "quarter".

    A bare "25c" is refused: it names a coin in several countries.
    """
    found = _spellings().get(_normal(name))
    if found is not None:
        return found
    names = [coin.name for coin in coins()]
    nearest = tuple(difflib.get_close_matches(name.strip().lower(), names, n=3, cutoff=0.5))
    hint = f"did you mean {', '.join(nearest)}?" if nearest else "names look like us-25c, eur-2, gbp-1."
    return CoinNotFound(name, f'no coin is called "{name}"; {hint}', nearest)


def _normal(name: str) -> str:
    """Lower case, symbols as words, digits and letters apart, words sorted so that their order is free."""
    text = name.lower()
    for symbol, word in _SYMBOLS.items():
        text = text.replace(symbol, word)
    words = re.findall(r"\d+(?:/\d+)?|[a-z]+", text)
    return " ".join(sorted(word for word in words if word not in {"coin", "piece", "a"}))


@cache
def _spellings() -> dict[str, Coin]:
    """Every normalized spelling; one that would name two coins names none."""
    found: dict[str, Coin | None] = {}
    for coin in coins():
        for spelling in {_normal(s) for s in _spell(coin)}:
            found[spelling] = None if found.get(spelling, coin) is not coin else coin
    return {spelling: coin for spelling, coin in found.items() if coin is not None}


def _spell(coin: Coin) -> list[str]:
    _, value, *series = coin.name.split("-")
    number, unit = re.fullmatch(r"(\d+)([a-z]?)", value).groups()  # type: ignore[union-attr]
    tail = " ".join(series)
    units = _UNIT_WORDS[unit]
    spelled = [f"{country} {number} {word} {tail}" for country in _COUNTRY_WORDS[coin.currency] for word in units]
    if coin.currency == "EUR":
        spelled += [f"{number} {word} {tail}" for word in ("euro", "euros") if unit == ""]
    if coin.currency in {"GBP", "JPY", "CHF"}:
        own_words = {
            "GBP": ("pound", "pounds", "p", "pence"),
            "JPY": ("yen",),
            "CHF": ("franc", "francs", "rappen"),
        }
        spelled += [f"{number} {word} {tail}" for word in own_words[coin.currency] if word in units]
    return [coin.name, coin.label, *coin.aliases, *spelled]
