"""What is drawn over a photo on the sales page: scale, measured circles, bolts, and a candidate to the same scale.

Everything is in pixels of the upright photo; the page draws it as SVG in those very units, so that whatever a user
points at is in them too.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from features.measured import COVERAGE_95, MeasuredLength
from features.photo_survey import FittedCircle, PhotoSurvey
from features.spans import MeasuredSpan
from identify.overlay.style import BOLT_STYLE, SCALE_STYLE, LineStyle, style_of
from identify.web.case_record import CaseRecord, KeptPhoto
from identify.web.words import Words
from identify.wording import inch_words, length_words
from reference_geometry.families import Family

Points = NDArray[np.float64]

DRAWABLE = ("chamber_diameter", "flange_diameter", "bolt_circle_diameter", "port_bore")
"""Features a user can draw a circle for."""

_AROUND_CHAMBER = ("chamber_diameter",)
_AROUND_PORT = ("flange_diameter", "bolt_circle_diameter", "port_bore", "thread_major_diameter")
_CORNERS = 90

CHAMBER_BOLTS, FLANGE_BOLTS = "chamber_bolts", "flange_bolts"
"""Names of the bolts seen in a photo."""

_USUAL_INWARD = 0.94
"""Circle through the bolts of a joint, as a share of its outer diameter (common practice)."""

_FEWEST_SEEN, _IN_STEP = 3, 0.5
"""Bolts are in step with a number of them when their turns, folded by it, agree this far (1 is exactly)."""


def drawing(
    t: Words, record: CaseRecord, photo: KeptPhoto, survey: PhotoSurvey | None, candidate: Family | None
) -> dict[str, Any]:
    """Everything the page's photo view shows, as plain JSON types."""
    shapes = _shapes(t, survey) if survey else []
    outlines = _candidate_outlines(survey, candidate) if survey and candidate else []
    return {
        "href": f"/case/{record.number}/photo/{photo.photo_id}.jpg?v={photo.digest[:12]}",
        "key": f"{record.number} {photo.photo_id}",
        "width": photo.width_px,
        "height": photo.height_px,
        "alt": t("view.alt", name=photo.name),
        "shapes": shapes,
        "candidate": {"name": candidate.family_id if candidate else "", "outlines": outlines},
        "hinted": list(photo.look_at),
        "scalePoints": photo.scale_points,
    }


def _shapes(t: Words, survey: PhotoSurvey) -> list[dict[str, Any]]:
    shapes = [_circle(t, circle) for circle in survey.circles]
    shapes += [_span(t, span) for span in survey.spans]
    if survey.scale is not None:
        size = f"{survey.mm_per_px:.4g} mm/px ± {100 * COVERAGE_95 * survey.scale_relative_sd:.2g} %"
        words = f"{t.sentence(survey.scale.label)}: {size}"
        outline = survey.scale.outline_px
        shapes.append(_shape("scale", outline, SCALE_STYLE, words, words, closed=len(outline) > 2))
    for name, points in survey.marks_px.items():
        for x, y in np.asarray(points).reshape(-1, 2):
            shapes.append({"name": name, "dot": [float(x), float(y)], "color": _color(BOLT_STYLE)})
    return shapes


def _circle(t: Words, circle: FittedCircle) -> dict[str, Any]:
    return _shape(circle.name, circle.outline_px, style_of(circle.name), *_both_units(t, circle.length))


def _span(t: Words, span: MeasuredSpan) -> dict[str, Any]:
    name = span.length.name
    return _shape(name, span.ends_px, style_of(name), *_both_units(t, span.length), closed=False)


def _both_units(t: Words, length: MeasuredLength) -> tuple[str, str]:
    name = t.feature(length.name)
    if length.is_ratio_only:
        words = f"{name}: {t('view.no_scale')}"
        return words, words
    millimeters = f"{name}: {t.sentence(length_words(length.value_mm, *length.interval_mm))}"
    return millimeters, f"{name}: {inch_words(length.value_mm, *length.interval_mm)}"


def _shape(
    name: str, outline_px: Points, style: LineStyle, millimeters: str, inches: str, closed: bool = True
) -> dict[str, Any]:
    return {
        "name": name,
        "points": _rounded(outline_px),
        "closed": closed,
        "color": _color(style),
        "dash": list(style.dash),
        "mm": millimeters,
        "in": inches,
    }


def _color(style: LineStyle) -> str:
    return "#{:02x}{:02x}{:02x}".format(*style.rgb)


def _rounded(points: Points) -> list[list[float]]:
    step = max(1, len(points) // _CORNERS)
    return [[round(float(x), 1), round(float(y), 1)] for x, y in np.asarray(points)[::step]]


def _candidate_outlines(survey: PhotoSurvey, family: Family) -> list[dict[str, Any]]:
    """A family's circles at their own sizes, each round the measured circle it shares its plane and middle with.

    A measured outline stretched about its middle by (family's size / measured size) is the family's circle as this
    camera would see it, but for the second order of the perspective.
    """
    outlines = []
    for names in (_AROUND_CHAMBER, _AROUND_PORT):
        seen = [c for c in survey.circles if c.name in names and not c.length.is_ratio_only]
        if not seen:
            continue
        base = max(seen, key=lambda circle: circle.visible_fraction)
        middle = base.outline_px.mean(axis=0)
        for name in names:
            known = family.lengths.get(name)
            if known is not None:
                ring = middle + (base.outline_px - middle) * known.mean_mm / base.length.value_mm
                outlines.append({"name": name, "points": _rounded(ring)})
        outlines += _bolts(family, base, survey.marks_px, names is _AROUND_CHAMBER)
    return outlines


def _bolts(
    family: Family, base: FittedCircle, marks_px: Mapping[str, Points], at_chamber: bool
) -> list[dict[str, Any]]:
    """The family's bolts on their circle, turned as the bolts seen in the photo are."""
    count = family.chamber_bolt_count if at_chamber else family.bolt_hole_count
    circle = family.lengths.get("chamber_diameter" if at_chamber else "bolt_circle_diameter")
    if not count or circle is None:
        return []
    ring, seen = _Ring(base.outline_px), marks_px.get(CHAMBER_BOLTS if at_chamber else FLANGE_BOLTS, np.zeros((0, 2)))
    inward = ring.inward(seen) if at_chamber else 1.0
    turns = ring.first_bolt(seen, count) + np.arange(count) / count
    return [{"name": "bolts", "dots": _rounded(ring.at(turns, inward * circle.mean_mm / base.length.value_mm))}]


class _Ring:
    """A circle of the pump as the photo shows it, by turns round it in its own plane.

    Args:
        outline_px: (M, 2) points evenly spread round the circle itself.
    """

    def __init__(self, outline_px: Points) -> None:
        self._middle = outline_px.mean(axis=0)
        self._outline = np.vstack([outline_px, outline_px[:1]])
        self._turns = np.linspace(0.0, 1.0, len(self._outline))

    def at(self, turns: Points, share: float = 1.0) -> Points:
        """(N, 2) points on the circle of `share` its size."""
        found = [np.interp(turns % 1.0, self._turns, self._outline[:, i]) for i in (0, 1)]
        return np.asarray(self._middle + (np.stack(found, axis=1) - self._middle) * share)

    def turns_of(self, points_px: Points) -> Points:
        """(N,) where round the circle points lie."""
        fine = np.arange(1440) / 1440
        ways, to = self.at(fine) - self._middle, np.asarray(points_px).reshape(-1, 2) - self._middle
        ways /= np.linalg.norm(ways, axis=1)[:, None]
        return np.asarray(fine[np.argmax(to @ ways.T, axis=1)])

    def inward(self, seen_px: Points) -> float:
        """How much smaller the circle through the bolts seen is; common practice where too few are seen."""
        if len(seen_px) < _FEWEST_SEEN:
            return _USUAL_INWARD
        edges = self.at(self.turns_of(seen_px)) - self._middle
        shares = np.linalg.norm(seen_px - self._middle, axis=1) / np.linalg.norm(edges, axis=1)
        return float(np.median(shares))

    def first_bolt(self, seen_px: Points, count: int) -> float:
        """The turn at which one of `count` bolts lies.

        As many bolts as were seen fall on those seen. Of another number one falls on the topmost bolt that was seen,
        so that the eye has where to start; where none was seen it stands at the top.
        """
        if len(seen_px) == 0:
            return float(self._turns[int(np.argmin(self._outline[:, 1]))])
        turns = self.turns_of(seen_px)
        folded = complex(np.exp(2j * np.pi * count * turns).mean())
        if len(turns) >= _FEWEST_SEEN and abs(folded) > _IN_STEP:
            return float(np.angle(folded)) / (2.0 * np.pi * count)
        return float(turns[int(np.argmin(seen_px[:, 1]))])
