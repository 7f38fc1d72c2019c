"""The sections of a report that say what follows: families, kits, questions, cautions, who confirmed."""

import re
from collections.abc import Sequence

from identify.answer import Answer, Candidate
from identify.questions.ranking import RankedQuestion
from identify.repair.decision import superseded_words
from identify.repair.kit_choice import KitOffer, section_order
from identify.repair.kit_parts import rebuild_hours
from identify.report.blocks import Blanks, Block, Bullets, Column, Letter, Paragraph, Section, Table
from identify.report.measured import SMALLEST_SHOWN
from identify.wording import chance_words, lead_time_words, price_words, stock_words, value_words
from reference_geometry.families import Family

_TYPED = re.compile(r" ?Answer: .*|[;,] say --[^.]*")
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
    blocks: list[Block] = [_candidate_table(answer, shown)]
    for number, candidate in enumerate(shown[:REASONED_CANDIDATES]):
        blocks += _reasons(candidate, with_support=number == 0)
    if answer.tell_apart and len(shown) > 1:
        blocks.append(Paragraph(answer.tell_apart))
    return Section("Which pump", tuple(blocks))


def _candidate_table(answer: Answer, shown: Sequence[Candidate]) -> Table:
    """Families with their chance and, where several come into question, what they differ in and whether by kit."""
    several = len(shown) > 1
    differing = _differing([c.family for c in shown])
    numbers = [_kit_numbers(answer, c.family) for c in shown]
    rows = []
    for candidate, own in zip(shown, numbers, strict=True):
        kits = "not known" if not own else "as the first" if own == numbers[0] else "others"
        about = ", ".join(filter(None, (_attribute_words(candidate.family, name) for name in differing)))
        more = (about, "" if candidate is shown[0] else kits) if several else ()
        rows.append((family_words(candidate.family), *more, chance_words(candidate.probability)))
    rest = sum(c.probability for c in answer.candidates) - sum(c.probability for c in shown)
    blank = ("", "") if several else ()
    if rest >= SMALLEST_SHOWN:
        rows.append((f"one of {len(answer.candidates) - len(shown)} others", *blank, chance_words(rest)))
    rows.append(("none of this set", *blank, chance_words(answer.not_in_set)))
    middle = (Column("is", share=3), Column("kits", share=1.5)) if several else ()
    columns = (Column("family", share=5), *middle, Column("chance", "right", whole=True))
    return Table(columns, tuple(rows), frozenset({0}) if shown else frozenset())


_TOLD_ATTRIBUTES = (
    "connection", "port_standard", "port_nominal_in", "port_position", "housing_joint", "chamber_bolt_count",
    "wetted_material", "air_valve_side",
)  # fmt: skip
"""What families of one outside usually differ in, in the order a customer can tell it."""

_MOST_TOLD = 3


def _differing(families: Sequence[Family]) -> tuple[str, ...]:
    """Attributes in which these families are known to differ; the port standard says the connection with it."""
    found = [name for name in _TOLD_ATTRIBUTES if len({getattr(family, name) for family in families}) > 1]
    if "port_standard" in found and "connection" in found:
        found.remove("connection")
    return tuple(found[:_MOST_TOLD])


def _attribute_words(family: Family, name: str) -> str:
    value = getattr(family, name)
    if value is None:
        return ""
    words = value_words(str(value))
    return {
        "port_position": f"{words} ports",
        "chamber_bolt_count": f"{words} bolts",
        "air_valve_side": f"air valve {words}",
        "port_nominal_in": f"{words} in",
    }.get(name, words)


def _kit_numbers(answer: Answer, family: Family) -> frozenset[str]:
    return frozenset(kit.kit_no for kit in answer.kits if family.family_id in kit.families)


def _reasons(candidate: Candidate, with_support: bool) -> list[Block]:
    """What speaks for a candidate, where wanted, and against it."""
    items = [f"for ({r.strength}): {r.sentence}" for r in candidate.reasons_for[:SHOWN_REASONS] if with_support]
    items += [f"against ({r.strength}): {r.sentence}" for r in candidate.reasons_against[:SHOWN_REASONS]]
    if not items:
        return [Paragraph(f"{family_words(candidate.family)}: nothing known so far speaks against it.")]
    return [Paragraph(f"{family_words(candidate.family)}:"), Bullets(tuple(items))]


def reason_section(answer: Answer) -> Section | None:
    """What speaks for and against the further candidates; too long for a screen."""
    others = [c for c in answer.candidates[1:SHOWN_CANDIDATES] if c.probability >= SMALLEST_SHOWN]
    if not others:
        return None
    blocks = [block for candidate in others for block in _reasons(candidate, with_support=True)]
    return Section("For and against the other pumps", tuple(blocks), on_screen=False)


def kit_section(answer: Answer) -> Section:
    """Kits side by side with price, stock and lead time, and what to do about each side of the pump."""
    blocks: list[Block] = []
    decisions = {decision.section: decision for decision in answer.decisions}
    for side, shown, left_out in kits_by_side(answer):
        said = decisions[side].sentence if side in decisions else ""
        if said:
            blocks.append(Paragraph(said))
        if shown[0].probability < _WIDE_OPEN:
            blocks.append(Paragraph(_wide_open_words(side, shown[0], len(shown) + left_out)))
            continue
        blocks.append(_kit_table(side, shown))
        older = [superseded_words(kit) for kit in shown if kit.supersedes]
        blocks += [Paragraph(words) for words in older if words not in said]
        if left_out:
            blocks.append(Paragraph(f"{left_out} less likely {side}-side kits are not shown.", "muted"))
        blocks.append(Paragraph(work_words(answer, side, shown)))
    blocks += [Paragraph(words, "muted") for words in cost_words(answer)]
    rests_on = next((decision.assumptions for decision in answer.decisions if decision.assumptions), ())
    if rests_on:
        blocks += [Paragraph("To order rests on:"), Bullets(rests_on)]
    if not answer.kits:
        blocks.append(Paragraph("No kit of this set fits what was seen.", "warning"))
    blocks.append(Paragraph(_elastomer_words(answer), "plain" if answer.elastomer else "warning"))
    return Section("Rebuild kit", tuple(blocks))


def cost_words(answer: Answer) -> list[str]:
    """What ordering now and asking first cost: of the first side, and of others that are to be treated otherwise."""
    first = answer.decision
    return [d.cost_sentence for d in answer.decisions if d is first or (first and d.action != first.action)]


_WIDE_OPEN = 0.2
"""Below this chance of the best kit a table of kits would only look like an answer."""


def _wide_open_words(side: str, best: KitOffer, count: int) -> str:
    chance = chance_words(best.probability)
    return f"{count} {side}-side kits may fit, none with more than {chance}: too many to list before more is known."


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
    questions = questions_to_ask(answer)
    if not questions:
        return None
    items = tuple(f"{q.ask} {q.how}{_worth(answer, q)}" for q in questions)
    blocks: list[Block] = [Bullets(items, numbered=True)]
    if is_settled(answer):
        blocks.append(Paragraph("Which kit fits is settled: no question about the pump itself pays for its trouble."))
    return Section("Ask next", tuple(blocks))


def is_settled(answer: Answer) -> bool:
    """Whether every side's fit is settled, whatever is still open about the elastomer."""
    return bool(answer.decisions) and all(d.action in ("order", "ask_elastomer") for d in answer.decisions)


def questions_to_ask(answer: Answer) -> tuple[RankedQuestion, ...]:
    """The best questions; once the fit is settled only those that are asked anyway. Those always come along."""
    always = tuple(q for q in answer.next_questions if q.about != "fit")
    if is_settled(answer):
        return always
    best = answer.next_questions[:SHOWN_QUESTIONS]
    return (*best, *(q for q in always if q not in best))


def _without_typing(how: str) -> str:
    """How to look, without how the answer is typed into this program, which is nothing to a customer."""
    return _TYPED.sub("", how).strip()


def _worth(answer: Answer, question: RankedQuestion) -> str:
    """What an answer is expected to tell about the kit, and the trouble; safety questions tell nothing about it."""
    if question.gain_bits < 0.05:
        return ""
    said = [f"worth {question.gain_bits:.1f} bits"]
    side = answer.decision
    more = question.sure.get(side.section, 0.0) if side else 0.0
    if side and more >= 0.01:
        now = side.fit_probability
        said.append(f"the best {side.section}-side kit then fits with {chance_words(now + more)} on average")
    said.append(f"about {question.question.minutes:g} min")
    return f" ({'; '.join(said)})"


def letter_section(answer: Answer) -> Section:
    """The same questions as a message ready to be sent to the customer."""
    lines = ["Hello,", "", "so that the right rebuild kit goes out for your pump, please let us know:"]
    questions = questions_to_ask(answer)
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
