"""The one registry of what can be wrong with a photo, a scale or a measurement, and what to do about it.

Command line, web app and report all speak from here, so a problem is worded once.
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


def _register(code: str, meaning: str, advice: str, severity: Severity) -> ProblemKind:
    if code in _REGISTRY:
        raise ValueError(f"problem code {code!r} registered twice")
    kind = ProblemKind(code, meaning, advice, severity)
    _REGISTRY[code] = kind
    return kind


def all_problem_kinds() -> tuple[ProblemKind, ...]:
    """Every registered kind, in order of registration."""
    return tuple(_REGISTRY.values())


# --- the photo file -------------------------------------------------------------------------------
FILE_MISSING = _register(
    "file_missing", "There is no such file.", "Check the path.", "refused"
)

# --- the scale ------------------------------------------------------------------------------------
NO_SCALE = _register(
    "no_scale",
    "No scale reference was found, so only ratios can be measured.",
    "Lay the printed scale card, a bank card or a coin on the part and shoot again, or give two points and a length.",
    "caution",
)

# --- parts and measurements -----------------------------------------------------------------------
