"""An answer on its way out: pictures and report into files, words or JSON onto the screen."""

import io
import json
import sys
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any, Literal

import numpy as np
from PIL import Image

from features.photo import PhotoRefused, load_photo
from features.survey import PhotoSurvey
from identify.answer_json import to_json_object
from identify.answering import Answered
from identify.output_files import NotWritten, OutputPlan, write_atomically
from identify.overlay.pen import Lettering
from identify.overlay.picture import draw_overlay
from identify.report.blocks import Picture, ReportContent
from identify.report.content import measurement_content, report_content
from identify.report.measured import scale_words

MEASUREMENT_KEYS = ("photos", "measurements", "attributes", "ports")
"""Keys of the answer's JSON that measuring alone fills."""

JPEG_QUALITY = 88


def content_of(answered: Answered, matching: bool, pictures: Sequence[Picture] = ()) -> ReportContent:
    """What is said of one pump: the whole answer, or only the measurements."""
    build = report_content if matching else measurement_content
    return build(answered.answer, date.today(), pictures)


def drawn_pictures(answered: Answered, lettering: Lettering | None = None) -> list[Picture]:
    """Each photo with its measurements drawn on it, as a JPEG without any metadata."""
    photos = answered.survey.photos
    return [picture for photo in photos if (picture := drawn_picture(photo, lettering)) is not None]


def drawn_picture(survey: PhotoSurvey, lettering: Lettering | None = None) -> Picture | None:
    """One photo's picture; None when the photo has gone since it was measured."""
    photo = load_photo(survey.path)
    if isinstance(photo, PhotoRefused):
        return None
    image = draw_overlay(photo, survey, lettering)
    caption = f"{survey.name}: {scale_words(survey)}"
    return Picture(jpeg_bytes(image), image.width, image.height, caption)


def jpeg_bytes(image: Image.Image) -> bytes:
    """A JPEG with pixels and nothing else: no EXIF, no color profile, no comment."""
    out = io.BytesIO()
    # Pillow would carry comments and profiles over, so only the pixels are taken.
    pixels_only = Image.fromarray(np.asarray(image.convert("RGB")))
    pixels_only.save(out, "JPEG", quality=JPEG_QUALITY, optimize=True)
    return out.getvalue()


def rendered_report(content: ReportContent, suffix: str) -> bytes:
    """The report as the kind of file its name asks for."""
    if suffix.lower() == ".pdf":
        from identify.report.pdf_file import pdf_report

        return pdf_report(content)
    from identify.report.html_file import html_report

    return html_report(content)


def write_outputs(answered: Answered, outputs: OutputPlan, photos: Sequence[Path], matching: bool) -> list[NotWritten]:
    """Write pictures and report; what can not be written is returned, so that the answer is still shown."""
    if outputs.overlay_dir is None and outputs.report_path is None:
        return []
    pictures = drawn_pictures(answered)
    files = list(zip(outputs.overlay_paths(photos), (picture.jpeg for picture in pictures), strict=False))
    if outputs.report_path is not None:
        content = content_of(answered, matching, pictures)
        files.append((outputs.report_path, rendered_report(content, outputs.report_path.suffix)))
    failures = []
    for path, data in files:
        try:
            write_atomically(path, data)
        except NotWritten as failure:
            failures.append(failure)
        else:
            print(f"{path} written.", file=sys.stderr)
    return failures


def answer_object(answered: Answered, matching: bool) -> dict[str, Any]:
    """The JSON object of the outside interface; measuring alone has fewer keys and a schema of its own."""
    whole = to_json_object(answered.answer)
    if matching:
        return whole
    return {"schema": "untagged.measurements/1", **{key: whole[key] for key in MEASUREMENT_KEYS}}


def show_answer(answered: Answered, form: Literal["full", "brief", "json"], matching: bool) -> None:
    """Print the answer on the standard output."""
    if form == "json":
        print(json.dumps(answer_object(answered, matching), indent=2, ensure_ascii=True))
        return
    from identify.report.terminal import console_for, show_brief, show_content

    if form == "brief":
        from identify.report.brief import brief_lines

        show_brief(brief_lines(answered.answer), console_for())
        return
    show_content(content_of(answered, matching), console_for())
