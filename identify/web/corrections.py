"""What sales corrects in a case: circles, two points with a length, where the scale lies, what the customer said.

Each correction takes the record and what came from the page, whatever that may be, and gives the changed record.
"""

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from features.photo_survey import PhotoSurvey
from features.survey import LookAt
from identify.questions.catalog import CATALOG
from identify.typed.known_values import KnownRefused, parse_known
from identify.typed.options import (
    CARD_PLACES,
    SHEETS,
    WrongUsage,
    parse_coin,
    parse_head,
    parse_look_at,
    parse_scale_points,
    positive_mm,
)
from identify.web.case_record import CaseRecord, KeptPhoto
from identify.web.photo_drawing import DRAWABLE
from identify.wording import feature_words

_CODES = frozenset(question.code for question in CATALOG)
LONGEST_VALUE = 100
_SAME_PLACE, _SAME_SIZE = 0.35, 0.3
"""A hint is rough: it was followed when place (in radii) and size (in its logarithm) agree this far."""

FromPage = Mapping[str, object]


class NotUnderstood(ValueError):  # noqa: N818 - it is named after what it tells the user
    """A correction that can not be meant. `key` names its text; `reason` is said instead where it is not empty."""

    def __init__(self, key: str, reason: str = "") -> None:
        super().__init__(reason or key)
        self.key, self.reason = key, reason


def with_circle(record: CaseRecord, photo_id: str, drawn: FromPage) -> CaseRecord:
    """A circle was drawn: the feature `name` lies about (x, y) with radius r, in pixels of the upright photo.

    One hint for the chamber and one for the port are kept, as the part finder takes no more.
    """
    name, numbers = str(drawn.get("name", "")), [_number(drawn.get(key)) for key in ("x", "y", "r")]
    if name not in DRAWABLE or not all(map(math.isfinite, numbers)) or numbers[2] <= 0:
        raise NotUnderstood("page.not_understood")
    photo = _photo(record, photo_id)
    hint = f"{name}=" + ",".join(f"{value:.1f}" for value in numbers)
    others = tuple(other for other in photo.look_at if _about_chamber(other) != _about_chamber(hint))
    return record.with_photo(photo.model_copy(update={"look_at": (*others, hint)}))


def with_points(record: CaseRecord, photo_id: str, drawn: FromPage) -> CaseRecord:
    """Two points and the length between them: a scale of this photo."""
    typed = str(drawn.get("length", ""))[:LONGEST_VALUE]
    head, length_mm = parse_head(typed)[0], positive_mm(typed)
    points = drawn.get("points")
    pairs = [point for point in points if isinstance(point, list)] if isinstance(points, list) else []
    flat = [_number(value) for pair in pairs for value in pair]
    if not (head or length_mm) or len(flat) != 4 or not all(map(math.isfinite, flat)):
        raise NotUnderstood("view.bad_length")
    item = ",".join(f"{value:.1f}" for value in flat) + (f"={head} head" if head else f"={length_mm:g}mm")
    try:
        parse_scale_points(item)
    except WrongUsage as wrong:
        raise NotUnderstood("view.bad_length") from wrong
    return record.with_photo(_photo(record, photo_id).model_copy(update={"scale_points": item}))


def without_corrections(record: CaseRecord, photo_id: str) -> CaseRecord:
    """Circles and points of this photo are taken back."""
    return record.with_photo(_photo(record, photo_id).model_copy(update={"look_at": (), "scale_points": ""}))


def with_place(record: CaseRecord, photo_id: str, place: str) -> CaseRecord:
    """The scale of this photo lies elsewhere."""
    if place not in CARD_PLACES:
        raise NotUnderstood("page.not_understood")
    return record.with_photo(_photo(record, photo_id).model_copy(update={"card_at": place}))


def with_scale(record: CaseRecord, coin: str, sheet: str) -> CaseRecord:
    """The scale is this coin or this sheet, in all photos; "" for neither."""
    coin, sheet = (coin or "").strip()[:LONGEST_VALUE], sheet or ""
    try:
        if coin:
            parse_coin(coin)
    except WrongUsage as wrong:
        raise NotUnderstood("page.not_understood", str(wrong)) from wrong
    if sheet not in ("", *SHEETS):
        raise NotUnderstood("page.not_understood")
    return record.model_copy(update={"coin": coin, "sheet": sheet})


def with_value(record: CaseRecord, name: str, value: str) -> CaseRecord:
    """A caliper value, or something the customer said."""
    item = f"{name}={value.strip()[:LONGEST_VALUE]}"
    known = parse_known(item)
    if isinstance(known, KnownRefused):
        # The command line's names are nothing to a page.
        raise NotUnderstood("page.not_understood", known.reason.replace(name, feature_words(name)).replace("_", " "))
    return record.with_known(name, item)


def with_skipped(record: CaseRecord, code: str) -> CaseRecord:
    """The customer can not answer this question."""
    if code not in _CODES or code in record.skipped:
        return record
    return record.model_copy(update={"skipped": (*record.skipped, code)})


def hints_not_followed(photo: KeptPhoto, survey: PhotoSurvey | None) -> tuple[str, ...]:
    """Names of the circles a user drew where no edge was found: what was measured lies elsewhere, or nothing was."""
    missed = []
    for hint in map(parse_look_at, photo.look_at):
        found = [circle.outline_px for circle in (survey.circles if survey else ()) if circle.name == hint.name]
        if not any(_agrees(outline_px, hint) for outline_px in found):
            missed.append(hint.name)
    return tuple(missed)


def _agrees(outline_px: NDArray[np.float64], hint: LookAt) -> bool:
    middle = outline_px.mean(axis=0)
    radius_px = float(np.linalg.norm(outline_px - middle, axis=1).mean())
    off_px = float(np.hypot(middle[0] - hint.x_px, middle[1] - hint.y_px))
    return off_px < _SAME_PLACE * hint.radius_px and abs(math.log(radius_px / hint.radius_px)) < _SAME_SIZE


def _photo(record: CaseRecord, photo_id: str) -> KeptPhoto:
    photo = record.photo(photo_id)
    if photo is None:
        raise NotUnderstood("page.not_understood")
    return photo


def _about_chamber(hint: str) -> bool:
    return hint.startswith("chamber")


def _number(value: object) -> float:
    return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else math.nan
