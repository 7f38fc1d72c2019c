"""What is kept of one case: its photos, what people said and corrected, and what came of it."""

import re
import secrets
from datetime import UTC, datetime
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

CASE_LETTERS = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
"""Signs of a case number: read out on the phone, none of them is taken for another (no 0, 1, I and O)."""

CASE_NUMBER = re.compile(f"[{CASE_LETTERS}]{{3}}-[{CASE_LETTERS}]{{4}}")

CaseState = Literal["open", "sent", "closed"]
"""`open`: being put together; `sent`: the technician is done; `closed`: confirmed or given up."""


class _Kept(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class KeptPhoto(_Kept):
    """One photo of a case.

    Attributes:
        photo_id: its number in the case, which names its file too.
        name: the customer's file name, for people only; no path is ever made of it.
        digest: SHA-256 of the kept file, in hexadecimal.
        width_px, height_px: size of the upright picture.
        problems: (code, particulars) of what the first look noticed.
        scale_label: what the first look found to be the scale, "" when nothing.
        card_at: where the scale lies.
        look_at: corrected circles, `NAME=X,Y,R` in pixels of the upright photo.
        scale_points: two points and a length, `X1,Y1,X2,Y2=MM`, "" when none were set.
    """

    photo_id: str
    name: str
    digest: str
    width_px: int
    height_px: int
    problems: tuple[tuple[str, str], ...] = ()
    scale_label: str = ""
    card_at: str = "unknown"
    look_at: tuple[str, ...] = ()
    scale_points: str = ""


class Confirmed(_Kept):
    """What the pump turned out to be, beside what had been said of it.

    Attributes:
        family_id: the true family, "" for a pump that is not in the set.
        by: who says so; on: when.
        best_family_id, best_probability: the answer's first candidate at that time.
        probability: what the answer gave the truth.
        pulls: of each length known by hand and by photo, (photo - hand) / combined standard uncertainty.
    """

    family_id: str
    by: str
    on: datetime
    best_family_id: str
    best_probability: float
    probability: float
    pulls: dict[str, float] = Field(default_factory=dict)


class CaseRecord(_Kept):
    """One case.

    Attributes:
        number: what people call it.
        opened, changed: when.
        made_by: who opened it.
        state: how far it is.
        photos: in the order they came.
        known: what people said of the pump, `NAME=VALUE`.
        coin, sheet: the scale, where it is one of these.
        skipped: codes of questions nobody could answer.
        note: a line from whoever opened it.
        summary: the answer in one line, for the list of cases.
        confirmed: the truth, once it is known.
    """

    number: str
    opened: datetime
    changed: datetime
    made_by: str
    state: CaseState = "open"
    photos: tuple[KeptPhoto, ...] = ()
    known: tuple[str, ...] = ()
    coin: str = ""
    sheet: str = ""
    skipped: tuple[str, ...] = ()
    note: str = ""
    summary: str = ""
    confirmed: Confirmed | None = None

    def photo(self, photo_id: str) -> KeptPhoto | None:
        """The photo of this number, None when there is none."""
        return next((photo for photo in self.photos if photo.photo_id == photo_id), None)

    def with_photo(self, changed: KeptPhoto) -> "CaseRecord":
        """The case with one of its photos replaced."""
        photos = tuple(changed if p.photo_id == changed.photo_id else p for p in self.photos)
        return self.model_copy(update={"photos": photos})

    def with_known(self, name: str, item: str) -> "CaseRecord":
        """The case with one thing said of the pump, in place of what was said of it before; "" takes it back."""
        others = tuple(known for known in self.known if known.partition("=")[0] != name)
        return self.model_copy(update={"known": (*others, item) if item else others})


def new_case_number() -> str:
    """A number nobody can guess from another one: 32^7, 34 thousand million of them."""
    signs = [secrets.choice(CASE_LETTERS) for _ in range(7)]
    return f"{''.join(signs[:3])}-{''.join(signs[3:])}"


def as_case_number(text: str) -> str:
    """A case number as somebody may type it, "" when it can be none: no path is ever made of anything else."""
    compact = re.sub(r"[\s-]", "", text).upper()
    number = f"{compact[:3]}-{compact[3:]}"
    return number if CASE_NUMBER.fullmatch(number) else ""


def now() -> datetime:
    """This moment, to the second."""
    return datetime.now(UTC).replace(microsecond=0)
