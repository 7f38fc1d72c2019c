"""Port standards: reads the trade's spellings into one name each, and says when a spelling tells more."""

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import final

from reference_geometry.refused import Refused
from reference_geometry.standards.flanges import ASME_150, EN_PN10_16, FLANGE_STANDARDS, JIS_10K
from reference_geometry.standards.threads import BSP, NPT, THREAD_STANDARDS

PORT_STANDARDS = (*FLANGE_STANDARDS, *THREAD_STANDARDS)


@final
@dataclass(frozen=True)
class PortStandard:
    """A port standard as someone wrote it.

    Attributes:
        name: one of PORT_STANDARDS.
        connection: "flanged" or "threaded".
        detail: what the spelling says beyond the name ("taper", "parallel", "PN16"), "" when nothing.
        spelling: as written.
    """

    name: str
    connection: str
    detail: str
    spelling: str


_PATTERNS: tuple[tuple[str, str, str], ...] = (
    # (whole-text pattern on the normalized spelling, name, detail)
    (r"(ansi|asme)( ?b?16\.?5)?( class| cl)? ?150( ?(lb|lbs|rf|ff))?", ASME_150, ""),
    (r"(ansi|asme)( ?b?16\.?5)?( flange)?", ASME_150, ""),
    (r"(class|cl) ?150|150 ?lbs?", ASME_150, ""),
    (
        r"((din( en)?|en|iso)( ?(1092(-1)?|2501|7005(-1)?|2633|2632))? ?)?pn ?10[/ -]{1,3}(pn ?)?16",
        EN_PN10_16,
        "",
    ),
    (r"((din( en)?|en|iso)( ?(1092(-1)?|2501|7005(-1)?|2632))? ?)?pn ?10", EN_PN10_16, "PN10"),
    (r"((din( en)?|en|iso)( ?(1092(-1)?|2501|7005(-1)?|2633))? ?)?pn ?16", EN_PN10_16, "PN16"),
    (r"(din )?en ?1092(-1)?|din( flange)?", EN_PN10_16, ""),
    (r"jis( ?b ?2220| ?b ?2210)?( ?10 ?k)?( flange)?|10 ?k", JIS_10K, ""),
    (r"npt|ansi b1\.20\.1|asme b1\.20\.1", NPT, ""),
    (r"npt ?f|fnpt", NPT, "female"),
    (r"npt ?m|mnpt", NPT, "male"),
    (r"bsp|british standard pipe", BSP, ""),
    (r"bsp[ -]?t|bsp taper|bsp tapered|rc|r|iso 7(-1)?|en 10226(-1)?|pt|jis pt", BSP, "taper"),
    (r"bsp[ -]?[pf]|bsp parallel|g|rp|iso 228(-1)?|pf|jis pf", BSP, "parallel"),
)


@lru_cache(maxsize=1_000)
def parse_port_standard(text: str) -> PortStandard | Refused:
    """Read a port standard: "ANSI 150", "ASME 150#", "DIN PN16", "JIS 10K", "NPT", "BSPT", "G", "Rc", ...

    A spelling that covers more than one standard ("ANSI/DIN") is refused: it takes a choice.
    """
    spelling = text.strip()
    plain = spelling.lower().replace("#", " lb").replace("(", " ").replace(")", " ").replace(",", " ")
    plain = re.sub(r"[\s_]+", " ", plain).strip()
    for name in PORT_STANDARDS:
        if plain == name.lower():
            return _standard(name, "", spelling)
    for pattern, name, detail in _PATTERNS:
        if re.fullmatch(pattern, plain):
            return _standard(name, detail, spelling)
    known = ", ".join(PORT_STANDARDS)
    return Refused(f'"{spelling}" is no port standard known here; known are {known} and their usual spellings')


def _standard(name: str, detail: str, spelling: str) -> PortStandard:
    connection = "flanged" if name in FLANGE_STANDARDS else "threaded"
    return PortStandard(name, connection, detail, spelling)
