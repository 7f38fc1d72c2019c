"""A copy of a photo with the scale, the fitted circles and their sizes drawn on it, readable on a phone."""

from collections.abc import Sequence

import numpy as np
from PIL import Image, ImageDraw

from features.measured import MeasuredLength
from features.photo import Photo
from features.scale.privacy import blur_inside
from features.spans import MeasuredSpan
from features.survey import FittedCircle, PhotoSurvey
from identify.overlay.label_places import Box, LabelPlace, LabelWish, place_labels
from identify.overlay.legend import with_legend
from identify.overlay.pen import Font, Lettering, Mark, Points, drawn_lines, line_height
from identify.overlay.style import BOLT_STYLE, DARK, SCALE_STYLE, PictureSizes, Rgb, style_of
from identify.wording import feature_words, inch_words, length_words

LONGEST_SIDE = 2000
"""Pixels of the longer side of an overlay picture: sharp on a phone, small enough to send."""

SHORTEST_LONG_SIDE = 1000
"""Smaller photos are enlarged to this, so that words stay readable."""


def draw_overlay(photo: Photo, survey: PhotoSurvey, lettering: Lettering | None = None) -> Image.Image:
    """Draw what was measured in one photo onto a copy of it.

    Args:
        photo: the decoded photo; text inside a bank card is blurred in the copy.
        survey: what was found in it.
        lettering: language and letters, English where left out.

    Returns:
        RGB picture: the photo, at most `LONGEST_SIDE` pixels long, with a legend strip below it.
    """
    lettering = lettering or Lettering()
    picture, ratio = _base_picture(photo, survey)
    sizes = PictureSizes.for_picture(*picture.size)
    marks = _marks(survey, ratio, sizes, lettering)
    layer = drawn_lines(marks, picture.size, sizes)
    picture.paste(Image.new("RGB", picture.size, DARK), mask=layer.halo)
    picture.paste(layer.color, mask=layer.mask)
    not_placed = _draw_labels(picture, marks, sizes, lettering)
    return with_legend(picture, survey, marks, not_placed, sizes, lettering)


def _base_picture(photo: Photo, survey: PhotoSurvey) -> tuple[Image.Image, float]:
    pixels = photo.pixels_rgb
    for outline_px in _private_outlines(survey):
        pixels = blur_inside(pixels, outline_px)
    picture = Image.fromarray(pixels)
    longest = max(picture.size)
    ratio = min(LONGEST_SIDE, max(SHORTEST_LONG_SIDE, longest)) / longest
    if ratio != 1.0:
        size = (max(1, round(picture.width * ratio)), max(1, round(picture.height * ratio)))
        picture = picture.resize(size, Image.Resampling.LANCZOS)
    return picture, ratio


def _private_outlines(survey: PhotoSurvey) -> list[Points]:
    """Every bank card seen in the photo, the one used as scale included."""
    outlines = list(survey.private_px)
    if survey.scale is not None and survey.scale.kind == "bank_card":
        outlines.append(survey.scale.outline_px)
    return outlines


def _marks(survey: PhotoSurvey, ratio: float, sizes: PictureSizes, lettering: Lettering) -> list[Mark]:
    """Everything to draw, most important first (labels are placed in this order)."""
    marks = [_circle_mark(group, ratio, lettering) for group in _by_name(survey.circles)]
    marks += [_span_mark(span, ratio, sizes, lettering) for span in survey.spans]
    if survey.scale is not None:
        size = f"{survey.mm_per_px:.4g} mm per pixel ± {196 * survey.scale_relative_sd:.2g} %"
        outline = _scaled(survey.scale.outline_px, ratio)
        label = (lettering.words(survey.scale.label), lettering.words(size))
        legend = lettering.words(f"scale: {survey.scale.label}, {size}")
        marks.append(Mark((outline,), SCALE_STYLE, label, legend, closed=len(outline) > 2))
    for name, points in survey.marks_px.items():
        if len(points):
            words = lettering.words(f"{len(points)} {feature_words(name)} seen")
            rings = tuple(_ring(center, 2.5 * sizes.line + sizes.gap / 2) for center in _scaled(points, ratio))
            marks.append(Mark(rings, BOLT_STYLE, (words,), words))
    return marks


def _by_name(circles: Sequence[FittedCircle]) -> list[list[FittedCircle]]:
    """Circles of one name together, the one seen best first, larger features first."""
    groups: dict[str, list[FittedCircle]] = {}
    for circle in sorted(circles, key=lambda c: -c.visible_fraction):
        groups.setdefault(circle.name, []).append(circle)
    return sorted(groups.values(), key=lambda g: -g[0].length.value_mm)


def _circle_mark(group: Sequence[FittedCircle], ratio: float, lettering: Lettering) -> Mark:
    """One mark for all circles of one name: the label gives the size of the one seen best."""
    best = group[0]
    of_how_many = f" (1 of {len(group)})" if len(group) > 1 else ""
    name = lettering.words(f"{feature_words(best.name)}{of_how_many}")
    outlines = tuple(_scaled(circle.outline_px, ratio) for circle in group)
    return Mark(outlines, style_of(best.name), (name, lettering.words(size_words(best.length))), name)


def _span_mark(span: MeasuredSpan, ratio: float, sizes: PictureSizes, lettering: Lettering) -> Mark:
    """A dimension line: its label must be told from circles by the short strokes across its ends."""
    ends = _scaled(span.ends_px, ratio)
    along = ends[1] - ends[0]
    across = np.array([-along[1], along[0]]) * 2.0 * sizes.gap / max(float(np.linalg.norm(along)), 1.0)
    strokes = tuple(np.stack([end - across, end + across]) for end in ends)
    name = lettering.words(feature_words(span.length.name))
    words = lettering.words(size_words(span.length))
    return Mark((ends, *strokes), style_of(span.length.name), (name, words), name, closed=False)


def size_words(length: MeasuredLength) -> str:
    """A length for its label; without a scale it has none."""
    if length.is_ratio_only:
        return "no scale: ratios only"
    low, high = length.interval_mm
    return f"{length_words(length.value_mm, low, high)} ({inch_words(length.value_mm, low, high)})"


def _scaled(points_px: Points, ratio: float) -> Points:
    """Points moved to a resized picture; pixel centers lie at integers, hence the half pixel."""
    moved: Points = (np.asarray(points_px, dtype=np.float64).reshape(-1, 2) + 0.5) * ratio - 0.5
    return moved


def _ring(center: Points, radius: float) -> Points:
    angle = np.linspace(0, 2 * np.pi, 33)[:-1]
    ring: Points = center + radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return ring


# --- labels ---------------------------------------------------------------------------------------
def _draw_labels(picture: Image.Image, marks: Sequence[Mark], sizes: PictureSizes, lettering: Lettering) -> list[Mark]:
    """Write every label where there is room, smaller if need be; the legend takes what still finds none."""
    text_px = sizes.text
    avoid = np.vstack([np.zeros((0, 2)), *(_points_to_avoid(mark) for mark in marks)])
    for text_px in (sizes.text, round(0.75 * sizes.text)):
        font = lettering.font(text_px)
        wishes = [LabelWish(*_label_size(m.label, font, sizes.gap), _named_outline(m)) for m in marks]
        places = place_labels(wishes, picture.size, avoid, sizes.gap)
        if all(places):
            break
    pen = ImageDraw.Draw(picture, "RGBA")
    for mark, place in zip(marks, places, strict=True):
        if place is not None:
            _draw_leader(pen, place, mark.style.rgb, sizes)
    for mark, place in zip(marks, places, strict=True):
        if place is not None:
            _draw_label(pen, place.box, mark, font, sizes)
    return [mark for mark, place in zip(marks, places, strict=True) if place is None]


def _points_to_avoid(mark: Mark) -> Points:
    """Points of a mark's lines, and of the inside of the scale reference, which labels should leave free."""
    points = [outline[:: max(1, len(outline) // 90)] for outline in mark.outlines_px]
    if mark.style is SCALE_STYLE and mark.closed:
        corners = mark.outlines_px[0]
        center = corners.mean(axis=0)
        closed = np.vstack([corners, corners[:1]])
        along = np.linspace(0, len(corners), 24)
        edge = np.stack([np.interp(along, np.arange(len(closed)), closed[:, i]) for i in (0, 1)], axis=1)
        points += [center + share * (edge - center) for share in (0.25, 0.5, 0.75, 1.0)]
    return np.vstack(points)


def _named_outline(mark: Mark) -> Points:
    """What a label points at: any of many bolts, but the very circle whose size it gives."""
    return np.vstack(mark.outlines_px) if mark.style is BOLT_STYLE else mark.outlines_px[0]


def _label_size(label: Sequence[str], font: Font, gap: int) -> tuple[float, float]:
    width = max(font.getlength(line) for line in label)
    return width + 3.5 * gap, len(label) * line_height(font) + 1.5 * gap


def _draw_leader(pen: ImageDraw.ImageDraw, place: LabelPlace, rgb: Rgb, sizes: PictureSizes) -> None:
    end = place.box.nearest(np.array([place.anchor_px]))[0]
    line = [(float(end[0]), float(end[1])), place.anchor_px]
    pen.line(line, fill=DARK, width=round(0.7 * sizes.line + 1.5 * sizes.halo))
    pen.line(line, fill=rgb, width=max(1, round(0.7 * sizes.line)))


def _draw_label(pen: ImageDraw.ImageDraw, box: Box, mark: Mark, font: Font, sizes: PictureSizes) -> None:
    frame = (box.left, box.top, box.right, box.bottom)
    pen.rounded_rectangle(frame, radius=sizes.gap * 0.8, fill=(*DARK, 232))
    bar = (
        box.left + 0.6 * sizes.gap,
        box.top + 0.8 * sizes.gap,
        box.left + 1.2 * sizes.gap,
        box.bottom - 0.8 * sizes.gap,
    )
    pen.rounded_rectangle(bar, radius=sizes.gap * 0.3, fill=mark.style.rgb)
    for row, line in enumerate(mark.label):
        at = (box.left + 2 * sizes.gap, box.top + 0.75 * sizes.gap + row * line_height(font))
        pen.text(
            at,
            line,
            font=font,
            fill=(255, 255, 255),
            stroke_width=max(1, round(sizes.halo / 2)),
            stroke_fill=DARK,
        )
