"""Bodies as signed distances: smooth unions of rods, blocks and turned profiles give fillets as castings have.

A field takes (N, 3) points in millimeters and gives (N,) distances, negative inside. Blended fields are only near to
distances; `surfaces.surface` allows for that.
"""

from collections.abc import Callable, Sequence
from functools import reduce
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

Values = NDArray[np.float32]
Field = Callable[[Values], Values]
FAR_MM = 1.0e4


def _point(values: ArrayLike) -> Values:
    return np.asarray(values, np.float32)


def _length(*parts: Values) -> Values:
    return np.asarray(np.sqrt(sum(p * p for p in parts)), np.float32)


def ellipsoid(center: ArrayLike, radii: ArrayLike) -> Field:
    """An ellipsoid; the distance is right near its surface."""
    c, r = _point(center), _point(radii)

    def field(p: Values) -> Values:
        q = (p - c) / r
        size = np.sqrt((q * q).sum(axis=1)) + 1e-6
        steep = np.sqrt(((q / r) ** 2).sum(axis=1)) + 1e-6
        return np.asarray(size * (size - 1.0) / steep, np.float32)

    return field


def rod(start: ArrayLike, end: ArrayLike, r0: float, r1: float | None = None, flat: float = 1.0) -> Field:
    """A round-ended rod; `r1` is the radius at its end, `flat` squeezes it along y (an oblong section)."""
    squeeze = _point([1.0, flat, 1.0])
    a, b = _point(start) * squeeze, _point(end) * squeeze
    along = b - a
    size = max(float(along @ along), 1e-9)
    grow = (r0 if r1 is None else r1) - r0

    def field(p: Values) -> Values:
        d = p * squeeze - a
        t = np.clip(d @ along / size, 0.0, 1.0)
        off = d - t[:, None] * along
        return np.asarray(np.sqrt((off * off).sum(axis=1)) - (r0 + grow * t), np.float32)

    return field


def path(points: ArrayLike, radii: ArrayLike) -> Field:
    """A tube along a line (K, 3) of short pieces, with a radius at each point."""
    line = _point(points)
    sizes = np.broadcast_to(_point(radii), len(line))
    return union(*(rod(line[k], line[k + 1], float(sizes[k]), float(sizes[k + 1])) for k in range(len(line) - 1)))


def drum(start: ArrayLike, end: ArrayLike, radius: float, edge: float = 1.0) -> Field:
    """A cylinder between two points with rounded edges."""
    a, b = _point(start), _point(end)
    size = float(np.linalg.norm(b - a))
    way = np.asarray((b - a) / size, np.float32)

    def field(p: Values) -> Values:
        d = p - a
        t = d @ way
        off = d - t[:, None] * way
        out_r = np.sqrt((off * off).sum(axis=1)) - np.float32(radius - edge)
        out_t = np.asarray(np.abs(t - size / 2) - (size / 2 - edge), np.float32)
        return _rounded_corner(out_r, out_t) - edge

    return field


def _rounded_corner(u: Values, v: Values) -> Values:
    return np.asarray(
        np.minimum(np.maximum(u, v), 0.0) + np.sqrt(np.maximum(u, 0.0) ** 2 + np.maximum(v, 0.0) ** 2), np.float32
    )


def block(center: ArrayLike, size: ArrayLike, edge: float, turn_deg: float = 0.0, about: str = "z") -> Field:
    """A block with rounded edges, turned about one axis through its center."""
    c, half = _point(center), _point(size) / 2 - edge
    s, k = np.sin(np.radians(turn_deg)), np.cos(np.radians(turn_deg))
    i, j = {"x": (1, 2), "y": (2, 0), "z": (0, 1)}[about]
    rotation = np.eye(3, dtype=np.float32)
    rotation[i, i], rotation[i, j], rotation[j, i], rotation[j, j] = k, -s, s, k

    def field(p: Values) -> Values:
        q = np.abs((p - c) @ rotation) - half
        outside = np.sqrt((np.maximum(q, 0.0) ** 2).sum(axis=1))
        return np.asarray(outside + np.minimum(q.max(axis=1), 0.0) - edge, np.float32)

    return field


def ring(center: ArrayLike, axis: int, radius: float, thick: float) -> Field:
    """A torus about a coordinate axis."""
    c = _point(center)
    i, j = (k for k in range(3) if k != axis)

    def field(p: Values) -> Values:
        q = p - c
        return _length(_length(q[:, i], q[:, j]) - radius, q[:, axis]) - np.float32(thick)

    return field


def polygon(corners: ArrayLike) -> Callable[[Values, Values], Values]:
    """Signed distance to a closed plane polygon (K, 2), any winding."""
    c = _point(corners)
    edges = np.roll(c, -1, axis=0) - c

    def field(u: Values, v: Values) -> Values:
        best = np.full(len(u), np.inf, np.float32)
        inside = np.zeros(len(u), bool)
        for (cu, cv), (eu, ev) in zip(c, edges, strict=True):
            du, dv = u - cu, v - cv
            t = np.clip((du * eu + dv * ev) / max(float(eu * eu + ev * ev), 1e-12), 0.0, 1.0)
            best = np.minimum(best, (du - t * eu) ** 2 + (dv - t * ev) ** 2)
            crosses = (dv >= 0.0) != (dv - ev >= 0.0)
            if abs(ev) > 1e-9:
                inside ^= crosses & (du < dv / ev * eu)
        return np.asarray(np.where(inside, -np.sqrt(best), np.sqrt(best)), np.float32)

    return field


def turned(profile: ArrayLike, edge: float = 0.0, middle: tuple[float, float] = (0.0, 0.0)) -> Field:
    """A body turned about x: profile (K, 2) of (r, x) from axis to axis; `middle` is (y, z) of its axis."""
    line = np.asarray(profile, np.float64)
    far = 1.5 * float(line[:, 0].max()) + 50.0
    closed = np.concatenate([[[-far, line[0, 1]]], line, [[-far, line[-1, 1]]]])
    inside = polygon(closed)

    def field(p: Values) -> Values:
        return inside(_length(p[:, 1] - middle[0], p[:, 2] - middle[1]), p[:, 0]) - np.float32(edge)

    return field


def plate(corners: ArrayLike, axis: int, low: float, high: float, edge: float = 1.0) -> Field:
    """A plane outline (K, 2) made thick along a coordinate axis; the outline is in the other two, in order."""
    inside = polygon(corners)
    i, j = (k for k in range(3) if k != axis)

    def field(p: Values) -> Values:
        out = inside(p[:, i], p[:, j]) + np.float32(edge)
        thick = np.abs(p[:, axis] - (low + high) / 2) - np.float32((high - low) / 2 - edge)
        return _rounded_corner(out, thick) - np.float32(edge)

    return field


def around_x(field: Field, count: int, turn: float = 0.0) -> Field:
    """A field drawn near +z, repeated `count` times round the x axis."""
    step = 2 * np.pi / count

    def repeated(p: Values) -> Values:
        angle = np.arctan2(p[:, 1], p[:, 2]) - turn
        angle = angle - step * np.round(angle / step)
        size = _length(p[:, 1], p[:, 2])
        return field(np.stack([p[:, 0], size * np.sin(angle), size * np.cos(angle)], axis=1).astype(np.float32))

    return repeated


def mirrored(field: Field, axis: int) -> Field:
    """A field drawn on the positive side of an axis, on both."""

    def both_sides(p: Values) -> Values:
        q = p.copy()
        q[:, axis] = np.abs(q[:, axis])
        return field(q)

    return both_sides


def moved(field: Field, by: ArrayLike) -> Field:
    """A field shifted by (3,)."""
    shift = _point(by)
    return lambda p: field(p - shift)


def union(*fields: Field) -> Field:
    """All of them, with sharp inner corners."""
    return lambda p: reduce(np.minimum, (f(p) for f in fields))


def blend(fillet: float, *fields: Field) -> Field:
    """All of them, with fillets about as wide as `fillet`."""

    def field(p: Values) -> Values:
        return reduce(lambda a, b: _soft_min(a, b, fillet), (f(p) for f in fields))

    return field


def _soft_min(a: Values, b: Values, fillet: float) -> Values:
    near = np.maximum(fillet - np.abs(a - b), 0.0) / fillet
    return np.asarray(np.minimum(a, b) - near * near * fillet * 0.25, np.float32)


def common(*fields: Field) -> Field:
    """What all of them share."""
    return lambda p: reduce(np.maximum, (f(p) for f in fields))


def rounded_common(edge: float, *fields: Field) -> Field:
    """What all of them share, its new edges rounded."""

    def field(p: Values) -> Values:
        return reduce(lambda a, b: -_soft_min(-a, -b, edge), (f(p) for f in fields))

    return field


def less(body: Field, *tools: Field, fillet: float = 0.0) -> Field:
    """A body without the tools, its new edges rounded by `fillet`."""

    def field(p: Values) -> Values:
        left = body(p)
        for tool in tools:
            cut = -tool(p)
            left = -_soft_min(-left, -cut, fillet) if fillet > 0 else np.maximum(left, cut)
        return left

    return field


def grown(field: Field, by: float) -> Field:
    """A field's body thicker by `by`."""
    return lambda p: field(p) - np.float32(by)


def half_space(axis: int, at: float, sign: float) -> Field:
    """All points with sign * (coordinate - at) < 0."""
    return lambda p: np.asarray(sign * (p[:, axis] - at), np.float32)


def curve(points: Sequence[ArrayLike], count: int = 12) -> Values:
    """(count, 3) points of a Bezier curve with the given control points."""
    control = [np.asarray(p, np.float64) for p in points]
    t = np.linspace(0.0, 1.0, count)[:, None]
    layers = [np.broadcast_to(c, (count, 3)) for c in control]
    while len(layers) > 1:
        layers = [(1 - t) * a + t * b for a, b in pairwise(layers)]
    return np.asarray(layers[0], np.float32)
