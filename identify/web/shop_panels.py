"""The panels of the shop page: families, all of one family, how readings agree, what can not be told apart yet."""

from collections.abc import Sequence

from identify.web.html_parts import bullets, lengths_both_ways, panel, paragraph, section, table, text
from identify.web.shop_bench import Agreed
from identify.web.words import Words
from identify.wording import price_words
from reference_geometry.families import LENGTH_NAMES, Family, ReferenceSet
from reference_geometry.look_alikes import LookAlikes, Separator, View, ViewCheck, check_view

MOST_SHOWN = 60
SHOWN_PAIRS = 30
_SMALL_MM = 10.0
VIEWS: tuple[View, ...] = ("chamber", "port", "both")


def families_panel(t: Words, reference: ReferenceSet, find: str) -> str:
    """Families whose id, maker, name or notes hold a text."""
    wanted = find.strip().lower()
    found = [f for f in reference.families if wanted in f"{f.family_id} {f.maker} {f.family} {f.notes}".lower()]
    heads = (
        t("bench.family_id"), t("shop.maker"), t("shop.size"), t("shop.port"), t("shop.joint"),
        t.feature("chamber_diameter"),
    )  # fmt: skip
    rows = [
        (
            f'<button type="button" data-family="{text(family.family_id)}">{text(family.family_id)}</button>',
            text(f"{family.maker} {family.family}"),
            text(family.size_label),
            text(" ".join(part for part in (family.port_standard, family.port_nominal_in) if part)),
            text(t.value(family.housing_joint or "")),
            _length(family, "chamber_diameter"),
        )
        for family in found[:MOST_SHOWN]
    ]
    count = t("shop.count", shown=len(rows), count=len(reference.families), name=reference.name)
    return panel(paragraph(count, "muted"), table(heads, rows, t("shop.families"), right=(5,)) if rows else "")


def family_panel(t: Words, reference: ReferenceSet, family_id: str, readings: Sequence[Agreed]) -> str:
    """Everything known of one family."""
    family = next((f for f in reference.families if f.family_id == family_id), None)
    if family is None:
        return ""
    rows = [
        (text(t.feature(name)), _length(family, name), text(known.count or ""), _sd(known.sd_mm))
        for name in LENGTH_NAMES
        if (known := family.lengths.get(name)) is not None
    ]
    heads = (t("measured.what"), t("shop.mean"), t("shop.readings"), t("shop.sd"))
    kits = [
        text(
            f"{kit.kit_no} {t.value(kit.section)} {t.sentence(kit.elastomer)} "
            f"{t.sentence(price_words(kit.price, kit.currency))}"
        )
        for kit in reference.kits
        if kit.family_id == family_id
    ]
    title = f"{family_id}: {family.maker} {family.family} {family.size_label}"
    return panel(
        section(title, table(heads, rows, family_id, right=(1, 2, 3))),
        agreement_part(t, readings),
        section(t("answer.kit"), bullets(kits)) if kits else "",
        paragraph(family.notes, "muted") if family.notes else "",
    )


def agreement_part(t: Words, readings: Sequence[Agreed]) -> str:
    """How repeat readings agree."""
    heads = (t("measured.what"), t("shop.readings"), t("shop.mean"), t("shop.sd"), t("shop.span"))
    rows = [
        (
            text(t.feature(found.name)),
            str(found.count),
            lengths_both_ways(f"{found.mean_mm:.2f} mm"),
            _sd(found.sd_mm),
            lengths_both_ways(t.sentence(f"{found.low_mm:.2f} to {found.high_mm:.2f} mm")),
        )
        for found in readings
    ]
    return section(t("shop.agreement"), table(heads, rows, t("shop.agreement"), right=(1, 2, 3, 4))) if rows else ""


def gaps_panel(t: Words, reference: ReferenceSet) -> str:
    """What photos can not tell apart yet and what would, and families without the most telling length."""
    kits: dict[str, set[str]] = {}
    for kit in reference.kits:
        kits.setdefault(kit.family_id, set()).add(kit.kit_no)
    kits_of = {family_id: frozenset(numbers) for family_id, numbers in kits.items()}
    checks = [check_view(reference.families, kits_of, view) for view in VIEWS]
    heads = (t("gaps.view"), t("gaps.families"), t("gaps.pairs"), t("gaps.kit_pairs"))
    rows = [(text(t(f"gaps.{c.view}")), str(c.families), str(c.pairs), str(c.kit_pairs)) for c in checks]
    bare = [family.family_id for family in reference.families if "chamber_diameter" not in family.lengths]
    missing = paragraph(t("gaps.bare", count=len(bare), names=", ".join(bare[:10]))) if bare else ""
    views = table(heads, rows, t("gaps.title"), right=(1, 2, 3))
    return panel(section(t("gaps.title"), views, _pairs(t, checks[-1]), missing))


def _pairs(t: Words, check: ViewCheck) -> str:
    shown = [pair for pair in check.look_alikes if not pair.same_kits][:SHOWN_PAIRS]
    if not shown:
        return paragraph(t("gaps.none"))
    heads = (t("gaps.one"), t("gaps.other"), t("gaps.look"), t("gaps.measure"))
    return table(heads, [_pair(t, pair) for pair in shown], t("gaps.pairs_title"))


def _pair(t: Words, pair: LookAlikes) -> tuple[str, str, str, str]:
    return text(pair.first), text(pair.second), _separator(t, pair.attribute), _separator(t, pair.measurement)


def _separator(t: Words, found: Separator | None) -> str:
    if found is None:
        return text(t("gaps.nothing"))
    values = (found.first, found.second)
    first, second = (lengths_both_ways(v) if found.separation_sd else text(t.value(v)) for v in values)
    return f"{text(t.feature(found.name))}: {first} / {second}"


def _length(family: Family, name: str) -> str:
    known = family.lengths.get(name)
    if known is None:
        return ""
    decimals = 1 if known.mean_mm >= _SMALL_MM else 2  # a thread's pitch is told apart by its hundredths
    return lengths_both_ways(f"{known.mean_mm:.{decimals}f} mm")


def _sd(sd_mm: float | None) -> str:
    return "" if sd_mm is None else lengths_both_ways(f"{sd_mm:.2f} mm")
