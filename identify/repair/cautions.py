"""What is always said with an answer: people open pressurized pumps that held chemicals."""

from collections.abc import Sequence

from identify.matching.evidence import Evidence
from identify.repair.elastomers import ASK_ALWAYS
from identify.repair.fluid_cautions import elastomer_notes
from reference_geometry.families import ReferenceSet

ALWAYS = (
    "Shut off and vent the air supply, and lock it out and tag it out, before touching the pump: it can hold "
    "pressure and start without warning.",
    "Relieve the liquid side, then drain, flush and decontaminate the pump; wear the protection the fluid's "
    "safety data sheet asks for.",
    "Check chemical and temperature compatibility of the body and the kit with the maker's data; have it "
    "judged by licensed practice where that is required, and follow local codes.",
    "Flammable liquids and powders: static electricity builds up in these pumps. Bond and ground the pump "
    "and the containers, and use a conductive pump where the area asks for one.",
    "Never pump halogenated hydrocarbon solvents (such as methylene chloride or trichloroethane) through "
    "wetted aluminum or zinc-coated parts: they can react explosively.",
    "Take bolt torques, air pressure limits and assembly steps from the maker's manual of the exact model, "
    "not from this answer.",
)
"""Always said, whatever the answer (usual practice with air-operated pumps)."""


def collect_cautions(
    reference: ReferenceSet, evidence: Evidence, assumptions: Sequence[str], offered: Sequence[str] = ()
) -> tuple[str, ...]:
    """All cautions of one answer, the most urgent first.

    Args:
        reference: the set.
        evidence: what is known, elastomer and fluid as said.
        assumptions: what the answer rests on.
        offered: elastomers of the kits that may fit.
    """
    said = list(ALWAYS)
    if reference.is_demo:
        said.append(
            "The reference set is the packaged demo: its makers, pumps, kits, prices and lead times are "
            "invented. Order nothing by it."
        )
    if not evidence.elastomer:
        said.append(ASK_ALWAYS)
    said.extend(elastomer_notes(evidence.elastomer, evidence.fluid, offered))
    said.extend(f"Does not agree: {found.sentence}" for found in evidence.inconsistencies)
    said.extend(f"Assumed: {assumption}" for assumption in assumptions)
    return tuple(said)
