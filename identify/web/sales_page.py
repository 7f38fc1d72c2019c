"""The page for sales: open cases, the photos with what was measured, corrections, and the answer beside them."""

import json
from collections.abc import Callable, Iterator
from typing import Any

import gradio

from features.survey import Survey
from identify.typed.known_values import READING_SD_MM
from identify.typed.known_words import attribute_names
from identify.typed.options import CARD_PLACES
from identify.web.case_answer import CaseAnswer
from identify.web.case_record import CaseRecord, as_case_number
from identify.web.case_store import NoSuchCase
from identify.web.confirming import confirm, reopened
from identify.web.corrections import (
    NotUnderstood,
    with_circle,
    with_place,
    with_points,
    with_skipped,
    with_value,
    without_corrections,
)
from identify.web.desk import Desk
from identify.web.html_parts import panel, text
from identify.web.intake import take_in
from identify.web.measuring import Step
from identify.web.page_parts import (
    PHOTO_TYPES,
    QUIET,
    at_work,
    blocks,
    case_mark,
    header,
    html,
    kept_in_page,
    listening_html,
    said,
    user_of,
)
from identify.web.photo_drawing import drawing
from identify.web.photo_view import photo_view
from identify.web.plots import plots
from identify.web.sales_panels import (
    answer_panel,
    case_list,
    known_panel,
    measured_panel,
    photo_strip,
    replacement_panel,
)
from identify.web.words import Words
from identify.web.worker_process import JobFailed, Stopped

KEEP = gradio.skip
"""Leaves a part of the page as it is."""

NOT_IN_SET = "-"
_KNOWABLE = (*READING_SD_MM, *attribute_names(), "elastomer", "fluid")

Shown = tuple[Any, ...]


def build_sales_page(desk: Desk, t: Words) -> Any:
    """Lay out the page; returns the `gradio.Blocks`."""
    page = SalesPage(desk, t)
    with blocks(t) as laid_out:
        page.lay_out(laid_out)
    return laid_out


class SalesPage:
    """The parts of the page and what happens when they are used.

    Args:
        desk: what all pages share.
        t: the language.
    """

    def __init__(self, desk: Desk, t: Words) -> None:
        self._desk, self._t = desk, t

    # --- layout ---------------------------------------------------------------------------------------
    def lay_out(self, laid_out: Any) -> None:
        """Put the parts in place and tie them to what they do."""
        self._head = html(header(self._t, "sales"))
        html(panel(f'<h1 class="hidden">{text(self._t("sales.title"))}</h1>'))
        self._case, self._photo, self._outline = kept_in_page(), kept_in_page(), kept_in_page()
        with gradio.Row(equal_height=False, elem_classes="desk"):
            with gradio.Column(scale=2, min_width=230):
                self._lay_out_cases()
            with gradio.Column(scale=5, min_width=340):
                self._lay_out_photo()
            with gradio.Column(scale=4, min_width=330):
                self._answer = listening_html({"outline": "outline", "skip": "skip"})
                self._lay_out_confirming()
        self._plots = html()
        self._tie(laid_out)

    def _lay_out_cases(self) -> None:
        t = self._t
        self._uploads = gradio.File(
            label=t("sales.new_case"), file_count="multiple", type="filepath", file_types=PHOTO_TYPES, height=150
        )
        self._new_place = gradio.Dropdown(
            [(t.place(place), place) for place in CARD_PLACES], value="unknown", label=t("tech.place")
        )
        with gradio.Row():
            self._number = gradio.Textbox(label=t("sales.number"), placeholder="ABC-2345", max_length=20, min_width=120)
            self._by_phone = gradio.Button(t("sales.by_phone"), size="sm", min_width=100)
        self._list = listening_html({"open": "open"})

    def _lay_out_photo(self) -> None:
        t = self._t
        self._status = html()
        self._cancel = gradio.Button(t("page.cancel"), visible=False, size="sm")
        self._strip = listening_html({"pick": "photo"})
        self._view = photo_view(t)
        with gradio.Column(visible=False) as self._tools:
            with gradio.Row():
                self._place = gradio.Dropdown(
                    [(t.place(place), place) for place in CARD_PLACES], label=t("tech.place"), min_width=180
                )
                more = gradio.File(
                    label=t("sales.more_photos"), file_count="multiple", type="filepath", file_types=PHOTO_TYPES,
                    height=150, min_width=180,
                )  # fmt: skip
                self._more = more
            with gradio.Row():
                knowable = [(t.feature(name), name) for name in _KNOWABLE]
                self._name = gradio.Dropdown(knowable, value="chamber_diameter", label=t("known.what"), min_width=180)
                self._value = gradio.Textbox(
                    label=t("known.value"), placeholder="212.4 mm", max_length=80, min_width=140
                )
                self._add = gradio.Button(t("known.add"), min_width=80)
        self._known = listening_html({"drop": "drop"})
        self._measured = html()

    def _lay_out_confirming(self) -> None:
        t = self._t
        with gradio.Accordion(t("confirm.title"), open=False, visible=False) as self._confirming:
            self._truth = gradio.Dropdown([], label=t("confirm.family"))
            with gradio.Row():
                self._confirm = gradio.Button(t("confirm.confirm"), min_width=120)
                self._reopen = gradio.Button(t("confirm.reopen"), min_width=120)
                self._remove = gradio.Button(t("confirm.remove"), variant="stop", min_width=120)
            self._sure = gradio.Checkbox(label=t("confirm.sure"), value=False)

    def _tie(self, laid_out: Any) -> None:
        place = [self._case, self._photo, self._outline]
        shown = [*place, self._status, self._cancel, self._list, self._strip, self._view, self._tools, self._place,
                 self._known, self._measured, self._answer, self._confirming, self._truth, self._plots]  # fmt: skip
        self._shown_count = len(shown)
        work: Any = [
            self._uploads.upload(self.new_case, [self._uploads, self._new_place], [self._uploads, *shown], **QUIET),
            self._more.upload(self.more_photos, [self._more, *place, self._place], [self._more, *shown], **QUIET),
            self._number.submit(self.open_typed, self._number, shown, **QUIET),
            self._by_phone.click(self.by_phone, None, shown, **QUIET),
            self._list.open(self.open_listed, None, shown, **QUIET),
            self._strip.pick(self.pick, place, shown, **QUIET),
            self._view.circle(self.circle, place, shown, **QUIET),
            self._view.points(self.points, place, shown, **QUIET),
            self._view.reset(self.reset, place, shown, **QUIET),
            self._place.input(self.card_at, [*place, self._place], shown, **QUIET),
            self._known.drop(self.drop, place, shown, **QUIET),
            self._answer.outline(self.outline, place, shown, **QUIET),
            self._answer.skip(self.skip, place, shown, **QUIET),
            self._confirm.click(self.confirm, [*place, self._truth], shown, **QUIET),
            self._reopen.click(self.reopen, place, shown, **QUIET),
        ]
        for typed in (self._add.click, self._value.submit):
            inputs, outputs = [*place, self._name, self._value], [self._value, *shown]
            work.append(typed(self.add_known, inputs, outputs, **QUIET))
        self._remove.click(self.remove, [self._case, self._sure], [*shown, self._sure], **QUIET)
        self._cancel.click(self.cancel, self._case, [self._status, self._cancel], cancels=work, **QUIET)
        laid_out.load(self.come_back, None, [self._head, *shown], **QUIET)

    # --- cases ----------------------------------------------------------------------------------------
    def come_back(self, request: gradio.Request) -> Iterator[Shown]:
        """The page was opened, perhaps again: the case of its address is there as it was left."""
        head = header(self._t, "sales", user_of(request), self._desk.has_logins)
        number = as_case_number(str(request.query_params.get("case", "")))
        for shown in self._opened(number) if number else iter([self._empty("")]):
            yield (head, *shown)

    def new_case(self, uploads: list[str] | None, place: str, request: gradio.Request) -> Iterator[Shown]:
        """Photos of a pump nobody has asked about yet."""
        record = self._desk.cases.open_case(user_of(request).name)
        yield from self._taken(record, uploads or [], place, "")

    def more_photos(
        self, uploads: list[str] | None, number: str, photo: str, outline: str, place: str
    ) -> Iterator[Shown]:
        """More photos of the same pump."""
        yield from self._taken(self._desk.cases.load(number), uploads or [], place, outline)

    def by_phone(self, request: gradio.Request) -> Iterator[Shown]:
        """A case without photos: only what the customer says."""
        yield from self._work(self._desk.cases.open_case(user_of(request).name), "", "")

    def open_typed(self, number: str) -> Iterator[Shown]:
        """A case number was typed."""
        yield from self._opened(as_case_number(number))

    def open_listed(self, event: gradio.EventData) -> Iterator[Shown]:
        """A case of the list was chosen."""
        yield from self._opened(as_case_number(_text(event, "open")))

    def remove(self, number: str, is_sure: bool) -> Shown:
        """Remove a case and everything of it, if the box beside the button is ticked."""
        if not is_sure or not number:
            return (*self._nothing(said(self._t("confirm.tick"), "warning")), KEEP())
        self._desk.measurer.stop(number)
        self._desk.cases.remove(number)
        return (*self._empty(said(self._t("confirm.removed", number=number))), False)

    def cancel(self, number: str) -> tuple[str, Any]:
        """Give up the measuring; photos and corrections stay."""
        if number:
            self._desk.measurer.stop(number)
        return said(self._t("page.cancelled")), gradio.Button(visible=False)

    def _opened(self, number: str) -> Iterator[Shown]:
        try:
            record = self._desk.cases.load(number)
        except NoSuchCase:
            yield self._empty(said(self._t("sales.no_such_case"), "warning"))
            return
        yield from self._work(record, "", "")

    def _taken(self, record: CaseRecord, uploads: list[str], place: str, outline: str) -> Iterator[Shown]:
        t, refused = self._t, ""
        for taken in take_in(self._desk, record, uploads, place if place in CARD_PLACES else "unknown"):
            record = taken.record
            now = at_work(t("tech.looking", number=min(taken.number + 1, taken.count), count=taken.count))
            yield (KEEP(), *self._shown(record, "", outline, now, working=True))
            refused = " ".join(f"{name}: {t.meaning(p.kind)} {t.advice(p.kind)}" for name, p in taken.refused)
        last = record.photos[-1].photo_id if record.photos else ""
        yield from ((None, *shown) for shown in self._work(record, last, outline, refused))

    # --- corrections ----------------------------------------------------------------------------------
    def pick(self, number: str, photo: str, outline: str, event: gradio.EventData) -> Iterator[Shown]:
        """Another photo is to be shown."""
        yield from self._work(self._desk.cases.load(number), _text(event, "photo"), outline)

    def outline(self, number: str, photo: str, outline: str, event: gradio.EventData) -> Iterator[Shown]:
        """A candidate's outline is to be laid over the photo, or taken off again."""
        wanted = _text(event, "outline")
        yield from self._work(self._desk.cases.load(number), photo, "" if wanted == outline else wanted)

    def circle(self, number: str, photo: str, outline: str, event: gradio.EventData) -> Iterator[Shown]:
        """A circle was drawn or moved: look there."""
        yield from self._corrected(number, photo, outline, lambda case: with_circle(case, photo, _data(event)))

    def points(self, number: str, photo: str, outline: str, event: gradio.EventData) -> Iterator[Shown]:
        """Two points and the length between them were set."""
        yield from self._corrected(number, photo, outline, lambda case: with_points(case, photo, _data(event)))

    def reset(self, number: str, photo: str, outline: str) -> Iterator[Shown]:
        """Circles and points of this photo are taken back."""
        yield from self._corrected(number, photo, outline, lambda case: without_corrections(case, photo))

    def card_at(self, number: str, photo: str, outline: str, place: str) -> Iterator[Shown]:
        """The scale of this photo lies elsewhere."""
        yield from self._corrected(number, photo, outline, lambda case: with_place(case, photo, place))

    def add_known(self, number: str, photo: str, outline: str, name: str, value: str) -> Iterator[Shown]:
        """A calliper value, or something the customer said."""
        shown = self._corrected(number, photo, outline, lambda case: with_value(case, name, value or ""))
        yield from ((KEEP(), *parts) for parts in shown)

    def drop(self, number: str, photo: str, outline: str, event: gradio.EventData) -> Iterator[Shown]:
        """Take back something that was said."""
        name = _text(event, "drop")
        yield from self._corrected(number, photo, outline, lambda case: case.with_known(name, ""))

    def skip(self, number: str, photo: str, outline: str, event: gradio.EventData) -> Iterator[Shown]:
        """The customer can not answer that."""
        code = _text(event, "skip")
        yield from self._corrected(number, photo, outline, lambda case: with_skipped(case, code))

    def _corrected(
        self, number: str, photo: str, outline: str, change: Callable[[CaseRecord], CaseRecord]
    ) -> Iterator[Shown]:
        """Keep a correction, then measure what it touches; what is being measured without it is given up."""
        try:
            record = self._desk.cases.change(number, change)
        except NotUnderstood as trouble:
            yield self._nothing(said(trouble.reason or self._t(trouble.key), "warning"))
            return
        self._desk.measurer.stop(number)
        yield from self._work(record, photo, outline)

    # --- the truth ------------------------------------------------------------------------------------
    def confirm(
        self, number: str, photo: str, outline: str, truth: str | None, request: gradio.Request
    ) -> Iterator[Shown]:
        """The pump turned out to be this."""
        record = self._desk.cases.load(number)
        if not truth or not self._desk.measurer.is_measured(record):
            yield self._nothing(said(self._t("confirm.choose"), "warning"))
            return
        answered = self._desk.answer(record, self._desk.measurer.measured(record))
        family_id = "" if truth == NOT_IN_SET else truth
        record = confirm(self._desk, answered, family_id, user_of(request).name)
        yield from self._work(record, photo, outline, self._t("confirm.done"))

    def reopen(self, number: str, photo: str, outline: str) -> Iterator[Shown]:
        """It was not so after all."""
        yield from self._work(self._desk.cases.change(number, reopened), photo, outline)

    # --- showing --------------------------------------------------------------------------------------
    def _work(self, record: CaseRecord, photo: str, outline: str, trouble: str = "") -> Iterator[Shown]:
        """Measure what has to be measured, telling how far it is, then show everything."""
        t = self._t
        try:
            for told in self._desk.measurer.measure(record):
                if isinstance(told, Step):
                    now = at_work(t("page.measuring", number=told.number, count=told.count, name=told.name))
                    yield self._shown(record, photo, outline, now, working=True)
                elif isinstance(told, Survey):
                    answered = self._desk.answer(record, told)
                    yield self._shown(record, photo, outline, said(trouble, "warning"), answered)
        except Stopped:
            yield self._shown(record, photo, outline, said(t("page.cancelled")))
        except JobFailed:
            yield self._shown(record, photo, outline, said(t("page.failed"), "warning"))

    def _shown(
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
        view = json.dumps(drawing(t, record, photo, survey, family)) if photo else "{}"
        place = gradio.Dropdown(value=photo.card_at if photo else "unknown", interactive=photo is not None)
        number_shown = photo.photo_id if photo else ""
        cases = desk.cases.listed()
        return (
            record.number,
            number_shown,
            outline,
            case_mark(record.number) + status,
            gradio.Button(visible=working),
            case_list(t, cases, record.number),
            photo_strip(t, record, number_shown),
            view,
            gradio.Column(visible=True),
            place,
            known_panel(t, record),
            measured_panel(t, answered) if answered else KEEP() if working else "",
            answer_panel(t, answered, outline) if answered else KEEP() if working else "",
            gradio.Accordion(visible=answered is not None),
            self._truths(answered) if answered else KEEP(),
            self._below(answered, cases) if answered else KEEP() if working else "",
        )

    def _below(self, answered: CaseAnswer, cases: list[CaseRecord]) -> str:
        """What needs the whole width: pictures of the numbers, repair beside replacement."""
        return plots(self._t, answered.answer, cases) + replacement_panel(self._t, answered.answer)

    def _truths(self, answered: CaseAnswer) -> Any:
        """Families to confirm, likely ones first."""
        likely = [candidate.family.family_id for candidate in answered.answer.candidates]
        others = [f.family_id for f in self._desk.shop.prepared.reference.families if f.family_id not in set(likely)]
        choices = [(name, name) for name in (*likely, *others)]
        confirmed = answered.record.confirmed
        value = None if confirmed is None else confirmed.family_id or NOT_IN_SET
        return gradio.Dropdown([*choices, (self._t("answer.not_in_set"), NOT_IN_SET)], value=value)

    def _empty(self, status: str) -> Shown:
        """No case is shown."""
        blank: list[Any] = [""] * self._shown_count
        blank[3] = case_mark("") + status
        blank[4], blank[8] = gradio.Button(visible=False), gradio.Column(visible=False)
        blank[13] = gradio.Accordion(visible=False)
        blank[5], blank[7] = case_list(self._t, self._desk.cases.listed(), ""), "{}"
        blank[9], blank[14] = KEEP(), KEEP()
        return tuple(blank)

    def _nothing(self, status: str) -> Shown:
        """Only the line of status changes."""
        shown: list[Any] = [KEEP() for _ in range(self._shown_count)]
        shown[3] = status
        return tuple(shown)


def _data(event: gradio.EventData) -> dict[str, Any]:
    data = event._data
    return data if isinstance(data, dict) else {}


def _text(event: gradio.EventData, key: str) -> str:
    return str(_data(event).get(key, ""))[:100]

