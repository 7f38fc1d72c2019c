"""Bolts or holes that repeat round a circle: how many, where, and how sure.

The ring is unrolled into a strip (angle by radius) of local edge strength, which a lamp from one side disturbs less
than brightness. A ring of n equal things repeats n times: folded at its period the strip agrees with itself. The share
of variance that the folded mean explains, corrected for what chance explains, is compared over all n; the count is the
largest n that explains nearly as much as the best, because every divisor of the true count explains as much as well.
"""

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from features.parts.front_on import FrontOn

Array = NDArray[np.float64]
ANGLES = 720
COUNTS = tuple(range(3, 25))
_PERIOD = 48
"""Samples of one repeat."""


@dataclass(frozen=True, eq=False)
class BoltRing:
    """A ring of repeating things.

    Attributes:
        radius: of the ring in squared-up pixels.
        count: most likely number.
        strength: explained share at that count, 0..1 (0 = nothing repeats).
        likelihood: count as text -> likelihood, normalized over COUNTS.
        angles_rad: (count,) where they sit.
    """

    radius: float
    count: int
    strength: float
    likelihood: dict[str, float]
    angles_rad: Array


def unroll(front: FrontOn, center: Array, inner: float, outer: float) -> tuple[Array, NDArray[np.bool_]]:
    """Polar strip of local edge strength.

    Returns:
        (R, ANGLES) edge strength, rows one pixel apart from `inner` to `outer`; (R, ANGLES) bool of what is in view.
    """
    radii = np.arange(inner, outer)
    angle = np.arange(ANGLES) * 2 * np.pi / ANGLES
    x = (center[0] + radii[:, None] * np.cos(angle)).astype(np.float32)
    y = (center[1] + radii[:, None] * np.sin(angle)).astype(np.float32)
    strip = cv2.remap(front.log_strength, x, y, cv2.INTER_LINEAR, borderValue=0.0)
    seen = cv2.remap(front.valid.astype(np.uint8), x, y, cv2.INTER_NEAREST, borderValue=0) > 0
    return np.asarray(strip, float), np.asarray(seen, bool)


def find_bolt_ring(front: FrontOn, center: Array, outer: float, inner_share: float, outer_share: float) -> BoltRing:
    """Best repeating ring between two radii given as shares of `outer`.

    Args:
        front: squared-up picture.
        center: of the ring.
        outer: radius the shares refer to, squared-up pixels.
        inner_share, outer_share: where to look.

    Returns:
        The ring; `strength` near 0 means nothing repeats there.
    """
    strip, seen = unroll(front, center, inner_share * outer, outer_share * outer)
    flat = _without_slow_changes(strip, seen)
    left, total = _left_by_row(flat, seen)
    width = max(int(0.035 * outer), 3)
    first = np.arange(0, max(len(strip) - width, 1), max(width // 2, 1))
    last = np.minimum(first + width, len(strip))
    left, total = (_sums_between(rows, first, last) for rows in (left, total))
    explained = np.maximum(1.0 - left / np.maximum(total, 1e-9), 0.0) * (total > 1e-9)
    best = int(np.argmax(explained.max(axis=0)))
    rows = slice(int(first[best]), int(last[best]))
    radius = inner_share * outer + first[best] + width / 2
    return _ring_of(explained[:, best], flat[rows], seen[rows], float(radius))


def _sums_between(rows: Array, first: NDArray[np.int64], last: NDArray[np.int64]) -> Array:
    """(C, R) values by row to (C, W) sums over rows first .. last - 1 of every window."""
    upto = np.concatenate([np.zeros((len(rows), 1)), np.cumsum(rows, axis=1)], axis=1)
    return np.asarray(upto[:, last] - upto[:, first])


def _ring_of(explained: Array, flat: Array, seen: NDArray[np.bool_], radius: float) -> BoltRing:
    """The ring of one window, from the share every count of COUNTS explains."""
    top = float(explained.max())
    near = [n for n, e in zip(COUNTS, explained, strict=True) if e >= 0.8 * top]
    count = near[-1] if near else COUNTS[int(np.argmax(explained))]
    # A multiple of the true count explains less; a divisor as much. So evidence falls off on both sides of `count`.
    evidence = np.array([e if n % count == 0 or count % n else 0.6 * e for n, e in zip(COUNTS, explained, strict=True)])
    evidence[COUNTS.index(count)] = top * 1.05
    weights = np.exp(np.clip((evidence - evidence.max()) / 0.06, -6, 0))
    weights = weights / weights.sum()
    likelihood = {str(n): float(w) for n, w in zip(COUNTS, weights, strict=True)}
    return BoltRing(radius, count, max(top, 0.0), likelihood, _places(flat, seen, count))


def _without_slow_changes(strip: Array, seen: NDArray[np.bool_]) -> Array:
    """Subtract, row by row, what changes slower than a third of a turn; unseen parts become 0."""
    weight = seen.astype(float)
    total = np.fft.irfft(np.fft.rfft(strip * weight) * _lowpass(), ANGLES)
    norm = np.fft.irfft(np.fft.rfft(weight) * _lowpass(), ANGLES)
    flat = np.where(seen, strip - total / np.maximum(norm, 1e-3), 0.0)
    return flat


def _lowpass() -> Array:
    frequency = np.arange(ANGLES // 2 + 1)
    return np.exp(-0.5 * (frequency / 1.0) ** 2)


def _left_by_row(flat: Array, seen: NDArray[np.bool_]) -> tuple[Array, Array]:
    """What folding at every count of COUNTS leaves of each row: (C, R) squares left, (C, R) squares in all.

    Leave-one-out: a place is predicted by the mean of its p - 1 repeats, so chance explains nothing (or less). With
    S the sum and Q the sum of squares over the p repeats seen, the squares left are p (p Q - S^2) / (p - 1)^2.
    """
    values, weights = flat.astype(np.float32), seen.astype(np.float32)
    left, total = [], []
    for count in COUNTS:
        low, share = _folding(count)
        strip = values[:, low] * (1 - share) + values[:, (low + 1) % ANGLES] * share
        cube = strip.reshape(len(strip), count, _PERIOD)
        weight = weights[:, low].reshape(len(strip), count, _PERIOD)
        cube = cube * weight
        present, together, squares = weight.sum(axis=1), cube.sum(axis=1), np.einsum("rcp,rcp->rp", cube, cube)
        usable = present > 1
        others = np.maximum(present - 1, 1.0)
        left.append((present * (present * squares - together**2) / others**2 * usable).sum(axis=1))
        total.append((squares * usable).sum(axis=1))
    return np.array(left, float), np.array(total, float)


@cache
def _folding(count: int) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Samples of a turn that repeat `count` times: the strip's column before each, and the share of the next."""
    at = (np.arange(count * _PERIOD) + 0.5) * ANGLES / (count * _PERIOD) - 0.5
    low = np.floor(at).astype(np.int64)
    return low % ANGLES, (at - low).astype(np.float32)


def _places(flat: Array, seen: NDArray[np.bool_], count: int) -> Array:
    """Angles of the things: phase of the folded edge strength's fundamental."""
    line = flat.sum(axis=0) * seen.all(axis=0)
    phase = -np.angle(np.fft.rfft(line)[count]) / count
    angles: Array = phase + np.arange(count) * 2 * np.pi / count
    return angles
