"""Which rebuild kit fits: probabilities summed over the families that share a kit, and whether to order it yet."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from identify.elastomers import kit_has_elastomer
from identify.match_settings import MatchSettings
from reference_geometry.families import Kit, ReferenceSet

Array = NDArray[np.float64]


@dataclass(frozen=True)
class KitOffer:
    """One kit number and how probably it fits the pump's body.

    `probability` says nothing about the elastomer: kits that differ by elastomer only fit equally well.

    Attributes:
        kit_no, section, elastomer, contents, price, currency, lead_time_days, stock: as the set has them.
        probability: that the kit fits, summed over the families that use it.
        families: those families, most probable first.
        family_probability: of each of them.
        elastomer_siblings: kit numbers of the same fit with another elastomer.
        elastomer_status: "asked_for" when somebody still has to say the elastomer, "as_said" when it is the one the
            user gave, "other" when the user gave another one, "none" when the kit has no choice of elastomer.
    """

    kit_no: str
    section: str
    elastomer: str
    contents: str
    price: float | None
    currency: str
    lead_time_days: float | None
    stock: int | None
    probability: float
    families: tuple[str, ...]
    family_probability: tuple[float, ...]
    elastomer_siblings: tuple[str, ...]
    elastomer_status: Literal["asked_for", "as_said", "other", "none"]


@dataclass(frozen=True)
class Decision:
    """What to do about one section's kit.

    Attributes:
        section: "fluid" or "air".
        action: "order" (kit settled), "ask_elastomer" (fit settled, elastomer not), "ask" (fit not settled),
            "not_in_set" (most probably an unknown pump).
        kit_nos: the kits meant; several only for "ask_elastomer".
        fit_probability: that they fit.
        sentence: the same in words, with the threshold.
        assumptions: what the decision rests on.
    """

    section: str
    action: Literal["order", "ask_elastomer", "ask", "not_in_set"]
    kit_nos: tuple[str, ...]
    fit_probability: float
    sentence: str
    assumptions: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class KitBook:
    """The kits of a reference set by number, with the families they fit.

    Attributes:
        kits: kit_no -> one row of it.
        rows: kit_no -> (n,) families by position in the set.
        fits: (section, families) -> kit numbers that fit exactly those families in that section.
    """

    kits: Mapping[str, Kit]
    rows: Mapping[str, tuple[int, ...]]
    fits: Mapping[tuple[str, tuple[int, ...]], tuple[str, ...]]


def build_kit_book(reference: ReferenceSet) -> KitBook:
    """Index the kits once."""
    position = {family.family_id: i for i, family in enumerate(reference.families)}
    kits: dict[str, Kit] = {}
    rows: dict[str, set[int]] = {}
    for kit in reference.kits:
        if kit.family_id in position:
            kits.setdefault(kit.kit_no, kit)
            rows.setdefault(kit.kit_no, set()).add(position[kit.family_id])
    fixed = {number: tuple(sorted(members)) for number, members in rows.items()}
    fits: dict[tuple[str, tuple[int, ...]], list[str]] = {}
    for number, kit in kits.items():
        fits.setdefault((kit.section, fixed[number]), []).append(number)
    return KitBook(kits, fixed, {key: tuple(numbers) for key, numbers in fits.items()})


def kit_groups(book: KitBook, count: int) -> NDArray[np.intp]:
    """(count,) group of each family: equal where the same kits fit; families without kits share one group."""
    numbers: list[list[str]] = [[] for _ in range(count)]
    for kit_no, rows in book.rows.items():
        for row in rows:
            numbers[row].append(kit_no)
    seen: dict[tuple[str, ...], int] = {}
    return np.array([seen.setdefault(tuple(sorted(n)), len(seen)) for n in numbers], dtype=np.intp)


def section_order(section: str) -> tuple[int, str]:
    """Fluid side first, then air side, then anything else."""
    word = section.strip().lower()
    return ({"fluid": 0, "air": 1}.get(word.split()[0] if word else "", 2), word)


def offer_kits(
    book: KitBook, family_ids: Sequence[str], probability: Array, elastomer: str, smallest: float
) -> tuple[KitOffer, ...]:
    """Every kit that may fit: fluid side first, then by probability, then by elastomer.

    Args:
        book: the kits.
        family_ids: (N,) ids in the order of `probability`.
        probability: (N,) of each family.
        elastomer: what the user said, "" when nothing.
        smallest: kits below this are left out.
    """
    offers = []
    for (_, rows), numbers in book.fits.items():
        fit = float(probability[list(rows)].sum())
        if fit < smallest:
            continue
        ranked = sorted(rows, key=lambda row: -probability[row])
        shown = [row for row in ranked if probability[row] >= smallest]
        for number in numbers:
            offers.append(_offer(book, number, numbers, fit, shown, family_ids, probability, elastomer))
    return tuple(sorted(offers, key=lambda o: (section_order(o.section), -o.probability, o.elastomer, o.kit_no)))


def _offer(
    book: KitBook,
    number: str,
    numbers: Sequence[str],
    fit: float,
    shown: Sequence[int],
    family_ids: Sequence[str],
    probability: Array,
    elastomer: str,
) -> KitOffer:
    kit = book.kits[number]
    siblings = tuple(n for n in numbers if n != number and book.kits[n].elastomer)
    return KitOffer(
        kit_no=number,
        section=kit.section,
        elastomer=kit.elastomer,
        contents=kit.contents,
        price=kit.price,
        currency=kit.currency,
        lead_time_days=kit.lead_time_days,
        stock=kit.stock,
        probability=min(fit, 1.0),
        families=tuple(family_ids[row] for row in shown),
        family_probability=tuple(float(probability[row]) for row in shown),
        elastomer_siblings=siblings if kit.elastomer else (),
        elastomer_status=_status(kit.elastomer, elastomer),
    )


def _status(kit_elastomer: str, said: str) -> Literal["asked_for", "as_said", "other", "none"]:
    if not kit_elastomer:
        return "none"
    if not said:
        return "asked_for"
    return "as_said" if kit_has_elastomer(kit_elastomer, said) else "other"


def decide(
    offers: Sequence[KitOffer],
    not_in_set: float,
    best_question: str,
    question_pays: bool,
    assumptions: Sequence[str],
    settings: MatchSettings,
) -> tuple[Decision, ...]:
    """One decision a section, fluid side first.

    Args:
        offers: sorted kits.
        not_in_set: probability of an unknown pump.
        best_question: what to ask next, "" when nothing would help.
        question_pays: asking it is worth more than it costs.
        assumptions: what the answer rests on.
        settings: thresholds.
    """
    sections = sorted({offer.section for offer in offers}, key=section_order)
    return tuple(
        _decide_section(section, offers, not_in_set, best_question, question_pays, assumptions, settings)
        for section in sections
    )


def _decide_section(
    section: str,
    offers: Sequence[KitOffer],
    not_in_set: float,
    best_question: str,
    question_pays: bool,
    assumptions: Sequence[str],
    settings: MatchSettings,
) -> Decision:
    own = [offer for offer in offers if offer.section == section]
    best = own[0]
    fit = best.probability
    bar = f"{100 * settings.order_threshold:g} %"
    ask = f" Ask next: {best_question}" if best_question else " Ask for a photo of the nameplate or casting marks."
    if not_in_set > 0.5:
        words = f"Do not order: most likely this pump is not in the set ({100 * not_in_set:.0f} %).{ask}"
        return Decision(section, "not_in_set", (), fit, words)
    if fit < settings.order_threshold or question_pays:
        reason = f"below the {bar} needed" if fit < settings.order_threshold else "but one more question pays for itself"
        words = f"Do not order a {section}-side kit yet: the best fit is {_percent(fit)}, {reason}.{ask}"
        return Decision(section, "ask", (best.kit_no,), fit, words)
    same_fit = [offer for offer in own if offer.kit_no == best.kit_no or offer.kit_no in best.elastomer_siblings]
    return _settled(section, same_fit, fit, bar, assumptions)


def _settled(
    section: str, same_fit: Sequence[KitOffer], fit: float, bar: str, assumptions: Sequence[str]
) -> Decision:
    """The body is settled; is the elastomer?"""
    rests_on = tuple(assumptions)
    chosen = [offer for offer in same_fit if offer.elastomer_status in ("as_said", "none")]
    if len(chosen) == 1:
        offer = chosen[0]
        kind = f", {offer.elastomer} as said" if offer.elastomer else ""
        words = f"Order {section}-side kit {offer.kit_no}{kind}: it fits with {_percent(fit)} (at least {bar} needed)."
        return Decision(section, "order", (offer.kit_no,), fit, words, rests_on)
    listed = ", ".join(f"{o.kit_no} ({o.elastomer or 'one choice'})" for o in same_fit)
    if any(offer.elastomer_status == "other" for offer in same_fit):
        words = f"The {section}-side fit is settled ({_percent(fit)}), but no kit with the elastomer said: {listed}."
    else:
        words = (
            f"The {section}-side fit is settled ({_percent(fit)}, at least {bar} needed), the elastomer is not: ask "
            f"which one, then order one of {listed}."
        )
    return Decision(section, "ask_elastomer", tuple(o.kit_no for o in same_fit), fit, words, rests_on)


def _percent(probability: float) -> str:
    return f"{100 * min(probability, 0.9999):.{2 if probability > 0.99 else 0}f} %"
