"""Four-sided shapes made of straight edges: candidates for cards and sheets, found at reduced size.

Straight segments are joined across gaps (a finger, a picture printed on the card) and linked where two of
them end near the place where they would meet; a shape is a closed chain of four.
"""

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from features.reduced import reduced

Array = NDArray[np.float64]

_WORK_PX = 1000
_MOST_SEGMENTS = 200
_MOST_CHAINS = 4000
_MOST_QUADS = 150
_MOST_COMPARED = 1200
_TURNS = (np.arange(4)[:, None] + np.arange(4)) % 4
"""(4, 4) the same corners begun at any of them."""
_ODD_COLOR = 6.0
CORNER_REACH = 0.35


def find_quads(
    pixels_rgb: NDArray[np.uint8],
    least_side_px: float,
    keep_out_px: Sequence[Array] = (),
    corner_reach: float = CORNER_REACH,
) -> Array:
    """Propose quadrilaterals.

    Args:
        pixels_rgb: (H, W, 3) full resolution.
        least_side_px: shortest side worth a look, in full-resolution pixels.
        keep_out_px: (M, 2) outlines of things already known, whose own lines are left out.
        corner_reach: so far from where two sides meet their lines may end, of the shorter line: tape hides corners.

    Returns:
        (N, 4, 2) corners in photo pixels, clockwise as seen, best edge coverage first, near-doubles left out.
    """
    scale = min(1.0, _WORK_PX / max(pixels_rgb.shape[:2]))
    size = (round(pixels_rgb.shape[1] * scale), round(pixels_rgb.shape[0] * scale))
    small = reduced(pixels_rgb, size).copy()
    for outline in keep_out_px:
        inside = np.rint((outline + 0.5) * scale - 0.5).astype(np.int32)
        cv2.fillPoly(small, [inside], np.median(small[::8, ::8].reshape(-1, 3), axis=0).tolist())
    least = least_side_px * scale
    # At half size texture fades (gravel, grain, joints) and the edges of things stay.
    pictures: list[tuple[NDArray[np.uint8], float, float, float]] = []
    for picture in _pictures(small):
        half = np.asarray(cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.uint8)
        pictures += [(picture, 1.0, 0.35 * least, least), (half, 2.0, 0.18 * least, 0.5 * least)]
    looks = [_shapes(look, corner_reach) for look in pictures]  # the part model has the other core meanwhile
    scores, quads = (np.concatenate(told) for told in zip(*looks, strict=True))
    return np.asarray((_without_doubles(scores, quads) + 0.5) / scale - 0.5)


def _shapes(look: tuple[NDArray[np.uint8], float, float, float], corner_reach: float) -> tuple[Array, Array]:
    """Shapes in one picture as those of one `factor` times larger: (M,) scores, (M, 4, 2) corners.

    The picture comes with that factor and with its shortest segments and sides that are worth a look.
    """
    picture, factor, least_segment, least_side = look
    scores, quads = _closed_chains(_segments(picture, least_segment), least_side, corner_reach)
    if factor > 1.0:
        more = _blobs(picture, least_side)
        scores, quads = np.concatenate([scores, more[0]]), np.concatenate([quads, more[1]])
    return scores, (quads + 0.5) * factor - 0.5


def _without_doubles(scores: Array, quads: Array) -> Array:
    """The best of shapes whose corners nearly coincide, best first, all clockwise."""
    best = quads[np.argsort(-scores)[:_MOST_COMPARED]]
    best = np.where(are_clockwise(best)[:, None, None], best, best[:, ::-1])
    reaches = 0.02 * np.linalg.norm(best[:, 0] - best[:, 2], axis=1)
    kept, middles = np.zeros((_MOST_QUADS, 4, 2)), np.zeros((_MOST_QUADS, 2))
    count = 0
    for quad, middle, reach in zip(best, best.mean(axis=1), reaches, strict=True):
        near = kept[:count][np.abs(middles[:count] - middle).max(axis=1) < reach]
        if not (len(near) and (np.abs(near[:, None] - quad[_TURNS]).max((2, 3)) < reach).any()):
            kept[count], middles[count] = quad, middle
            count += 1
        if count >= _MOST_QUADS:
            break
    return kept[:count]


def are_clockwise(quads: Array) -> NDArray[np.bool_]:
    """(N,) which of (N, 4, 2) run clockwise as seen, that is with y down."""
    x, y = quads[..., 0], quads[..., 1]
    return np.asarray((x * y[:, _TURNS[1]] - y * x[:, _TURNS[1]]).sum(axis=1) > 0)


def _pictures(small: NDArray[np.uint8]) -> list[NDArray[np.uint8]]:
    """Gray, and the strongest mixture of colors if any: a red card may be as light as its ground."""
    lightness, *colors = cv2.split(cv2.cvtColor(small, cv2.COLOR_RGB2LAB))
    gray = np.asarray(lightness, np.uint8)
    soft = [cv2.GaussianBlur(np.asarray(plane, np.float32), (0, 0), 0.8) for plane in colors]
    off = [plane - np.median(plane[::4, ::4]) for plane in soft]
    far = np.maximum(*np.abs(off)) > _ODD_COLOR
    odd = np.stack([plane[far] for plane in off], axis=1)
    if len(odd) < 0.0008 * gray.size:
        return [gray]
    strongest = np.linalg.eigh(odd.T @ odd)[1][:, 1].astype(np.float32)
    gain = 110.0 / max(float(np.quantile(np.abs(odd @ strongest), 0.95)), 20.0)
    mixed = strongest[0] * off[0] + strongest[1] * off[1]
    return [gray, np.asarray(np.clip(128 + np.float32(gain) * mixed, 0, 255), np.uint8)]


def _segments(picture: NDArray[np.uint8], least_px: float) -> Array:
    """(N, 4) straight segments, collinear neighbors joined, longest first."""
    detected = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(picture)[0]
    if detected is None:
        return np.zeros((0, 4))
    segments = np.asarray(detected, float).reshape(-1, 4)
    length = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1])
    order = np.argsort(-length)
    segments = segments[order[length[order] > max(6.0, 0.3 * least_px)]][:600]
    joined = _joined(segments)
    both = np.concatenate([joined, segments])
    length = np.hypot(both[:, 2] - both[:, 0], both[:, 3] - both[:, 1])
    order = np.argsort(-length)
    return np.asarray(both[order[length[order] > least_px]][:_MOST_SEGMENTS])


def _joined(segments: Array) -> Array:
    """Longer segments out of pieces that continue one another; each piece may serve several."""
    out = []
    first = segments[:200]
    start, axes = first[:, :2], first[:, 2:] - first[:, :2]
    lengths = np.linalg.norm(axes, axis=1)
    axes = axes / np.maximum(lengths, 1e-9)[:, None]
    # (200, N) one end and the other of every segment as seen from each of the first.
    normals = np.stack([-axes[:, 1], axes[:, 0]], axis=1)
    alongs, acrosses = (
        [way @ segments[:, k : k + 2].T - (way * start).sum(axis=1)[:, None] for k in (0, 2)] for way in (axes, normals)
    )
    farthest = np.maximum(*np.abs(alongs))
    near = np.maximum(*np.abs(acrosses)) < 1.5 + 0.01 * farthest
    near[np.arange(len(first)), np.arange(len(first))] = False
    lows, highs = np.minimum(*alongs), np.maximum(*alongs)
    for i in range(len(first)):
        low, high, taken = 0.0, float(lengths[i]), False
        spans = sorted(zip(lows[i, near[i]].tolist(), highs[i, near[i]].tolist(), strict=True))
        for a, b in [*spans, *reversed(spans)]:
            gap = max(a - high, low - b)
            if gap < 0.6 * (high - low) and (a < low or b > high):
                low, high, taken = min(low, a), max(high, b), True
        if taken:
            out.append(np.concatenate([start[i] + low * axes[i], start[i] + high * axes[i]]))
    return np.array(out).reshape(-1, 4)


def _closed_chains(segments: Array, least_side: float, corner_reach: float) -> tuple[Array, Array]:
    """Shapes of three or four linked segments: (M,) covered part of the outline, (M, 4, 2) corners."""
    if len(segments) < 4:
        return np.zeros(0), np.zeros((0, 4, 2))
    links, meets, parallel = _links(segments, corner_reach)
    chains: list[tuple[int, int, int, int]] = []  # the fourth is -1 where it was not seen
    linked_to, parallel_to = _as_bits(links), _as_bits(parallel)
    for first in range(len(segments)):  # longest first, so that the limit cuts off the small ones
        if len(chains) > _MOST_CHAINS:
            break
        for second in _ones(linked_to[first], 0):
            for third in _ones(linked_to[second] & parallel_to[first], first + 1, 12):
                closing = linked_to[third] & linked_to[first] & parallel_to[second]
                if not closing:
                    chains.append((first, second, third, -1))
                chains += [(first, second, third, fourth) for fourth in _ones(closing, second + 1, 6)]
    if not chains:
        return np.zeros(0), np.zeros((0, 4, 2))
    linked = np.array(chains)
    corners = np.stack([meets[linked[:, k], linked[:, (k + 1) % 4]] for k in range(4)], axis=1)
    is_open = linked[:, 3] < 0
    corners[is_open] = _open_ends(segments, meets, linked[is_open, :3])
    coverage = _coverage(segments, linked, corners, least_side)
    return coverage[coverage > 0.4], corners[coverage > 0.4]


def _as_bits(matrix: NDArray[np.bool_]) -> list[int]:
    """Rows of a (N, N) matrix as whole numbers, bit k for column k: a row and another are combined at once."""
    return [int.from_bytes(row.tobytes(), "little") for row in np.packbits(matrix, axis=1, bitorder="little")]


def _ones(bits: int, first: int, most: int = _MOST_SEGMENTS) -> list[int]:
    """Which bits are set, from one on, ascending, at most so many."""
    found: list[int] = []
    bits = bits >> first << first
    while bits and len(found) < most:
        lowest = bits & -bits
        found.append(lowest.bit_length() - 1)
        bits ^= lowest
    return found


def _open_ends(segments: Array, meets: Array, chains: NDArray[np.int64]) -> Array:
    """(M, 4, 2) corners of three sides (M, 3) whose fourth is not seen: it is taken to run between their far ends."""
    first, second, third = chains.T
    one, other = meets[first, second], meets[second, third]
    ends = []
    for side, corner in ((third, other), (first, one)):
        pair = segments[side].reshape(-1, 2, 2)
        farther = np.argmax(np.linalg.norm(pair - corner[:, None], axis=2), axis=1)
        ends.append(pair[np.arange(len(pair)), farther])
    return np.stack([one, other, *ends], axis=1)


def _blobs(picture: NDArray[np.uint8], least_side: float) -> tuple[Array, Array]:
    """Quadrilaterals among the outlines of bright and dark areas, at many thresholds."""
    calm = np.asarray(cv2.medianBlur(picture, 7), np.uint8)
    low, high = np.quantile(calm[::4, ::4], (0.02, 0.98))
    levels = {int(v) for v in (*np.linspace(low, high, 10)[1:-1], cv2.threshold(calm, 0, 255, cv2.THRESH_OTSU)[0])}
    scores: list[float] = []
    quads: list[Array] = []
    for level in levels:
        outlines, _ = cv2.findContours((calm > level).astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        for outline in outlines:
            if len(outline) < 4 * least_side:
                continue
            hull = cv2.convexHull(outline)
            filled = cv2.contourArea(outline) / max(cv2.contourArea(hull), 1.0)
            corners = cv2.approxPolyDP(hull, 0.03 * cv2.arcLength(hull, closed=True), closed=True)
            if len(corners) != 4 or filled < 0.85:
                continue
            quad = np.asarray(corners, float).reshape(4, 2)
            length = np.linalg.norm(np.roll(quad, -1, axis=0) - quad, axis=1)
            if length.min() > max(least_side, 0.2 * length.max()):
                scores.append(0.9 * filled)
                quads.append(quad)
    return np.array(scores), np.array(quads).reshape(-1, 4, 2)


def _links(segments: Array, corner_reach: float) -> tuple[NDArray[np.bool_], Array, NDArray[np.bool_]]:
    """Which segments may meet in a corner (N, N), where (N, N, 2), and which may face each other (N, N)."""
    start, end = segments[:, :2], segments[:, 2:]
    axis = end - start
    length = np.linalg.norm(axis, axis=1)
    axis = axis / length[:, None]
    cross = axis[:, None, 0] * axis[None, :, 1] - axis[:, None, 1] * axis[None, :, 0]
    safe = np.where(np.abs(cross) < 1e-6, 1e-6, cross)
    between = start[None] - start[:, None]
    along_first = (between[..., 0] * axis[None, :, 1] - between[..., 1] * axis[None, :, 0]) / safe
    along_second = (between[..., 0] * axis[:, None, 1] - between[..., 1] * axis[:, None, 0]) / safe
    meets = start[:, None] + along_first[..., None] * axis[:, None]
    # Distance beyond the nearer end, negative inside; either way a corner lies near an end.
    reach = corner_reach * np.minimum(length[:, None], length[None, :]) + 4
    near_first = np.minimum(np.abs(along_first), np.abs(along_first - length[:, None])) < reach
    near_second = np.minimum(np.abs(along_second), np.abs(along_second - length[None, :])) < reach
    links = (np.abs(cross) > 0.35) & near_first & near_second
    np.fill_diagonal(links, val=False)
    ratio = length[:, None] / length[None, :]
    parallel = (np.abs(cross) < 0.45) & (ratio > 0.4) & (ratio < 2.5)
    np.fill_diagonal(parallel, val=False)
    return links, meets, parallel


def _coverage(segments: Array, chains: NDArray[np.int64], quads: Array, least_side: float) -> Array:
    """(M,) part of each shape's outline covered by its segments; 0 for one not convex or too small.

    Side k of a chain runs from corner k - 1 to corner k.
    """
    edges = np.roll(quads, -1, axis=1) - quads
    after = np.roll(edges, -1, axis=1)
    turn = edges[..., 0] * after[..., 1] - edges[..., 1] * after[..., 0]
    length = np.linalg.norm(edges, axis=2)
    good = (turn > 0).all(1) | (turn < 0).all(1)
    good &= length.min(1) >= np.maximum(least_side, 0.2 * length.max(1))
    covered = np.zeros(len(quads))
    for k in range(4):
        seen = chains[:, k] >= 0
        side = segments[chains[:, k]]
        start, way = quads[:, k - 1], quads[:, k] - quads[:, k - 1]
        full = np.maximum(np.linalg.norm(way, axis=1), 1e-9)
        axis = way / full[:, None]
        ends = np.stack([((side[:, i : i + 2] - start) * axis).sum(1) for i in (0, 2)])
        low, high = ends.min(0), ends.max(0)
        inside = np.minimum(high, full) - np.maximum(low, 0.0)
        beyond = np.maximum(0.0, high - full) + np.maximum(0.0, -low)
        good &= ~seen | (inside >= 0.25 * full)
        covered += np.where(seen, inside - 0.5 * beyond, 0.0)
    return np.where(good, covered / np.maximum(length.sum(1), 1e-9), 0.0)
