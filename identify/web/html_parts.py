"""Small pieces of HTML that all pages are made of, safe whatever a customer typed."""

import re
from collections.abc import Iterable, Sequence
from html import escape

from identify.wording import MM_PER_INCH, tied

_NUMBER = r"\d+(?:\.\d+)?"
_MILLIMETERS = re.compile(
    rf"(?P<a>{_NUMBER})(?P<join1> ± | to | a | x | × )?(?P<b>{_NUMBER})?(?P<join2> x | × )?(?P<c>{_NUMBER})? mm\b"
    rf"(?P<off> \([-+−]{_NUMBER}(?:, [-+−]{_NUMBER})?\))?"
)

_CODE = re.compile(r"\b[A-Z][A-Z0-9]*(?:-[A-Z0-9]+)+\b")


def text(words: object) -> str:
    """Text for HTML and quoted attributes. Template signs of the page's own HTML component are taken from it too."""
    clean = "".join(c for c in str(words) if c in "\n\t" or (ord(c) >= 32 and not 127 <= ord(c) < 160))
    return inert(escape(clean, quote=True))


def inert(fragment: str) -> str:
    """Keep what is shown from being read as a template."""
    return fragment.replace("$", "&#36;").replace("{", "&#123;").replace("}", "&#125;")


def lengths_both_ways(words: str) -> str:
    """Text as HTML in which every length in mm can be switched to inches by the page's unit switch."""
    out, end = [], 0
    for found in _MILLIMETERS.finditer(words):
        out.append(_with_whole_codes(words[end : found.start()]))
        out.append(both_units(tied(found[0]), tied(_in_inches(found))))
        end = found.end()
    return "".join((*out, _with_whole_codes(words[end:])))


def _with_whole_codes(words: str) -> str:
    """Text as HTML in which no line breaks inside the number of a family or a kit."""
    return _CODE.sub(r'<span class="whole">\g<0></span>', text(tied(words)))


def both_units(millimeters: str, inches: str) -> str:
    """Two ways to say one length; the page shows one of them."""
    return f'<span class="u-mm">{text(millimeters)}</span><span class="u-in">{text(inches)}</span>'


def _in_inches(found: "re.Match[str]") -> str:
    said = []
    for part in ("a", "join1", "b", "join2", "c"):
        if found[part]:
            said.append(_inches(found[part]) if part in "abc" else found[part])
    off = re.sub(_NUMBER, lambda number: _inches(number[0]), found["off"] or "")  # how much more or less, same unit
    return f"{''.join(said)} in{off}"


def _inches(millimeters: str) -> str:
    """Two more decimals than the millimeters have: about the same step."""
    decimals = len(millimeters.partition(".")[2]) + 1
    return f"{float(millimeters) / MM_PER_INCH:.{min(decimals + 1, 4)}f}"


def paragraph(words: str, kind: str = "") -> str:
    """Running text."""
    return f'<p class="{kind}">{lengths_both_ways(words)}</p>' if kind else f"<p>{lengths_both_ways(words)}</p>"


def bullets(items: Iterable[str], numbered: bool = False) -> str:
    """Short points, already HTML."""
    tag = "ol" if numbered else "ul"
    return f"<{tag}>{''.join(f'<li>{item}</li>' for item in items)}</{tag}>"


def table(heads: Sequence[str], rows: Iterable[Sequence[str]], caption: str, right: Sequence[int] = ()) -> str:
    """A table whose cells are HTML already; on a phone each cell names its column."""
    head = "".join(_head(name, _right(i, right)) for i, name in enumerate(heads))
    body = "".join(
        "<tr>"
        + "".join(
            f'<td{_right(i, right)} data-label="{text(heads[i])}"><div>{cell}</div></td>' for i, cell in enumerate(row)
        )
        + "</tr>"
        for row in rows
    )
    name = text(caption)
    inside = f'<caption class="hidden">{name}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody>'
    wide = ' class="wide"' if len(heads) > 3 else ""
    return f'<div class="table" tabindex="0" role="region" aria-label="{name}"><table{wide}>{inside}</table></div>'


def _head(name: str, classes: str) -> str:
    return f'<th scope="col"{classes}>{text(name)}</th>' if name else "<td></td>"


def _right(number: int, right: Sequence[int]) -> str:
    return ' class="right"' if number in right else ""


def section(title: str, *parts: str, kind: str = "") -> str:
    """A titled part of a page; nothing at all when it has no content."""
    content = "".join(parts)
    return f'<section class="{kind}"><h2>{text(title)}</h2>{content}</section>' if content else ""


def panel(*parts: str, label: str = "") -> str:
    """The frame of everything of ours on a page."""
    named = f' role="region" aria-label="{text(label)}"' if label else ""
    return f'<div class="untagged"{named}>{"".join(parts)}</div>'


def bar(share: float, label: str) -> str:
    """A bar for a share from 0 to 1; the words beside it say the same."""
    width = 100 * min(max(share, 0.0), 1.0)
    return f'<span class="bar" role="img" aria-label="{text(label)}"><span style="width:{width:.1f}%"></span></span>'
