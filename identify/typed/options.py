"""What a user types about photos and scale, turned into a survey request, or refused with one clear sentence.

Command line and web app share these, so that both understand and refuse the same words.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from identify.typed.costs import CostRefused, TypedCosts, read_costs
from identify.wording import joined

if TYPE_CHECKING:
    from features.scale.reference import ScaleRequest
    from features.survey import CardAt, LookAt, SurveyRequest
    from identify.matching.settings import MatchSettings
    from identify.typed.known_values import KnownValue

CARD_PLACES: "tuple[CardAt, ...]" = ("rim", "flange", "cover", "floor", "unknown")
SHEETS = ("a4", "a5", "letter")
COIN = "coin"
"""Name of the hint that says where the coin lies; all other hints name lengths of the pump."""

_NUMBER = r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)"
_HEAD = re.compile(r"\s*(?:(M\d+)(?:\s+(?:head|bolt|nut))?|(\d+(?:/\d+)?)\s+(?:head|bolt|nut))\s*", re.IGNORECASE)


class WrongUsage(ValueError):  # noqa: N818 - it is named after what it tells the user
    """Something typed can not be meant. The message says what and how it should look; `option` says where."""

    def __init__(self, option: str, message: str) -> None:
        super().__init__(message)
        self.option = option


_NO_COSTS = TypedCosts()


@dataclass(frozen=True)
class TypedOptions:
    """Options of one call exactly as typed; empty means not given."""

    card_at: str = "unknown"
    coin: str = ""
    scale_points: str = ""
    sheet: str = ""
    known: tuple[str, ...] = ()
    look_at: tuple[str, ...] = ()
    costs: TypedCosts = _NO_COSTS


@dataclass(frozen=True)
class Understood:
    """What the options of one call mean.

    Attributes:
        request: for the survey of the photos.
        knowns: what was typed with `--known`, for the matching.
        settings: the matcher's assumptions with the user's own costs; None for the defaults.
    """

    request: "SurveyRequest"
    knowns: "tuple[KnownValue, ...]"
    settings: "MatchSettings | None" = None


def understand(typed: TypedOptions) -> Understood:
    """Understand all options at once.

    Raises:
        WrongUsage: with the option's name and what it should look like.
    """
    from features.survey import SurveyRequest

    places = parse_places(typed.card_at)
    sheet = typed.sheet.strip().lower()
    if sheet and sheet not in SHEETS:
        raise WrongUsage("--sheet", f"{typed.sheet!r} is not a sheet size known here; say {joined(SHEETS)}.")
    hints = tuple(map(parse_look_at, typed.look_at))
    knowns = parse_known(typed.known)
    request = SurveyRequest(
        scale=_scale_request(typed, sheet, next((h for h in hints if h.name == COIN), None)),
        card_at=places[0] if len(set(places)) == 1 else "unknown",
        card_at_in=places if len(places) > 1 else (),
        look_at=tuple(hint for hint in hints if hint.name != COIN),
        known=known_words(knowns),
    )
    return Understood(request, knowns, _settings(typed.costs))


def parse_places(text: str) -> "tuple[CardAt, ...]":
    """Where the card lies: one place for all photos, or one a photo in their order, as `rim,flange`."""
    words = [word.strip().lower() for word in text.split(",")]
    places = tuple(place for word in words for place in CARD_PLACES if place == word)
    if len(places) < len(words):
        wrong = next(word for word in words if word not in CARD_PLACES)
        raise WrongUsage(
            "--card-at",
            f"{wrong!r} is not a place of the card; say {joined(CARD_PLACES)}, once for all photos or once a photo, "
            "as rim,flange.",
        )
    return places


def check_places(understood: Understood, photos: int) -> None:
    """Refuse places of the card that are neither one for all photos nor one for each.

    Raises:
        WrongUsage: with both counts.
    """
    places = understood.request.card_at_in
    if places and len(places) != photos:
        raise WrongUsage("--card-at", f"{len(places)} places are named for {photos} photos; name one for each.")


def _settings(typed: TypedCosts) -> "MatchSettings | None":
    if typed == _NO_COSTS:
        return None
    settings = read_costs(typed)
    if isinstance(settings, CostRefused):
        raise WrongUsage(settings.option, settings.reason)
    return settings


def _scale_request(typed: TypedOptions, sheet: str, coin_hint: "LookAt | None") -> "ScaleRequest":
    from features.scale.reference import ScaleRequest

    coin_mm, coin_label, coin_sd = parse_coin(typed.coin) if typed.coin.strip() else (None, "", 0.002)
    if coin_hint and coin_mm is None:
        raise WrongUsage("--look-at", "coin=X,Y,R needs to know which coin it is; name it with --coin.")
    points = parse_scale_points(typed.scale_points) if typed.scale_points.strip() else None
    return ScaleRequest(
        coin_diameter_mm=coin_mm,
        coin_label=coin_label,
        coin_relative_sd=coin_sd,
        two_points_px=points.ends_px if points else None,
        two_points_mm=points.length_mm if points else 0.0,
        two_points_head=points.head if points else "",
        sheets=(sheet,) if sheet else (),
        coin_near_px=(coin_hint.x_px, coin_hint.y_px, coin_hint.radius_px) if coin_hint else None,
    )


def parse_coin(text: str) -> tuple[float, str, float]:
    """A coin's name (`us-25c`) or its diameter (`24.26mm`): diameter in mm, label, relative uncertainty.

    A round coin of the table keeps to its legal diameter within 0.2 %, a diameter someone measured within
    0.5 %, a many-sided coin to a circle within 1 % (all common practice).
    """
    from reference_geometry.standards import find_coin

    diameter = positive_mm(text)
    if diameter is not None:
        if not 5.0 <= diameter <= 100.0:
            raise WrongUsage("--coin", f"A coin of {diameter:g} mm is not between 5 and 100 mm across.")
        return diameter, f"coin of {diameter:g} mm", 0.005
    coin = find_coin(text)
    if not coin:
        raise WrongUsage("--coin", f"{coin.reason} Or give the coin's diameter, as in 24.26mm.")
    return coin.diameter_mm, coin.label, 0.002 if coin.is_round else 0.01


@dataclass(frozen=True)
class TypedPoints:
    """Two points in pixels of the upright photo, what they are apart, and of which hexagon's flats they are, if any."""

    ends_px: tuple[tuple[float, float], tuple[float, float]]
    length_mm: float
    head: str = ""


def parse_scale_points(text: str) -> TypedPoints:
    """`X1,Y1,X2,Y2=MM` or `=M10`: two points of the photo with their distance, or across the flats of a bolt head."""
    example = "say it as X1,Y1,X2,Y2=MM, for example 410,220,1630,240=152.4; across the flats of a bolt head or nut"
    example += " give its thread size, as 880,410,931,420=M10 or =3/8 head"
    left, _, right = text.partition("=")
    numbers = _numbers(left, 4)
    head, flats_mm = parse_head(right)
    length_mm = flats_mm if head else positive_mm(right)
    if numbers is None or length_mm is None:
        raise WrongUsage("--scale-points", f"{text!r} is not two points and a length; {example}.")
    x1, y1, x2, y2 = numbers
    if math.hypot(x2 - x1, y2 - y1) < 1.0:
        raise WrongUsage("--scale-points", f"The two points of {text!r} are the same; {example}.")
    return TypedPoints(((x1, y1), (x2, y2)), length_mm, head)


def parse_head(text: str) -> tuple[str, float]:
    """A hexagon's thread size (`M10`, `M10 nut`, `3/8 head`) as published, and mm across its flats; "" and 0: none.

    An inch size needs the word `head`, `bolt` or `nut`: alone it is a length.
    """
    from reference_geometry.standards import across_flats

    read = _HEAD.fullmatch(text)
    size = next((one for one in read.groups() if one), "").upper() if read else ""
    flats = across_flats(size)
    return (size, flats.mean_mm) if flats else ("", 0.0)


def parse_look_at(text: str) -> "LookAt":
    """`NAME=X,Y,R`: a feature's rough place in pixels of the upright photo and the radius to look within."""
    from features.survey import LookAt
    from reference_geometry.families import LENGTH_NAMES

    left, _, right = text.partition("=")
    typed = left.strip().lower().replace("-", "_").replace(" ", "_")
    names = (*LENGTH_NAMES, COIN)
    name = next((n for n in (typed, f"{typed}_diameter", f"port_{typed}") if n in names), None)
    if name is None:
        raise WrongUsage("--look-at", f"{left.strip()!r} is not a feature; say {joined(names)}.")
    numbers = _numbers(right, 3)
    if numbers is None or numbers[2] <= 0:
        raise WrongUsage("--look-at", f"{text!r} has no place; say NAME=X,Y,R, as chamber_diameter=2010,1480,900.")
    return LookAt(name, *numbers)


def parse_known(items: Sequence[str]) -> "tuple[KnownValue, ...]":
    """`NAME=VALUE` items; anything not understood is refused with the reason."""
    from identify.typed.known_values import parse_knowns

    knowns, refused = parse_knowns(items)
    if refused:
        raise WrongUsage("--known", " ".join(f"{r.typed!r}: {r.reason}" for r in refused))
    return knowns


def known_words(knowns: "Sequence[KnownValue]") -> dict[str, str]:
    """The same for the survey: canonical words by attribute name, lengths as `*_mm`."""
    from identify.typed.known_values import TypedAttribute, TypedLength

    words = {known.name: known.value for known in knowns if isinstance(known, TypedAttribute)}
    lengths = {f"{k.name}_mm": f"{k.value_mm:.6g}" for k in knowns if isinstance(k, TypedLength)}
    return {**words, **lengths}


def positive_mm(text: str) -> float | None:
    """A positive length such as `24.26mm`, `2.4 cm`, `0.955in` or `1-1/2 in` in mm; None when it is none."""
    from identify.typed.known_values import parse_length_mm

    read = parse_length_mm(text)
    return read[0] if read and math.isfinite(read[0]) and read[0] > 0 else None


def _numbers(text: str, count: int) -> tuple[float, ...] | None:
    parts = text.split(",")
    if len(parts) != count or not all(re.fullmatch(rf"\s*{_NUMBER}\s*", part) for part in parts):
        return None
    return tuple(float(part) for part in parts)
