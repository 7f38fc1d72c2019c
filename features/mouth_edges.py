"""Both edges of a female thread's mouth: the outer one of its chamfer, and that of the crests inside it.

Which of them was traced is not told by one circle. Seen together they tell it, and their ratio, which needs no scale,
differs with the size of the thread and a little with its standard: a chamfer as wide as the major diameter is 1.21
times as wide as the crests for 1/4 in. NPT and 1.07 times for 2 in. (ASME B1.20.1), 1.15 and 1.05 times for the same
sizes of ISO 7-1. The crests begin as far behind the face as the chamfer is wide where that has 90 degrees.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from features.camera import rotation_taking_z_to
from features.circle_in_space import CircleInSpace
from features.edges import hidden_by
from features.measured import Contribution, MeasuredLength
from features.which_edge import CHAMFER, CHAMFER_SD, CRESTS_SD, CRESTS_SEEN, WHICH_EDGE

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

MAJOR, MINOR, BORE = "thread_major_diameter", "thread_minor_diameter", "port_bore"
_LEAST_PX, _DRAWN_PX = 40.0, 72.0
"""Half the long axis that a mouth must have in the photo (of smaller ones the two edges run together: of two renderers'
photos 29 of 42 ratios were right within 3 %, of those up to 50 pixels 22 of 24), and the most it is drawn with."""
_ROOM, _ANGLES = 1.35, 120
_RADII = np.arange(0.72, 1.3, 0.0045)
_ASIDE, _GRID = (-0.02, 0.0, 0.02), 0.01
"""How far the outer edge's middle may lie from the traced one's, and to what places are rounded, over the radius."""
_GAPS = np.arange(0.035, 0.2, 0.0045)
_DEPTHS = (0.58, 0.8, 1.0, 1.25)
"""How deep the crests begin over the width of the chamfer: of 120 degrees (DIN 76-1, from memory) and of about 90."""
_APART, _LEAST_RATIO, _MOST_RATIO = 0.02, 1.045, 1.24
"""Half width within which an edge must be the plainest, and what the ratio may be."""
_ON_EDGE, _LEAST_COVERAGE = 0.012, 0.5
"""How far from the edge that was traced one of them may lie, and how much of that must have been seen: by a short arc,
as beside a card, its middle is not told well enough to look for the other about it."""
_SMOOTH_PX, _SMOOTH_ANGLES = 0.7, 9
_NEARLY, _NEARER, _MOST_SPREAD = 0.97, 0.85, 0.03
"""Pairs with this share of the best one's evidence must have nearly its ratio: by their logarithms, within this. Where
the ratio is smaller less evidence counts: the crests are the first edge inside the chamfer, a thread's end lies behind.
"""
_LEAST_SLANT_DEG = 5.0
"""Seen more squarely the end of a thread, narrower than its mouth by a sixteenth of its depth, lies about the same
middle as the crests, and plainer."""
_MOST_HIDDEN = 0.3
ARE_EDGES = 0.9
"""How often what is told as both edges of a thread's mouth are these (ratios within 3 % on 119 of 129 mouths of two
renderers)."""
OTHER_RATIOS = 0.17
"""Width of the range of its logarithm in which the ratio of other edges lies anywhere: all that is looked for."""
_EDGE_SD, _EDGE_SD_PX = 0.006, 0.5
"""Standard uncertainty of each edge's radius, as a share and in pixels (47 mouths of renders: a ratio is off by 0.8 %
where half the long axis has more than 60 pixels, by 1.5 % below)."""


@dataclass(frozen=True)
class MouthEdges:
    """Two edges of a mouth, over the diameter that was traced.

    Attributes:
        chamfer, crests: their diameters.
        relative_sd: standard uncertainty of each.
    """

    chamfer: float
    crests: float
    relative_sd: float


def mouth_edges(
    gray: NDArray[np.uint8], mouth: CircleInSpace, coverage: float = 1.0, keep_out_px: Sequence[Array] = ()
) -> MouthEdges | None:
    """Look for both edges; None where they are not seen apart.

    Args:
        gray: (H, W) the upright photo.
        mouth: the solved circle of one of them.
        coverage: share of its edge that was seen.
        keep_out_px: (M, 2) outlines of things that are no part of the pump.
    """
    outline = mouth.outline_px(48)
    radius_px = float(np.linalg.norm(outline - outline.mean(axis=0), axis=1).max())
    height, width = gray.shape
    shift = _shift(mouth)
    if coverage < _LEAST_COVERAGE or radius_px < _LEAST_PX or np.hypot(*shift) < np.tan(np.radians(_LEAST_SLANT_DEG)):
        return None
    if (outline < 0).any() or (outline > [width - 1, height - 1]).any():
        return None
    if hidden_by(gray.shape, keep_out_px)[tuple(np.round(outline).astype(int).T[::-1])].mean() > _MOST_HIDDEN:
        return None
    drawn = min(radius_px, _DRAWN_PX)
    best = _best_pair(_edge_strength(_squared_up(gray, mouth, drawn, radius_px), drawn), shift)
    if best is None:
        return None
    return MouthEdges(*best, float(np.hypot(_EDGE_SD, _EDGE_SD_PX / radius_px)))


def _squared_up(gray: NDArray[np.uint8], mouth: CircleInSpace, drawn: float, radius_px: float) -> Picture:
    """The mouth's plane seen squarely, its radius being so many pixels."""
    half = int(np.ceil(_ROOM * drawn))
    across = np.arange(-half, half + 1) / drawn * mouth.length.value_mm / 2
    frame = rotation_taking_z_to(mouth.axis_in_camera)
    x, y = np.meshgrid(across, across)
    places = mouth.center_in_camera_mm + x[..., None] * frame[:, 0] + y[..., None] * frame[:, 1]
    px = mouth.camera.project(places).astype(np.float32)
    soft = cv2.GaussianBlur(gray, (0, 0), 0.5 * radius_px / drawn) if radius_px > 1.5 * drawn else gray
    return cv2.remap(soft, px[..., 0], px[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE).astype(np.float32)


def _shift(mouth: CircleInSpace) -> Array:
    """(2,) how far aside in the mouth's plane a place behind it is seen, over its depth."""
    center, axis = mouth.center_in_camera_mm, mouth.axis_in_camera
    frame = rotation_taking_z_to(axis)
    return np.asarray(-(center @ frame)[:2] / (center @ axis))


def _edge_strength(picture: Picture, drawn: float) -> Callable[[float, float], Array]:
    """For a middle over the radius: (R,) how much of an edge lies at each radius, 0 where a plainer one is near."""
    soft = cv2.GaussianBlur(picture, (0, 0), _SMOOTH_PX)
    slopes = [cv2.Sobel(soft, cv2.CV_32F, dx, 1 - dx, ksize=3) / 8 for dx in (1, 0)]
    angle = np.arange(_ANGLES) * 2 * np.pi / _ANGLES
    outward = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    middle = (picture.shape[0] - 1) / 2
    wide = 2 * round(_APART / (_RADII[1] - _RADII[0])) + 1

    def steepness(x: float, y: float) -> Array:
        at = (middle + drawn * (np.array([x, y]) + _RADII[:, None, None] * outward)).astype(np.float32)
        along = sum(
            cv2.remap(slope, at[..., 0], at[..., 1], cv2.INTER_LINEAR) * outward[:, k].astype(np.float32)
            for k, slope in enumerate(slopes)
        )
        return np.asarray(cv2.blur(np.abs(along), (_SMOOTH_ANGLES, 1)), float)

    usual = max(float(np.median(steepness(0.0, 0.0).max(axis=0))), 1.0)
    known: dict[tuple[int, int], Array] = {}

    def strength(x: float, y: float) -> Array:
        key = (round(x / _GRID), round(y / _GRID))
        if key not in known:
            mean = np.tanh(steepness(key[0] * _GRID, key[1] * _GRID) / usual).mean(axis=1)
            known[key] = np.where(mean >= maximum_filter1d(mean, wide), mean, 0.0)
        return known[key]

    return strength


def _best_pair(strength: Callable[[float, float], Array], shift: Array) -> tuple[float, float] | None:
    """Radii of the outer and the inner edge over the traced one; None where another pair is as plain."""
    pairs: list[tuple[float, float, float]] = []
    for x, y in ((x, y) for x in _ASIDE for y in _ASIDE):
        outer = strength(x, y)
        for gap in _GAPS:
            steps = round(float(gap / (_RADII[1] - _RADII[0])))
            for depth in _DEPTHS:
                inner = strength(x + gap * depth * shift[0], y + gap * depth * shift[1])
                both = np.where((outer[steps:] > 0) & (inner[:-steps] > 0), outer[steps:] + inner[:-steps], 0.0)
                both[~_may_be(_RADII[steps:], _RADII[:-steps])] = 0.0
                at = int(np.argmax(both))
                if both[at] > 0:
                    pairs.append((float(both[at]), float(_RADII[at + steps]), float(_RADII[at])))
    if not pairs:
        return None
    evidence, outer_radius, inner_radius = np.array(pairs).T
    best = int(np.argmax(evidence))
    wider = np.log(outer_radius / inner_radius) - np.log(pairs[best][1] / pairs[best][2])
    rivals = (wider > _MOST_SPREAD) & (evidence > _NEARLY * evidence[best])
    rivals |= (wider < -_MOST_SPREAD) & (evidence > _NEARER * evidence[best])
    return None if rivals.any() else (pairs[best][1], pairs[best][2])


def _may_be(outer: Array, inner: Array) -> NDArray[np.bool_]:
    """Whether radii over the traced one may be of both edges: that lies on one of them."""
    ratio = outer / inner
    on_one = np.minimum(np.abs(outer - 1), np.abs(inner - 1)) < _ON_EDGE
    return (ratio > _LEAST_RATIO) & (ratio < _MOST_RATIO) & on_one


def edge_lengths(traced: MeasuredLength, edges: MouthEdges) -> tuple[MeasuredLength, MeasuredLength]:
    """The thread's major diameter, by its chamfer, and the minor one, that of its crests.

    They have the errors of the traced diameter but for those of its edge, which they are measured against.
    """
    photo = traced.photos[0]
    shared = tuple(part for part in traced.contributions if part.name != "edge")

    def one(name: str, share: float, source: str, which_sd: float) -> MeasuredLength:
        own = Contribution("edge", f"mouth:{photo}:{name}", edges.relative_sd)
        which = Contribution("edge", source, which_sd)
        return replace(
            traced,
            name=name,
            value_mm=share * traced.value_mm,
            contributions=(*shared, own, which),
            per_offset_mm=share * traced.per_offset_mm,
        )

    return (
        one(MAJOR, edges.chamfer / CHAMFER, f"{WHICH_EDGE}chamfer", CHAMFER_SD),
        one(MINOR, edges.crests, CRESTS_SEEN, CRESTS_SD),
    )


def with_crests_told(lengths: Sequence[MeasuredLength]) -> tuple[MeasuredLength, ...]:
    """The lengths with the crests as the bore, where they were told apart from the chamfer, and not what was traced."""
    if all(length.name != MINOR for length in lengths):
        return tuple(lengths)
    others = (length for length in lengths if length.name != BORE)
    return tuple(replace(length, name=BORE) if length.name == MINOR else length for length in others)
