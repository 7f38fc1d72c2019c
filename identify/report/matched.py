"""The sections of a report that say what follows: families, kits, questions, cautions, who confirmed."""

from collections.abc import Sequence

from identify.answer import Answer, Candidate
from identify.repair.decision import superseded_words
from identify.repair.kit_choice import KitOffer, section_order
from identify.repair.kit_parts import rebuild_hours
from identify.report.blocks import Blanks, Block, Bullets, Column, Letter, Paragraph, Section, Table
from identify.report.measured import SMALLEST_SHOWN
from identify.wording import chance_words, lead_time_words, price_words, stock_words
from reference_geometry.families import Family

SHOWN_CANDIDATES = 5
REASONED_CANDIDATES = 2
SHOWN_REASONS = 4
SHOWN_KITS = 6
SHOWN_QUESTIONS = 4


def family_words(family: Family) -> str:
    """A family as it is spoken of: maker, family, size, and the id it has in the set."""
    words = " ".join(word for word in (family.maker, family.family, family.size_label) if word)
    return f"{words} [{family.family_id}]" if words else family.family_id


def candidate_section(answer: Answer) -> Section:
    """Which families it may be, with reasons for and against the first ones."""
    shown = [c for c in answer.candidates[:SHOWN_CANDIDATES] if c.probability >= SMALLEST_SHOWN]
    shown = shown or list(answer.candidates[:1])
    rows = [(family_words(c.family), chance_words(c.probability)) for c in shown]
    rest = sum(c.probability for c in answer.candidates) - sum(c.probability for c in shown)
    if rest >= SMALLEST_SHOWN:
        rows.append((f"one of {len(answer.candidates) - len(shown)} others", chance_words(rest)))
    rows.append(("none of this set", chance_words(answer.not_in_set)))
    table = Table(
        (Column("family", share=5), Column("chance", "right")),
        tuple(rows),
        frozenset({0}) if shown else frozenset(),
    )
    blocks: list[Block] = [table]
    for number, candidate in enumerate(shown[:REASONED_CANDIDATES]):
        blocks += _reasons(candidate, is_first=number == 0)
    if answer.tell_apart and len(shown) > 1:
        blocks.append(Paragraph(answer.tell_apart))
    return Section("Which pump", tuple(blocks))


def _reasons(candidate: Candidate, is_first: bool) -> list[Block]:
    """For the first candidate all that speaks for and against it, for the next one what speaks against it."""
    items = [f"for ({r.strength}): {r.sentence}" for r in candidate.reasons_for[:SHOWN_REASONS] if is_first]
    items += [f"against ({r.strength}): {r.sentence}" for r in candidate.reasons_against[:SHOWN_REASONS]]
    if not items:
        return []
    return [Paragraph(f"{family_words(candidate.family)}:"), Bullets(tuple(items))]


def kit_section(answer: Answer) -> Section:
    """Kits side by side with price, stock and lead time, and what to do about each side of the pump."""
    blocks: list[Block] = []
    decisions = {decision.section: decision for decision in answer.decisions}
    for side, shown, left_out in kits_by_side(answer):
        said = decisions[side].sentence if side in decisions else ""
        if said:
            blocks.append(Paragraph(said))
        blocks.append(_kit_table(side, shown))
        older = [superseded_words(kit) for kit in shown if kit.supersedes]
        blocks += [Paragraph(words) for words in older if words not in said]
        if left_out:
            blocks.append(Paragraph(f"{left_out} less likely {side}-side kits are not shown.", "muted"))
        blocks.append(Paragraph(work_words(answer, side, shown)))
    for words in dict.fromkeys(decision.cost_sentence for decision in answer.decisions):
        blocks.append(Paragraph(words, "muted"))
    rests_on = next((decision.assumptions for decision in answer.decisions if decision.assumptions), ())
    if rests_on:
        blocks += [Paragraph("To order rests on:"), Bullets(rests_on)]
    if not blocks:
        blocks.append(Paragraph("No kit of this set fits what was seen.", "warning"))
    blocks.append(Paragraph(_elastomer_words(answer), "plain" if answer.elastomer else "warning"))
    return Section("Rebuild kit", tuple(blocks))


def kits_by_side(answer: Answer) -> list[tuple[str, list[KitOffer], int]]:
    """(side, kits to show, number of less likely ones left out), fluid side first."""
    sides = []
    for side in sorted({kit.section for kit in answer.kits}, key=section_order):
        own = [kit for kit in answer.kits if kit.section == side]
        own.sort(key=lambda kit: (-kit.probability, kit.elastomer_status == "other"))
        shown = [kit for kit in own if kit.probability >= SMALLEST_SHOWN][:SHOWN_KITS] or own[:1]
        sides.append((side, shown, len(own) - len(shown)))
    return sides


def _kit_table(side: str, kits: Sequence[KitOffer]) -> Table:
    columns = (
        Column(f"{side}-side kit", share=1.8, whole=True),
        Column("elastomer", share=1.6),
        Column("fits", "right", 1.0, whole=True),
        Column("parts", "right", 0.7, whole=True),
        Column("list price", "right", 1.4, whole=True),
        Column("stock", share=1.3),
        Column("lead time", share=1.6),
    )
    rows = tuple(
        (
            kit.kit_no,
            kit.elastomer or "no choice",
            chance_words(kit.probability),
            "-" if kit.piece_count is None else str(kit.piece_count),
            price_words(kit.price, kit.currency),
            stock_words(kit.stock),
            lead_time_words(kit.lead_time_days),
        )
        for kit in kits
    )
    return Table(columns, rows)


def work_words(answer: Answer, side: str, shown: Sequence[KitOffer]) -> str:
    """Parts to replace and hours, so that a repair can be set against a new pump."""
    fitting = set(shown[0].families)
    pumps = [c.family for c in answer.candidates if c.family.family_id in fitting]
    hours = rebuild_hours(side, pumps)
    if hours is None:
        return ""
    words = f"{hours[0]:g} to {hours[1]:g} hours at the bench, decontamination not counted (common practice)"
    first = [kit for kit in shown if kit.families == shown[0].families]
    counts = sorted({kit.piece_count for kit in first if kit.piece_count is not None})
    if not counts:
        return f"{side.capitalize()}-side rebuild: {words}."
    many = f"{counts[0]} to {counts[-1]}" if len(counts) > 1 else f"{counts[0]}"
    return f"{side.capitalize()}-side rebuild: {many} parts to replace, {words}."


def contents_section(answer: Answer) -> Section | None:
    """What the shown kits hold; too long for a screen."""
    kits = [kit for _, shown, _ in kits_by_side(answer) for kit in shown if kit.contents]
    if not kits:
        return None
    columns = (Column("kit", share=1.3, whole=True), Column("contents", share=5))
    table = Table(columns, tuple((kit.kit_no, _contents_words(kit)) for kit in kits))
    return Section("What the kits hold", (table,), on_screen=False)


def _contents_words(kit: KitOffer) -> str:
    older = f" {superseded_words(kit)}" if kit.supersedes else ""
    return f"{kit.contents}.{older}" if older else kit.contents


def _elastomer_words(answer: Answer) -> str:
    if answer.elastomer:
        return f"Elastomer as said: {answer.elastomer}. Check it against the fluid with the maker's data."
    return "A photo can not show the elastomer: ask which one is in the pump and what fluid it meets before ordering."


def question_section(answer: Answer) -> Section | None:
    """What to ask next, best first, and how the customer finds out."""
    questions = answer.next_questions[:SHOWN_QUESTIONS]
    if not questions:
        return None
    items = tuple(f"{q.ask} {q.how}{_worth(q.gain_bits)}" for q in questions)
    return Section("Ask next", (Bullets(items, numbered=True),))


def _without_typing(how: str) -> str:
    """How to look, without how the answer is typed into this program, which is nothing to a customer."""
    return how.partition("Answer: ")[0].strip()


def _worth(bits: float) -> str:
    """How much an answer would tell; questions asked for safety's sake tell nothing about the kit."""
    return f" (worth {bits:.1f} bits)" if bits >= 0.05 else ""


def letter_section(answer: Answer) -> Section:
    """The same questions as a message ready to be sent to the customer."""
    lines = ["Hello,", "", "so that the right rebuild kit goes out for your pump, please let us know:"]
    questions = answer.next_questions[:SHOWN_QUESTIONS]
    asks = [f"{q.ask} {_without_typing(q.how)}" for q in questions if q.question.code not in ("elastomer", "fluid")]
    if not answer.elastomer:
        asks.append("Which elastomer are the diaphragms and balls made of? The last order or the old part may say.")
    if not answer.fluid:
        asks.append("Which fluid does the pump move, at what concentration and temperature?")
    asks.append("If any nameplate, tag or casting mark can still be read, please send a photo of it.")
    lines += [f"{number}. {ask}" for number, ask in enumerate(asks, start=1)]
    lines += [
        "",
        "Before anyone touches the pump: shut off and vent the air supply, lock it out and tag it out, and "
        "drain and decontaminate the pump.",
        "",
        "Thank you",
    ]
    return Section("Message to the customer", (Letter(tuple(lines)),), on_screen=False)


def conflict_section(answer: Answer) -> Section | None:
    """What does not agree with each other."""
    if not answer.inconsistencies:
        return None
    return Section("Does not agree", tuple(Paragraph(found.sentence, "warning") for found in answer.inconsistencies))


def caution_section(answer: Answer) -> Section:
    """Every caution once; assumptions and disagreements have their own places."""
    elsewhere = {f"Assumed: {a}" for a in answer.assumptions}
    elsewhere |= {f"Does not agree: {found.sentence}" for found in answer.inconsistencies}
    return Section("Cautions", (Bullets(tuple(c for c in answer.cautions if c not in elsewhere)),))


def confirmation_section() -> Section:
    """Blank lines for the people who stand by the answer."""
    labels = (
        "Pump confirmed by plate, casting or maker",
        "Elastomer and fluid confirmed by the customer",
        "Kit number checked with the maker's data",
        "Quoted by",
    )
    return Section("Confirmed by", (Blanks(labels),), on_screen=False)
