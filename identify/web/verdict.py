"""The word on one photo for whoever took it: good, usable or not, why, and what to do."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from features.photo_survey import PhotoSurvey
from features.problems import ProblemKind
from identify.web.case_record import CaseRecord, KeptPhoto
from identify.web.first_look import Glance
from identify.web.html_parts import text
from identify.web.words import Words, kinds_by_code

Level = Literal["good", "usable", "again", "wait"]

_NO_SCALE = ("no_scale",)
_NO_PUMP = ("nothing_found", "no_pump_seen")
"""Cautions to the measuring; for somebody who still stands at the pump they are reasons to shoot again."""

SHOWN_REASONS = 3
_ORDER = {"refused": 0, "caution": 1, "note": 2}


@dataclass(frozen=True)
class Verdict:
    """What is said of a photo.

    Attributes:
        level: good, usable (measured, trusted less), to be taken again, or wait: good so far, and the coin that was
            named is still to be found.
        reasons: (kind, particulars), the gravest first.
    """

    level: Level
    reasons: tuple[tuple[ProblemKind, str], ...]


def verdict_of(problems: Iterable[tuple[str, str]], scale_label: str) -> Verdict:
    """Judge a photo by what was noticed in it.

    A refused scale does no harm where another one was found. Where there is none and that is not said, it is still
    looked for.
    """
    kinds = kinds_by_code()
    noticed = [(kinds[code], detail) for code, detail in dict.fromkeys(problems) if code in kinds]
    noticed.sort(key=lambda item: _ORDER[item[0].severity])
    without_scale = any(kind.severity == "refused" or kind.code in _NO_SCALE for kind, _ in noticed)
    level: Level = "good"
    if (without_scale and not scale_label) or any(kind.code in _NO_PUMP for kind, _ in noticed):
        level = "again"
    elif any(kind.severity != "note" for kind, _ in noticed):
        level = "usable"
    elif not scale_label:
        level = "wait"
    return Verdict(level, tuple(noticed[:SHOWN_REASONS]))


def verdict_card(t: Words, record: CaseRecord, photo: KeptPhoto, measured: PhotoSurvey | None) -> str:
    """One photo with its word.

    Args:
        t: the language.
        record: the case.
        photo: one of its photos.
        measured: what the measuring gave, None when it has not been measured yet.
    """
    problems, label = photo.problems, photo.scale_label
    if measured is not None:
        problems = tuple((problem.kind.code, problem.detail) for problem in measured.problems)
        label = measured.scale.label if measured.scale else ""
    verdict = verdict_of(problems, label)
    reasons = "".join(f"<li>{_reason(t, kind, detail)}</li>" for kind, detail in verdict.reasons)
    scale = t("verdict.scale", what=t.sentence(label)) if label else ""
    waits = "" if measured is not None else f'<p class="muted">{text(_waits(t, verdict))}</p>'
    thumb = f"/case/{record.number}/thumb/{photo.photo_id}.jpg?v={photo.digest[:12]}"
    return (
        f'<li class="verdict {verdict.level}"><img src="{thumb}" alt="" width="96" height="96">'
        f'<div><p><span class="mark">{text(t(f"verdict.{verdict.level}"))}</span> {text(photo.name)}</p>'
        f'<p class="muted">{text(scale)}</p><ul>{reasons}</ul>{waits}'
        f'<button type="button" class="small" data-remove="{photo.photo_id}">{text(t("verdict.remove"))}</button>'
        "</div></li>"
    )


def glanced_card(t: Words, name: str, glance: Glance) -> str:
    """A photo that was looked at and is still to be kept and measured."""
    verdict = verdict_of(glance.problems, glance.scale_label)
    reasons = "".join(f"<li>{_reason(t, kind, detail)}</li>" for kind, detail in verdict.reasons)
    seen = t("verdict.scale", what=t.sentence(glance.scale_label)) if glance.scale_label else ""
    mark = f'<span class="mark">{text(t(f"verdict.{verdict.level}"))}</span>'
    return (
        f'<li class="verdict {verdict.level}"><div><p>{mark} {text(name)}</p><p class="muted">{text(seen)}</p>'
        f'<ul>{reasons}</ul><p class="muted">{text(_waits(t, verdict))}</p></div></li>'
    )


def refused_card(t: Words, name: str, kind: ProblemKind, detail: str) -> str:
    """A file that is no usable photo."""
    return (
        f'<li class="verdict again"><div><p><span class="mark">{text(t("verdict.refused"))}</span> {text(name)}</p>'
        f"<ul><li>{_reason(t, kind, detail)}</li></ul></div></li>"
    )


def _waits(t: Words, verdict: Verdict) -> str:
    return t("verdict.no_coin_yet" if verdict.level == "wait" else "verdict.not_measured")


def _reason(t: Words, kind: ProblemKind, detail: str) -> str:
    particulars = f" ({text(t.sentence(detail))})" if detail else ""
    return f"{text(t.meaning(kind))}{particulars} <strong>{text(t.advice(kind))}</strong>"
