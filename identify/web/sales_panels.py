"""The panels of the sales page: what is measured and where it came from, candidates, kits, what to ask, replacement."""

import math
import re
from collections.abc import Sequence

from features.measured import MeasuredLength
from features.survey import PhotoSurvey
from identify.answer import Answer, Candidate
from identify.matching.reasons import Reason
from identify.report.blocks import Bullets, Letter, Paragraph, Section, Table
from identify.report.content import decision_line, report_content
from identify.report.matched import kits_by_side, letter_section
from identify.report.measured import offset_assumptions
from identify.report.replaced import replacement_section
from identify.web.case_answer import CaseAnswer, place_is_open
from identify.web.case_record import CaseRecord, KeptPhoto
from identify.web.html_parts import (
    bar,
    both_units,
    bullets,
    lengths_both_ways,
    panel,
    paragraph,
    section,
    table,
    text,
)
from identify.web.words import Words
from identify.wording import (
    MM_PER_INCH,
    chance_words,
    is_lopsided,
    lead_time_words,
    length_words,
    likely_values,
    price_words,
    stock_words,
    tied,
)
from reference_geometry.families import LENGTH_NAMES

SHOWN_CANDIDATES, SHOWN_KITS, SHOWN_QUESTIONS, SHOWN_REASONS = 4, 5, 3, 4
SMALLEST_SHOWN = 0.01
MOST_LISTED = 100


def case_list(t: Words, records: Sequence[CaseRecord], shown: str) -> str:
    """Cases, closed ones last."""
    in_order = sorted(records, key=lambda record: record.state == "closed")  # else as they come: last changed first
    items = "".join(_case_item(t, record, record.number == shown) for record in in_order[:MOST_LISTED])
    return panel(f'<ul class="cases">{items}</ul>' if items else paragraph(t("sales.no_cases"), "muted"))


def _case_item(t: Words, record: CaseRecord, is_shown: bool) -> str:
    current = ' aria-current="true"' if is_shown else ""
    day = f"{record.opened:%Y-%m-%d %H:%M} UTC"
    photos = t("sales.photo_count", count=len(record.photos))
    lines = (f"{day}, {record.made_by}, {photos}", t.sentence(record.summary), record.note)
    details = "".join(f"<small>{lengths_both_ways(line)}</small>" for line in lines if line)
    title = f"<strong>{text(record.number)}</strong> {text(t(f'state.{record.state}'))}"
    return f'<li><button type="button" data-open="{text(record.number)}"{current}>{title}{details}</button></li>'


def photo_strip(t: Words, record: CaseRecord, shown: str) -> str:
    """The photos of a case as small pictures to choose from."""
    items = "".join(_small_photo(t, record, photo, photo.photo_id == shown) for photo in record.photos)
    return panel(f'<ul class="strip">{items}</ul>') if len(record.photos) > 1 else ""


def _small_photo(t: Words, record: CaseRecord, photo: KeptPhoto, is_shown: bool) -> str:
    current = ' aria-current="true"' if is_shown else ""
    label = text(t("sales.show_photo", name=photo.name))
    source = f"/case/{record.number}/thumb/{photo.photo_id}.jpg?v={photo.digest[:12]}"
    picture = f'<img src="{source}" alt="" width="72" height="72">'
    said = f'data-photo="{photo.photo_id}" aria-label="{label}"{current}'
    return f'<li><button type="button" {said}>{picture}</button></li>'


# --- measured values -------------------------------------------------------------------------------------
def measured_panel(t: Words, answered: CaseAnswer) -> str:
    """Every value with its interval and where it came from, what it rests on, what was noticed."""
    answer = answered.answer
    absolute = [length for length in answer.measurements if not length.is_ratio_only]
    rows = [_length_row(t, length, answered.survey.photos) for length in absolute]
    heads = (t("measured.what"), t("measured.size"), t("measured.from"))
    parts = [table(heads, rows, t("measured.title"))] if rows else []
    if answer.measurements and not absolute:
        parts.append(paragraph(t("measured.ratios"), "warning"))
    if not answer.measurements:
        parts.append(paragraph(t("measured.nothing"), "warning"))
    rated = [(evidence.name, *likely_values(evidence.likelihood)) for evidence in answer.attributes]
    seen = [_seen_row(t, name, values, chance) for name, values, chance in rated if values]
    if seen:
        parts.append(table((t("measured.seen"), t("measured.most"), t("measured.chance")), seen, t("measured.seen")))
    parts.append(_assumed(t, answer, absolute))
    return panel(section(t("measured.title"), *parts), _noticed(t, answered.survey.photos))


def _length_row(t: Words, length: MeasuredLength, photos: Sequence[PhotoSurvey]) -> tuple[str, str, str]:
    low, high = length.interval_mm
    size = both_units(tied(t.sentence(length_words(length.value_mm, low, high))), tied(_inches_with_interval(length)))
    origin = ", ".join(length.photos) or t("measured.typed")
    scales = {photo.scale.label for photo in photos if photo.scale and photo.name in length.photos}
    if scales:
        origin = f"{origin}; {', '.join(t.sentence(scale) for scale in sorted(scales))}"
    return text(t.feature(length.name)), size, f'<span class="any">{text(origin)}</span>'


def _inches_with_interval(length: MeasuredLength) -> str:
    low, high = length.interval_mm
    half = (high - low) / 2 / MM_PER_INCH
    decimals = max(0, min(4, 1 - math.floor(math.log10(half)))) if half > 0 else 3
    value, least, most = (f"{mm / MM_PER_INCH:.{decimals}f}" for mm in (length.value_mm, low, high))
    if is_lopsided(length.value_mm, low, high):
        return f"{value} in ({least} – {most} in)"
    return f"{value} ± {half:.{decimals}f} in"


def _seen_row(t: Words, name: str, values: Sequence[str], chance: float) -> tuple[str, str, str]:
    said = t.sentence(chance_words(chance))
    words = f'<span class="whole">{bar(chance, said)} {text(said)}</span>'
    return text(t.feature(name)), text(t("measured.either").join(t.value(value) for value in values)), words


def _assumed(t: Words, answer: Answer, absolute: Sequence[MeasuredLength]) -> str:
    behind = [words for words in answer.assumptions if "behind the scale's plane" not in words]
    items = [*offset_assumptions(absolute), *behind]
    if not items:
        return ""
    summary = f"<summary>{text(t('measured.assumed', count=len(items)))}</summary>"
    return f"<details>{summary}{bullets(lengths_both_ways(t.sentence(item)) for item in items)}</details>"


def _noticed(t: Words, photos: Sequence[PhotoSurvey]) -> str:
    items: dict[str, None] = {}
    for photo in photos:
        for problem in photo.problems:
            detail = f" ({text(t.sentence(problem.detail))})" if problem.detail else ""
            said = f"{text(photo.name)}: {text(t.meaning(problem.kind))}{detail} {text(t.advice(problem.kind))}"
            items[said] = None
    return section(t("measured.noticed"), bullets(items)) if items else ""


def known_panel(t: Words, record: CaseRecord) -> str:
    """What people said of the pump, each with a button to take it back."""
    items = "".join(_known_item(t, *item.partition("=")[::2]) for item in record.known)
    return panel(f'<ul class="known">{items}</ul>') if items else ""


def _known_item(t: Words, name: str, value: str) -> str:
    label = text(t("known.drop", name=t.feature(name)))
    if name in LENGTH_NAMES and re.fullmatch(r"[\d.,]+", value):
        value = f"{value} mm"  # as a bare number is understood
    button = f'<button type="button" data-drop="{text(name)}" aria-label="{label}">✕</button>'
    return f'<li class="row"><span>{text(t.feature(name))}: {lengths_both_ways(t.value(value))}</span>{button}</li>'


# --- the answer ------------------------------------------------------------------------------------------
def answer_panel(t: Words, answered: CaseAnswer, outlined: str) -> str:
    """The answer in three lines, candidates, kits, what to ask next, the message, report, cautions."""
    answer = answered.answer
    content = report_content(answer, answered.record.changed.date())
    lines = "".join(f"<p>{lengths_both_ways(t.sentence(line))}</p>" for line in content.headline)
    demo = f'<p class="demo">{text(t("page.demo"))}</p>' if answer.is_demo else ""
    doubts = paragraph(t("sales.say_place"), "warning") if place_is_open(answered.record, answered) else ""
    doubts += "".join(paragraph(t.sentence(found.sentence), "warning") for found in answer.inconsistencies)
    return panel(
        f'<div class="headline" role="status">{lines}</div>{demo}{doubts}',
        section(t("answer.pump"), _candidates(t, answer, outlined)),
        section(t("answer.kit"), _kits(t, answer)),
        section(t("answer.ask"), _questions(t, answer)),
        section(t("answer.message"), _letter(t, answer)),
        section(t("answer.report"), _report_links(t, answered.record)),
        section(t("sales.cautions"), _cautions(t, answer)),
    )


def _candidates(t: Words, answer: Answer, outlined: str) -> str:
    shown = [c for c in answer.candidates[:SHOWN_CANDIDATES] if c.probability >= SMALLEST_SHOWN]
    shown = shown or list(answer.candidates[:1])
    cards = "".join(_candidate(t, candidate, candidate.family.family_id == outlined) for candidate in shown)
    unknown = f'<p class="row"><span>{text(t("answer.not_in_set"))}</span>{_chance(t, answer.not_in_set)}</p>'
    apart = paragraph(t.sentence(answer.tell_apart)) if len(shown) > 1 else ""
    return cards + unknown + apart


def _candidate(t: Words, candidate: Candidate, is_outlined: bool) -> str:
    family = candidate.family
    name = " ".join(word for word in (family.maker, family.family, family.size_label) if word)
    reasons = [_reason(t, "answer.for", r) for r in candidate.reasons_for[:SHOWN_REASONS]]
    against = candidate.reasons_against[:SHOWN_REASONS]
    reasons += [_reason(t, "answer.against", r) for r in against]
    pressed = f'data-outline="{text(family.family_id)}" aria-pressed="{str(is_outlined).lower()}"'
    button = f'<button type="button" class="push" {pressed}>{text(t("answer.outline"))}</button>'
    details = f"<details><summary>{text(t('answer.reasons'))}</summary>{bullets(reasons)}</details>" if reasons else ""
    mark = " data-shown" if is_outlined else ""
    first = f"<strong>{text(family.family_id)}</strong>{_chance(t, candidate.probability)}{button}"
    return f'<div class="candidate"{mark}><div class="row">{first}</div><small>{text(name)}</small>{details}</div>'


def _reason(t: Words, key: str, reason: Reason) -> str:
    return f"{text(t(key))} ({text(t.sentence(reason.strength))}): {lengths_both_ways(t.sentence(reason.sentence))}"


def _chance(t: Words, probability: float) -> str:
    words = t.sentence(chance_words(probability))
    return f"{bar(probability, words)} <span>{text(words)}</span>"


def _kits(t: Words, answer: Answer) -> str:
    heads = (t("kit.number"), t("kit.fits"), t("kit.price"), t("kit.stock"))
    rows = [
        (
            f'<strong class="whole">{text(kit.kit_no)}</strong>'
            f"<small>{text(t.value(kit.section))} {text(t.sentence(kit.elastomer))}</small>",
            text(t.sentence(chance_words(kit.probability))),
            f'<span class="whole">{text(t.sentence(price_words(kit.price, kit.currency)))}</span>',
            f"{text(t.sentence(stock_words(kit.stock)))}<small>{text(t.sentence(lead_time_words(kit.lead_time_days)))}</small>",
        )
        for _, kits, _ in kits_by_side(answer)
        for kit in kits[:SHOWN_KITS]
        if kit.probability >= SMALLEST_SHOWN
    ]
    said = dict.fromkeys(decision.sentence for decision in answer.decisions)
    said.pop(decision_line(answer), None)  # the headline
    decisions = "".join(paragraph(t.sentence(words)) for words in said)
    return decisions + (table(heads, rows, t("answer.kit"), right=(1, 2)) if rows else "")


def _questions(t: Words, answer: Answer) -> str:
    asked = answer.next_questions[:SHOWN_QUESTIONS]
    items = [
        f"<strong>{text(t.ask(q.question))}</strong> {lengths_both_ways(t.how(q.question))} "
        f'<button type="button" class="small" data-skip="{q.question.code}">{text(t("answer.skip"))}</button>'
        for q in asked
    ]
    return bullets(items, numbered=True) if items else ""


def _letter(t: Words, answer: Answer) -> str:
    lines = next(block.lines for block in letter_section(answer).blocks if isinstance(block, Letter))
    lines = tuple(map(t.sentence, lines))
    label, copied = text(t("answer.message")), text(t("answer.copied"))
    area = f'<textarea class="letter" id="letter" readonly aria-label="{label}">{text(chr(10).join(lines))}</textarea>'
    copy = f'<button type="button" data-copy="letter" data-done="{copied}">{text(t("answer.copy"))}</button>'
    return f'{area}<p class="row">{copy}</p>'


def replacement_panel(t: Words, answer: Answer) -> str:
    """Repair beside replacement, over the whole width."""
    found = replacement_section(answer)
    body = "" if found is None else "".join(_block(t, found, block) for block in found.blocks)
    return panel(section(t("answer.replace"), body)) if body else ""


def _block(t: Words, home: Section, block: object) -> str:
    """A block of the report in the page's own HTML."""
    if isinstance(block, Table):
        heads = [t.sentence(column.title) for column in block.columns]
        rows = [[lengths_both_ways(t.sentence(cell)) for cell in row] for row in block.rows]
        return table(heads, rows, t("answer.replace"))
    if isinstance(block, Bullets):
        return bullets(lengths_both_ways(t.sentence(item)) for item in block.items)
    return paragraph(t.sentence(block.text)) if isinstance(block, Paragraph) else ""


def _report_links(t: Words, record: CaseRecord) -> str:
    address, asked = f"/case/{record.number}/report", f"lang={t.language}"
    links = [
        f'<a href="{address}.{kind}?{asked}" class="made">{text(t(f"answer.report_{kind}"))}</a>'
        for kind in ("pdf", "html")
    ]
    words = f'<span role="status" class="muted" hidden>{text(t("answer.report_made"))}</span>'
    return f'<p class="row">{" ".join(links)} {words}</p>'


def _cautions(t: Words, answer: Answer) -> str:
    assumed = {f"Assumed: {words}" for words in answer.assumptions}
    return bullets(lengths_both_ways(t.sentence(c)) for c in answer.cautions if c not in assumed)
