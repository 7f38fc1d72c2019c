"""Pictures of our own that show how to place the scale and where to stand, drawn as SVG."""

from collections.abc import Callable
from math import cos, pi, sin

from identify.web.html_parts import text
from identify.web.words import Words

_WIDTH, _HEIGHT = 240, 170


def guide(t: Words) -> str:
    """The pictures side by side, each with its sentence."""
    pictures: tuple[tuple[str, Callable[[], str]], ...] = (
        ("card", _card_on_rim),
        ("stand", _stand_square),
        ("step", _step_aside),
        ("port", _card_on_flange),
    )
    figures = [_figure(t, key, draw()) for key, draw in pictures]
    return f'<ol class="guide">{"".join(figures)}</ol>'


def _figure(t: Words, key: str, drawing: str) -> str:
    title, body = t(f"guide.{key}.title"), t(f"guide.{key}.text")
    svg = (
        f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{text(title)}">'
        f'<rect class="g-ground" width="{_WIDTH}" height="{_HEIGHT}" rx="8"/>{drawing}</svg>'
    )
    return f"<li>{svg}<p><strong>{text(title)}</strong> {text(body)}</p></li>"


def _chamber(x: float, y: float, radius: float, bolts: int = 8) -> str:
    """A liquid chamber seen square on: the joint, the cover's dome, bolts round the rim."""
    heads = "".join(
        f'<circle class="g-bolt" cx="{x + 0.88 * radius * cos(2 * pi * (i + 0.5) / bolts):.1f}" '
        f'cy="{y + 0.88 * radius * sin(2 * pi * (i + 0.5) / bolts):.1f}" r="{0.07 * radius:.1f}"/>'
        for i in range(bolts)
    )
    return (
        f'<circle class="g-part" cx="{x}" cy="{y}" r="{radius}"/>'
        f'<circle class="g-dome" cx="{x}" cy="{y}" r="{0.72 * radius:.1f}"/>{heads}'
    )


def _card(x: float, y: float, width: float) -> str:
    """A checkered card, as any checkered card looks."""
    cell = width / 7
    squares = "".join(
        f'<rect class="g-ink" x="{x + i * cell:.1f}" y="{y + j * cell:.1f}" width="{cell:.1f}" height="{cell:.1f}"/>'
        for j in range(5)
        for i in range(7)
        if (i + j) % 2 == 0
    )
    height = 5 * cell + 6
    paper = f'<rect class="g-paper" x="{x - 3}" y="{y - 3}" width="{width + 6}" height="{height:.1f}" rx="2"/>'
    return paper + squares


def _phone(x: float, y: float) -> str:
    return f'<rect class="g-phone" x="{x - 6}" y="{y - 11}" width="12" height="22" rx="3"/>'


def _line(x1: float, y1: float, x2: float, y2: float, kind: str = "g-line") -> str:
    return f'<line class="{kind}" x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}"/>'


def _tick(x: float, y: float) -> str:
    return f'<path class="g-good" d="M{x} {y} l7 8 l14 -18"/>'


def _card_on_rim() -> str:
    return _chamber(120, 88, 72) + _card(86, 18, 66) + _tick(198, 140)


def _stand_square() -> str:
    """Seen from the side: pump, a meter of floor, a phone looking straight at it."""
    pump = (
        '<rect class="g-part" x="24" y="40" width="22" height="92" rx="8"/>'
        '<rect class="g-part" x="62" y="40" width="22" height="92" rx="8"/>'
        '<rect class="g-dome" x="44" y="60" width="20" height="52"/>'
        '<rect class="g-dome" x="20" y="132" width="68" height="7"/>'
        '<rect class="g-paper" x="84" y="52" width="4" height="30"/>'
    )
    sight = _line(88, 62, 196, 86, "g-sight") + _line(88, 118, 196, 86, "g-sight")
    span = _line(88, 152, 202, 152) + _line(88, 146, 88, 158) + _line(202, 146, 202, 158)
    label = '<text class="g-text" x="145" y="146" text-anchor="middle">1 m</text>'
    return pump + sight + _phone(202, 86) + span + label


def _step_aside() -> str:
    """Seen from above: the same chamber from two places."""
    pump = '<rect class="g-part" x="66" y="24" width="108" height="20" rx="8"/>'
    pump += '<rect class="g-paper" x="96" y="44" width="44" height="4"/>'
    sight = _line(120, 48, 120, 122, "g-sight") + _line(120, 48, 176, 114, "g-sight")
    arrow = '<path class="g-line" d="M130 140 q22 4 38 -8 m-2 9 l4 -10 l-11 1" fill="none"/>'
    labels = (
        '<text class="g-text" x="104" y="142" text-anchor="end">1</text><text class="g-text" x="196" y="128">2</text>'
    )
    return pump + sight + _phone(120, 134) + _phone(182, 122) + arrow + labels


def _card_on_flange() -> str:
    holes = "".join(
        f'<circle class="g-bolt" cx="{120 + 44 * cos(pi / 4 + i * pi / 2):.1f}" '
        f'cy="{88 + 44 * sin(pi / 4 + i * pi / 2):.1f}" r="7"/>'
        for i in range(4)
    )
    flange = '<circle class="g-part" cx="120" cy="88" r="64"/><circle class="g-hole" cx="120" cy="88" r="24"/>'
    return flange + holes + _card(150, 106, 60) + _tick(30, 140)
