"""Bolts or holes that repeat round a circle: how many, where, and how sure.

The ring is unrolled into a strip (angle by radius) of local edge strength, which a lamp from one side disturbs less
than brightness. A ring of n equal things repeats n times: folded at its period the strip agrees with itself. The share
of variance that the folded mean explains, corrected for what chance explains, is compared over all n; the count is the
largest n that explains nearly as much as the best, because every divisor of the true count explains as much as well.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from features.parts.front_on import FrontOn

Array = NDArray[np.float64]
ANGLES = 720
COUNTS = tuple(range(3, 25))


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
    smooth = cv2.GaussianBlur(front.gray, (0, 0), 1.0)
    strength = np.hypot(cv2.Scharr(smooth, cv2.CV_32F, 1, 0), cv2.Scharr(smooth, cv2.CV_32F, 0, 1)) / 32
    log_strength = np.log1p(strength).astype(np.float32)
    strip = cv2.remap(log_strength, x, y, cv2.INTER_LINEAR, borderValue=0.0)
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
    width = max(int(0.035 * outer), 3)
    best: BoltRing | None = None
    for first in range(0, max(len(strip) - width, 1), max(width // 2, 1)):
        rows = slice(first, first + width)
        ring = _ring_in(strip[rows], seen[rows], inner_share * outer + first + width / 2)
        if best is None or ring.strength > best.strength:
            best = ring
    assert best is not None
    return best


def _ring_in(strip: Array, seen: NDArray[np.bool_], radius: float) -> BoltRing:
    flat = _without_slow_changes(strip, seen)
    explained = np.array([_explained(flat, seen, n) for n in COUNTS])
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


def _explained(flat: Array, seen: NDArray[np.bool_], count: int) -> float:
    """Share of variance explained by folding at `count`, corrected so that chance scores 0."""
    period = 48
    at = (np.arange(count * period) + 0.5) * ANGLES / (count * period) - 0.5
    low = np.floor(at).astype(int)
    share = at - low
    strip = flat[:, low % ANGLES] * (1 - share) + flat[:, (low + 1) % ANGLES] * share
    mask = seen[:, low % ANGLES]
    cube = strip.reshape(len(strip), count, period)
    weight = mask.reshape(len(strip), count, period).astype(float)
    present = weight.sum(axis=1)
    mean = np.divide((cube * weight).sum(axis=1), present, out=np.zeros_like(present), where=present > 0)
    # Leave-one-out: a place is predicted by the others' mean, so chance explains nothing (or less).
    others = np.divide(mean[:, None] * present[:, None] - cube * weight, np.maximum(present[:, None] - 1, 1e-9))
    usable = (weight > 0) & (present[:, None] > 1)
    total = float((cube[usable] ** 2).sum())
    if total <= 1e-9:
        return 0.0
    return max(1.0 - float(((cube - others)[usable] ** 2).sum()) / total, 0.0)


def _places(flat: Array, seen: NDArray[np.bool_], count: int) -> Array:
    """Angles of the things: phase of the folded edge strength's fundamental."""
    line = flat.sum(axis=0) * seen.all(axis=0)
    phase = -np.angle(np.fft.rfft(line)[count]) / count
    angles: Array = phase + np.arange(count) * 2 * np.pi / count
    return angles
