"""The page for whoever stands at the pump: how to shoot, is each photo good enough, a few questions, a case number."""

from collections.abc import Iterator, Sequence
from typing import Any

import gradio

from features.survey import Survey
from identify.answer import Answer
from identify.questions.catalog import find_question
from identify.repair.cautions import ALWAYS
from identify.repair.elastomers import ASK_ALWAYS
from identify.typed.options import CARD_PLACES
from identify.web.case_answer import CaseAnswer, place_is_open
from identify.web.case_record import CaseRecord
from identify.web.case_store import NoSuchCase
from identify.web.corrections import NotUnderstood, with_place, with_scale
from identify.web.guard import OFFICE
from identify.web.guide_pictures import guide
from identify.web.html_parts import bullets, lengths_both_ways, panel, paragraph, section, text
from identify.web.intake import MOST_PHOTOS, remove_photo, take_in
from identify.web.measuring import Step
from identify.web.page_parts import (
    KEEP,
    PHOTO_TYPES,
    QUIET,
    Page,
    at_work,
    case_mark,
    header,
    html,
    kept_in_page,
    listening_html,
    said,
    scale_fields,
    user_of,
)
from identify.web.rest import add_rest
from identify.web.simple_questions import DO_NOT_KNOW, MOST_QUESTIONS, SimpleQuestion, as_simple, simple_questions
from identify.web.verdict import glanced_card, refused_card, verdict_card
from identify.web.words import LANGUAGES, Words
from identify.web.worker_process import JobFailed, Stopped
from identify.wording import chance_words

_STATUS = 2
"""Where the line of status stands among what is shown."""


class TechnicianPage(Page):
    """The parts of the page and what happens when they are used; see `Page`."""

    def lay_out(self, laid_out: Any) -> None:
        """Put the parts in place and tie them to what they do."""
        t = self._t
        self._head = html(header(t, "photos"))
        html(panel(f"<h1>{text(t('tech.title'))}</h1>", f'<p class="safety">{text(t("tech.safety"))}</p>'))
        with gradio.Accordion(t("tech.how"), open=True) as self._how:
            html(panel(guide(t), self._card_links()))
        self._place = gradio.Radio(
            [(t.place(place), place) for place in CARD_PLACES], value="unknown", label=t("tech.place")
        )
        with gradio.Accordion(t("tech.no_card"), open=False):
            self._coin, self._sheet = scale_fields(t)
        self._photos = gradio.File(
            label=t("tech.photos"), file_count="multiple", type="filepath", file_types=PHOTO_TYPES, height=110,
            elem_classes="photos",
        )  # fmt: skip
        self._status = html()
        self._cancel = gradio.Button(t("page.cancel"), visible=False, size="sm")
        self._verdicts = listening_html({"remove": "remove"})
        self._questions = [gradio.Radio([], label=t("tech.question"), visible=False) for _ in range(MOST_QUESTIONS)]
        self._note = gradio.Textbox(label=t("tech.note"), max_length=300, visible=False)
        self._done = gradio.Button(t("tech.done"), variant="primary", visible=False)
        self._outcome = html()
        self._case, self._asked = kept_in_page(), kept_in_page()
        self._tie(laid_out)
        if t.language == LANGUAGES[0]:  # programs read no language: one call is enough
            add_rest(self._desk)

    def _tie(self, laid_out: Any) -> None:
        shown = [self._case, self._asked, self._status, self._cancel, self._verdicts, *self._questions,
                 self._note, self._done, self._outcome, self._how]  # fmt: skip
        scale = [self._case, self._place, self._coin, self._sheet]
        self._photos.upload(self.take, [self._photos, *scale], [self._photos, *shown], **QUIET)
        for part in (self._place.input, self._coin.input, self._sheet.input):
            part(self.said_of_scale, scale, shown, **QUIET)
        self._cancel.click(self.cancel, self._case, [self._status, self._cancel], **QUIET)
        self._verdicts.remove(self.remove, self._case, shown, **QUIET)
        for place, question in enumerate(self._questions):
            question.input(_answer_at(self, place), [self._case, self._asked, question], None, **QUIET)
        done = self._done.click(self.done, [self._case, self._note], shown, **QUIET)
        done.then(None, None, None, js="() => window.scrollTo(0, document.body.scrollHeight)")
        laid_out.load(self.come_back, None, [self._head, *scale[1:], *shown], **QUIET)

    # --- what happens ---------------------------------------------------------------------------------
    def take(
        self, photos: list[str] | None, number: str, place: str, coin: str, sheet: str, request: gradio.Request
    ) -> Iterator[tuple[Any, ...]]:
        """Photos came: look at each at once, then measure them all."""
        t = self._t
        record = self._case_of(number, request) if number else self._desk.cases.open_case(user_of(request).name)
        changed, refused = self._with_scale(record, place, coin, sheet), ""
        if isinstance(changed, str):
            yield (None, *self._shown(record, said(changed, "warning")))
            return
        record = changed
        given_up = self._desk.measurer.taking_in(record.number)
        for taken in take_in(self._desk, record, photos or [], place):
            record = taken.record
            refused = "".join(refused_card(t, name, p.kind, p.detail) for name, p in taken.refused)
            now = t("tech.looking", number=min(taken.number + 1, taken.count), count=taken.count)
            glanced = "".join(glanced_card(t, name, glance) for name, glance in taken.glanced)
            if taken.left_out:
                refused += (
                    f'<li class="warning">{text(t("tech.left_out", count=MOST_PHOTOS, left=taken.left_out))}</li>'
                )
            yield (KEEP(), *self._shown(record, at_work(now), refused=refused + glanced, working=True))
        if given_up.is_set():
            yield (None, *self._shown(record, said(t("page.cancelled")), refused=refused))
            return
        yield from ((None, *shown) for shown in self._measure(record, refused))

    def said_of_scale(
        self, number: str, place: str, coin: str, sheet: str, request: gradio.Request
    ) -> Iterator[tuple[Any, ...]]:
        """Something else was said about the scale: it counts for all photos of the case."""
        if not number:
            yield self._nothing()
            return
        record = self._case_of(number, request)
        changed = self._with_scale(record, place, coin, sheet)
        if isinstance(changed, str):
            yield self._shown(record, said(changed, "warning"))
            return
        self._desk.measurer.stop(number)
        yield from self._measure(changed, "")

    def answered(self, number: str, asked: str, place: int, value: str, request: gradio.Request) -> None:
        """One of the questions was answered: kept at once."""
        codes = asked.split()
        question = as_simple(self._t, find_question(codes[place])) if place < len(codes) else None
        if question is None or value not in {choice for _, choice in question.choices}:
            return
        self._case_of(number, request)
        self._desk.cases.change(number, lambda case: _with_answer(case, question, value))

    def remove(self, number: str, event: gradio.EventData, request: gradio.Request) -> Iterator[tuple[Any, ...]]:
        """A photo was taken back, say one of another pump."""
        data = event._data if isinstance(event._data, dict) else {}
        record = self._case_of(number, request)
        yield from self._measure(remove_photo(self._desk, record.number, str(data.get("remove", ""))[:10]), "")

    def done(self, number: str, note: str, request: gradio.Request) -> Iterator[tuple[Any, ...]]:
        """The technician is done: the case goes to the office."""
        record = self._case_of(number, request)
        sent = {"state": "sent" if record.state == "open" else record.state, "note": note.strip()[:300]}
        record = self._desk.cases.change(number, lambda case: case.model_copy(update=sent))
        yield from self._measure(record, "", is_done=True)

    def cancel(self, number: str, request: gradio.Request) -> tuple[str, Any]:
        """Give up the measuring; photos and answers stay."""
        if number:
            self._desk.measurer.give_up(self._case_of(number, request).number)
        return said(self._t("page.cancelled")), gradio.Button(visible=False)

    def come_back(self, request: gradio.Request) -> Iterator[tuple[Any, ...]]:
        """The page was opened, perhaps again: the case of its address is there as it was left."""
        head = header(self._t, "photos", user_of(request), self._desk.has_logins)
        try:
            record = self._case_of(str(request.query_params.get("case", "")), request)
        except (NoSuchCase, PermissionError):
            yield (head, KEEP(), KEEP(), KEEP(), *self._nothing())
            return
        place = record.photos[-1].card_at if record.photos else "unknown"
        for shown in self._measure(record, "", is_done=record.state != "open"):
            yield (head, place, record.coin, record.sheet, *shown)

    # --- how it is shown ------------------------------------------------------------------------------
    def _measure(self, record: CaseRecord, refused: str, is_done: bool = False) -> Iterator[tuple[Any, ...]]:
        t = self._t
        try:
            for told in self._desk.measurer.measure(record):
                if isinstance(told, Step):
                    now = t("page.measuring", number=told.number, count=told.count, name=told.name)
                    yield self._shown(record, at_work(now), refused=refused, working=True)
                elif isinstance(told, Survey):
                    yield self._only(at_work(t("page.answering")))
                    answered = self._desk.answer(record, told) if record.photos else None
                    yield self._shown(record, "", answered, refused, is_done=is_done)
        except Stopped:
            yield self._shown(record, said(t("page.cancelled")), refused=refused)
        except JobFailed:
            yield self._shown(record, said(t("page.failed"), "warning"), refused=refused)

    def _shown(
        self,
        record: CaseRecord,
        status: str,
        answered: CaseAnswer | None = None,
        refused: str = "",
        working: bool = False,
        is_done: bool = False,
    ) -> tuple[Any, ...]:
        """Everything below the photo field."""
        t = self._t
        measured = {photo.name: photo for photo in answered.survey.photos} if answered else {}
        cards = "".join(verdict_card(t, record, photo, measured.get(photo.name)) for photo in record.photos)
        verdicts = panel(
            case_mark(record.number), f'<ul class="verdicts">{cards}{refused}</ul>', self._place_asked(record, answered)
        )
        questions = simple_questions(t, answered.answer) if answered and not is_done else ()
        return (
            record.number,
            " ".join(q.question.code for q in questions) if answered else KEEP(),
            status,
            gradio.Button(visible=working),
            verdicts,
            *(self._question(questions, place) if answered else KEEP() for place in range(MOST_QUESTIONS)),
            gradio.Textbox(visible=bool(record.photos) and not is_done),
            gradio.Button(visible=bool(record.photos) and not is_done),
            self._outcome_of(record, answered) if is_done and answered else "",
            gradio.Accordion(open=False) if record.photos else KEEP(),
        )

    def _question(self, questions: Sequence[SimpleQuestion], place: int) -> Any:
        if place >= len(questions):
            return gradio.Radio(visible=False, value=None)
        asked = questions[place]
        return gradio.Radio(
            visible=True,
            label=self._t.ask(asked.question),
            info=self._t.how(asked.question),
            choices=list(asked.choices),
            value=None,
        )

    def _outcome_of(self, record: CaseRecord, answered: CaseAnswer) -> str:
        """The case number, and what can be said already."""
        t, answer = self._t, answered.answer
        parts = [f'<p>{text(t("tech.case"))}</p><p class="number">{text(record.number)}</p>', paragraph(t("tech.tell"))]
        if answer.candidates:
            parts.append(f"<p>{lengths_both_ways(pump_words(t, answer))}</p>")
        kits = [
            lengths_both_ways(
                t(
                    "tech.kit",
                    kit=kit.kit_no,
                    elastomer=t.sentence(kit.elastomer or "-"),
                    chance=t.sentence(chance_words(kit.probability)),
                )
            )
            for kit in answer.kits[:3]
        ]
        parts.append(section(t("tech.kits"), bullets(kits)) if kits else "")
        unsaid = () if answer.elastomer else (ASK_ALWAYS,)
        if answer.is_demo:
            parts.append(f'<p class="warning">{text(t("page.demo"))}</p>')
        parts.append(section(t("sales.cautions"), bullets(lengths_both_ways(t.caution(c)) for c in (*unsaid, *ALWAYS))))
        return panel(f'<div class="outcome" role="status">{"".join(parts)}</div>')

    def _place_asked(self, record: CaseRecord, answered: CaseAnswer | None) -> str:
        """The question worth most, as long as nobody has said where the scale lies."""
        asked = place_is_open(record, answered) and record.state == "open"
        return paragraph(self._t("tech.say_place"), "warning") if asked else ""

    def _only(self, status: str) -> tuple[Any, ...]:
        """Only the line of status changes."""
        return tuple(status if place == _STATUS else part for place, part in enumerate(self._nothing()))

    def _nothing(self) -> tuple[Any, ...]:
        return tuple(KEEP() for _ in range(9 + MOST_QUESTIONS))

    def _card_links(self) -> str:
        t = self._t
        links = []
        for size in ("pocket", "large"):
            address = f"/card/{size}.pdf?lang={t.language}"
            papers = " ".join(
                f'<a href="{address}&amp;paper={paper}" target="_blank">{text(t(f"sheet.{paper}"))}</a>'
                for paper in ("letter", "a4")
            )
            links.append(f'<span class="whole">{text(t(f"tech.card.{size}"))}: {papers}</span>')
        return f'<p class="row"><span>{text(t("tech.print"))}</span> {" ".join(links)}</p>'

    # --- the case -------------------------------------------------------------------------------------
    def _case_of(self, number: str, request: gradio.Request) -> CaseRecord:
        """A case this user may see: their own, or any for the office."""
        record, user = self._desk.cases.load(number), user_of(request)
        if user.role not in OFFICE and record.made_by != user.name:
            raise PermissionError(number)
        return record

    def _with_scale(self, record: CaseRecord, place: str, coin: str, sheet: str) -> CaseRecord | str:
        """The case with the scale that was said, or what is wrong with it."""
        if place not in CARD_PLACES:
            return self._t("page.not_understood")

        def change(case: CaseRecord) -> CaseRecord:
            for photo in case.photos:
                case = with_place(case, photo.photo_id, place)
            return with_scale(case, coin, sheet)

        try:
            return self._desk.cases.change(record.number, change)
        except NotUnderstood as trouble:
            return self._t.sentence(trouble.reason) or self._t(trouble.key)


def pump_words(t: Words, answer: Answer) -> str:
    """The most likely pump of an answer that has candidates, or that the set most likely does not hold it."""
    first = answer.candidates[0]
    name, chance = first.family.family_id, t.sentence(chance_words(first.probability))
    if answer.not_in_set > first.probability:
        return t("tech.unknown", chance=t.sentence(chance_words(answer.not_in_set)), pump=name, other=chance)
    return t("tech.likely", pump=name, chance=chance)


def _answer_at(page: TechnicianPage, place: int) -> Any:
    def answered(number: str, asked: str, value: str, request: gradio.Request) -> None:
        page.answered(number, asked, place, value, request)

    return answered


def _with_answer(case: CaseRecord, question: SimpleQuestion, value: str) -> CaseRecord:
    code = question.question.code
    if value == DO_NOT_KNOW:
        return case.with_known(question.name, "").model_copy(update={"skipped": (*case.skipped, code)})
    return case.with_known(question.name, f"{question.name}={value}")
