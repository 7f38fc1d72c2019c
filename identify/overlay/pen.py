"""What an overlay is drawn with: smooth dashed lines with a halo, and letters in a font that holds them."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from identify.overlay.style import LineStyle, PictureSizes
from identify.wording import latin

GLYPHS = "±°…"
"""What Pillow's built-in font holds beyond ASCII and is used here."""

ACCENTED = "áéíóúüñÁÉÍÓÚÜÑàèìòùâêîôûäëïöçãõ¿¡«»"
"""What the font that comes with ReportLab holds besides."""

Points = NDArray[np.float64]
Font = ImageFont.FreeTypeFont | ImageFont.ImageFont


@dataclass(frozen=True)
class Lettering:
    """In which language and letters a picture is labeled.

    Attributes:
        say: gives the picture's language for the program's English.
        glyphs: what the font holds beyond ASCII.
        font_file: "" for Pillow's own scalable font, so that no font file travels with the project.
    """

    say: Callable[[str], str] = str
    glyphs: str = GLYPHS
    font_file: str = ""

    def font(self, size_px: int) -> Font:
        """The font at a size."""
        return ImageFont.truetype(self.font_file, size_px) if self.font_file else ImageFont.load_default(size_px)

    def words(self, english: str) -> str:
        """What is written for some English words, in letters the font holds."""
        return latin(self.say(english), self.glyphs)


def lettering_in(say: Callable[[str], str]) -> Lettering:
    """Lettering for a language with accents; without the font's file they are left off."""
    import reportlab

    font = Path(reportlab.__file__).parent / "fonts" / "Vera.ttf"
    return Lettering(say, GLYPHS + ACCENTED, str(font)) if font.is_file() else Lettering(say)


@dataclass(frozen=True, eq=False)
class Mark:
    """One thing to draw: outlines in overlay pixels, a style, what its label and its legend entry say."""

    outlines_px: tuple[Points, ...]
    style: LineStyle
    label: tuple[str, ...]
    legend: str
    closed: bool = True


@dataclass(frozen=True, eq=False)
class LineLayer:
    """Lines ready to be pasted: the dark halo's mask, the colors, and the colors' mask."""

    halo: Image.Image
    color: Image.Image
    mask: Image.Image


def drawn_lines(marks: Sequence[Mark], size: tuple[int, int], sizes: PictureSizes) -> LineLayer:
    """All lines drawn at twice the size and reduced, which smooths them."""
    double = (size[0] * 2, size[1] * 2)
    halo, mask, color = Image.new("L", double), Image.new("L", double), Image.new("RGB", double)
    pens = [ImageDraw.Draw(image) for image in (halo, mask, color)]
    for mark in marks:
        for outline in mark.outlines_px:
            for stretch in dashes(outline, mark.style.dash, sizes.line, mark.closed):
                points = [(float(x) * 2 + 0.5, float(y) * 2 + 0.5) for x, y in stretch]
                pens[0].line(points, fill=190, width=round(2 * (sizes.line + 2 * sizes.halo)), joint="curve")
                pens[1].line(points, fill=255, width=round(2 * sizes.line), joint="curve")
                pens[2].line(points, fill=mark.style.rgb, width=round(2 * (sizes.line + sizes.halo)), joint="curve")
    return LineLayer(halo.reduce(2), color.reduce(2), mask.reduce(2))


def dashes(outline_px: Points, dash: tuple[float, ...], width: float, closed: bool) -> list[Points]:
    """Cut an outline into the stretches that are drawn.

    Args:
        outline_px: (M, 2) points.
        dash: lengths drawn and skipped, in line widths; empty for solid.
        width: line width in pixels.
        closed: whether the last point joins the first.
    """
    points = np.asarray(outline_px, dtype=np.float64)
    if closed and len(points) > 2:
        points = np.vstack([points, points[:1]])
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    if not dash or along[-1] == 0:
        return [points]
    stretches, start, turn = [], 0.0, 0
    while start < along[-1]:
        end = min(start + dash[turn % len(dash)] * width, along[-1])
        if turn % 2 == 0:
            inner = along[(along > start) & (along < end)]
            at = np.concatenate([[start], inner, [end]])
            stretches.append(np.stack([np.interp(at, along, points[:, i]) for i in (0, 1)], axis=1))
        start, turn = end, turn + 1
    return stretches


def line_height(font: Font) -> float:
    """Pixels from one line of text to the next."""
    return 1.22 * float(getattr(font, "size", 12))


def wrapped(text: str, font: Font, room: float) -> list[str]:
    """Text broken at spaces, and inside words longer than a line, to fit `room` pixels."""
    lines = [""]
    for word in text.split():
        while font.getlength(word) > room and len(word) > 1:
            cut = next(n for n in range(len(word) - 1, 0, -1) if n == 1 or font.getlength(word[:n]) <= room)
            lines += [word[:cut], ""]
            word = word[cut:]
        longer = f"{lines[-1]} {word}".strip()
        if font.getlength(longer) <= room:
            lines[-1] = longer
        else:
            lines.append(word)
    return [line for line in lines if line]
