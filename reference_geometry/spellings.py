"""The words a table may use for an attribute, and the one word we keep."""

import re
from collections.abc import Mapping
from functools import lru_cache


def _words(**spellings: str) -> Mapping[str, str]:
    """Every spelling -> the word kept. The word itself is a spelling too."""
    found: dict[str, str] = {}
    for word, others in spellings.items():
        found |= {spelling.strip(): word for spelling in (word.replace("_", " "), *others.split(",")) if spelling}
    return found


CONNECTIONS = _words(flanged="flange, flanges, flansch", threaded="thread, screwed, female thread, gewinde")
PORT_POSITIONS = _words(end="end ports", center="centre, middle, mitte")
HOUSING_JOINTS = _words(clamp_band="band clamp, clamp, clamped, band, v band", bolted="bolt, bolts")
MATERIALS = _words(
    plastic="polypropylene, pp, conductive polypropylene, pvdf, acetal, pom, ptfe, uhmw pe,nylon, kunststoff",
    metal="aluminum, aluminium, stainless, stainless steel, 316 stainless, 316 stainless steel, cast iron,"
    "ductile iron, nickel alloy, metall",
)
VALVE_SIDES = _words(front="", rear="back")
SECTIONS = _words(fluid="fluid side, wet, wet side, wet end, liquid, liquid side", air="air side, air end")
YES_NO = _words(yes="y, true, 1, x, ja, wahr, swivel, loose", no="n, false, 0, nein, falsch, fixed")


def canonical(text: str, words: Mapping[str, str]) -> str | None:
    """The word kept for a spelling, None when it is not known; case, `_` and `-` do not matter."""
    return words.get(_plain(text))


@lru_cache(maxsize=10_000)
def _plain(text: str) -> str:
    return re.sub(r"[\s_\-]+", " ", text).strip().lower()


def known_words(words: Mapping[str, str]) -> str:
    """The words kept, for a message."""
    return ", ".join(dict.fromkeys(words.values()))
