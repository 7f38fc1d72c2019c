"""Routes for what is fetched from a case or the set: photos, thumbnails, reports, tables, the printable card.

A path in a request only ever names a case and the number of a photo in it; the file follows from the case's record.
"""

import io
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from PIL import Image
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from features.scale.card_boards import CardSize
from features.scale.card_pdf import Paper, write_card
from identify.answer_output import content_of, drawn_pictures, rendered_report
from identify.overlay.pen import lettering_in
from identify.report.blocks import Paragraph, ReportContent
from identify.web.accounts import User
from identify.web.case_record import CaseRecord, Confirmed, as_case_number
from identify.web.case_store import NoSuchCase
from identify.web.desk import Desk
from identify.web.guard import OFFICE
from identify.web.sentences import report_in
from identify.web.words import LANGUAGES, Words
from identify.wording import chance_words
from reference_geometry.measurements import Measurement
from reference_geometry.store import open_store
from reference_geometry.transfer import export_families, export_kits, export_measurements

THUMB_PX, SHOWN_PX = 240, 2400
_KEPT = {"cache-control": "private, max-age=3600"}
_MEDIA = {"pdf": "application/pdf", "html": "text/html; charset=utf-8"}


class Downloads:
    """The routes.

    Args:
        desk: what all pages share.
    """

    def __init__(self, desk: Desk) -> None:
        self._desk = desk

    def routes(self) -> list[Route]:
        """All of them; plain functions, so that none holds up the server."""
        return [
            Route("/case/{number}/photo/{photo_id}.jpg", self.photo),
            Route("/case/{number}/thumb/{photo_id}.jpg", self.thumb),
            Route("/case/{number}/report.{kind}", self.report),
            Route("/set/{name}.csv", self.table),
            Route("/card/{size}.pdf", self.card),
        ]

    def photo(self, request: Request) -> Response:
        """A kept photo, no larger than a screen can show."""
        return self._picture(request, SHOWN_PX, 90)

    def thumb(self, request: Request) -> Response:
        """A small picture of it."""
        return self._picture(request, THUMB_PX, 80)

    def report(self, request: Request) -> Response:
        """The report of a case, as PDF or web page."""
        record = self._case(request)
        kind = str(request.path_params["kind"])
        if record is None or kind not in _MEDIA:
            return _nothing()
        answered = self._desk.answer(record, self._desk.measurer.measured(record)).answered
        t = _words(request)
        lettering = lettering_in(t.sentence) if t.language != LANGUAGES[0] else None
        content = content_of(answered, matching=True, pictures=drawn_pictures(answered, lettering))
        if record.confirmed is not None:
            content = _with_confirmation(content, record.confirmed)
        content = report_in(content, t.language, t.sentence)
        name = f'attachment; filename="pump-report-{record.number}.{kind}"'
        headers = {"content-disposition": name, "cache-control": "no-store"}
        return Response(rendered_report(content, f".{kind}"), media_type=_MEDIA[kind], headers=headers)

    def table(self, request: Request) -> Response:
        """A table of the reference set."""
        name, shop = str(request.path_params["name"]), self._desk.shop
        loaded = shop.prepared.reference
        families = loaded.families
        readings: tuple[Measurement, ...] = ()
        if shop.url is not None:
            with open_store(shop.url) as store:
                families, readings = store.listed_families(), store.measurements()
        writers: dict[str, Callable[[Path], None]] = {
            "families": lambda path: export_families(path, families),
            "kits": lambda path: export_kits(path, loaded.kits),
            "measurements": lambda path: export_measurements(path, readings),
        }
        if name not in writers:
            return _nothing()
        return _written(writers[name], f"{name}.csv", "text/csv; charset=utf-8")

    def card(self, request: Request) -> Response:
        """The scale card to print."""
        size: CardSize = "large" if request.path_params["size"] == "large" else "pocket"
        paper: Paper = "letter" if request.query_params.get("paper") == "letter" else "a4"
        name = f"scale-card-{size}-{paper}.pdf"
        return _written(lambda path: write_card(path, size, paper, _words(request).sentence), name, _MEDIA["pdf"])

    def _picture(self, request: Request, longest_px: int, quality: int) -> Response:
        record = self._case(request)
        photo = record.photo(str(request.path_params["photo_id"])) if record else None
        if record is None or photo is None:
            return _nothing()
        path = self._desk.cases.photo_path(record.number, photo.photo_id)
        if longest_px >= max(photo.width_px, photo.height_px):
            return Response(path.read_bytes(), media_type="image/jpeg", headers=_KEPT)
        with Image.open(path, formats=["JPEG"]) as kept:
            kept.draft("RGB", (longest_px, longest_px))
            kept.thumbnail((longest_px, longest_px))
            out = io.BytesIO()
            kept.convert("RGB").save(out, "JPEG", quality=quality)
        return Response(out.getvalue(), media_type="image/jpeg", headers=_KEPT)

    def _case(self, request: Request) -> CaseRecord | None:
        """The case a request names, if its user may see it."""
        user = request.scope.get("untagged_user")
        try:
            record = self._desk.cases.load(as_case_number(str(request.path_params["number"])))
        except NoSuchCase:
            return None
        may = isinstance(user, User) and (user.role in OFFICE or record.made_by == user.name)
        return record if may else None


def _words(request: Request) -> Words:
    """The language a request asks for, else the first."""
    asked = request.query_params.get("lang")
    return Words(next((language for language in LANGUAGES if language == asked), LANGUAGES[0]))


def _with_confirmation(content: ReportContent, confirmed: Confirmed) -> ReportContent:
    """The report with who confirmed the pump, before the lines left for signatures."""
    pump = confirmed.family_id or "none of this set"
    words = (
        f"Pump confirmed: {pump}, said by {confirmed.by} on {confirmed.on:%Y-%m-%d}. "
        f"The answer had given it {chance_words(confirmed.probability)}."
    )
    last = content.sections[-1]
    signed = replace(last, blocks=(Paragraph(words), *last.blocks))
    return replace(content, sections=(*content.sections[:-1], signed))


def _written(write: Callable[[Path], None], name: str, media_type: str) -> Response:
    """What a function writes into a file, as an answer."""
    with tempfile.TemporaryDirectory(prefix="untagged-") as folder:
        path = Path(folder) / name
        write(path)
        data = path.read_bytes()
    return Response(data, media_type=media_type, headers={"content-disposition": f'attachment; filename="{name}"'})


def _nothing() -> Response:
    return PlainTextResponse("There is nothing here.", 404)
