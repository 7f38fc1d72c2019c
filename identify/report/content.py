"""One answer as report content: the answer in three lines, then everything behind it, in a fixed order."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from itertools import accumulate

from features.problems import NO_PUMP_SEEN
from features.survey import Survey
from identify.answer import Answer
from identify.repair.cautions import ALWAYS
from identify.report.blocks import Bullets, Picture, Pictures, ReportContent, Section
from identify.report.matched import (
    candidate_section,
    caution_section,
    confirmation_section,
    conflict_section,
    contents_section,
    family_words,
    kit_section,
    letter_section,
    question_section,
    reason_section,
)
from identify.report.measured import (
    budget_section,
    measured_section,
    photo_section,
    port_section,
    problem_section,
    seen_section,
)
from identify.report.replaced import replacement_section
from identify.wording import chance_words, feature_words, length_words, value_words

DEMO_NOTE = "DEMO DATA: makers, pumps, kits, prices and lead times are invented. Order nothing by this answer."

_TOLD_ATTRIBUTES = 4
HEADLINE_LENGTHS = 2
"""Lengths named in the three lines of the answer."""


def report_content(answer: Answer, made: date, pictures: Sequence[Picture] = ()) -> ReportContent:
    """Everything one answer says.

    Args:
        answer: the answer.
        made: date of the report.
        pictures: annotated photos.
    """
    headline = (decision_line(answer), candidate_line(answer), measured_line(answer))
    matched = [
        conflict_section(answer),
        candidate_section(answer),
        reason_section(answer),
        kit_section(answer),
        contents_section(answer),
        question_section(answer),
        letter_section(answer),
        replacement_section(answer),
    ]
    return ReportContent(
        title="Pump and rebuild kit",
        made=_date_words(made),
        headline=headline,
        demo_note=DEMO_NOTE if answer.is_demo else "",
        sections=_in_order(answer, pictures, matched, [caution_section(answer), confirmation_section()]),
        footer=f"untagged, {_date_words(made)}; reference set: {answer.reference_name}",
    )


def measurement_content(answer: Answer, made: date, pictures: Sequence[Picture] = ()) -> ReportContent:
    """Only what was measured, for a call that did not ask which pump it is."""
    return ReportContent(
        title="Measurements of a pump",
        made=_date_words(made),
        headline=(measured_line(answer),),
        demo_note="",
        sections=_in_order(
            replace(answer, assumptions=()),  # the rest of them are about matching, which was not asked for
            pictures,
            [conflict_section(answer)],
            [Section("Cautions", (Bullets(ALWAYS),))],
        ),
        footer=f"untagged, {_date_words(made)}",
    )


def _in_order(
    answer: Answer,
    pictures: Sequence[Picture],
    matched: Sequence[Section | None],
    last: Sequence[Section],
) -> tuple[Section, ...]:
    survey = answer.survey or Survey((), (), (), (), ())
    # What an order rests on is listed beside the order.
    ordered = any(decision.assumptions for decision in answer.decisions)
    sections: list[Section | None] = []
    if pictures:
        sections.append(Section("Photos with sizes", (Pictures(tuple(pictures)),), on_screen=False))
    sections += [
        *matched,
        measured_section(answer.measurements, () if ordered else answer.assumptions, bool(survey.photos)),
        port_section(answer.ports),
        seen_section(answer.attributes),
        photo_section(survey) if survey.photos else None,
        problem_section(survey),
        budget_section(answer.measurements),
        *last,
    ]
    return tuple(section for section in sections if section is not None)


def decision_line(answer: Answer) -> str:
    """What to do about the kit."""
    if answer.decision is not None:
        return answer.decision.sentence
    return "Do not order: this reference set holds no kit for what was seen."


def candidate_line(answer: Answer) -> str:
    """The most likely pump and the chance that the set does not hold it."""
    unknown = f"not in this set {chance_words(answer.not_in_set)}"
    if not answer.candidates:
        return f"Pump: {unknown}."
    first = answer.candidates[0]
    if first.probability < _OPEN:
        several = likely_count(answer)
        likeliest = f"the likeliest {family_words(first.family)}, {chance_words(first.probability)}"
        return f"Pump still open between {several} families, {likeliest}; {unknown}."
    return f"Most likely pump: {family_words(first.family)}, {chance_words(first.probability)}; {unknown}."


_OPEN = 0.5
_LIKELY_SHARE = 0.95


def likely_count(answer: Answer) -> int:
    """How many families, the likeliest first, share 95 % of the chance that the set holds the pump."""
    wanted = _LIKELY_SHARE * sum(c.probability for c in answer.candidates)
    reached = accumulate(c.probability for c in answer.candidates)
    return next((count for count, total in enumerate(reached, start=1) if total >= wanted), len(answer.candidates))


def measured_line(answer: Answer) -> str:
    """The leading lengths and the port, or that there is no scale."""
    absolute = [length for length in answer.measurements if not length.is_ratio_only]
    said = [
        f"{feature_words(length.name)} {length_words(length.value_mm, *length.interval_mm)}"
        for length in absolute[:HEADLINE_LENGTHS]
    ]
    by_photo = answer.survey is not None and bool(answer.survey.photos)
    if not by_photo:
        said += _told_words(answer)
    if not absolute and (answer.measurements or not said):
        said.insert(0, "ratios only, no scale" if answer.measurements else _why_nothing(answer))
    if answer.ports and answer.ports[0].probability >= 0.5:
        port = answer.ports[0]
        said.append(f"port {port.standard} {port.nominal_in} in ({chance_words(port.probability)})")
    verb = "Measured" if by_photo else "Known"
    return f"{verb}: {'; '.join(said)}."


def _why_nothing(answer: Answer) -> str:
    """Nothing was measured; said with it when no photo looks like a pump's."""
    photos = answer.survey.photos if answer.survey is not None else ()
    strange = [any(problem.kind is NO_PUMP_SEEN for problem in photo.problems) for photo in photos]
    return "nothing; no photo here looks like a diaphragm pump" if strange and all(strange) else "nothing"


def _told_words(answer: Answer) -> list[str]:
    """Attributes somebody told, as "chamber bolts 8"."""
    best = ((seen.name, max(seen.likelihood, key=seen.likelihood.__getitem__)) for seen in answer.attributes)
    return [f"{feature_words(name)} {value_words(value)}" for name, value in best][:_TOLD_ATTRIBUTES]


def _date_words(day: date) -> str:
    return f"{day.day} {day:%B %Y}"
