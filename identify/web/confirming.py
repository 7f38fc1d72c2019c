"""What happens when the truth about a case is known: it is kept beside what was said, and taught to the set."""

import uuid

from features.measured import MeasuredLength
from identify.typed.known_values import TypedLength
from identify.web.case_answer import CaseAnswer
from identify.web.case_record import CaseRecord, Confirmed, now
from identify.web.desk import Desk
from reference_geometry.measurements import Measurement
from reference_geometry.store import open_store


def confirm(desk: Desk, answered: CaseAnswer, family_id: str, by: str) -> CaseRecord:
    """Keep what the pump turned out to be.

    Lengths somebody measured by hand go into the shop's own set as readings of that family, once.

    Args:
        desk: what the pages share.
        answered: the case with its answer as it is now.
        family_id: the true family, "" for none of the set.
        by: who says so.
    """
    answer, record = answered.answer, answered.record
    chances = {candidate.family.family_id: candidate.probability for candidate in answer.candidates}
    best = answer.candidates[0] if answer.candidates else None
    confirmed = Confirmed(
        family_id=family_id,
        by=by,
        on=now(),
        best_family_id=best.family.family_id if best else "",
        best_probability=best.probability if best else 0.0,
        probability=chances.get(family_id, 0.0) if family_id else answer.not_in_set,
        pulls=_pulls(answered),
    )
    if family_id and record.confirmed is None:
        _teach(desk, answered, family_id, by)
    update = {"confirmed": confirmed, "state": "closed"}
    return desk.cases.change(record.number, lambda case: case.model_copy(update=update))


def reopened(case: CaseRecord) -> CaseRecord:
    """The case with its confirmation taken back."""
    return case.model_copy(update={"confirmed": None, "state": "sent" if case.state == "closed" else case.state})


def _typed(answered: CaseAnswer) -> list[TypedLength]:
    return [known for known in answered.answered.understood.knowns if isinstance(known, TypedLength)]


def _pulls(answered: CaseAnswer) -> dict[str, float]:
    """Of each length known by hand and by photo: how far apart, in standard uncertainties of the difference."""
    by_photo: dict[str, MeasuredLength] = {length.name: length for length in answered.survey.lengths}
    pulls = {}
    for typed in _typed(answered):
        length = by_photo.get(typed.name)
        if length is not None and not length.is_ratio_only:
            together = (length.standard_uncertainty_mm**2 + typed.sd_mm**2) ** 0.5
            pulls[typed.name] = round((length.value_mm - typed.value_mm) / together, 3)
    return pulls


def _teach(desk: Desk, answered: CaseAnswer, family_id: str, by: str) -> None:
    day, source = now().date(), f"case {answered.record.number}"
    readings = [
        Measurement(uuid.uuid4().hex, family_id, typed.name, typed.value_mm, by, day, source)
        for typed in _typed(answered)
    ]
    if not readings or desk.shop.url is None:
        return
    with open_store(desk.shop.url) as store:
        store.put(measurements=readings)
    desk.shop.read_again()
