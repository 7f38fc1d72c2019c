"""Two things said or seen of one pump that do not agree."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Inconsistency:
    """Two things that do not agree.

    Attributes:
        about: the length or attribute.
        sentence: what disagrees, with numbers, and what to do.
    """

    about: str
    sentence: str
