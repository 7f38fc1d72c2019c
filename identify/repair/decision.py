"""Whether to order a kit now or to ask first, by a stated probability and by what a wrong kit costs."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from identify.matching.settings import MatchSettings
from identify.questions.ranking import RankedQuestion
from identify.repair.kit_choice import KitOffer
from identify.wording import joined

Action = Literal["order", "ask_elastomer", "ask", "not_in_set"]

_MOSTLY_UNKNOWN = 0.5
_NAMEPLATE = "Ask for photos of casting marks and of any plate left."


@dataclass(frozen=True)
class Decision:
    """What to do about one section's kit.

    Attributes:
        section: "fluid" or "air".
        action: "order" (kit settled), "ask_elastomer" (fit settled, elastomer not), "ask" (fit not settled),
            "not_in_set" (most probably an unknown pump).
        kit_nos: the kits meant: those left to choose from, or for "ask" the best so far.
        fit_probability: that they fit the body.
        expected_wrong_cost: cost of a wrong kit times the chance of it, in the settings' currency.
        sentence: the decision in words, with the threshold.
        assumptions: what the decision rests on; empty unless something may be ordered.
        question_cost: cost of asking the question that is worth most here, None when none is left.
        question_saves: what its answer is expected to save in wrong-kit cost.
        cost_sentence: both sides of that bargain in words, with the figures they rest on.
    """

    section: str
    action: Action
    kit_nos: tuple[str, ...]
    fit_probability: float
    expected_wrong_cost: float
    sentence: str
    assumptions: tuple[str, ...] = ()
    question_cost: float | None = None
    question_saves: float = 0.0
    cost_sentence: str = ""


def decide(
    sections: Sequence[str],
    offers: Sequence[KitOffer],
    not_in_set: float,
    questions: Sequence[RankedQuestion],
    assumptions: Sequence[str],
    settings: MatchSettings,
    doubts: Sequence[str] = (),
    elastomer_doubt: str = "",
) -> tuple[Decision, ...]:
    """One decision a section, in the order given.

    Args:
        sections: sections the set has kits for.
        offers: sorted kits.
        not_in_set: probability of an unknown pump.
        questions: ranked.
        assumptions: what the answer rests on.
        settings: threshold and costs.
        doubts: sentences about values that do not agree; nothing is ordered while there are any.
        elastomer_doubt: what common practice says against the elastomer and the fluid that were named; kits with an
            elastomer are not ordered while it stands.
    """
    decisions = []
    for section in sections:
        own = [offer for offer in offers if offer.section == section]
        decision = _decide_one(section, own, not_in_set, questions, assumptions, settings)
        decision = _with_costs(_elastomer_checked(decision, own, elastomer_doubt), questions, settings)
        decisions.append(_held_back(decision, doubts[0]) if doubts else decision)
    return tuple(decisions)


def _with_costs(decision: Decision, questions: Sequence[RankedQuestion], settings: MatchSettings) -> Decision:
    """What a wrong kit costs on average now, beside what the best question costs and saves."""
    unit = settings.cost_currency
    words = (
        f"Ordering the {decision.section}-side kit now costs {decision.expected_wrong_cost:.2f} {unit} on average in "
        f"wrong kits ({_share_words(1.0 - decision.fit_probability)} of {settings.wrong_kit_cost:g} {unit})"
    )
    best = max(questions, key=lambda q: q.worth(decision.section, settings), default=None)
    if best is None:
        return replace(decision, cost_sentence=f"{words}; no question is left to ask.")
    cost = settings.question_cost(best.question.minutes)
    saves = best.sure.get(decision.section, 0.0) * settings.wrong_kit_cost
    figures = f"costs {cost:.2f} {unit} and saves {saves:.2f} {unit} on average"
    if saves > cost:
        words += f'; the question that saves most pays ("{best.ask}"): it {figures}.'
    else:
        words += f"; no question left pays for itself (the best {figures})."
    return replace(decision, question_cost=cost, question_saves=saves, cost_sentence=words)


def _elastomer_checked(decision: Decision, own: Sequence[KitOffer], doubt: str) -> Decision:
    """The same, but a kit whose elastomer is commonly avoided with the fluid waits for the maker's chart."""
    with_elastomer = {offer.kit_no for offer in own if offer.elastomer_status == "as_said"}
    if decision.action != "order" or not doubt or not with_elastomer & set(decision.kit_nos):
        return decision
    words = (
        f"The {decision.section}-side fit is settled ({_percent(decision.fit_probability)}), but do not order "
        f"{joined(decision.kit_nos)} yet. {doubt}"
    )
    return replace(decision, action="ask_elastomer", sentence=words)


def _held_back(decision: Decision, doubt: str) -> Decision:
    """The same, but the contradiction comes first and nothing is ordered before it is cleared up."""
    action: Action = "not_in_set" if decision.action == "not_in_set" else "ask"
    words = f"Do not order {_kit_words(decision.section)} yet: something does not agree. {doubt}"
    return replace(decision, action=action, sentence=words, assumptions=())


def _decide_one(
    section: str,
    own: Sequence[KitOffer],
    not_in_set: float,
    questions: Sequence[RankedQuestion],
    assumptions: Sequence[str],
    settings: MatchSettings,
) -> Decision:
    fit = own[0].probability if own else 0.0
    loss = (1.0 - fit) * settings.wrong_kit_cost
    question = next((q for q in questions if q.about == "fit"), None)
    ask = f"Ask next: {question.ask}" if question else _NAMEPLATE
    bar = f"{100 * settings.order_threshold:g} %"
    if not_in_set > _MOSTLY_UNKNOWN:
        words = f"Do not order: most likely this pump is not in the set ({_percent(not_in_set)}). {ask}"
        return Decision(section, "not_in_set", (), fit, loss, words)
    if fit < settings.order_threshold:
        best = own[:1]
        so_far = f"the best fits with {_percent(fit)}, {bar} is needed"
        words = f"Do not order {_kit_words(section)} yet: {so_far}. {ask}"
        return Decision(section, "ask", tuple(o.kit_no for o in best), fit, loss, words)
    paying = max(questions, key=lambda q: q.worth(section, settings), default=None)
    if paying is not None and paying.worth(section, settings) > 0.0:
        words = _paying_words(section, fit, loss, paying, settings)
        return Decision(section, "ask", (own[0].kit_no,), fit, loss, words)
    same_fit = [offer for offer in own if offer.kit_no in (own[0].kit_no, *own[0].same_fit)]
    return _settled(section, same_fit, loss, bar, tuple(assumptions))


def _paying_words(section: str, fit: float, loss: float, question: RankedQuestion, settings: MatchSettings) -> str:
    unit = settings.cost_currency
    cost = settings.question_cost(question.question.minutes)
    return (
        f"Do not order {_kit_words(section)} yet: it fits with {_percent(fit)}, but a wrong kit would cost "
        f"{loss:.2f} {unit} on average and one question only {cost:.2f} {unit}. Ask next: {question.ask}"
    )


def _settled(
    section: str, same_fit: Sequence[KitOffer], loss: float, bar: str, assumptions: tuple[str, ...]
) -> Decision:
    """The body is settled; is the elastomer?"""
    fit = same_fit[0].probability
    chosen = [offer for offer in same_fit if offer.elastomer_status in ("as_said", "none")]
    if chosen:
        numbers = tuple(offer.kit_no for offer in chosen)
        order = f"{_order_words(section, chosen)}{_superseded_words(chosen)}"
        words = f"{order} It fits with {_percent(fit)}, {bar} is needed."
        return Decision(section, "order", numbers, fit, loss, words, assumptions)
    numbers = tuple(offer.kit_no for offer in same_fit)
    listed = joined([f"{offer.kit_no} ({offer.elastomer})" for offer in same_fit])
    settled = f"The {section}-side fit is settled ({_percent(fit)}, {bar} is needed)"
    if any(offer.elastomer_status == "other" for offer in same_fit):
        words = f"{settled}, but no kit has the elastomer said. There are {listed}: ask again."
    else:
        words = f"{settled}, the elastomer is not. Ask which one, then order {listed}."
    return Decision(section, "ask_elastomer", numbers, fit, loss, words, assumptions)


def _order_words(section: str, chosen: Sequence[KitOffer]) -> str:
    said = f" in {chosen[0].elastomer}, as said" if chosen[0].elastomer else ""
    if len(chosen) == 1:
        return f"Order {section}-side kit {chosen[0].kit_no}{said}."
    listed = joined([f"{offer.kit_no} ({offer.contents or offer.elastomer})" for offer in chosen])
    return f"Order {section}-side kit {listed}{said}, whichever parts are worn."


def _superseded_words(offers: Sequence[KitOffer]) -> str:
    """Older numbers a customer may still have on paper."""
    said = [superseded_words(offer) for offer in offers if offer.supersedes]
    return "".join(f" {words}" for words in said)


def superseded_words(offer: KitOffer) -> str:
    """That a number has taken the place of others, in one sentence."""
    older = joined(offer.supersedes, "and")
    verb = "is" if len(offer.supersedes) == 1 else "are"
    return f"Number {older} {verb} superseded by {offer.kit_no}."


def _kit_words(section: str) -> str:
    article = "an" if section[:1].lower() in "aeiou" else "a"
    return f"{article} {section}-side kit"


def _share_words(share: float) -> str:
    """A small share with two digits, never as a power of ten."""
    percent = 100.0 * max(share, 0.0)
    return f"{percent:.0f} %" if percent >= 10.0 else f"{percent:.2g} %"


def _percent(probability: float) -> str:
    """Percent with as many digits as the distance from certainty needs, never a false 100."""
    if probability > 0.9999:
        return "over 99.99 %"
    digits = 2 if probability > 0.99 else 1 if probability > 0.9 else 0
    return f"{100 * probability:.{digits}f} %"
