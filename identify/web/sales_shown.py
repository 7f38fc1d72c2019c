"""What the sales page shows of a case: a value for each of its fields, in the order of `sales_layout.SHOWN`."""

import json
from typing import Any

import gradio

from identify.web.case_answer import CaseAnswer
from identify.web.case_record import CaseRecord
from identify.web.desk import Desk
from identify.web.page_parts import KEEP, case_mark
from identify.web.photo_drawing import drawing
from identify.web.plots import plots
from identify.web.sales_layout import SHOWN
from identify.web.sales_panels import (
    answer_panel,
    case_list,
    known_panel,
    measured_panel,
    photo_strip,
    replacement_panel,
)
from identify.web.words import Words

NOT_IN_SET = "-"
"""What the list of families to confirm gives for a pump that none of them is."""

Shown = tuple[Any, ...]


class SalesView:
    """Cases as the page shows them.

    Args:
        desk: what all pages share.
        t: the language.
    """

    def __init__(self, desk: Desk, t: Words) -> None:
        self._desk, self._t = desk, t

    def case(
        self,
        record: CaseRecord,
        photo_id: str,
        outline: str,
        status: str,
        answered: CaseAnswer | None = None,
        working: bool = False,
    ) -> Shown:
        """Everything of the page for one case; what needs an answer stays as it is while there is none."""
        t, desk = self._t, self._desk
        photo = record.photo(photo_id) or (record.photos[0] if record.photos else None)
        family = next((f for f in desk.shop.prepared.reference.families if f.family_id == outline), None)
        survey = answered.photo_survey(photo.name) if answered and photo else None
        number_shown = photo.photo_id if photo else ""
        cases = desk.cases.listed()
        without_answer: Any = KEEP() if working else ""
        return _in_order(
            case=record.number,
            photo=number_shown,
            outline=outline,
            status=case_mark(record.number) + status,
            cancel=gradio.Button(visible=working),
            list=case_list(t, cases, record.number),
            strip=photo_strip(t, record, number_shown),
            view=json.dumps(drawing(t, record, photo, survey, family)) if photo else "{}",
            tools=gradio.Column(visible=True),
            place=gradio.Dropdown(value=photo.card_at if photo else "unknown", interactive=photo is not None),
            known=known_panel(t, record),
            measured=measured_panel(t, answered) if answered else without_answer,
            answer=answer_panel(t, answered, outline) if answered else without_answer,
            confirming=gradio.Accordion(visible=answered is not None),
            truth=self._truths(answered) if answered else KEEP(),
            plots=plots(t, answered.answer, cases) if answered else without_answer,
            below=replacement_panel(t, answered.answer) if answered else without_answer,
            coin=record.coin,
            sheet=record.sheet,
        )

    def empty(self, status: str) -> Shown:
        """No case is shown."""
        blank: dict[str, Any] = dict.fromkeys(SHOWN, "")
        blank |= {
            "status": case_mark("") + status,
            "cancel": gradio.Button(visible=False),
            "list": case_list(self._t, self._desk.cases.listed(), ""),
            "view": "{}",
            "tools": gradio.Column(visible=False),
            "place": KEEP(),
            "confirming": gradio.Accordion(visible=False),
            "truth": KEEP(),
        }
        return _in_order(**blank)

    def only(self, status: str) -> Shown:
        """Only the line of status changes."""
        return _in_order(status=status)

    def _truths(self, answered: CaseAnswer) -> Any:
        """Families to confirm, likely ones first."""
        likely = [candidate.family.family_id for candidate in answered.answer.candidates]
        others = [f.family_id for f in self._desk.shop.prepared.reference.families if f.family_id not in set(likely)]
        choices = [(name, name) for name in (*likely, *others)]
        confirmed = answered.record.confirmed
        value = None if confirmed is None else confirmed.family_id or NOT_IN_SET
        return gradio.Dropdown([*choices, (self._t("answer.not_in_set"), NOT_IN_SET)], value=value)


def _in_order(**values: Any) -> Shown:
    """Values of the fields that change; the others stay as they are."""
    return tuple(values[name] if name in values else KEEP() for name in SHOWN)
