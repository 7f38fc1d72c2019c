"""Curves close to an expected circle that edges agree on.

In a frame where the expected rim is the unit circle every circle near it is a small wave, radius = 1 + a0 + a1 cos t +
b1 sin t, and every ellipse near it adds a2 cos 2t + b2 sin 2t. So curves are tried by the hundred and settled by linear
least squares, and each curve ends where its own edges put it. All places and shapes are tried, so that no luck
is needed where the rim has few of the edges.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from features.scale.ring_choice import first_of_kinds

Array = NDArray[np.float64]

_STEP, _SHAPES = (1.0, 3.0), 1.5
"""How far apart circles and other ellipses are tried, in widths, and up to which shapes, in standard deviations."""
_MOST = 5.0e5
"""About so many pairs of a curve and an edge are looked at; where there would be more, on fewer scan lines."""
_LOOKED_AT, _APART, _SETTLED = 400, 1.99, 30
"""How many curves with most edges are compared, how many widths apart two of a kind lie at most, and how many kinds
settle."""
_OFF_CENTER = 0.1
_TOGETHER = 48
"""So many curves of like size settle together: fewer take longer, each time has its own cost."""
_ASIDE, _INWARD, _OUTWARD = 0.01, 0.02, 0.03
"""How far the middle of an edge's curve lies from that of one that follows two in turn, and its size, relative."""
_CORRELATED = 8.0
"""How many neighboring edges err together."""


@dataclass(frozen=True, eq=False)
class NearEdges:
    """Edges in that frame, sorted by scan line.

    Attributes:
        line: (E,) scan line of each.
        angle: (E,) rad.
        off: (E,) relative radius less 1.
        lines: number of scan lines.
    """

    line: NDArray[np.int64]
    angle: Array
    off: Array
    lines: int

    @cached_property
    def starts(self) -> NDArray[np.int64]:
        """Index of the first edge of every scan line that has any."""
        return np.asarray(np.unique(self.line, return_index=True)[1])

    @cached_property
    def counts(self) -> NDArray[np.int64]:
        """How many edges each of these lines has."""
        return np.diff(self.starts, append=len(self.line))

    @cached_property
    def in_turn(self) -> NDArray[np.int64]:
        """(K, L) the first, second .. edge of every scan line that has any; its last one again where it has fewer."""
        return np.asarray(self.starts + np.minimum(np.arange(self.counts.max())[:, None], self.counts - 1))

    @cached_property
    def basis(self) -> Array:
        """(E, 5) what each coefficient of a curve adds at every edge."""
        return _basis(self.angle, 5)


@dataclass(frozen=True, eq=False)
class RimWave:
    """One curve.

    Attributes:
        wave: (3,) or (5,) its coefficients a0, a1, b1, a2, b2.
        share: part of the scan lines whose edge it follows, an edge off by the width counting 0.6.
        off: (E,) distances of all edges from it, relative.
    """

    wave: Array
    share: float
    off: Array

    @property
    def outward(self) -> float:
        """How far outside the expected rim it lies, relative."""
        return float(self.wave[0])

    @cached_property
    def around(self) -> Array:
        """(48,) how far outside it lies all round, relative."""
        return np.asarray(_ALL_ROUND[:, : len(self.wave)] @ self.wave)


def find_waves(edges: NearEdges, width: float, shape_sd: float, least_share: float = 0.2) -> list[RimWave]:
    """Curves that edges agree on, no two alike.

    Args:
        edges: near the expected rim.
        width: how far off an edge may lie, relative.
        shape_sd: spread of a2 and b2; 0 where the frame makes the rim a circle.
        least_share: part of the scan lines a curve must have.

    Returns:
        Curves in order of their share.
    """
    basis = edges.basis[:, : 5 if shape_sd > 0 else 3]
    if len(basis) < 8:
        return []
    return _settled_waves(edges, basis, _starts(edges, basis, width, shape_sd), width, shape_sd, least_share)


def find_outside(edges: NearEdges, inner: RimWave, reach: float, width: float, shape_sd: float) -> list[RimWave]:
    """Curves outside one and about its middle: a chamfer's or a band's other edge, which chance trials may miss."""
    basis, shape_sd = edges.basis[:, : len(inner.wave)], shape_sd if len(inner.wave) > 3 else 0.0
    starts = np.repeat(inner.wave[None], max(1, int(reach / width)), axis=0)
    starts[:, 0] += width * np.arange(2, 2 + len(starts))
    return _settled_waves(edges, basis, starts, width, shape_sd, 0.2)


def find_closely(edges: NearEdges, about: Array, reach: float, width: float, shape_sd: float) -> list[RimWave]:
    """Curves about one that edges lie on closely: of two edges that it follows in turn each."""
    place = _disk(_ASIDE, 2.0 * width)
    size = np.arange(-_INWARD, min(reach, _OUTWARD), 2.0 * width)
    starts = np.repeat(about[None], len(place) * len(size), axis=0)
    starts[:, 0] += np.repeat(size, len(place))
    starts[:, 1:3] += np.tile(place, (len(size), 1))
    own = _settled_waves(edges, edges.basis, about[None], width, shape_sd, 0.0)
    return [*own, *_settled_waves(edges, edges.basis, starts, width, shape_sd, 0.1, _APART)]


def _settled_waves(
    edges: NearEdges, basis: Array, starts: Array, width: float, shape_sd: float, least_share: float, apart: float = 0.7
) -> list[RimWave]:
    """Where curves settle, no two alike, in order of their share."""
    settled = _settle(edges, basis, starts, width, shape_sd)
    shares = _shares(edges, basis, settled, width)
    order = np.argsort(-shares)
    order = order[shares[order] >= least_share]
    kept = order[first_of_kinds(settled[order], apart * width, _SETTLED)]
    return [RimWave(settled[one], float(shares[one]), edges.off - basis @ settled[one]) for one in kept]


def settled_on(edges: NearEdges, on_it: NDArray[np.bool_], shape_sd: float, width: float) -> Array:
    """(5,) the curve through some of the edges, each off by about the width, its shape within its spread."""
    basis = edges.basis[on_it]
    prior = np.diag([1e-9] * 3 + [_CORRELATED * (width / shape_sd) ** 2] * 2)
    return np.asarray(np.linalg.solve(basis.T @ basis + prior, basis.T @ edges.off[on_it]))


def wave_at(wave: Array, angle: Array) -> Array:
    """(N,) how far outside the expected rim a curve lies at angles, relative."""
    return np.asarray(_basis(angle, len(wave)) @ wave)


def _basis(angle: Array, size: int) -> Array:
    columns = [np.ones_like(angle), np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)]
    return np.stack(columns[:size], axis=1)


_ALL_ROUND = _basis(np.linspace(0, 2 * np.pi, 48, endpoint=False), 5)


def _starts(edges: NearEdges, basis: Array, width: float, shape_sd: float) -> Array:
    """(T, P) rough curves with most edges near them, of all places and shapes that may be, no two alike."""
    step = _STEP[shape_sd > 0] * width
    place = _disk(min(_OFF_CENTER, float(np.abs(edges.off).max())), step)
    shape = _disk(_SHAPES * shape_sd, step) if shape_sd > 0 else np.zeros((1, 0))
    bent = np.concatenate([np.repeat(place, len(shape), axis=0), np.tile(shape, (len(place), 1))], axis=1)
    # The votes of all edges for the size of a curve of each place and shape.
    some = edges.line % max(1, round(len(bent) * len(basis) / _MOST)) == 0
    count = int(2 * np.abs(edges.off).max() / step) + 3
    aside = (basis[some, 1:] / step).astype(np.float32)
    sizes = (edges.off[some] / step + count // 2 + 0.5).astype(np.float32) - bent.astype(np.float32) @ aside.T
    votes_at = np.clip(sizes, 0, count - 1, out=sizes).astype(np.int32)
    votes_at += (count * np.arange(len(bent), dtype=np.int32))[:, None]
    votes = np.bincount(votes_at.ravel(), minlength=count * len(bent)).reshape(-1, count)
    votes[:, [0, -1]] = 0
    far = (-0.5 * (votes[:, :-2] + votes[:, 2:]) - votes[:, 1:-1]).ravel()
    best = np.argpartition(far, min(_LOOKED_AT, far.size - 1))[:_LOOKED_AT]
    best = best[np.argsort(far[best], kind="stable")]
    bend, size = np.divmod(best, count - 2)
    curves = np.column_stack([step * (size + 1 - count // 2), bent[bend]])
    return np.asarray(curves[first_of_kinds(curves, _APART * width, _SETTLED)])


def _disk(radius: float, step: float) -> Array:
    """(D, 2) places of an even grid up to a radius about the middle."""
    along = step * np.arange(-int(radius / step), int(radius / step) + 1)
    places = np.stack(np.meshgrid(along, along), axis=-1).reshape(-1, 2)
    return np.asarray(places[np.hypot(*places.T) <= radius + 1e-12])


def _shares(edges: NearEdges, basis: Array, waves: Array, width: float) -> Array:
    """(T,) part of the scan lines with an edge on each curve."""
    if len(waves) == 0:
        return np.zeros(0)
    # Hundreds of curves meet hundreds of edges; single precision is plenty for counting them, and twice as fast.
    # Once in hundreds of photos numpy warns of an invalid value in it, and does not on the same photo again.
    with np.errstate(invalid="ignore"):
        off = edges.off.astype(np.float32)[:, None] - basis.astype(np.float32) @ waves.T.astype(np.float32)
    nearest = np.abs(off, out=off)[edges.in_turn].min(axis=0) / np.float32(width)
    return np.asarray(np.exp(-0.5 * nearest * nearest).sum(axis=0, dtype=float) / edges.lines)


def _settle(edges: NearEdges, basis: Array, waves: Array, width: float, shape_sd: float) -> Array:
    """Let curves settle on the edges near them (Tukey's weights, narrowing)."""
    size = basis.shape[1]
    prior = np.diag([1e-6] * 3 + [(width / shape_sd) ** 2] * (size - 3)) if size > 3 else 1e-6 * np.eye(3)
    one, other = np.triu_indices(size)
    by_size, bend = np.argsort(waves[:, 0]), waves[:, 1:].mean(axis=0)
    out = edges.off - basis[:, 1:] @ bend
    outward = np.argsort(out)
    out, off, basis, waves = out[outward], edges.off[outward], basis[outward], waves[by_size]
    pulled = np.concatenate([basis[:, one] * basis[:, other], off[:, None] * basis], axis=1)
    sums, information = np.empty((len(waves), pulled.shape[1])), np.empty((len(waves), size, size))
    for reach in (4.0, 3.0, 2.5, 2.5, 2.5):
        for curves, near in _neighbors(waves, bend, out, reach * width):
            pull = waves[curves] @ basis[near].T
            np.subtract(off[near], pull, out=pull)
            pull /= reach * width
            pull *= pull
            np.maximum(np.subtract(1.0, pull, out=pull), 0.0, out=pull)
            pull *= pull
            np.matmul(pull, pulled[near], out=sums[curves])
        information[:, one, other] = information[:, other, one] = sums[:, : len(one)]
        waves = np.asarray(np.linalg.solve(information + prior, sums[:, len(one) :, None])[..., 0])
    return np.asarray(waves[np.argsort(by_size)])


def _neighbors(waves: Array, bend: Array, out: Array, reach: float) -> list[tuple[slice, slice]]:
    """Curves in order of their size, some at a time, each time with all edges that lie within reach of any of them.

    Args:
        waves: (T, P) the curves; bend: (P - 1,) all but the size of a usual one.
        out: (E,) how far outside one of no size, but so bent, the edges lie, ascending.
    """
    if len(waves) <= _TOGETHER:
        return [(slice(None), slice(None))]
    blocks = np.arange(0, len(waves), _TOGETHER)
    bent = waves[:, 1:] - bend
    far = np.hypot(bent[:, ::2], bent[:, 1::2]).sum(axis=1) + reach
    first = np.searchsorted(out, np.minimum.reduceat(waves[:, 0] - far, blocks))
    last = np.searchsorted(out, np.maximum.reduceat(waves[:, 0] + far, blocks))
    curves = [slice(block, block + _TOGETHER) for block in blocks.tolist()]
    return list(zip(curves, map(slice, first.tolist(), last.tolist()), strict=True))
