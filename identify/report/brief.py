"""One answer in about fifteen lines: pump, how sure, kits, what to ask, cautions; all else is in the full form."""

from collections.abc import Iterator

from identify.answer import Answer
from identify.repair.kit_choice import KitOffer
from identify.report.content import decision_line, measured_line
from identify.report.matched import family_words, kits_by_side
from identify.wording import chance_words, joined, lead_time_words, price_words, stock_words

CAUTION_LINE = (
    "shut off and vent the air, lock out and tag out, drain and decontaminate; check fluid and temperature with "
    "the maker's data; follow local codes (more without --brief)."
)

_SHOWN_FAMILIES = 3
_SHOWN_KITS = 2
_LEAST_SHOWN = 0.005

Line = tuple[str, str]
"""A label and what it says."""


def brief_lines(answer: Answer) -> tuple[Line, ...]:
    """The answer as labeled lines, the decision first."""
    return tuple(_lines(answer))


def _lines(answer: Answer) -> Iterator[Line]:
    yield "", decision_line(answer)
    yield "Pump", _pump_words(answer)
    label, _, measured = measured_line(answer).partition(": ")
    yield label, measured
    for side, shown, left_out in kits_by_side(answer):
        kits = sorted(shown, key=lambda kit: kit.elastomer_status != "as_said")
        said = [_kit_words(kit) for kit in kits[:_SHOWN_KITS]]
        more = len(shown) - len(said) + left_out
        yield f"{side.capitalize()} kit", "; ".join([*said, f"{more} more"] if more else said)
    yield from _asked(answer)
    for found in answer.inconsistencies:
        yield "Not agreed", found.sentence
    yield "Cautions", CAUTION_LINE
    if answer.is_demo:
        yield "Demo data", "makers, pumps, kits and prices are invented; order nothing by this answer."


def _pump_words(answer: Answer) -> str:
    """The first families, how sure each is, and the chance that the set does not hold the pump."""
    likely = [c for c in answer.candidates[:_SHOWN_FAMILIES] if c.probability >= _LEAST_SHOWN]
    words = [f"{family_words(c.family)} {chance_words(c.probability)}" for c in likely[:1]]
    words += [f"{c.family.family_id} {chance_words(c.probability)}" for c in likely[1:]]
    others = sum(c.probability for c in answer.candidates) - sum(c.probability for c in likely)
    if others >= _LEAST_SHOWN:
        words.append(f"others {chance_words(others)}")
    return "; ".join([*words, f"none of this set {chance_words(answer.not_in_set)}."])


def _kit_words(kit: KitOffer) -> str:
    said = [f"{kit.kit_no} {kit.elastomer}".strip() + f" {chance_words(kit.probability)}"]
    said += [price_words(kit.price, kit.currency), stock_words(kit.stock), lead_time_words(kit.lead_time_days)]
    words = ", ".join(said)
    return f"{words} (once {joined(kit.supersedes, 'and')})" if kit.supersedes else words


def _asked(answer: Answer) -> Iterator[Line]:
    """The best question about the pump, and the elastomer, which is always asked."""
    fit = next((q for q in answer.next_questions if q.about == "fit"), None)
    decided = answer.decision is not None and answer.decision.action in ("order", "ask_elastomer")
    if fit is not None and not decided:
        yield "Ask next", f"{fit.ask} {fit.how}"
    if not answer.elastomer:
        yield "Ask", "Which elastomer is in it now, and which fluid at what temperature? A photo can not show it."
    elif not answer.fluid:
        yield "Ask", "Which fluid does it pump, at what concentration and temperature?"
