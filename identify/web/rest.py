"""The same answer for other programs: one call of gradio's own API that takes photos and gives the JSON object."""

from typing import Any

import gradio

from identify.answer import build_answer
from identify.answer_json import to_json_object
from identify.answering import EMPTY_SURVEY, card_at_joint
from identify.typed.options import TypedOptions, WrongUsage, check_places, understand
from identify.web.desk import Desk
from identify.web.intake import MOST_PHOTOS

REFUSAL = "untagged.refusal/1"


def add_rest(desk: Desk) -> None:
    """Add the call `identify` to the page that is being laid out; nothing of it is seen there."""

    def identify(
        photos: list[str] | None, card_at: str, coin: str, sheet: str, known: str, scale_points: str
    ) -> dict[str, Any]:
        """Say which pump is in the photos: the JSON object of `untagged identify --json`.

        Args:
            photos: files of one pump, up to 12; may be none where something is known.
            card_at: rim, flange, cover, floor or unknown; one for all photos, or one a photo as rim,flange.
            coin: name or diameter of the coin, "" without one.
            sheet: a4, a5 or letter, "" without one.
            known: NAME=VALUE, one a line.
            scale_points: X1,Y1,X2,Y2=MM, "" without; for one photo.
        """
        items = tuple(line.strip() for line in (known or "").splitlines() if line.strip())
        if not photos and not items:
            return _refusal("photos", "Give at least one photo, or say what is known of the pump.")
        if len(photos or []) > MOST_PHOTOS:
            return _refusal("photos", f"At most {MOST_PHOTOS} photos at once, all of one pump.")
        typed = TypedOptions(card_at or "unknown", coin or "", scale_points or "", sheet or "", items)
        try:
            understood = understand(typed)
            check_places(understood, len(photos or []))
        except WrongUsage as wrong:
            return _refusal(wrong.option, str(wrong))
        paths = [desk.uploaded(photo) for photo in photos or []]
        try:
            survey = desk.measurer.survey(paths, understood.request) if paths else EMPTY_SURVEY
        finally:
            for path in paths:
                path.unlink(missing_ok=True)
        if survey.refused:
            bad = [{"file": refused.name, "reason": str(refused.problem)} for refused in survey.refused]
            return {**_refusal("photos", "Not every photo could be read."), "unreadable": bad}
        return to_json_object(
            build_answer(survey, understood.knowns, desk.shop.prepared, card_at=card_at_joint(survey))
        )

    with gradio.Column(visible=False):
        photos = gradio.File(file_count="multiple", type="filepath", label="photos")
        fields = [
            gradio.Textbox(value=value, label=label)
            for label, value in (
                ("card_at", "unknown"), ("coin", ""), ("sheet", ""), ("known", ""), ("scale_points", ""),
            )
        ]  # fmt: skip
        answer = gradio.JSON(label="answer")
        button = gradio.Button("identify")
    button.click(identify, [photos, *fields], answer, api_name="identify", api_visibility="public")


def _refusal(option: str, reason: str) -> dict[str, Any]:
    return {"schema": REFUSAL, "option": option, "reason": reason}
