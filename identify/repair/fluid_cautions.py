"""Fluid -> elastomer cautions and temperature limits: what to look up in the maker's chart, never what to use.

Everything here is common practice from memory without an outside source; the maker's chemical compatibility chart and
a licensed person decide.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from identify.repair.elastomers import Elastomer, find_elastomer, kit_face, plain_words
from identify.wording import joined


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
        "Mineral oils and fuels commonly swell EPDM, TPV and natural rubber. Fuels are flammable: ground the pump.",
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
        "Abrasive slurries wear PTFE overlays and seats quickly; common practice prefers rubber-like diaphragms.",
        ("PTFE",),
    ),
    FluidGuidance(
        "alcohols",
        ("alcohol", "ethanol", "methanol", "isopropanol", "ipa", "propanol", "butanol"),
        "Alcohols commonly swell polyurethane, and methanol swells many FKM grades. They are flammable: ground the "
        "pump.",
        ("PU",),
    ),
    FluidGuidance(
        "paints, inks and adhesives",
        ("paint", "ink", "varnish", "lacquer", "coating", "adhesive", "resin", "glue", "isocyanate"),
        "What such a product does follows from its solvent or hardener: ask for the safety data sheet and look each "
        "of them up. Solvents are flammable: ground the pump.",
        (),
    ),
    FluidGuidance(
        "food and pharma",
        ("food", "milk", "juice", "syrup", "chocolate", "wine", "beer", "pharma", "sauce"),
        "Food and pharma duty needs materials with the approvals your regulator asks for; see the maker's declaration.",
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


_WARM_FOR_PLASTIC_C = 60.0
"""From here on a plastic liquid body is asked about: polypropylene bodies are commonly held to 65 to 80 °C."""

_TEMPERATURE = re.compile(
    r"(?<![\d.,])(-?\d{1,3}(?:[.,]\d+)?)\s*(?:°|deg(?:rees)?\.?)?\s*(celsius|fahrenheit|c|f)\b", re.IGNORECASE
)


def fluid_guidance(fluid: str) -> tuple[FluidGuidance, ...]:
    """What common practice says of this fluid; empty when it is none we know."""
    spaced = f" {plain_words(fluid)} "
    return tuple(g for g in FLUIDS if any(f" {plain_words(word)}" in spaced for word in g.words))


def temperatures_c(text: str) -> tuple[float, ...]:
    """Temperatures named in words such as "caustic 30 % at 60 C" or "water, 180 °F", in degrees Celsius."""
    found = []
    for number, unit in _TEMPERATURE.findall(text):
        value = float(number.replace(",", "."))
        found.append(value if unit.lower().startswith("c") else (value - 32.0) / 1.8)
    return tuple(found)


def elastomer_notes(elastomer: str, fluid: str, offered: Sequence[str] = ()) -> tuple[str, ...]:
    """Cautions for an elastomer and a fluid, each marked as common practice; never a choice.

    Args:
        elastomer: as the user said, "" when not said.
        fluid: as the user said, with temperature if known; "" when not said.
        offered: elastomers of the kits that may fit, looked at where the user said none.
    """
    said = find_elastomer(elastomer) if elastomer else None
    kits = {found.name: found for text in offered if (found := find_elastomer(kit_face(text)))}
    return (
        *_usual_limits(said),
        *_of_the_fluid(fluid, said, tuple(kits.values()) if not elastomer else ()),
        *_of_the_temperature(fluid, said, tuple(kits.values()) if not elastomer else ()),
    )


def elastomer_doubt(elastomer: str, fluid: str) -> str:
    """What common practice says against this elastomer in this fluid, the gravest first; "" when nothing."""
    said = find_elastomer(elastomer) if elastomer else None
    if said is None:
        return ""
    against = (*_avoided(fluid, said), *_outside(fluid, said))
    return against[0] if against else ""


def _usual_limits(said: Elastomer | None) -> Iterator[str]:
    if said:
        yield (
            f"{said.name}: usual service {said.low_c} to {said.high_c} °C ({said.remark}); common "
            "practice, the maker's limit for the whole pump governs and is often lower."
        )


def _of_the_fluid(fluid: str, said: Elastomer | None, kits: Sequence[Elastomer]) -> Iterator[str]:
    guidance = fluid_guidance(fluid) if fluid else ()
    if said:
        yield from _avoided(fluid, said)
    for entry in guidance:
        yield f"{fluid} ({entry.kind}): {entry.caution} Common practice only; check the maker's chart."
        poor = [kit.name for kit in kits if kit.name in entry.poor]
        if poor:
            yield (
                f"Of the kits that may fit, those in {joined(poor, 'and')} are commonly avoided with {entry.kind}; "
                "that proves nothing of the others: check the maker's chart (common practice)."
            )
    if fluid and not guidance:
        yield f"No general guidance is held for {fluid}: check the maker's chemical compatibility chart."


def _avoided(fluid: str, said: Elastomer) -> tuple[str, ...]:
    """Kinds of fluid in this one that the elastomer is commonly kept away from."""
    return tuple(
        f"{said.name} with {entry.kind} is commonly avoided: check the maker's chart first (common practice)."
        for entry in (fluid_guidance(fluid) if fluid else ())
        if said.name in entry.poor
    )


def _outside(fluid: str, said: Elastomer) -> tuple[str, ...]:
    """Temperatures named with the fluid that lie outside the elastomer's usual ones."""
    return tuple(
        f"{degrees:.0f} °C is outside the usual {said.low_c} to {said.high_c} °C of {said.name}: check the maker's "
        "limit first (common practice)."
        for degrees in temperatures_c(fluid)
        if not said.low_c <= degrees <= said.high_c
    )


def _of_the_temperature(fluid: str, said: Elastomer | None, kits: Sequence[Elastomer]) -> Iterator[str]:
    if said:
        yield from _outside(fluid, said)
    for degrees in temperatures_c(fluid):
        outside = [f"{kit.name} ({kit.low_c} to {kit.high_c} °C)" for kit in kits
                   if not kit.low_c <= degrees <= kit.high_c]  # fmt: skip
        if outside:
            yield (
                f"{degrees:.0f} °C is outside the usual range of {joined(outside, 'and')}: check the maker's limit "
                "(common practice)."
            )
        if degrees >= _WARM_FOR_PLASTIC_C:
            yield (
                f"{degrees:.0f} °C: a plastic liquid body loses strength with heat, polypropylene is commonly held to "
                "65 to 80 °C and to less pressure there; check the maker's limit (common practice)."
            )
