"""Port spacing, overall height and width, and the feet's spacing by a photo of a pump's front.

What the part map draws is solved with the scale reference (`features.front_pump`), under every lens that may have
taken the photo. Lengths that stay more open than a tenth are not told.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from features.combine import summed
from features.facing_port import HEIGHTS, FacingPort, log_mm_per_px, slope_of_mm_per_px
from features.floor import as_its_pose_has_it
from features.front_pump import (
    COIN_LEAN_SD_DEG,
    LEAN_SD_DEG,
    REACH,
    SHAPE_BELIEFS,
    UPRIGHT_SD_DEG,
    FrontProblem,
    Standing,
    places_px,
    solve_front,
)
from features.front_view import FEET_AT, FOOT_AT, INLET_AT, LEFT_AT, RIGHT_AT, SIZE, TOP_AT
from features.least_squares import Solution
from features.lenses import lenses, mean_and_spread
from features.measured import NO_SCALE_RELATIVE_SD, Contribution, ContributionName, MeasuredLength, log_covariance
from features.parts.front_outline import FrontOutline
from features.parts.part_maps import RoundPart
from features.photo import Photo
from features.placement import CardAt
from features.plane_pose import PlanePose, plane_poses, unscaled_pose
from features.scale.reference import ScaleReference

Array = NDArray[np.float64]

SPANS = ("port_spacing", "overall_height", "overall_width", "foot_spacing_long")
MOST_OPEN = 0.10
"""A length more open than this, relative, is not told."""
RATIO_OPEN = 0.06
"""The same of a ratio to the port spacing. Without a scale only beliefs tell from how far above a pump was looked at,
and where they are wrong they look surer than they are."""
WHICH_EDGE_SD = {"port_spacing": 0.008, "overall_height": 0.018, "overall_width": 0.012, "foot_spacing_long": 0.025}
"""Doubt about which edge of a casting bounds the pump, whether small parts beyond it count, where feet have holes."""
LONG_FEET = 0.46
"""Feet at least this far apart across the front are so the long way of their pattern (common practice)."""
BEHIND: Mapping[CardAt, tuple[float, float]] = {
    "rim": (0.27, 0.12), "flange": (0.0, 0.15), "cover": (0.0, 0.16), "unknown": (0.27, 0.2)
}  # fmt: skip
"""How far behind a reference the plane of the manifolds lies, in port spacings, and its doubt (common practice)."""
ON_FACING_PORT = (REACH, 0.06)
"""The same of one on a port that faces the viewer."""
SMALLEST_MM, LARGEST_MM = 90.0, 1300.0
"""Port spacings of pumps of 1/4 to 4 in. (common practice): another one is not a pump's, or its scale is none."""
WORST_FIT = 60.0
"""Half the sum of squares beyond which what is seen is no pump from the front."""
_GROUPS: dict[str, ContributionName] = {
    "edge": "edge", "offset": "offset", "tilt": "tilt", "camera": "camera", "lens": "lens",
    "reference": "reference", "bend": "reference",
}  # fmt: skip
BESIDE = 0.08
"""How far beside the pump its height and width are drawn, in port spacings."""
_NEGLIGIBLE = 1e-5
_NAMES = (*SPANS, *HEIGHTS)


@dataclass(frozen=True, eq=False)
class MeasuredSpan:
    """One length between two places of the pump.

    Attributes:
        length: the length, of `SPANS`.
        ends_px: (2, 2) ends of a line in the photo that shows it.
    """

    length: MeasuredLength
    ends_px: Array


@dataclass(frozen=True, eq=False)
class _Tried:
    """One lens and pose: the solution and how well it is believed."""

    problem: FrontProblem
    solution: Solution
    log_weight: float


@dataclass(frozen=True, eq=False)
class MeasuredFront:
    """What a photo of a pump's front gave: its spans, and the ports that face the viewer."""

    spans: tuple[MeasuredSpan, ...] = ()
    ports: tuple[FacingPort, ...] = ()


def measure_front(
    photo: Photo, outline: FrontOutline, poses: Sequence[PlanePose], reference: ScaleReference | None, place: CardAt
) -> MeasuredFront:
    """Measure a pump's outer lengths, and the scale at its ports, in a photo of its front.

    Args:
        photo: for its camera prior and size.
        outline: what the part map draws.
        poses: possible poses of the reference under the likeliest lens, a stand-in where there is none.
        reference: the scale, None for ratios only.
        place: where it lies, as told or, of the floor, as it seems.

    Returns:
        What can be told; nothing where a center line is not seen. Ports by a reference alone.
    """
    if not outline.upper or not outline.lower:
        return MeasuredFront()
    is_coin = reference is not None and reference.is_circle
    if is_coin and place == "floor":
        # Its slant, by which the floor's would be known, is off by several degrees: ratios alone are left.
        reference, poses, is_coin = None, (unscaled_pose(photo),), False
    if reference is not None and is_coin:
        reference = as_its_pose_has_it(reference, poses[0], _center_px(photo))
    standing = _standing(place, outline, is_coin)
    tried = list(_tried(photo, outline, poses, reference, standing))
    if not tried:
        return MeasuredFront()
    tried.sort(key=lambda one: -one.log_weight)
    best = tried[0]
    told = [_over(length, tried, photo.name) for length in _told(best, photo.name, outline, reference)]
    lengths = {length.name: length for length in told if np.isfinite(length.value_mm)}
    spans = [MeasuredSpan(length, _ends_px(best, name)) for name, length in lengths.items() if name in SPANS]
    sure = _sure(spans, reference is not None)
    ports = [
        FacingPort(port.center_px, float(port.semi_axes_px[0]), lengths[name])
        for name, port in _facing(outline).items()
        if name in lengths
    ]
    return MeasuredFront(sure, tuple(ports) if sure and reference is not None else ())


def _facing(outline: FrontOutline) -> dict[str, RoundPart]:
    """Each port that faces the viewer, by the name of its scale."""
    both = zip(HEIGHTS, (outline.upper, outline.lower), strict=True)
    return {name: line.port for name, lines in both for line in lines if line.port is not None}


def _tried(
    photo: Photo,
    outline: FrontOutline,
    poses: Sequence[PlanePose],
    reference: ScaleReference | None,
    standing: Standing,
) -> Iterator[_Tried]:
    """Under every lens that may have taken the photo, from every pose of the reference."""
    for focal, height in lenses(photo.focal) if reference is not None else ((photo.focal, 0.0),):
        starts = (
            poses if focal is photo.focal or reference is None else plane_poses(reference, replace(photo, focal=focal))
        )
        for pose in starts:
            problem = FrontProblem(outline, focal, _center_px(photo), reference, pose, standing)
            with np.errstate(all="ignore"):  # a guess far off may overflow; it is not taken then
                solution = solve_front(problem)
            if np.isfinite(solution.cost) and solution.cost < WORST_FIT:
                yield _Tried(problem, solution, height - solution.cost)


def _standing(place: CardAt, outline: FrontOutline, is_coin: bool) -> Standing:
    if place == "floor":
        return Standing(True, LEAN_SD_DEG)
    faces = any(line.is_port for line in (*outline.upper, *outline.lower))
    lean_sd_deg = UPRIGHT_SD_DEG + (COIN_LEAN_SD_DEG if is_coin else 0.0)
    return Standing(False, lean_sd_deg, *(ON_FACING_PORT if place == "flange" and faces else BEHIND[place]))


def _center_px(photo: Photo) -> tuple[float, float]:
    return (photo.width_px - 1) / 2, (photo.height_px - 1) / 2


def _sure(spans: Sequence[MeasuredSpan], scaled: bool) -> tuple[MeasuredSpan, ...]:
    """Those that are told closely enough; of ratios one without a partner says nothing."""
    lengths = [span.length for span in spans]
    if scaled and not all(SMALLEST_MM < one.value_mm < LARGEST_MM for one in lengths if one.name == "port_spacing"):
        return ()
    if scaled:
        return tuple(span for span in spans if span.length.relative_sd < MOST_OPEN)
    covariance = log_covariance(lengths)
    kept = tuple(span for i, span in enumerate(spans) if _of_ratio(covariance, i) < RATIO_OPEN**2)
    return kept if len(kept) > 1 else ()


def _of_ratio(covariance: Array, index: int) -> float:
    """Variance of the logarithm of a length over the first one."""
    return max(float(covariance[0, 0] + covariance[index, index] - 2.0 * covariance[0, index]), 0.0)


def _logs(problem: FrontProblem, x: Array) -> Array:
    """(6,) logarithms of the spans, and of mm a pixel at the ports."""
    spans = x[SIZE] + np.log(np.maximum(_shares(x), 1e-3))
    return np.append(spans, [log_mm_per_px(problem, x, height) for height in HEIGHTS.values()])


def _shares(x: Array) -> Array:
    """(4,) spans over the port spacing."""
    left, right = x[FEET_AT]
    return np.array([1.0, x[INLET_AT] + 1.0 + x[TOP_AT], x[LEFT_AT] + x[RIGHT_AT], right - left])


def _slopes(problem: FrontProblem, solution: Solution) -> Array:
    """(6, P) derivatives of `_logs`."""
    x = solution.x
    out = np.zeros((len(SPANS), len(x)))
    shares = np.maximum(_shares(x), 1e-3)
    out[:, SIZE] = 1.0
    out[1, [INLET_AT, TOP_AT]] = 1.0 / shares[1]
    out[2, [LEFT_AT, RIGHT_AT]] = 1.0 / shares[2]
    out[3, FEET_AT] = -1.0 / shares[3], 1.0 / shares[3]
    return np.vstack([out, *(slope_of_mm_per_px(problem, solution, height) for height in HEIGHTS.values())])


def _told(best: _Tried, photo: str, outline: FrontOutline, reference: ScaleReference | None) -> list[MeasuredLength]:
    """The lengths whose ends are seen, errors in common kept in common."""
    solution = best.solution
    slopes = _slopes(best.problem, solution)
    logs, shared = _logs(best.problem, solution.x), _shared(solution, slopes, photo)
    if reference is None:
        # Circles of the photo are read in planes of their own, at distances that have nothing to do with this one.
        shared.append(("scale", f"front_scale:{photo}", np.full(len(slopes), NO_SCALE_RELATIVE_SD)))
    else:
        printed = slopes @ solution.loadings["print_scale"]
        shared.append(("print_scale", reference.size_source, printed[:, 0]))
    long_feet = outline.feet_apart and _shares(solution.x)[3] > LONG_FEET
    facing = _facing(outline)
    seen = (True, bool(outline.top and outline.feet), bool(outline.left and outline.right), long_feet)
    out = []
    for index, (name, is_seen) in enumerate(zip(_NAMES, (*seen, *(one in facing for one in HEIGHTS)), strict=True)):
        if is_seen:
            parts = [Contribution(kind, source, float(loads[index])) for kind, source, loads in shared]
            if name in WHICH_EDGE_SD:
                parts.append(Contribution("edge", f"which:{name}", WHICH_EDGE_SD[name]))
            out.append(MeasuredLength(name, float(np.exp(logs[index])), tuple(parts), (photo,)))
    return out


def _shared(solution: Solution, slopes: Array, photo: str) -> list[tuple[ContributionName, str, Array]]:
    """Each cause as a few independent errors that move all lengths at once."""
    moved = slopes @ solution.loadings["shape"]
    out: list[tuple[ContributionName, str, Array]] = [
        ("offset", f"shape:{what}", loads)
        for what, loads in zip(SHAPE_BELIEFS, moved.T, strict=True)
        if np.abs(loads).max() > _NEGLIGIBLE
    ]
    for group, name in _GROUPS.items():
        if group not in solution.loadings:
            continue
        moved = slopes @ solution.loadings[group]
        values, vectors = np.linalg.eigh(moved @ moved.T)
        for k in range(len(slopes) - 1, -1, -1):
            if values[k] > _NEGLIGIBLE**2:
                out.append((name, f"front_{group}:{photo}:{k}", vectors[:, k] * np.sqrt(values[k])))
    return out


def _over(length: MeasuredLength, tried: Sequence[_Tried], photo: str) -> MeasuredLength:
    """The length moved to its mean over all lenses and poses that may be, and widened by their spread."""
    index = _NAMES.index(length.name)
    mean, spread = mean_and_spread(
        [one.log_weight for one in tried],
        [_logs(one.problem, one.solution.x)[index] - np.log(length.value_mm) for one in tried],
        [one.problem.focal.focal_px for one in tried],
    )
    if abs(spread) < _NEGLIGIBLE:
        return length
    doubt = Contribution("camera", f"lens_taken:{photo}", spread)
    return replace(length, value_mm=length.value_mm * float(np.exp(mean)), contributions=(*length.contributions, doubt))


def by_pair(spans: Sequence[MeasuredSpan], pair: MeasuredSpan) -> tuple[MeasuredSpan, ...]:
    """Spans of a photo without a scale in the units of a port spacing that two of its ports told.

    Args:
        spans: by the front; pair: the port spacing in the units of the photo's circles.

    Returns:
        The pair's and, where the front told the port spacing too, the others by their ratio to it.
    """
    front = next((span.length for span in spans if span.length.name == pair.length.name), None)
    if front is None:
        return (pair,)
    turned = tuple(replace(part, relative=-part.relative) for part in front.contributions)
    others = []
    for span in spans:
        if span.length.name != pair.length.name:
            parts = summed((*span.length.contributions, *turned, *pair.length.contributions))
            value = span.length.value_mm / front.value_mm * pair.length.value_mm
            others.append(replace(span, length=replace(span.length, value_mm=value, contributions=parts)))
    return (pair, *others)


def _ends_px(one: _Tried, name: str) -> Array:
    """(2, 2) ends of the line that shows a span: beside the pump, below it, or between its center lines."""
    x = one.solution.x
    left, right, floor, top = -x[LEFT_AT], x[RIGHT_AT], -0.5 - x[INLET_AT], 0.5 + x[TOP_AT]
    ends = {
        "port_spacing": ((0.0, 0.0, 0.5), (0.0, 0.0, -0.5)),
        "overall_height": ((right + BESIDE, 0.0, top), (right + BESIDE, 0.0, floor)),
        "foot_spacing_long": ((x[FEET_AT][0], -x[FOOT_AT], floor), (x[FEET_AT][1], -x[FOOT_AT], floor)),
        "overall_width": ((left, 0.0, floor - BESIDE), (right, 0.0, floor - BESIDE)),
    }
    return places_px(one.problem, x, np.array(ends[name]))
