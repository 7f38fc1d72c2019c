"""Which rebuild kit fits: probabilities summed over the families that share a kit."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from identify.repair.elastomers import kit_has_elastomer
from identify.repair.kit_parts import KitPart, kit_parts
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
        same_fit: other kit numbers of this section for exactly the same families.
        elastomer_status: "asked_for" when somebody still has to say the elastomer, "as_said" when it is the
            one the user gave, "other" when the user gave another one, "none" when the kit has no choice of
            elastomer.
        parts: what the kit holds, counted.
        supersedes: older numbers that this one has taken the place of.
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
    same_fit: tuple[str, ...]
    elastomer_status: Literal["asked_for", "as_said", "other", "none"]
    parts: tuple[KitPart, ...] = ()
    supersedes: tuple[str, ...] = ()

    @property
    def piece_count(self) -> int | None:
        """Pieces in the kit, None where the set does not count them."""
        return sum(part.count for part in self.parts) or None


@dataclass(frozen=True, eq=False)
class KitBook:
    """The kits of a reference set by the numbers ordered today, with the families they fit.

    Attributes:
        kits: kit_no -> one row of it.
        rows: kit_no -> (n,) families by position in the set.
        fits: (section, families) -> kit numbers that fit exactly those families in that section.
        superseded: older kit_no -> the number ordered today in its place.
    """

    kits: Mapping[str, Kit]
    rows: Mapping[str, tuple[int, ...]]
    fits: Mapping[tuple[str, tuple[int, ...]], tuple[str, ...]]
    superseded: Mapping[str, str] = field(default_factory=dict)


def build_kit_book(reference: ReferenceSet) -> KitBook:
    """Index the kits once; a superseded number's families go to the number that took its place."""
    position = {family.family_id: i for i, family in enumerate(reference.families)}
    own = [kit for kit in reference.kits if kit.family_id in position]
    successor = {kit.kit_no: kit.superseded_by for kit in own if kit.superseded_by}
    today = {number: _today(number, successor) for number in successor}
    kits: dict[str, Kit] = {kit.kit_no: kit for kit in reversed(own) if today.get(kit.kit_no, "") == ""}
    rows: dict[str, set[int]] = {}
    for kit in own:
        number = today.get(kit.kit_no) or kit.kit_no
        kits.setdefault(number, _stand_in(kit, number))
        rows.setdefault(number, set()).add(position[kit.family_id])
    fixed = {number: tuple(sorted(members)) for number, members in rows.items()}
    fits: dict[tuple[str, tuple[int, ...]], list[str]] = {}
    for number, kit in kits.items():
        fits.setdefault((kit.section, fixed[number]), []).append(number)
    older = {number: latest for number, latest in today.items() if latest}
    return KitBook(kits, fixed, {key: tuple(numbers) for key, numbers in fits.items()}, older)


def _today(number: str, successor: Mapping[str, str]) -> str:
    """The last number of a chain of successors, "" when it comes back to where it started."""
    passed = {number}
    while (number := successor.get(number, "")) not in passed:
        passed.add(number)
        if number not in successor:
            return number
    return ""


def _stand_in(kit: Kit, number: str) -> Kit:
    """A number the set names only as a successor: what it costs and whether it is on the shelf is not known."""
    return replace(kit, kit_no=number, price=None, lead_time_days=None, stock=None, superseded_by="")


def find_kit_number(book: KitBook, said: str) -> str:
    """The number ordered today for a number as people write it, "" when the set has none like it."""
    wanted = _bare(said)
    known = next((number for number in (*book.kits, *book.superseded) if _bare(number) == wanted), "")
    return book.superseded.get(known, known)


def _bare(number: str) -> str:
    return re.sub(r"[^0-9a-z]+", "", number.lower())


def kit_groups(book: KitBook, count: int, section: str = "") -> NDArray[np.intp]:
    """(count,) group of each family: equal where the same kits fit; families without kits share one group.

    Args:
        book: the kits.
        count: number of families.
        section: only kits of this section; "" for all.
    """
    numbers: list[list[str]] = [[] for _ in range(count)]
    for kit_no, rows in book.rows.items():
        if section in ("", book.kits[kit_no].section):
            for row in rows:
                numbers[row].append(kit_no)
    seen: dict[tuple[str, ...], int] = {}
    return np.array([seen.setdefault(tuple(sorted(n)), len(seen)) for n in numbers], dtype=np.intp)


def known_by(book: KitBook, count: int, section: str) -> list[str]:
    """The number each family's kits of a section are known by, the same where the same kits fit; "" without kits."""
    group = kit_groups(book, count, section)
    number = {int(group[row]): kit_no for kit_no in sorted(book.rows, reverse=True)
              if book.kits[kit_no].section == section for row in book.rows[kit_no]}  # fmt: skip
    return [number.get(int(own), "") for own in group]


def sections_of(book: KitBook) -> tuple[str, ...]:
    """Sections the set has kits for, fluid side first."""
    return tuple(sorted({section for section, _ in book.fits}, key=section_order))


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
    older = tuple(old for old, latest in book.superseded.items() if latest == number)
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
        same_fit=tuple(other for other in numbers if other != number),
        elastomer_status=_status(kit.elastomer, elastomer),
        parts=kit_parts(kit.contents),
        supersedes=older,
    )


def _status(kit_elastomer: str, said: str) -> Literal["asked_for", "as_said", "other", "none"]:
    if not kit_elastomer:
        return "none"
    if not said:
        return "asked_for"
    return "as_said" if kit_has_elastomer(kit_elastomer, said) else "other"
