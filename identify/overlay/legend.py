"""The strip below an overlay picture: which line is what, and what to know before trusting the numbers."""

from collections.abc import Sequence

import numpy as np
from PIL import Image, ImageDraw

from features.survey import PhotoSurvey
from identify.overlay.pen import Font, Lettering, Mark, dashes, line_height, wrapped
from identify.overlay.style import DARK, INK, PAPER, LineStyle, PictureSizes
from identify.wording import joined, place_words


def with_legend(
    picture: Image.Image,
    survey: PhotoSurvey,
    marks: Sequence[Mark],
    not_placed: Sequence[Mark],
    sizes: PictureSizes,
    lettering: Lettering,
) -> Image.Image:
    """Put the legend below a picture.

    Args:
        picture: what was drawn.
        survey: what it shows.
        marks: everything drawn.
        not_placed: those whose label found no room; the legend gives their size.
        sizes: line and text sizes.
        lettering: language and letters.
    """
    font = lettering.font(round(0.85 * sizes.text))
    room = picture.width - 2 * sizes.gap
    entries = [(m, f"{m.legend}: {m.label[-1]}" if m in not_placed else m.legend) for m in marks]
    rows = _flowed(entries, font, room)
    notes = [line for note in legend_notes(survey) for line in wrapped(lettering.words(note), font, room)]
    height = line_height(font)
    strip = Image.new("RGB", (picture.width, round((len(rows) + len(notes)) * height + 3 * sizes.gap)), PAPER)
    pen = ImageDraw.Draw(strip)
    for y, row in zip(1.5 * sizes.gap + height * np.arange(len(rows)), rows, strict=True):
        for x, mark, text in row:
            if mark is not None:
                _draw_swatch(pen, mark.style, (sizes.gap + x, float(y) + height / 2), _swatch_width(font), sizes)
            pen.text((sizes.gap + x + 1.3 * _swatch_width(font), float(y)), text, font=font, fill=INK)
    for row_number, note in enumerate(notes, start=len(rows)):
        pen.text((sizes.gap, 1.5 * sizes.gap + row_number * height), note, font=font, fill=INK)
    whole = Image.new("RGB", (picture.width, picture.height + strip.height), PAPER)
    whole.paste(picture, (0, 0))
    whole.paste(strip, (0, picture.height))
    return whole


def _swatch_width(font: Font) -> float:
    return 2.6 * line_height(font)


def _flowed(entries: Sequence[tuple[Mark, str]], font: Font, room: float) -> list[list[tuple[float, Mark | None, str]]]:
    """Legend entries set side by side, wrapped to the width: rows of (x, mark, text)."""
    rows: list[list[tuple[float, Mark | None, str]]] = [[]]
    x = 0.0
    swatch = 1.3 * _swatch_width(font)
    for mark, text in entries:
        lines = wrapped(text, font, room - swatch)
        width = swatch + max(font.getlength(line) for line in lines)
        if x > 0 and x + width > room:
            rows.append([])
            x = 0.0
        rows[-1].append((x, mark, lines[0]))
        for line in lines[1:]:
            rows.append([(0.0, None, line)])
        x = room if len(lines) > 1 else x + width + swatch / 3
    return [row for row in rows if row]


def legend_notes(survey: PhotoSurvey) -> list[str]:
    """What a reader must know before trusting the numbers."""
    measured = [length for length in survey.lengths if not length.is_ratio_only]
    notes = []
    if measured:
        notes.append("± gives the 95 % interval.")
    offsets = sorted({round(length.offset_mm, 1) for length in measured if length.offset_mm is not None})
    if offsets:
        places = joined([place_words(offset) for offset in (offsets[0], offsets[-1])][: len(offsets)], "to")
        notes.append(f"Assumed: the measured edges lie {places} the face of the scale reference.")
    if survey.scale is None:
        notes.append("No scale in this photo: ratios only, no sizes.")
    if not survey.circles:
        notes.append("No round part could be measured in this photo.")
    return notes


def _draw_swatch(
    pen: ImageDraw.ImageDraw, style: LineStyle, at: tuple[float, float], width: float, sizes: PictureSizes
) -> None:
    ends = np.array([at, (at[0] + width, at[1])])
    pen.line([tuple(p) for p in ends], fill=DARK, width=round(sizes.line + 2 * sizes.halo))
    for stretch in dashes(ends, style.dash, sizes.line, closed=False):
        pen.line([tuple(p) for p in stretch], fill=style.rgb, width=round(sizes.line))
