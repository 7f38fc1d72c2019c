"""Sentences made for one answer, said in another language: each is known by its pattern in `sentences.csv`.

Reasons, decisions and cautions are put together in English where they arise. Here a whole sentence is compared with the
patterns, the longest first; what stands in its gaps is said in turn, down to the words of `text.csv`. A gap's letter
says what fits it: f and g a feature's name, n, m and o a number, h the number of a family or a kit, i a piece without
stops and joints, x anything or nothing, any other anything. What matches no pattern is taken apart at its punctuation,
and what is still not known stays as it is: a name, a number, or a sentence that waits for its row.
"""

import csv
import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from functools import lru_cache
from importlib.resources import files

from identify.report.blocks import Blanks, Block, Bullets, Letter, Paragraph, Picture, Pictures, ReportContent, Table

Say = Callable[[str], str]

_GAP = re.compile(r"\{(\w)\}")
_NUMBER, _ANYTHING, _OR_NOTHING, _NO_STOP = (
    r"[-+]?\d[\d.,]*(?:e[-+]?\d+)?",
    r".+?",
    r".*?",
    r"(?!and |or )(?:(?! and | or )[^:;,.(])+",
)
_CODE = r"[^\s,;:]*\d[^\s,;:]*"
_ENDS = (
    re.compile(r"(?<=[.?!]) (?=[A-Z0-9(±])"),
    re.compile(r"(?<=;) "),
    re.compile(r"(?<=:) "),
    re.compile(r"(?<=,) "),
)
_JOINTS = re.compile(r" (and|or|to) ")
_TYPED = re.compile(r" Answer: .*?(?= \(worth |$)|[;,] say --[^.(]*")
_WORTH = re.compile(r" \(worth [\d.]+ bits[^)]*\)")


class Sentences:
    """The patterns of one language.

    Args:
        language: column of the table.
        words: what short pieces are called in it, English to that language.
        features: names of features as English sentences have them.
    """

    def __init__(self, language: str, words: Mapping[str, str], features: Collection[str]) -> None:
        table = (files("identify.web") / "sentences.csv").read_text(encoding="utf-8")
        rows = [(row["en"], row[language]) for row in csv.DictReader(table.splitlines())]
        self._words = {**words, **{english: said for english, said in rows if not _GAP.search(english)}}
        gapped = [(english, said) for english, said in rows if _GAP.search(english)]
        gapped.sort(key=lambda row: -len(_GAP.sub("", row[0])))
        longest_first = "|".join(sorted(features, key=len, reverse=True))
        kinds = {
            **dict.fromkeys("fg", longest_first),
            **dict.fromkeys("nmo", _NUMBER),
            "x": _OR_NOTHING,
            "i": _NO_STOP,
            "h": _CODE,
        }
        self._patterns = [(_pattern(english, kinds), said) for english, said in gapped]
        self.say: Say = lru_cache(4096)(self._say)

    def _say(self, english: str) -> str:
        """A sentence, or a piece of one."""
        stripped = english.strip()
        if not re.search(r"[A-Za-z]", stripped):
            return english
        known = self._known(stripped)
        if known is None:
            known = self._by_pieces(stripped)
        return english.replace(stripped, known, 1)

    def _known(self, english: str) -> str | None:
        """What the tables say; a capital or a full stop more or less makes no other sentence."""
        for stop in ("", "."):
            for first in dict.fromkeys((english[:1], english[:1].lower(), english[:1].upper())):
                wanted = first + english[1:] + stop
                said = self._words.get(wanted) or self._by_pattern(wanted)
                if said is not None:
                    said = said.removesuffix(stop)
                    same = first == english[:1]
                    return (
                        said if same else (said[:1].upper() if english[:1].isupper() else said[:1].lower()) + said[1:]
                    )
        return None

    def _by_pattern(self, english: str) -> str | None:
        for pattern, said in self._patterns:
            found = pattern.fullmatch(english)
            if found:
                return said.format(**{name: self.say(piece) for name, piece in found.groupdict().items()})
        return None

    def _by_pieces(self, english: str) -> str:
        """Sentence by sentence, then between ever smaller stops; a full stop at the end belongs to no piece."""
        for end in _ENDS:
            pieces = end.split(english)
            if len(pieces) > 1:
                return " ".join(self.say(piece) for piece in pieces)
            about, colon, said = english.partition(": ")
            if end is _ENDS[0] and colon and ";" not in about and (known := self._known(said)) is not None:
                return f"{self.say(about)}: {known}"  # a file's name, and a sentence that may have stops of its own
            if end is _ENDS[1] and english[-1] in ".;:,":
                return self.say(english[:-1]) + english[-1]
        pieces = _JOINTS.split(english)
        if len(pieces) > 1 and all(self._known(piece) is not None for piece in pieces[::2]):
            joints = {"and": "y", "or": "o", "to": "a"}
            return " ".join(joints[p] if i % 2 else self.say(p) for i, p in enumerate(pieces))
        return english


def _pattern(english: str, kinds: Mapping[str, str]) -> "re.Pattern[str]":
    parts = _GAP.split(english)
    for place in range(1, len(parts), 2):
        parts[place] = f"(?P<{parts[place]}>{kinds.get(parts[place], _ANYTHING)})"
    parts[::2] = map(re.escape, parts[::2])
    return re.compile("".join(parts), re.DOTALL)


def without_typing(words: str) -> str:
    """A question without how its answer is typed at the command line, which is nothing to a page or a customer."""
    return _WORTH.sub("", _TYPED.sub("", words))


def report_in(content: ReportContent, language: str, say: Say) -> ReportContent:
    """The report in another language, and without what is only for the command line."""

    def said(words: str) -> str:
        return say(without_typing(words))

    sections = tuple(
        replace(part, title=said(part.title), blocks=tuple(_block(block, said) for block in part.blocks))
        for part in content.sections
    )
    return replace(
        content, title=said(content.title), made=said(content.made), headline=tuple(map(said, content.headline)),
        demo_note=said(content.demo_note), sections=sections, footer=said(content.footer), language=language,
    )  # fmt: skip


def _block(block: Block, said: Say) -> Block:
    if isinstance(block, Paragraph):
        return replace(block, text=said(block.text))
    if isinstance(block, Bullets):
        return replace(block, items=tuple(map(said, block.items)))
    if isinstance(block, Table):
        columns = tuple(replace(column, title=said(column.title)) for column in block.columns)
        return replace(block, columns=columns, rows=tuple(tuple(map(said, row)) for row in block.rows))
    if isinstance(block, Letter):
        return replace(block, lines=tuple(map(said, block.lines)))
    if isinstance(block, Blanks):
        return replace(block, labels=tuple(map(said, block.labels)), name=said(block.name), date=said(block.date))
    return Pictures(tuple(_picture(picture, said) for picture in block.pictures))


def _picture(picture: Picture, said: Say) -> Picture:
    return replace(picture, caption=said(picture.caption))
