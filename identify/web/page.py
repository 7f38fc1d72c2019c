"""The page itself: photos and what is known go in; answer, annotated pictures and report come out."""

import io
import logging
import tempfile
from concurrent.futures import ThreadPoolExecutor
from concurrent.futures import TimeoutError as TookTooLong
from html import escape
from pathlib import Path
from typing import Any

import gradio
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from identify.answer_output import content_of, drawn_pictures, rendered_report
from identify.answering import Answered, Unreadable, answer_photos
from identify.output_files import write_atomically
from identify.report.html_file import COLORS, CONTENT_STYLE, html_body
from identify.typed.options import CARD_PLACES, SHEETS, TypedOptions, Understood, WrongUsage, understand
from identify.wording import CARD_AT_WORDS
from reference_geometry.families import ReferenceSet

MOST_PHOTOS = 12
FIELD_WIDTH = 260
"""Pixels below which a field takes a row of its own: one field a row on a phone."""

LONGEST_JOB_SECONDS = 180
SWEEP_SECONDS, KEEP_SECONDS = 600, 3600
"""How often the folder of uploads and pictures is swept, and how old a file in it may grow."""

STYLE = f"""
.untagged {{ {COLORS} color: var(--ink); background: #fff; padding: .5rem 1rem 1rem; border-radius: 6px;
  overflow-wrap: break-word;
{CONTENT_STYLE} }}
.gradio-container {{ max-width: 60rem !important; margin: 0 auto; }}
"""

INTRODUCTION = """
# Which pump is this?
Photos of **one** pump, taken square on, with the printed scale card, a bank card or a coin lying on the part.
**Shut off and vent the air supply, lock it out and tag it out before you go near the pump.**
"""

KNOWN_EXAMPLE = "connection=flanged\nchamber_bolt_count=8\nport_bore=1.5in"

Pixels = NDArray[np.uint8]
Shown = tuple[str, list[Pixels], str | None, str | None]
"""What one press of the button shows: answer, pictures, PDF, HTML."""


def build_page(reference: ReferenceSet, folder: Path) -> Any:
    """Lay out the page.

    Args:
        reference: what to match against.
        folder: private folder for what the page makes.

    Returns:
        The `gradio.Blocks`.
    """
    worker = ThreadPoolExecutor(max_workers=1, thread_name_prefix="untagged")

    def run(photos: list[str] | None, card_at: str, coin: str, sheet: str, known: str) -> tuple[Any, ...]:
        """One press of the button; any trouble becomes words on the page."""
        try:
            job = worker.submit(_answer, photos or [], card_at, coin, sheet, known, reference, folder)
            shown = job.result(timeout=LONGEST_JOB_SECONDS)
        except TookTooLong:
            shown = _only_words(
                f"This took longer than {LONGEST_JOB_SECONDS} s and was given up. Try fewer photos."
            )
        except Exception:
            logging.exception("untagged met an error of its own")
            shown = _only_words(
                "The program met an error of its own; nothing you gave is to blame. Please report it."
            )
        return (*shown, gradio.Column(visible=bool(shown[1])), gradio.Row(visible=shown[2] is not None))

    with gradio.Blocks(
        title="untagged", analytics_enabled=False, delete_cache=(SWEEP_SECONDS, KEEP_SECONDS)
    ) as page:
        gradio.Markdown(INTRODUCTION)
        asked = _question_fields()
        button = gradio.Button("Identify", variant="primary")
        answer = gradio.HTML(js_on_load=None, apply_default_css=False)
        with gradio.Column(visible=False) as picture_column:
            pictures = gradio.Gallery(
                label="Measured photos", columns=2, object_fit="contain", format="jpeg", interactive=False
            )
        with gradio.Row(visible=False) as report_row:
            pdf = gradio.DownloadButton("PDF report", min_width=120)
            html = gradio.DownloadButton("HTML report", min_width=120)
        shown = [answer, pictures, pdf, html, picture_column, report_row]
        button.click(run, asked, shown, api_name="identify")
    return page


def _question_fields() -> list[gradio.components.Component]:
    """What a user may say: photos, where the scale lies, which scale it is, what is known."""
    photos = gradio.File(
        label="Photos (JPEG, PNG, WebP, HEIC)",
        file_count="multiple",
        type="filepath",
        height=160,
        file_types=[".jpg", ".jpeg", ".png", ".webp", ".heic", ".heif"],
    )
    with gradio.Row():
        places = [(CARD_AT_WORDS[place], place) for place in CARD_PLACES]
        card_at = gradio.Dropdown(
            places, value="unknown", label="Where does the card, coin or sheet lie?", min_width=FIELD_WIDTH
        )
        coin = gradio.Textbox(
            label="Coin, if one is the scale", placeholder="us-25c, eur-2 or 24.26mm", min_width=FIELD_WIDTH
        )
        sizes = [("none", ""), *((size, size) for size in SHEETS)]
        sheet = gradio.Dropdown(sizes, value="", label="Sheet, if one is the scale", min_width=FIELD_WIDTH)
    known = gradio.Textbox(label="Already known, one a line", placeholder=KNOWN_EXAMPLE, lines=3)
    return [photos, card_at, coin, sheet, known]


def _answer(
    photos: list[str], card_at: str, coin: str, sheet: str, known: str, reference: ReferenceSet, folder: Path
) -> Shown:
    items = tuple(line for line in (known or "").splitlines() if line.strip())
    if not photos and not items:
        return _only_words("Add at least one photo, or say what is known of the pump.")
    if len(photos) > MOST_PHOTOS:
        return _only_words(f"At most {MOST_PHOTOS} photos at once, all of one pump.")
    try:
        understood = understand(TypedOptions(card_at or "unknown", coin or "", "", sheet or "", items))
    except WrongUsage as wrong:
        return _only_words(f"Not understood: {wrong}")
    return _shown(_answered(photos, understood, reference), folder)


def _answered(photos: list[str], understood: Understood, reference: ReferenceSet) -> Answered | Unreadable:
    return answer_photos([Path(photo) for photo in photos], understood, reference)


def _shown(answered: Answered | Unreadable, folder: Path) -> Shown:
    if isinstance(answered, Unreadable):
        lines = [f"{name}: {reason}" for name, reason in answered.bad]
        if answered.good:
            lines.append(f"Read without trouble: {', '.join(answered.good)}.")
        return _only_words("Not every photo could be read, so nothing was answered.", *lines)
    pictures = drawn_pictures(answered)
    content = content_of(answered, matching=True, pictures=pictures)
    private = Path(tempfile.mkdtemp(dir=folder))
    files = []
    for suffix in (".pdf", ".html"):
        files.append(private / f"pump-report{suffix}")  # no word of a user ever names a file
        write_atomically(files[-1], rendered_report(content, suffix))
    body = f'<div class="untagged">{_inert(html_body(content, on_screen_only=True))}</div>'
    return body, [_pixels(picture.jpeg) for picture in pictures], str(files[0]), str(files[1])


def _pixels(jpeg: bytes) -> Pixels:
    return np.asarray(Image.open(io.BytesIO(jpeg)).convert("RGB"))


def _only_words(*lines: str) -> Shown:
    """Words instead of an answer; whatever an earlier answer left on the page goes away."""
    body = "".join(f'<p class="warning">{escape(line)}</p>' for line in lines)
    return f'<div class="untagged">{_inert(body)}</div>', [], None, None


def _inert(fragment: str) -> str:
    """Keep what users typed from being read as a template by the page's own HTML component."""
    return fragment.replace("$", "&#36;").replace("{", "&#123;").replace("}", "&#125;")
