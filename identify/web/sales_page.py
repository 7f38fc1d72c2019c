"""The page for sales: open cases, the photos with what was measured, corrections, and the answer beside them."""

from collections.abc import Callable, Iterator
from typing import Any

import gradio

from features.survey import Survey
from identify.typed.options import CARD_PLACES
from identify.web.case_answer import CaseAnswer
from identify.web.case_record import CaseRecord, as_case_number
from identify.web.case_store import NoSuchCase
from identify.web.confirming import confirm, reopened
from identify.web.corrections import (
    NotUnderstood,
    hints_not_followed,
    with_circle,
    with_place,
    with_points,
    with_scale,
    with_skipped,
    with_value,
    without_corrections,
)
from identify.web.desk import Desk
from identify.web.intake import MOST_PHOTOS, remove_photo, take_in
from identify.web.measuring import Step
from identify.web.page_parts import KEEP, QUIET, Page, at_work, header, said, user_of
from identify.web.sales_layout import SalesFields
from identify.web.sales_shown import NOT_IN_SET, SalesView, Shown
from identify.web.words import Words
from identify.web.worker_process import JobFailed, Stopped


class SalesPage(Page):
    """The parts of the page and what happens when they are used; see `Page`."""

    def __init__(self, desk: Desk, t: Words) -> None:
        super().__init__(desk, t)
        self._view = SalesView(desk, t)

    def lay_out(self, laid_out: Any) -> None:
        """Put the parts in place and tie them to what they do."""
        f = SalesFields(self._t)
        place, shown = f.place_in_case, f.shown
        f.uploads.upload(self.new_case, [f.uploads, f.new_place], [f.uploads, *shown], **QUIET)
        f.more.upload(self.more_photos, [f.more, *place, f.place], [f.more, *shown], **QUIET)
        f.number.submit(self.open_typed, f.number, shown, **QUIET)
        f.by_phone.click(self.by_phone, None, shown, **QUIET)
        f.list.open(self.open_listed, None, shown, **QUIET)
        f.strip.pick(self.pick, place, shown, **QUIET)
        f.view.circle(self.circle, place, shown, **QUIET)
        f.view.points(self.points, place, shown, **QUIET)
        f.view.reset(self.reset, place, shown, **QUIET)
        f.place.input(self.card_at, [*place, f.place], shown, **QUIET)
        f.coin.input(self.scale, [*place, f.coin, f.sheet], shown, **QUIET)
        f.sheet.input(self.scale, [*place, f.coin, f.sheet], shown, **QUIET)
        f.remove_photo.click(self.remove_photo, place, shown, **QUIET)
        f.known.drop(self.drop, place, shown, **QUIET)
        f.answer.outline(self.outline, place, shown, **QUIET)
        f.answer.skip(self.skip, place, shown, **QUIET)
        f.confirm.click(self.confirm, [*place, f.truth], shown, **QUIET)
        f.reopen.click(self.reopen, place, shown, **QUIET)
        for typed in (f.add.click, f.value.submit):
            inputs, outputs = [*place, f.name, f.value], [f.value, *shown]
            typed(self.add_known, inputs, outputs, **QUIET)
        f.remove.click(self.remove, [f.case, f.sure], [*shown, f.sure], **QUIET)
        f.cancel.click(self.cancel, f.case, [f.status, f.cancel], **QUIET)
        laid_out.load(self.come_back, None, [f.head, *shown], **QUIET)

    # --- cases ----------------------------------------------------------------------------------------
    def come_back(self, request: gradio.Request) -> Iterator[Shown]:
        """The page was opened, perhaps again: the case of its address is there as it was left."""
        head = header(self._t, "sales", user_of(request), self._desk.has_logins)
        number = as_case_number(str(request.query_params.get("case", "")))
        for shown in self._opened(number) if number else iter([self._view.empty("")]):
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
            return (*self._view.only(said(self._t("confirm.tick"), "warning")), KEEP())
        self._desk.measurer.stop(number)
        self._desk.cases.remove(number)
        return (*self._view.empty(said(self._t("confirm.removed", number=number))), False)

    def cancel(self, number: str) -> tuple[str, Any]:
        """Give up the measuring; photos and corrections stay."""
        if number:
            self._desk.measurer.give_up(number)
        return said(self._t("page.cancelled")), gradio.Button(visible=False)

    def _opened(self, number: str) -> Iterator[Shown]:
        try:
            record = self._desk.cases.load(number)
        except NoSuchCase:
            yield self._view.empty(said(self._t("sales.no_such_case"), "warning"))
            return
        yield from self._work(record, "", "")

    def _taken(self, record: CaseRecord, uploads: list[str], place: str, outline: str) -> Iterator[Shown]:
        t, refused = self._t, ""
        given_up = self._desk.measurer.taking_in(record.number)
        for taken in take_in(self._desk, record, uploads, place if place in CARD_PLACES else "unknown"):
            record = taken.record
            now = at_work(t("tech.looking", number=min(taken.number + 1, taken.count), count=taken.count))
            yield (KEEP(), *self._view.case(record, "", outline, now, working=True))
            refused = " ".join(f"{name}: {t.meaning(p.kind)} {t.advice(p.kind)}" for name, p in taken.refused)
            if taken.left_out:
                refused = f"{t('tech.left_out', count=MOST_PHOTOS, left=taken.left_out)} {refused}"
        last = record.photos[-1].photo_id if record.photos else ""
        if given_up.is_set():
            yield (None, *self._view.case(record, last, outline, said(f"{t('page.cancelled')} {refused}".strip())))
            return
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

    def scale(self, number: str, photo: str, outline: str, coin: str, sheet: str) -> Iterator[Shown]:
        """The scale is a coin or a sheet."""
        yield from self._corrected(number, photo, outline, lambda case: with_scale(case, coin, sheet))

    def remove_photo(self, number: str, photo: str, outline: str) -> Iterator[Shown]:
        """The photo that is shown does not belong to this pump."""
        yield from self._work(remove_photo(self._desk, number, photo), "", outline)

    def add_known(self, number: str, photo: str, outline: str, name: str, value: str) -> Iterator[Shown]:
        """A caliper value, or something the customer said."""
        shown = self._corrected(
            number, photo, outline, lambda case: with_value(case, name, self._t.value_meant(value or ""))
        )
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
            yield self._view.only(said(self._t.sentence(trouble.reason) or self._t(trouble.key), "warning"))
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
            yield self._view.only(said(self._t("confirm.choose"), "warning"))
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
                    yield self._view.case(record, photo, outline, now, working=True)
                elif isinstance(told, Survey):
                    yield self._view.only(at_work(t("page.answering")))
                    answered = self._desk.answer(record, told)
                    trouble = trouble or self._missed(answered, photo)
                    yield self._view.case(record, photo, outline, said(trouble, "warning"), answered)
        except Stopped:
            yield self._view.case(record, photo, outline, said(t("page.cancelled")))
        except JobFailed:
            yield self._view.case(record, photo, outline, said(t("page.failed"), "warning"))

    def _missed(self, answered: CaseAnswer, photo_id: str) -> str:
        """What to say where a drawn circle led to nothing."""
        t, photo = self._t, answered.record.photo(photo_id)
        missed = hints_not_followed(photo, answered.photo_survey(photo.name)) if photo else ()
        return " ".join(t("view.not_followed", name=t.feature(name)) for name in missed)


def _data(event: gradio.EventData) -> dict[str, Any]:
    data = event._data
    return data if isinstance(data, dict) else {}


def _text(event: gradio.EventData, key: str) -> str:
    return str(_data(event).get(key, ""))[:100]
