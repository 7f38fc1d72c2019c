"""Which of the many rings of a coin is its edge.

In a frame that makes a rough ellipse the unit circle, every ellipse near it is a small wave:
radius = 1 + a0 + a1 cos t + b1 sin t + a2 cos 2t + b2 sin 2t. So rings are fitted by linear least squares,
hundreds of trials a coin.

Two rules choose. Rings that lie inside one another all round: the outermost strong one is the coin's edge
(the others are its raised border, the joint of two metals, a row of beads). Rings that run together on one
side and
part on the other: one of them follows a shadow there, and the sharper one is the coin's edge.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from features.scale.ring_edges import LINES, RingEdges

Array = NDArray[np.float64]

_TRIALS = 700
_FOLLOWED_UP = 24
_COMPARED = 64
"""So many waves are compared with one another at once."""
_SHAPE_SD = 0.015
_FAINT = 0.06
_WIDTH = 0.006
"""Relative distance at which an edge counts half for a ring."""

_CONCENTRIC_SHARE = 0.35
"""Rings that coincide on more than this part of the rim part only at a shadow."""

_OUTER_STRENGTH = 0.60
"""An outer ring is the edge when it is at least this strong against the strongest ring inside it."""


@dataclass(frozen=True, eq=False)
class Ring:
    """One ring.

    Attributes:
        wave: (5,) a0, a1, b1, a2, b2.
        strength: mean over all scan lines of the edge strength found on it, 0..1.
        support: part of the scan lines with an edge on it.
    """

    wave: Array
    strength: float
    support: float

    def radius(self, angle: Array) -> Array:
        """Relative radius at angles (rad)."""
        return np.asarray(1.0 + _basis(angle) @ self.wave)


def _basis(angle: Array) -> Array:
    return np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)], axis=-1)


def choose_ring(looks: Sequence[tuple[RingEdges, float]]) -> Ring | None:
    """Choose the ring that is the coin's edge.

    Args:
        looks: edges found in each picture of the coin, and the trust in that picture.
    """
    edges = _Edges.of([(found, trust) for found, trust in looks if len(found.line) >= 30])
    if edges is None:
        return None
    rings = _settled(edges, _trials(edges))
    if not rings:
        return None
    return _chosen([rings[k] for k in first_of_kinds(np.array([ring.wave for ring in rings]), 0.004, len(rings))])


def first_of_kinds(waves: Array, apart: float, most: int) -> NDArray[np.int64]:
    """Indices of the first of every kind of waves (T, P), in the order given; a kind differs by more than `apart`."""
    kept: list[int] = []
    for start in range(0, len(waves), _COMPARED):
        block = waves[start : start + _COMPARED]
        new = np.flatnonzero(_are_apart(block, waves[kept], apart).all(axis=1))
        apart_from = _are_apart(block[new], block[new], apart)
        left = np.ones(len(new), bool)
        for k, place in enumerate((start + new).tolist()):
            if left[k]:
                kept.append(place)
                left &= apart_from[k]
                if len(kept) == most:
                    return np.array(kept, np.int64)
    return np.array(kept, np.int64)


def _are_apart(waves: Array, others: Array, apart: float) -> NDArray[np.bool_]:
    """(T, U) which of waves (T, P) and others (U, P) are apart in any coefficient."""
    far = np.zeros((len(waves), len(others)), bool)
    for own, other in zip(waves.T, others.T, strict=True):
        far |= np.abs(own[:, None] - other) > apart
    return far


@dataclass(frozen=True, eq=False)
class _Edges:
    """Edges of all pictures together; the rays of each picture are counted on, so that edges stay sorted."""

    line: NDArray[np.int64]
    radius: Array
    weight: Array
    basis: Array
    trust: float

    @classmethod
    def of(cls, looks: Sequence[tuple[RingEdges, float]]) -> "_Edges | None":
        if not looks:
            return None
        weight = np.concatenate([trust * _weights(found) for found, trust in looks])
        keep = weight > _FAINT
        return cls(
            line=np.concatenate([found.line + LINES * i for i, (found, _) in enumerate(looks)])[keep],
            radius=np.concatenate([found.radius for found, _ in looks])[keep],
            weight=weight[keep],
            basis=_basis(np.concatenate([found.angle for found, _ in looks])[keep]),
            trust=sum(trust for _, trust in looks),
        )

    def mean_of_lines(self, score: Array) -> Array:
        """(T, E) weighted scores to (T,): the best of each ray of each picture, averaged."""
        first = np.unique(self.line, return_index=True)[1]
        return np.asarray(np.maximum.reduceat(score, first, axis=-1).sum(-1) / (LINES * self.trust))

    def support(self, near: NDArray[np.bool_]) -> Array:
        """(T, E) to (T,): part of the rays with an edge in any picture."""
        seen = np.zeros((len(near), LINES), bool)
        for row, edges in zip(seen, near, strict=True):
            row[self.line[edges] % LINES] = True
        return np.asarray(seen.mean(1))


def _weights(found: RingEdges) -> Array:
    """Edge weight 0..1: full for an edge as strong and as sharp as is usual round this coin.

    A shadow's edge is softer than the coin's own, which the same lens drew at the same place.
    """
    strongest = np.zeros(LINES)
    np.maximum.at(strongest, found.line, np.abs(found.step))
    usual = float(np.median(strongest[strongest > 0]))
    strong = np.minimum(1.0, np.abs(found.step) / (0.8 * usual))
    sharp = float(np.quantile(found.sharpness[strong > 0.5], 0.7))
    return np.asarray(strong * np.clip((found.sharpness / sharp - 0.45) / 0.35, 0.1, 1.0))


def _trials(edges: _Edges) -> Array:
    """(T, 5) rings through three edges of different sides, the best of many and no two alike."""
    random = np.random.default_rng(0)
    picks = random.choice(len(edges.line), size=(_TRIALS, 3), p=edges.weight / edges.weight.sum())
    at = np.sort(edges.line[picks] % LINES, axis=1)
    gaps = np.column_stack([at[:, 1] - at[:, 0], at[:, 2] - at[:, 1], at[:, 0] + LINES - at[:, 2]])
    picks = picks[gaps.min(1) > LINES // 7]
    # The rough ellipse may follow a shadow on one side and so be too long: try other shapes as well.
    shape = random.normal(0.0, _SHAPE_SD, size=(len(picks), 2))
    shape[::2] = 0.0
    at_picks = edges.basis[picks]
    left = edges.radius[picks] - 1.0 - (at_picks[..., 3:] @ shape[..., None])[..., 0]
    circle = np.linalg.solve(at_picks[..., :3], left[..., None])[..., 0]
    waves = np.concatenate([circle, shape], axis=1)
    waves = waves[(np.abs(waves[:, 0]) < 0.16) & (np.hypot(waves[:, 1], waves[:, 2]) < 0.08)]
    # Hundreds of rings meet thousands of edges; single precision is plenty to put them in order.
    off = (edges.radius - 1.0).astype(np.float32) - waves.astype(np.float32) @ edges.basis.T.astype(np.float32)
    near = edges.weight.astype(np.float32) / np.square(1.0 + np.square(off / np.float32(1.5 * _WIDTH)))
    total = edges.mean_of_lines(near)
    waves = waves[np.argsort(-total)]
    return np.asarray(waves[first_of_kinds(waves, 0.006, _FOLLOWED_UP)])  # not thirty times the same


def _settled(edges: _Edges, waves: Array) -> list[Ring]:
    """Let trials settle on the edges near them; those that find too few are dropped."""
    basis = edges.basis
    products = (basis[:, :, None] * basis[:, None, :]).reshape(len(basis), 25)
    # A tilt beyond the rough ellipse's is small: the prior keeps a half-seen ring from bending.
    prior = 0.02 * np.diag([0.0, 0.0, 0.0, 1.0, 1.0])
    for width in (3.0 * _WIDTH, 2.0 * _WIDTH, _WIDTH, _WIDTH):
        off = edges.radius - 1.0 - waves @ basis.T
        pull = edges.weight * np.maximum(0.0, 1.0 - (off / (2.5 * width)) ** 2) ** 2
        enough = np.count_nonzero(pull > 0.05, axis=1) > 0.3 * LINES
        waves, pull = waves[enough], pull[enough]
        information = (pull @ products).reshape(-1, 5, 5) + prior * pull.sum(1)[:, None, None]
        waves = _solved(information, (pull * (edges.radius - 1.0)) @ basis)
    off = np.abs(edges.radius - 1.0 - waves @ basis.T)
    strength = edges.mean_of_lines(edges.weight * np.exp(-0.5 * (off / _WIDTH) ** 2))
    support = edges.support(off < 1.5 * _WIDTH)
    rings = [Ring(w, float(s), float(p)) for w, s, p in zip(waves, strength, support, strict=True)]
    return sorted(rings, key=lambda ring: -ring.strength)


def _solved(matrices: Array, right: Array) -> Array:
    """(T, 5, 5) systems with (T, 5) right sides."""
    return np.asarray(np.linalg.solve(matrices, right[..., None])[..., 0])


def _chosen(rings: list[Ring]) -> Ring:
    radius = 1.0 + np.stack([ring.wave for ring in rings]) @ _basis(np.linspace(0, 2 * np.pi, 90, endpoint=False)).T
    strength = np.array([ring.strength for ring in rings])
    best = int(np.argmax(strength))
    while True:
        outer = _lie_outside(radius, radius[best]) & (strength > _OUTER_STRENGTH * strength[best])
        if not outer.any():
            return rings[best]
        best = int(np.argmax(np.where(outer, strength, -1.0)))


def _lie_outside(radius: Array, other: Array) -> NDArray[np.bool_]:
    """Which of (R, T) curves lie outside a (T,) curve all round."""
    gap = radius - other
    together = np.mean(np.abs(gap) < 1.5 * _WIDTH, axis=1)
    return np.asarray((gap.mean(axis=1) > 0.01) & (gap.min(axis=1) > -0.005) & (together < _CONCENTRIC_SHARE))
