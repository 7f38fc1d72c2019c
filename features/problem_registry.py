"""What a problem is, and the one list of all kinds of problems.

The kinds themselves stand in `photo_problems.py` and `problems.py`; command line, web app and report all speak from
there, so a problem is worded once.
"""

from dataclasses import dataclass
from typing import Literal

Severity = Literal["refused", "caution", "note"]


@dataclass(frozen=True)
class ProblemKind:
    """One kind of problem.

    Attributes:
        code: stable short name, snake_case.
        meaning: what is wrong, one sentence.
        advice: what the user should do, one sentence.
        severity: `refused` (cannot be used), `caution` (used, trust less), `note`.
    """

    code: str
    meaning: str
    advice: str
    severity: Severity


@dataclass(frozen=True)
class Problem:
    """A problem that occurred: its kind and the particulars of this case (numbers with units)."""

    kind: ProblemKind
    detail: str = ""

    def __str__(self) -> str:
        particulars = f" ({self.detail})" if self.detail else ""
        return f"{self.kind.code}: {self.kind.meaning}{particulars} {self.kind.advice}"


_REGISTRY: dict[str, ProblemKind] = {}


def register(code: str, meaning: str, advice: str, severity: Severity) -> ProblemKind:
    """Put a new kind on the list.

    Raises:
        ValueError: there is one of this code.
    """
    if code in _REGISTRY:
        raise ValueError(f"problem code {code!r} registered twice")
    kind = ProblemKind(code, meaning, advice, severity)
    _REGISTRY[code] = kind
    return kind


def all_problem_kinds() -> tuple[ProblemKind, ...]:
    """Every registered kind, in order of registration."""
    return tuple(_REGISTRY.values())
