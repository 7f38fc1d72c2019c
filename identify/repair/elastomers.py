"""General guidance on elastomers, fluids and temperatures: for asking and warning, never for choosing.

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
    Elastomer(
        "FKM", ("fpm", "fluoroelastomer"), -20, 150, "hot oils, many solvents; not ketones, not amines"
    ),
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


@dataclass(frozen=True)
class FluidGuidance:
    """What common practice says of a kind of fluid.

    Attributes:
        kind: the kind of fluid.
        words: what people call such fluids.
        caution: one sentence for the user.
        poor: elastomers commonly avoided.
    """

    kind: str
    words: tuple[str, ...]
    caution: str
    poor: tuple[str, ...]


FLUIDS = (
    FluidGuidance(
        "ketones and esters",
        ("acetone", "mek", "ketone", "methyl ethyl ketone", "ethyl acetate", "thinner"),
        "Ketones and esters commonly swell NBR, FKM, CR and polyurethane.",
        ("NBR", "FKM", "CR", "PU"),
    ),
    FluidGuidance(
        "aromatic and chlorinated solvents",
        (
            "toluene",
            "xylene",
            "benzene",
            "methylene chloride",
            "dichloromethane",
            "trichloroethylene",
            "perc",
            "chloroform",
            "trichloroethane",
            "chlorinated",
            "halogenated",
            "1,1,1",
        ),
        "Aromatic and halogenated solvents commonly swell EPDM, NBR, CR and TPV. Halogenated hydrocarbons in "
        "contact "
        "with wetted aluminum (or zinc) can react with explosive force: never use them in an aluminum pump.",
        ("EPDM", "NBR", "CR", "TPV", "NR", "Silicone"),
    ),
    FluidGuidance(
        "oils and fuels",
        ("oil", "diesel", "gasoline", "petrol", "fuel", "kerosene", "hydraulic", "grease", "lubricant"),
        "Mineral oils and fuels commonly swell EPDM, TPV and natural rubber. Fuels are flammable: ground the "
        "pump.",
        ("EPDM", "TPV", "NR"),
    ),
    FluidGuidance(
        "strong acids",
        (
            "sulfuric",
            "sulphuric",
            "nitric",
            "hydrochloric",
            "hcl",
            "phosphoric",
            "chromic",
            "acid",
            "muriatic",
        ),
        "Strong and oxidizing acids depend on concentration and temperature; NBR, CR and polyurethane "
        "commonly fail early, and metal bodies may corrode.",
        ("NBR", "CR", "PU"),
    ),
    FluidGuidance(
        "alkalis",
        ("caustic", "sodium hydroxide", "naoh", "lye", "potassium hydroxide", "ammonia", "alkali"),
        "Strong alkalis commonly attack FKM and polyurethane, and wetted aluminum dissolves in them.",
        ("FKM", "PU"),
    ),
    FluidGuidance(
        "oxidizers",
        ("bleach", "hypochlorite", "peroxide", "chlorine", "ozone", "peracetic"),
        "Oxidizers commonly harden or crack NBR, CR and natural rubber.",
        ("NBR", "CR", "NR", "PU"),
    ),
    FluidGuidance(
        "abrasive slurries",
        ("slurry", "sand", "glaze", "slip", "sludge", "mud", "abrasive", "ceramic", "grout"),
        "Abrasive slurries wear PTFE overlays and seats quickly; common practice prefers rubber-like "
        "diaphragms.",
        ("PTFE",),
    ),
    FluidGuidance(
        "food and pharma",
        ("food", "milk", "juice", "syrup", "chocolate", "wine", "beer", "pharma", "sauce"),
        "Food and pharma duty needs materials with the approvals your regulator asks for; see the maker's "
        "declaration.",
        (),
    ),
    FluidGuidance(
        "water",
        ("water", "rinse", "brine", "glycol", "coolant"),
        "Water is mild, but hot water ages polyurethane, and additives may decide.",
        (),
    ),
)
"""Fluid -> elastomer cautions, common practice only; the list says what to look up, not what to use."""


def _plain(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", " ", text.lower()).strip()


def find_elastomer(text: str) -> Elastomer | None:
    """The elastomer a text names, None when it is none we know."""
    word = _plain(text)
    for elastomer in ELASTOMERS:
        if word in {_plain(elastomer.name), *elastomer.spellings}:
            return elastomer
    return None


def kit_has_elastomer(kit_elastomer: str, said: str) -> bool:
    """True when a kit's wetted elastomer is the one the user said.

    A kit that names a backup behind its wetted face ("PTFE, TPV backup") is known by the first.
    """
    face = re.split(r"[,;/+]| with | over ", kit_elastomer.lower())[0]
    for text in (kit_elastomer, face):
        first, second = find_elastomer(text), find_elastomer(said)
        if (first and first is second) or _plain(text) == _plain(said):
            return True
    return False


def fluid_guidance(fluid: str) -> tuple[FluidGuidance, ...]:
    """What common practice says of this fluid; empty when it is none we know."""
    spaced = f" {_plain(fluid)} "
    return tuple(g for g in FLUIDS if any(f" {_plain(word)}" in spaced for word in g.words))


def elastomer_notes(elastomer: str, fluid: str) -> tuple[str, ...]:
    """Cautions for an elastomer and a fluid, each marked as common practice; never a choice."""
    notes: list[str] = []
    known = find_elastomer(elastomer) if elastomer else None
    if known:
        notes.append(
            f"{known.name}: usual service {known.low_c} to {known.high_c} °C ({known.remark}); common "
            "practice, the maker's limit for the whole pump governs and is often lower."
        )
    guidance = fluid_guidance(fluid) if fluid else ()
    for entry in guidance:
        notes.append(
            f"{fluid} ({entry.kind}): {entry.caution} Common practice only; check the maker's chart."
        )
        if known and known.name in entry.poor:
            notes.append(
                f"{known.name} with {entry.kind} is commonly avoided: stop and check the maker's chart "
                f"before ordering."
            )
    if fluid and not guidance:
        notes.append(
            f"No general guidance is held for {fluid}: check the maker's chemical compatibility chart."
        )
    return tuple(notes)
