"""From a rough circle to sub-pixel edge points on it, at the photo's full resolution.

Scan lines are laid across the expected rim; each may meet several edges (chamfer, shadow, what stands behind). The
points kept are those that lie together on one curve (see `features.parts.rim_waves` and `rim_arcs`).
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal, Protocol, final

import numpy as np
from numpy.typing import NDArray

from features.circle_fit import fit_circle
from features.edges import ScanEdges, scan_edges
from features.ellipse import Ellipse
from features.grain import grain_beside
from features.parts.rim_arcs import LookedAt, Which, rim_among
from features.parts.rim_waves import NearEdges, find_waves, wave_at
from features.reduced import from_halved, halved, halvings_of, in_halved

Array = NDArray[np.float64]
MIN_LINES = 24
"""Scan lines below which nothing is tried."""
_WIDTH, _WIDTH_PX = 0.004, 0.8
"""How far from a curve an edge may lie and count as on it: relative to the radius or in photo pixels, the larger."""

_LEAST_STEP, _OUT_OF_GRAIN = 4.0, 1.3
"""Least gray step of an edge, in gray levels and as a share of the grain over the root of the smoothing in pixels: of
the steps that white noise makes along scan lines one in thirty is so large (simulated)."""
_GRAIN_PLACES = 60
"""At so many places beside a circle the grain is asked for."""
_PLAIN = 0.5
"""Where edges out of the grain show less of a circle than this, fainter ones may show more."""
_STRIP = 0.35
"""How much of the way to its neighbors a scan line averages over."""
_CURVE_POINTS = 60
"""So many points of a curve tell the ellipse that it is in the photo."""

_RIM_WIDTH = 0.06
"""How much larger the outermost edge of a rim may be than its plainest: a clamp band is that wide, a chamfer less."""

_SLANT_SD = 0.006
"""How far from a circle a rim may be where a reference tells the slant: 2 degrees of error at a slant of 20, and the
flaws of castings, as a share of its radius."""

_LEAST_GROWN, _OWN_REACH, _GROWTHS, _MORE = 0.25, 0.03, 3, 1.15
"""How much of a curve must be seen for the rest of its edge to be looked for, how far from its ellipse, how often at
most, and how much more of it must be found to be believed."""
_SAME_EDGE, _ON_IT = 0.8, 0.005
"""What share of the edges traced before must lie how near to the longer curve, over its radius, for it to be theirs."""


class Squared(Protocol):
    """A picture in which the wanted circle is a circle, or nearly one: `FrontOn`, or one made from an ellipse."""

    @property
    def px_per_px(self) -> float:
        """Its pixels per photo pixel."""
        ...

    def to_photo(self, points: Array) -> Array:
        """(N, 2) its pixels to photo pixels."""
        ...

    def from_photo(self, points_px: Array) -> Array:
        """(N, 2) photo pixels to its pixels."""
        ...


@dataclass(frozen=True, eq=False)
class _OwnPlace:
    """A picture in which an ellipse of the photo is the unit circle."""

    ellipse: Ellipse

    @property
    def px_per_px(self) -> float:
        return 1.0 / float(self.ellipse.semi_axes_px.mean())

    @property
    def _axes(self) -> Array:
        c, s = np.cos(self.ellipse.angle_rad), np.sin(self.ellipse.angle_rad)
        return np.array([[c, -s], [s, c]]) * self.ellipse.semi_axes_px

    def to_photo(self, points: Array) -> Array:
        return np.asarray(self.ellipse.center_px + points @ self._axes.T)

    def from_photo(self, points_px: Array) -> Array:
        return np.asarray((points_px - self.ellipse.center_px) @ np.linalg.inv(self._axes).T)


@dataclass(frozen=True, eq=False)
class _Search:
    """What stays the same while one circle is looked for; see `trace_circle`."""

    gray: NDArray[np.uint8]
    front: Squared
    lines: int
    round_in_front: bool
    use: Callable[[Array], NDArray[np.bool_]] | None


@dataclass(frozen=True)
class NotTraced:
    """Why a circle could not be traced. Falsy."""

    reason: str

    def __bool__(self) -> Literal[False]:
        return False


@final
@dataclass(frozen=True, eq=False)
class TracedCircle:
    """A circle's edge in the photo.

    Attributes:
        points_px: (N, 2) edge points on it.
        ellipse: through them.
        coverage: share of directions in which its edge was seen, 0..1.
        evidence: the same of the directions in which it was looked for. Only arcs count, so chance adds little to it.
    """

    points_px: Array
    ellipse: Ellipse
    coverage: float
    evidence: float


def trace_circle(
    gray: NDArray[np.uint8],
    front: Squared,
    center: Array,
    radius: float,
    which: Which = "strongest",
    reach: float = 0.06,
    lines: int = 240,
    round_in_front: bool = False,
    use: Callable[[Array], NDArray[np.bool_]] | None = None,
) -> TracedCircle | NotTraced:
    """Trace a circle found in the squared-up picture.

    Args:
        gray: (H, W) full-resolution photo.
        front: the squared-up picture.
        center, radius: rough circle in its pixels.
        which: which of several concentric edges within reach is wanted.
        reach: half length of the scan lines as a share of the radius.
        lines: number of scan lines.
        round_in_front: the squared-up picture's slant is measured, not guessed, so the circle is a circle there.
        use: tells for (N, 2) photo pixels on the expected rim whether its edge can be seen there; everywhere when None.

    Returns:
        The traced circle, or a falsy reason.
    """
    search = _Search(gray, front, lines, round_in_front, use)
    least_step = _step_out_of_grain(search, center, radius, reach)
    traced = _trace_over(search, center, radius, which, reach, least_step)
    if least_step > _LEAST_STEP and not (traced and traced.evidence > _PLAIN):
        faint = _trace_over(search, center, radius, which, reach, _LEAST_STEP)
        if faint and not (traced and traced.evidence > faint.evidence):
            return faint
    return traced


def _trace_over(
    search: _Search, center: Array, radius: float, which: Which, reach: float, least_step: float
) -> TracedCircle | NotTraced:
    """`trace_circle` by edges of at least so many gray levels."""
    traced: TracedCircle | NotTraced = NotTraced("no edge was looked for")
    # Again about the best supported curve, so that where the search began no longer matters; then the edge is chosen.
    beyond = _RIM_WIDTH if which == "outermost" else max(0.4 * reach, min(reach, _RIM_WIDTH))
    steps: tuple[tuple[Which, float], ...] = (("strongest", reach), (which, beyond))
    for want, far in steps:
        traced = _trace_once(search, center, radius, want, far, least_step)
        if not traced:
            return traced
        center, radius = fit_circle(search.front.from_photo(traced.ellipse.points_px()))
    return traced


def by_own_shape(
    gray: NDArray[np.uint8],
    traced: TracedCircle,
    lines: int = 240,
    use: Callable[[Array], NDArray[np.bool_]] | None = None,
) -> TracedCircle:
    """The same edge followed on, where a reference's slant was not quite its own.

    A slant is known no better than the focal length and the card's own lie allow. Under a wrong one a rim is no circle:
    a circle then meets it in part, and its far side is a guess. About its own ellipse the rest of the edge is near.

    Args:
        gray: (H, W) full-resolution photo.
        traced: under the reference's slant.
        lines, use: as `trace_circle` has them.
    """
    before, grown = traced, False
    for _ in range(_GROWTHS):
        if not _LEAST_GROWN < traced.evidence < 1.0 / _MORE:
            break
        again = _trace_about(_Search(gray, _OwnPlace(traced.ellipse), lines, False, use), "strongest")
        if not again or again.coverage < _MORE * traced.coverage or not _goes_on(again, traced):
            break
        traced, grown = again, True
    if grown:  # it may be the edge of a face, round which its rim's own runs, broken by a chamfer
        again = _trace_about(_Search(gray, _OwnPlace(traced.ellipse), lines, True, use), "outermost")
        if again and again.coverage >= before.coverage:  # else it is one that meets a few edges of what lies beyond
            traced = again
    return traced


def _trace_about(search: _Search, which: Which) -> TracedCircle | NotTraced:
    """The edge about an ellipse's own place."""
    middle = np.zeros(2)
    least_step = _step_out_of_grain(search, middle, 1.0, _OWN_REACH)
    return _trace_once(search, middle, 1.0, which, _OWN_REACH, least_step)


def is_same(one: TracedCircle, other: TracedCircle) -> bool:
    """Whether two traces followed one curve."""
    return bool(np.abs(one.ellipse.reach(other.ellipse.points_px(24)) - 1.0).max() < 0.5 * _WIDTH)


def _goes_on(again: TracedCircle, traced: TracedCircle) -> bool:
    """Whether a curve follows most of the edges that another one does."""
    away = np.abs(again.ellipse.reach(traced.points_px) - 1.0)
    return bool(np.mean(away < _ON_IT) > _SAME_EDGE)


def _step_out_of_grain(search: _Search, center: Array, radius: float, reach: float) -> float:
    """Least gray step of edges across an expected circle that stand out of the grain beside it."""
    angle = np.linspace(0, 2 * np.pi, _GRAIN_PLACES, endpoint=False)
    outward = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    rim, beyond = (search.front.to_photo(center + size * outward) for size in (radius, radius * (1 + reach)))
    across = beyond - rim
    far_px = np.linalg.norm(across, axis=1)
    times = halvings_of(search.gray.shape)
    half_px = float(np.median(far_px)) / 2.0**times
    directions = across / np.maximum(far_px, 1e-9)[:, None]
    grain = grain_beside(halved(search.gray, times), in_halved(rim, times), directions, half_px)
    return max(_LEAST_STEP, _OUT_OF_GRAIN * grain / float(np.sqrt(_smoothing_px(half_px))))


def _smoothing_px(half_px: float) -> float:
    """Of scan lines of this half length."""
    return float(np.clip(half_px / 14, 0.9, 2.5))


def _edges_across(
    gray: NDArray[np.uint8], rim: Array, directions: Array, following: Array, reach_px: float, least_step: float
) -> ScanEdges:
    """Edges along scan lines of this half length, in the photo as far halved as its own sharpness asks for.

    Each line averages over a part of the rim (L, 2) from it to the following one, along which the edge stays and grain
    does not.
    """
    times = halvings_of(gray.shape)
    scale = 2.0**times
    half_px = reach_px / scale
    beside = _STRIP * following / scale
    beside *= np.maximum(1.0, 1.0 / np.maximum(np.linalg.norm(beside, axis=1, keepdims=True), 1e-9))
    edges = scan_edges(
        halved(gray, times), in_halved(rim, times), directions, max(half_px, 3.0), _smoothing_px(half_px), least_step,
        beside,
    )  # fmt: skip
    points, lit = from_halved(edges.points_px, times), from_halved(edges.lit_px, times)
    return replace(edges, points_px=points, offset_px=scale * edges.offset_px, lit_px=lit)


def _trace_once(
    search: _Search, center: Array, radius: float, which: Which, reach: float, least_step: float
) -> TracedCircle | NotTraced:
    front, lines, use, round_in_front = search.front, search.lines, search.use, search.round_in_front
    angle = np.linspace(0, 2 * np.pi, lines, endpoint=False)
    outward = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    rim = front.to_photo(center + radius * outward)
    kept = np.arange(lines) if use is None else np.flatnonzero(use(rim))
    if len(kept) < min(MIN_LINES, lines):
        return NotTraced("the circle's edge is hidden")
    following = 0.5 * (np.roll(rim, -1, axis=0) - np.roll(rim, 1, axis=0))[kept]
    rim = rim[kept]
    beyond = front.to_photo(center + radius * (1 + reach) * outward[kept])
    reach_px = float(np.median(np.linalg.norm(beyond - rim, axis=1)))
    directions = (beyond - rim) / np.maximum(np.linalg.norm(beyond - rim, axis=1, keepdims=True), 1e-9)
    edges = _edges_across(search.gray, rim, directions, following, reach_px, least_step)
    edges = replace(edges, line=kept[edges.line])
    if len(np.unique(edges.line)) < 0.15 * lines:
        return NotTraced("too few edges near the expected circle")
    places = (front.from_photo(edges.points_px) - center) / radius
    near = NearEdges(edges.line, np.arctan2(places[:, 1], places[:, 0]), np.linalg.norm(places, axis=1) - 1.0, lines)
    width = max(_WIDTH_PX * front.px_per_px / radius, _WIDTH)
    waves = find_waves(near, width, 0.0 if round_in_front else 0.5 * reach)
    shape_sd = _SLANT_SD if round_in_front else 0.5 * reach
    rim_found = rim_among(near, waves, LookedAt(lines, kept, reach), which, width, shape_sd)
    if rim_found is None:
        return NotTraced("edges near the expected circle do not lie on one curve")
    wave, on_it = rim_found
    some = slice(None, None, max(1, lines // _CURVE_POINTS))
    curve = center + radius * (1 + wave_at(wave, angle[some]))[:, None] * outward[some]
    ellipse = Ellipse.fit(front.to_photo(curve))
    if not ellipse:
        return NotTraced(ellipse.reason)
    met = int(on_it.sum())
    return TracedCircle(edges.lit_px[on_it], ellipse, met / lines, met / len(kept))
