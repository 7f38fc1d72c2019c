"""Pictures of numbers as SVG of our own: candidates in a plane, the uncertainty budget, calibration over time."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

from features.measured import COVERAGE_95, MeasuredLength
from identify.answer import Answer, Candidate
from identify.web.case_record import CaseRecord
from identify.web.html_parts import lengths_both_ways, panel, text
from identify.web.words import Words
from identify.wording import BUDGET_WORDS, MM_PER_INCH, chance_words
from reference_geometry.families import Family

_WIDTH, _HEIGHT = 380, 300
"""Of the drawing; a phone shows it as wide as this, so that its words keep their size there."""

_LEFT, _RIGHT, _TOP, _BOTTOM = 62, 14, 14, 46
_BARS_FROM, _WIDEST_BAR = 212, 90
"""Of the budget: room for the longest cause before the bars, for its number behind them."""

SHOWN_CANDIDATES = 12
SMALLEST_SHOWN, FEWEST_SHOWN = 0.002, 6
LABELED = 4
_LIKELY_PLACED = 0.8
"""Share of the candidates' probability that a dimension must be known of, to be worth a picture."""


@dataclass(frozen=True)
class _Axis:
    """From values to pixels, with round numbers to mark."""

    low: float
    high: float
    start_px: float
    end_px: float

    def at(self, value: float) -> float:
        return self.start_px + (value - self.low) / (self.high - self.low) * (self.end_px - self.start_px)

    def marks(self) -> list[float]:
        span = self.high - self.low
        step = next((s for s in (10.0**e * m for e in range(-3, 5) for m in (1, 2, 5)) if span / s <= 6), span)
        first = int(self.low / step) + 1
        return [i * step for i in range(first, int(self.high / step) + 1)]


def plots(t: Words, answer: Answer, closed: Sequence[CaseRecord]) -> str:
    """All pictures side by side."""
    drawn = (plane_plot(t, answer), budget_plot(t, answer.measurements), calibration_plot(t, closed))
    return panel(f'<div class="plots">{"".join(drawn)}</div>')


# --- candidates in the plane of two dimensions -----------------------------------------------------------
def telling_dimensions(answer: Answer) -> tuple[str, str] | None:
    """The two dimensions that tell these candidates apart best; None when fewer than two are known of them.

    Told best means: the largest spread of the candidates' sizes, weighted by their probabilities, against what is
    known of the pump: the measured length's own uncertainty, or a hand measurement's 1 % where it was not measured.
    A measured length comes before one that was not.
    """
    measured = {length.name: length for length in answer.measurements if not length.is_ratio_only}
    worth: dict[str, tuple[bool, float]] = {}
    shown = answer.candidates[:SHOWN_CANDIDATES]
    for name in {name for candidate in shown for name in candidate.family.lengths}:
        sizes = [(c.family.lengths[name].mean_mm, c.probability + 0.01) for c in shown if name in c.family.lengths]
        total = sum(weight for _, weight in sizes)
        if len(sizes) < max(2, len(shown) // 2) or not _is_known_of_the_likely(name, shown):
            continue
        mean = sum(size * weight for size, weight in sizes) / total
        spread = sqrt(sum(weight * (size - mean) ** 2 for size, weight in sizes) / total) / mean
        worth[name] = name in measured, spread / (measured[name].relative_sd if name in measured else 0.01)
    ranked = sorted(worth, key=lambda name: worth[name], reverse=True)
    return (ranked[0], ranked[1]) if len(ranked) > 1 else None


def _is_known_of_the_likely(name: str, shown: Sequence[Candidate]) -> bool:
    """Whether a dimension can place the first candidate and nearly all that is likely besides."""
    known = sum(c.probability for c in shown if name in c.family.lengths)
    return name in shown[0].family.lengths and known >= _LIKELY_PLACED * sum(c.probability for c in shown)


def plane_plot(t: Words, answer: Answer) -> str:
    """Candidates as dots, what was measured as a cross-shaped band of 95 %."""
    names = telling_dimensions(answer)
    if names is None:
        return ""
    shown = [c for c in answer.candidates[:SHOWN_CANDIDATES] if set(names) <= c.family.lengths.keys()]
    shown = [c for number, c in enumerate(shown) if c.probability >= SMALLEST_SHOWN or number < FEWEST_SHOWN]
    if not shown:
        return ""
    measured = {length.name: length for length in answer.measurements if not length.is_ratio_only}
    x = _axis_for(names[0], [c.family for c in shown], measured.get(names[0]), _LEFT, _WIDTH - _RIGHT)
    y = _axis_for(names[1], [c.family for c in shown], measured.get(names[1]), _HEIGHT - _BOTTOM, _TOP)
    bands = _bands(x, y, measured.get(names[0]), measured.get(names[1]))
    sizes = [[c.family.lengths[name].mean_mm for name in names] for c in shown]
    dots = _dots(shown, [(x.at(across), y.at(up)) for across, up in sizes])
    body = _axes(x, y, t.feature(names[0]), t.feature(names[1]), in_mm=True) + bands + dots
    return _figure(t("plot.plane"), t("plot.plane_how"), body)


def _axis_for(name: str, families: Sequence[Family], length: MeasuredLength | None, start: float, end: float) -> _Axis:
    values = [family.lengths[name].mean_mm for family in families]
    if length is not None:
        values += length.interval_mm
    low, high = min(values), max(values)
    room = 0.12 * (high - low) or 0.05 * high
    return _Axis(low - room, high + room, start, end)


def _bands(x: _Axis, y: _Axis, across: MeasuredLength | None, up: MeasuredLength | None) -> str:
    out = ""
    if across is not None:
        low, high = (x.at(v) for v in across.interval_mm)
        height = _HEIGHT - _TOP - _BOTTOM
        out += f'<rect class="p-band" x="{low:.1f}" y="{_TOP}" width="{high - low:.1f}" height="{height}"/>'
    if up is not None:
        high, low = (y.at(v) for v in up.interval_mm)
        width = _WIDTH - _LEFT - _RIGHT
        out += f'<rect class="p-band" x="{_LEFT}" y="{low:.1f}" width="{width}" height="{high - low:.1f}"/>'
    return out


def _dots(shown: Sequence[Candidate], places: Sequence[tuple[float, float]]) -> str:
    """Candidates as dots, the first few with their names beside them, none over another."""
    out, taken = "", [(x - 5, y - 5, x + 5, y + 5) for x, y in places]
    for number, (candidate, (x, y)) in enumerate(zip(shown, places, strict=True)):
        name, radius = candidate.family.family_id, 4 + 9 * sqrt(candidate.probability)
        hint = f"<title>{text(name)}: {text(chance_words(candidate.probability))}</title>"
        kind = "p-dot" if number else "p-best"
        out += f'<circle class="{kind}" cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}">{hint}</circle>'
        box = _room_for(x, y, radius, name, taken) if number < LABELED else None
        if box is not None:
            taken.append(box)
            start, anchor = (box[2], "end") if box[0] < x else (box[0], "start")
            out += f'<text x="{start:.1f}" y="{box[3] - 3:.1f}" text-anchor="{anchor}">{text(name)}</text>'
    return out


_Box = tuple[float, float, float, float]


def _room_for(x: float, y: float, radius: float, name: str, taken: Sequence[_Box]) -> _Box | None:
    """Where a dot's name fits, as left, top, right, bottom; beside the dot first, then above and below."""
    width, height = 7.6 * len(name), 14.0
    for shift in (0, -15, 15, -30, 30, -45, 45):
        for left in (x + radius + 3, x - radius - 3 - width):
            box = (left, y + shift - height / 2, left + width, y + shift + height / 2)
            inside = box[0] > _LEFT and box[2] < _WIDTH and box[1] > 0 and box[3] < _HEIGHT - _BOTTOM
            if inside and not any(_touch(box, other) for other in taken):
                return box
    return None


def _touch(one: _Box, other: _Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _axes(x: _Axis, y: _Axis, x_name: str, y_name: str, in_mm: bool) -> str:
    bottom = _HEIGHT - _BOTTOM
    parts = []
    for value in x.marks():
        at = f"{x.at(value):.1f}"
        parts.append(f'<line class="p-grid" x1="{at}" x2="{at}" y1="{_TOP}" y2="{bottom}"/>')
        parts.append(_mark(float(at), bottom + 16, "middle", value, in_mm))
    for value in y.marks():
        at = f"{y.at(value):.1f}"
        parts.append(f'<line class="p-grid" x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{at}" y2="{at}"/>')
        parts.append(_mark(_LEFT - 6, float(at) + 4, "end", value, in_mm))
    parts.append(f'<line class="p-axis" x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{bottom}" y2="{bottom}"/>')
    parts.append(f'<line class="p-axis" x1="{_LEFT}" x2="{_LEFT}" y1="{_TOP}" y2="{bottom}"/>')
    middle = (_LEFT + _WIDTH) / 2
    parts.append(_unit_text(middle, _HEIGHT - 8, x_name, in_mm))
    turned = f"translate(14 {bottom / 2}) rotate(-90)"
    parts.append(f'<g transform="{turned}">{_unit_text(0, 0, y_name, in_mm)}</g>')
    return "".join(parts)


def _mark(x: float, y: float, anchor: str, value: float, in_mm: bool) -> str:
    where = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"'
    if not in_mm:
        return f"<text {where}>{value:g}</text>"
    return f'<text class="u-mm" {where}>{value:g}</text><text class="u-in" {where}>{value / MM_PER_INCH:.2f}</text>'


def _unit_text(x: float, y: float, name: str, in_mm: bool) -> str:
    where = f'x="{x:.1f}" y="{y:.1f}" text-anchor="middle"'
    if not in_mm:
        return f"<text {where}>{text(name)}</text>"
    return f'<text class="u-mm" {where}>{text(name)}, mm</text><text class="u-in" {where}>{text(name)}, in</text>'


# --- the uncertainty budget ------------------------------------------------------------------------------
def budget_plot(t: Words, lengths: Sequence[MeasuredLength]) -> str:
    """How much each cause adds to the uncertainty of each length, as bars in mm."""
    absolute = [length for length in lengths if not length.is_ratio_only][:3]
    if not absolute:
        return ""
    rows: list[tuple[str, float, bool]] = []
    for length in absolute:
        rows.append((t.feature(length.name), length.standard_uncertainty_mm, True))
        causes = sorted(length.budget_mm().items(), key=lambda cause: -cause[1])
        rows += [
            (t.cause(name, BUDGET_WORDS.get(name, name)), mm, False)
            for name, mm in causes
            if mm >= 0.02 * length.standard_uncertainty_mm
        ]
    widest, height = max(mm for _, mm, _ in rows), 20 * len(rows) + 8
    bars = "".join(_budget_row(i, words, mm, widest, total) for i, (words, mm, total) in enumerate(rows))
    return _figure(t("plot.budget"), t("plot.budget_how"), bars, height)


def _budget_row(number: int, words: str, mm: float, widest: float, is_total: bool) -> str:
    y, width = 20 * number + 6, _WIDEST_BAR * mm / widest
    weight = ' font-weight="700"' if is_total else ""
    kind = "p-best" if is_total else "p-bar"
    digits = (f"{mm:.2f} mm", f"{mm / MM_PER_INCH:.4f} in")
    value = "".join(
        f'<text class="{unit}" x="{_BARS_FROM + width + 8:.1f}" y="{y + 11}">{number}</text>'
        for unit, number in zip(("u-mm", "u-in"), digits, strict=True)
    )
    name = f'<text x="{_BARS_FROM - 8}" y="{y + 11}" text-anchor="end"{weight}>{text(words)}</text>'
    return f'{name}<rect class="{kind}" x="{_BARS_FROM}" y="{y}" width="{max(width, 1):.1f}" height="13"/>{value}'


# --- calibration over time -------------------------------------------------------------------------------
def calibration_plot(t: Words, closed: Sequence[CaseRecord]) -> str:
    """Of the cases confirmed so far: how many first candidates were right, against how many should have been."""
    confirmed = sorted((c.confirmed for c in closed if c.confirmed is not None), key=lambda c: c.on)
    if not confirmed:
        return _figure_words(t("plot.calibration"), t("plot.calibration_none"))
    said, right, spread = [0.0], [0.0], [0.0]
    for case in confirmed:
        said.append(said[-1] + case.best_probability)
        right.append(right[-1] + (case.best_family_id == case.family_id and case.family_id != ""))
        spread.append(spread[-1] + case.best_probability * (1 - case.best_probability))
    x = _Axis(0.0, float(max(len(confirmed), 2)), _LEFT, _WIDTH - _RIGHT)
    y = _Axis(0.0, max(*said, *right, 1.0) * 1.1, _HEIGHT - _BOTTOM, _TOP)
    edge = [COVERAGE_95 * sqrt(variance) for variance in spread]
    upper = [(i, min(s + e, y.high)) for i, (s, e) in enumerate(zip(said, edge, strict=True))]
    lower = [(i, max(s - e, 0.0)) for i, (s, e) in enumerate(zip(said, edge, strict=True))]
    band = f'<path class="p-band" d="{_path(x, y, upper + lower[::-1])}Z"/>'
    lines = f'<path class="p-said" d="{_path(x, y, enumerate(said))}"/>'
    lines += f'<path class="p-line" d="{_path(x, y, enumerate(right))}"/>'
    how = t("plot.calibration_how", right=int(right[-1]), count=len(confirmed), said=f"{said[-1]:.1f}")
    axes = _axes(x, y, t("plot.cases"), t("plot.right"), in_mm=False)
    return _figure(t("plot.calibration"), f"{how} {_pull_words(t, closed)}", axes + band + lines)


def _pull_words(t: Words, closed: Sequence[CaseRecord]) -> str:
    pulls = [pull for case in closed if case.confirmed for pull in case.confirmed.pulls.values()]
    inside = sum(abs(pull) <= COVERAGE_95 for pull in pulls)
    return t("plot.pulls", inside=inside, count=len(pulls)) if pulls else ""


def _path(x: _Axis, y: _Axis, points: "Sequence[tuple[int, float]] | enumerate[float]") -> str:
    return "".join(f"{'L' if i else 'M'}{x.at(a):.1f} {y.at(b):.1f}" for i, (a, b) in enumerate(points))


# --- the frame -------------------------------------------------------------------------------------------
def _figure(title: str, how: str, body: str, height: int = _HEIGHT) -> str:
    svg = f'<svg viewBox="0 0 {_WIDTH} {height}" role="img" aria-label="{text(title)}. {text(how)}">{body}</svg>'
    return f'<figure class="plot"><h3>{text(title)}</h3>{svg}<figcaption>{lengths_both_ways(how)}</figcaption></figure>'


def _figure_words(title: str, words: str) -> str:
    return f'<figure class="plot"><h3>{text(title)}</h3><figcaption>{text(words)}</figcaption></figure>'
