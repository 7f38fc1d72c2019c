"""Any customer's language in a PDF: text is cut into runs, each set in a font that holds its characters.

Helvetica, which every PDF reader has, serves Western text. Other alphabets take a font of the computer where
one is found, Chinese, Japanese and Korean take the readers' own Asian fonts, and what still has no font is
written with its base letter or as a question mark, so that no text can stop a report.
"""

import unicodedata
from functools import cache
from html import escape
from pathlib import Path

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.cidfonts import UnicodeCIDFont
from reportlab.pdfbase.ttfonts import TTFError, TTFont

from identify.wording import base_letters

_FONT_FILES = (
    "/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf",
    "/usr/share/fonts/dejavu-sans-fonts/DejaVuSans.ttf",
    "/usr/share/fonts/TTF/DejaVuSans.ttf",
    "/usr/share/fonts/truetype/noto/NotoSans-Regular.ttf",
    "/System/Library/Fonts/Supplemental/Arial Unicode.ttf",
    "/Library/Fonts/Arial Unicode.ttf",
    "C:/Windows/Fonts/arial.ttf",
    "C:/Windows/Fonts/segoeui.ttf",
)
"""Where common systems keep a font with Greek, Cyrillic and more."""

_WIDE_FONT = "untagged-wide"


@cache
def wide_font() -> tuple[str, frozenset[int]] | None:
    """The computer's font for other alphabets and the characters it holds, None where there is none."""
    for name in _FONT_FILES:
        if Path(name).is_file():
            try:
                font = TTFont(_WIDE_FONT, name)
            except (TTFError, OSError):
                continue
            pdfmetrics.registerFont(font)
            return _WIDE_FONT, frozenset(font.face.charToGlyph)
    return None


@cache
def _asian_font(name: str) -> str:
    pdfmetrics.registerFont(UnicodeCIDFont(name))
    return name


def font_of(char: str) -> tuple[str, str]:
    """The font for one character and what to write in it; the font is empty for the paragraph's own."""
    if char in "\n\t":
        return "", " "
    if unicodedata.category(char) in ("Cc", "Cs", "Cf", "Co", "Cn"):
        return "", "" if unicodedata.category(char) in ("Cc", "Cf") else "?"
    if _in_helvetica(char):
        return "", char
    wide = wide_font()
    if wide is not None and ord(char) in wide[1]:
        return wide[0], char
    if 0xAC00 <= ord(char) <= 0xD7AF:
        return _asian_font("HYSMyeongJo-Medium"), char
    if 0x3040 <= ord(char) <= 0x30FF:
        return _asian_font("HeiseiKakuGo-W5"), char
    if 0x3000 <= ord(char) <= 0x9FFF or 0xFF00 <= ord(char) <= 0xFFEF:
        return _asian_font("STSong-Light"), char
    return "", plain_letter(char)


def plain_letter(char: str) -> str:
    """What Helvetica can write of a character: its base letter, or a question mark."""
    return "".join(c for c in base_letters(char) if _in_helvetica(c)) or "?"


def _in_helvetica(char: str) -> bool:
    try:
        return bool(char.encode("cp1252"))
    except UnicodeEncodeError:
        return False


def paragraph_markup(text: str) -> str:
    """Plain text as the markup of a reportlab paragraph: escaped, with runs in other fonts where needed."""
    runs: list[tuple[str, str]] = []
    for char in text:
        font, written = font_of(char)
        if runs and runs[-1][0] == font:
            runs[-1] = (font, runs[-1][1] + written)
        else:
            runs.append((font, written))
    return "".join(f'<font name="{font}">{escape(run)}</font>' if font else escape(run) for font, run in runs)
