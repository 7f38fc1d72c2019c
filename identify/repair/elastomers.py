"""Elastomers by the trade's names with their usual temperature limits: for asking and warning, never for choosing.

Everything here is common practice from memory without an outside source. It never picks an elastomer; the
maker's chemical compatibility chart and a licensed person decide.
"""

import re
from dataclasses import dataclass


@dataclass(frozen=True)
class Elastomer:
    """One elastomer or other kit material.

    Attributes:
        name: as we print it.
        spellings: other ways the trade writes it, plain lower case.
        low_c, high_c: usual service temperatures in degrees Celsius (common practice).
        remark: what it is commonly used for.
    """

    name: str
    spellings: tuple[str, ...]
    low_c: int
    high_c: int
    remark: str


ELASTOMERS = (
    Elastomer("PTFE", ("ptfe overlay", "ptfe bonded"), 4, 104, "widest chemical range, stiff when cold"),
    Elastomer("NBR", ("nitrile", "buna", "buna n"), -12, 82, "oils and fuels; not ketones"),
    Elastomer("EPDM", ("epr",), -40, 121, "dilute acids, alkalis, steam; not oils"),
    Elastomer("FKM", ("fpm", "fluoroelastomer"), -20, 150, "hot oils, many solvents; not ketones, not amines"),
    Elastomer("TPV", ("epdm pp", "thermoplastic vulcanizate"), -29, 107, "acids, alkalis; not oils"),
    Elastomer(
        "TPE",
        ("copolyester", "copolyester tpe", "tpe copolyester"),
        -29,
        93,
        "long flex life, oils, mild chemicals",
    ),
    Elastomer("CR", ("neoprene", "chloroprene"), -18, 93, "general purpose, mild chemicals"),
    Elastomer("PU", ("polyurethane", "urethane"), -12, 66, "abrasion; not hot water"),
    Elastomer("NR", ("natural rubber",), -40, 70, "abrasive slurries; not oils"),
    Elastomer("Silicone", ("vmq",), -40, 150, "food duty; weak mechanically"),
    Elastomer("UHMW-PE", ("uhmw", "uhmwpe"), -40, 80, "balls and seats"),
)

ASK_ALWAYS = (
    "The elastomer can not be seen in a photo: ask which one is in the pump now and which fluid, "
    "concentration and temperature it meets, before ordering."
)


def plain_words(text: str) -> str:
    """Lower case words and numbers with single spaces."""
    return re.sub(r"[^a-z0-9]+", " ", text.lower()).strip()


def find_elastomer(text: str) -> Elastomer | None:
    """The elastomer a text names, None when it is none we know."""
    word = plain_words(text)
    for elastomer in ELASTOMERS:
        if word in {plain_words(elastomer.name), *elastomer.spellings}:
            return elastomer
    return None


def kit_face(kit_elastomer: str) -> str:
    """The wetted elastomer of a kit that names a backup behind it, as "PTFE, TPV backup"."""
    return re.split(r"[,;/+]| with | over ", kit_elastomer.lower())[0]


def kit_has_elastomer(kit_elastomer: str, said: str) -> bool:
    """True when a kit's wetted elastomer is the one the user said.

    A kit that names a backup behind its wetted face ("PTFE, TPV backup") is known by the first.
    """
    for text in (kit_elastomer, kit_face(kit_elastomer)):
        first, second = find_elastomer(text), find_elastomer(said)
        if (first and first is second) or plain_words(text) == plain_words(said):
            return True
    return False
