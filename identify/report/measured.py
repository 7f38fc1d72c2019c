"""The sections of a report that say what the photos gave: scale, lengths and budget, attributes, ports."""

from collections.abc import Sequence
from itertools import pairwise
from math import sqrt

from features.measured import COVERAGE_95, AttributeEvidence, MeasuredLength, log_covariance
from features.ports import PortSize
from features.survey import PhotoSurvey, Survey
from identify.assumed import length_assumptions
from identify.report.blocks import Block, Bullets, Column, Paragraph, Section, Table
from identify.wording import (
    BUDGET_WORDS,
    CARD_AT_WORDS,
    chance_words,
    feature_words,
    inch_words,
    joined,
    length_words,
    likely_values,
    place_words,
    value_words,
)

SHOWN_PORTS = 4
TOLD_PORT = 0.15
"""Below this even the best port size is one of many, and none is shown."""

SMALLEST_SHOWN = 0.01
"""Possibilities below one percent are left out of tables, not out of the sums."""


_OFFSET_WORDS = "behind the scale's plane"
"""Marks the matcher's own sentences on heights, which are said here once for all lengths together."""


def photo_section(survey: Survey) -> Section:
    """Which photos were read, what they show and what their scale was."""
    places = dict.fromkeys(photo.card_at for photo in survey.photos if photo.scale is not None)
    items = tuple(_photo_line(photo, len(places) > 1) for photo in survey.photos)
    blocks: list[Block] = [Bullets(items)]
    if len(places) == 1:
        blocks.append(Paragraph(f"Scale reference lies: {CARD_AT_WORDS[next(iter(places))]}.", "muted"))
    return Section("Photos", tuple(blocks))


def _photo_line(photo: PhotoSurvey, say_place: bool) -> str:
    view, chance = max(photo.view.items(), key=lambda item: item[1], default=("other", 0.0))
    shows = f"{value_words(view)} view ({chance_words(chance)})"
    place = f", {CARD_AT_WORDS[photo.card_at]}" if say_place and photo.scale is not None else ""
    return f"{photo.name}: {shows}; {scale_words(photo)}{place}."


def scale_words(photo: PhotoSurvey) -> str:
    """A photo's scale with its 95 % interval, or that it has none."""
    if photo.scale is None:
        return "no scale, ratios only"
    relative = 100 * COVERAGE_95 * photo.scale_relative_sd
    return f"scale {photo.scale.label}, {photo.mm_per_px:.4g} mm per pixel ± {relative:.2g} %"


def measured_section(lengths: Sequence[MeasuredLength], assumptions: Sequence[str], by_photo: bool) -> Section:
    """Lengths with 95 % intervals; ratios where there was no scale; what it rests on."""
    absolute = [length for length in lengths if not length.is_ratio_only]
    blocks: list[Block] = []
    if absolute:
        blocks.append(_length_table(absolute))
        blocks.append(Paragraph("± gives the 95 % interval.", "muted"))
    elif lengths:
        blocks.append(Paragraph("No scale: no length in mm is known, only ratios.", "warning"))
        blocks.append(_ratio_table(lengths))
    elif by_photo:
        blocks.append(Paragraph("Nothing could be measured.", "warning"))
    else:
        blocks.append(Paragraph("No photo and no length was given.", "muted"))
    others = dict.fromkeys((*length_assumptions(lengths), *(text for text in assumptions if _OFFSET_WORDS not in text)))
    assumed = tuple(f"Assumed: {assumption}" for assumption in (*offset_assumptions(absolute), *others))
    if assumed:
        blocks.append(Bullets(assumed))
    return Section("Measured", tuple(blocks))


def offset_assumptions(lengths: Sequence[MeasuredLength]) -> list[str]:
    """How far behind the reference the measured edges were taken to lie, one sentence a height."""
    by_height: dict[int, list[MeasuredLength]] = {}
    for length in lengths:
        if length.offset_mm is not None:
            by_height.setdefault(round(length.offset_mm), []).append(length)
    sentences = []
    for height, same in sorted(by_height.items()):
        names = joined([feature_words(length.name) for length in same], "and")
        worst = max(same, key=lambda length: abs(length.per_offset_mm))
        change = f"the {feature_words(worst.name)} by {abs(worst.per_offset_mm):.2f} mm"
        effect = f"each mm of error there changes {change}"
        sentences.append(f"{names}: {place_words(height)} the face of the scale reference ({effect}).")
    return sentences


def _length_table(lengths: Sequence[MeasuredLength]) -> Table:
    columns = (
        Column("what", share=2.4),
        Column("size, 95 %", "right", 2.2),
        Column("inches", "right", 1.1),
        Column("from", share=2.6),
    )
    rows = []
    for length in lengths:
        low, high = length.interval_mm
        rows.append(
            (
                feature_words(length.name),
                length_words(length.value_mm, low, high),
                inch_words(length.value_mm, low, high),
                ", ".join(length.photos) or "typed in",
            )
        )
    return Table(columns, tuple(rows))


def _ratio_table(lengths: Sequence[MeasuredLength]) -> Table:
    """Each length over the one before it, largest first: what survives without a scale."""
    ordered = sorted(lengths, key=lambda length: -length.value_mm)
    covariance = log_covariance(ordered)
    rows = []
    for (i, large), (j, small) in pairwise(enumerate(ordered)):
        variance = float(covariance[i, i] + covariance[j, j] - 2 * covariance[i, j])
        ratio = large.value_mm / small.value_mm
        rows.append(
            (
                f"{feature_words(large.name)} over {feature_words(small.name)}",
                f"{ratio:.3f} ± {ratio * COVERAGE_95 * sqrt(max(variance, 0.0)):.3f}",
            )
        )
    return Table((Column("ratio", share=3), Column("value, 95 %", "right", 1.5)), tuple(rows))


def budget_section(lengths: Sequence[MeasuredLength]) -> Section | None:
    """Where each uncertainty comes from, as standard uncertainties in mm (JCGM 100); not for the screen."""
    absolute = [length for length in lengths if not length.is_ratio_only]
    if not absolute:
        return None
    budgets = [length.budget_mm() for length in absolute]
    names = [name for name in BUDGET_WORDS if any(budget.get(name, 0.0) > 0 for budget in budgets)]
    columns = (
        Column("standard uncertainty, mm", share=2.0),
        *(Column(BUDGET_WORDS[name], "right", 1.3) for name in names),
        Column("combined", "right", 1.1),
        Column("height assumed", "right", 1.2),
    )
    rows = tuple(
        (
            feature_words(length.name),
            *(_mm(budget.get(name, 0.0)) for name in names),
            _mm(length.standard_uncertainty_mm),
            "" if length.offset_mm is None else f"{length.offset_mm:.1f} mm",
        )
        for length, budget in zip(absolute, budgets, strict=True)
    )
    notes = (
        Paragraph(
            "One standard deviation each; the 95 % interval is 1.96 times the combined value, less where an edge "
            "can only be one of two. "
            "Height assumed: how far the measured edge lies behind the face of the scale reference.",
            "muted",
        ),
    )
    return Section("Where the uncertainty comes from", (Table(columns, rows), *notes), on_screen=False)


def _mm(value: float) -> str:
    return f"{value:.2f}" if value >= 0.005 else "0" if value == 0 else "< 0.01"


def seen_section(attributes: Sequence[AttributeEvidence]) -> Section | None:
    """What was seen or said of the pump besides lengths."""
    rows = [row for evidence in attributes if (row := _attribute_row(evidence)) is not None]
    if not rows:
        return None
    columns = (
        Column("what", share=1.6),
        Column("most likely", share=1.8),
        Column("chance", "right", 0.8),
        Column("or", share=2.4),
    )
    return Section("Seen", (Table(columns, tuple(rows)),))


def _attribute_row(evidence: AttributeEvidence) -> tuple[str, ...] | None:
    values, share = likely_values(evidence.likelihood)
    if not values:
        return None
    total = sum(evidence.likelihood.values())
    ranked = sorted(((p / total, value) for value, p in evidence.likelihood.items()), reverse=True)
    others = [f"{value_words(v)} ({chance_words(p)})" for p, v in ranked[len(values) : 3] if p >= SMALLEST_SHOWN]
    said = joined([value_words(value) for value in values])
    return feature_words(evidence.name), said, chance_words(share), ", ".join(others)


def port_section(ports: Sequence[PortSize]) -> Section | None:
    """Port standards and sizes the measurements agree with."""
    shown = [port for port in ports[:SHOWN_PORTS] if port.probability >= SMALLEST_SHOWN]
    if not shown or shown[0].probability < TOLD_PORT:
        return None
    columns = (
        Column("port standard", share=2.4),
        Column("nominal size", "right"),
        Column("DN", "right", 0.7),
        Column("chance", "right", 0.8),
    )
    rows = tuple((p.standard, f"{p.nominal_in} in", str(p.dn), chance_words(p.probability)) for p in shown)
    return Section("Port", (Table(columns, rows),))


def problem_section(survey: Survey) -> Section | None:
    """What was wrong with the photos and what to do about it, worded by the registry of problems."""
    items: dict[str, None] = {}  # an ordered set: two references can notice the same thing
    for photo in survey.photos:
        for problem in photo.problems:
            detail = f" ({problem.detail})" if problem.detail else ""
            items[f"{photo.name}: {problem.kind.meaning}{detail} {problem.kind.advice}"] = None
    return Section("Noticed in the photos", (Bullets(tuple(items)),)) if items else None
