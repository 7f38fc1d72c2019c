"""A text that says nothing we know: falsy, with one sentence why, so that nobody works on with it."""

from dataclasses import dataclass
from typing import Literal, final


@final
@dataclass(frozen=True)
class Refused:
    """A number, size or standard that could not be read. Falsy.

    Attributes:
        reason: one sentence, with the text as it was written.
    """

    reason: str

    def __bool__(self) -> Literal[False]:
        return False
