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
CARD_MIRRORED = _register(
    "card_mirrored",
    "A scale card is seen mirrored.",
    "Switch the camera's mirror or selfie mode off, or do not shoot through a mirror, and shoot again.",
    "refused",
)
CARD_TOO_SMALL = _register(
    "card_too_small",
    "A scale card is too small in the photo.",
    "Go closer, or use the large card.",
    "refused",
)
CARD_TOO_OBLIQUE = _register(
    "card_too_oblique",
    "A scale card is seen too much from the side.",
    "Shoot again with the camera facing the card.",
    "refused",
)
CARD_OBLIQUE = _register(
    "card_oblique",
    "A scale card is seen strongly from the side, which costs accuracy.",
    "Better to face the card when you shoot.",
    "caution",
)
CARD_TOO_LITTLE_SEEN = _register(
    "card_too_little_seen",
    "Too little of a scale card is seen.",
    "Uncover the card, keep it inside the picture and out of glare, and shoot again.",
    "refused",
)
CARD_PARTLY_COVERED = _register(
    "card_partly_covered",
    "A scale card is partly covered or outside the picture.",
    "It was used; a card in full view measures better.",
    "note",
)
CARD_BLURRED = _register(
    "card_blurred",
    "A scale card is blurred.",
    "Tap on the card to focus, hold still, and shoot again if you can.",
    "caution",
)
CARD_BENT = _register(
    "card_bent",
    "A scale card is bent.",
    "Glue the card on something stiff and flat.",
    "caution",
)
MARKERS_NOT_OURS = _register(
    "markers_not_ours",
    "Square markers are seen, but they are not those of our scale cards.",
    "Use a card printed by `untagged card`; other markers carry no size that is known here.",
    "caution",
)
POINTS_UNUSABLE = _register(
    "points_unusable",
    "The two points and their length cannot be used as a scale.",
    "Give two different points inside the photo, far apart, and a length above zero.",
    "refused",
)

# --- parts and measurements -----------------------------------------------------------------------
