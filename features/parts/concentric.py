"""Sets of concentric circles in a squared-up picture, found by what their edges agree on.

Every edge element points, along its gradient, at the center of the circle it may belong to. Where many such lines
cross is a center; around it, the share of directions in which a radial edge stands at radius r is the support of
a circle of that radius. Covers, rims, bands, flanges, bores and rings of bolts all answer to this, plain or occluded.
"""

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from features.parts.front_on import FrontOn

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
SECTORS = 96
_VOTERS = 12000
"""Edge elements that vote for centers."""
LEAST_IN_VIEW = 0.4
"""Where less of a circle is in view than this, it is asked for as many edges as if so much were."""
ROUNDS, MORE_ROUNDS = (0.12, 0.06), (0.12, 0.06, 0.06, 0.03, 0.03)
"""How centers settle, see `settled_set`."""


@dataclass(frozen=True, eq=False)
class EdgeField:
    """Edge elements of a squared-up picture: places (N, 2), unit gradients (N, 2), strengths (N,)."""

    places: Array
    gradients: Array
    strengths: Array

    @cached_property
    def columns(self) -> Array:
        """(4, N) x and y of the places, across and down of the gradients, each in one piece."""
        return np.ascontiguousarray(np.concatenate([self.places, self.gradients], axis=1).T)


@dataclass(frozen=True, eq=False)
class ConcentricSet:
    """A center with the circles about it.

    Attributes:
        center: (2,) in squared-up pixels.
        radii: (K,) of the circles, ascending.
        supports: (K,) share of directions with a radial edge at that radius, 0..1.
        score: strength of the whole set.
    """

    center: Array
    radii: Array
    supports: Array
    score: float


def edge_field(front: FrontOn, most: int = 20000) -> EdgeField:
    """Thin edges of the squared-up picture, strongest `most` of them."""
    smooth = cv2.GaussianBlur(front.gray, (0, 0), 1.2)
    gx = np.asarray(cv2.Scharr(smooth, cv2.CV_32F, 1, 0, scale=1 / 32), np.float32)
    gy = np.asarray(cv2.Scharr(smooth, cv2.CV_32F, 0, 1, scale=1 / 32), np.float32)
    size = np.asarray(cv2.magnitude(gx, gy), np.float32)
    valid = cv2.erode(front.valid.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
    # Local contrast counts, not the exposure: a dark pump in a bright room must not vanish.
    strength = size / (_widely_blurred(size) + 1.5)
    y, x = _thin(size, gx, gy, valid & (size > 1.2) & (strength > 0.5))
    if len(x) > most:
        keep = np.argpartition(strength[y, x], len(x) - most)[len(x) - most :]
        x, y = x[keep], y[keep]
    gradients = np.stack([gx[y, x], gy[y, x]], axis=1).astype(float)
    gradients /= np.linalg.norm(gradients, axis=1, keepdims=True)
    return EdgeField(np.stack([x, y], axis=1).astype(float), gradients, np.minimum(strength[y, x], 3.0).astype(float))


def _widely_blurred(size: Floats) -> Floats:
    """A picture blurred by 24 px; so wide a blur may be made at a quarter of its size."""
    small = cv2.resize(size, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    wide = cv2.GaussianBlur(small, (0, 0), 6.0)
    return np.asarray(cv2.resize(wide, size.shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)


def _thin(
    size: Floats, gx: Floats, gy: Floats, wanted: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and columns of the wanted places that are steepest along their gradient, in four directions."""
    y, x = np.nonzero(wanted[1:-1, 1:-1])
    y, x = y + 1, x + 1
    across, down, steep = np.abs(gx[y, x]), np.abs(gy[y, x]), float(np.tan(np.pi / 8))
    step_x = (down * steep < across).astype(np.int64)  # 0 where the gradient runs up or down
    step_y = (across * steep < down).astype(np.int64)
    step_y = np.where((step_x & step_y > 0) & (gx[y, x] * gy[y, x] < 0), -step_y, step_y)
    own = size[y, x]
    thin = (own >= size[y + step_y, x + step_x]) & (own > size[y - step_y, x - step_x])
    return y[thin], x[thin]


def find_concentric(
    field: EdgeField, shape: tuple[int, int], least_radius: float, most_radius: float, count: int = 6,
    rounds: tuple[float, ...] = ROUNDS, valid: NDArray[np.bool_] | None = None, aside: float = np.inf,
) -> tuple[ConcentricSet, ...]:  # fmt: skip
    """The best-supported concentric sets.

    Args:
        field: edges.
        shape: (h, w) of the squared-up picture.
        least_radius, most_radius: range of radii in squared-up pixels.
        count: how many sets at most.
        rounds: how centers settle; valid: what is in view; see `settled_set`.
        aside: how far from the picture's middle a center may lie.

    Returns:
        Sets, strongest first, no two centers closer than a tenth of the larger set's radius.
    """
    found: list[ConcentricSet] = []
    middle = 0.5 * np.array(shape[::-1], float)
    for center in _crossings(field, shape, least_radius, most_radius, count * 5):
        refined = settled_set(field, center, least_radius, most_radius, rounds, valid)
        if refined is not None and np.linalg.norm(refined.center - middle) < aside:
            found.append(refined)
    found.sort(key=lambda s: -s.score)
    kept: list[ConcentricSet] = []
    for candidate in found:
        apart = [np.linalg.norm(candidate.center - k.center) > max(4.0, 0.1 * float(k.radii.max())) for k in kept]
        if all(apart):
            kept.append(candidate)
        if len(kept) == count:
            break
    return tuple(kept)


def _crossings(field: EdgeField, shape: tuple[int, int], least: float, most: float, count: int) -> list[Array]:
    """Local maxima of the vote of all gradient lines, on a coarse grid."""
    cell = max(2.0, max(shape) / 320)
    margin = int(most / cell) + 2  # so that no vote falls outside
    h, w = (int(side / cell) + 1 + 2 * margin for side in shape)
    radii = np.arange(least, most, cell)
    # Neighbors on an edge vote alike: one in a few tells as much.
    every = max(1, round(len(field.places) / _VOTERS))
    places = (field.places[::every] / cell + (margin + 0.5)).astype(np.float32)
    along = field.gradients[::every].astype(np.float32)
    # A wide circle has more edge elements; dividing by the radius counts arcs, not pixels.
    weight = field.strengths[::every].astype(np.float32)[:, None] * (1 / np.sqrt(radii)).astype(np.float32)
    votes = np.zeros(h * w, np.float32)
    for way in (1.0, -1.0):
        steps = (way / cell * radii).astype(np.float32)
        column = (places[:, :1] + along[:, :1] * steps).astype(np.int32)  # eight times as fast as to 64 bits
        row = (places[:, 1:] + along[:, 1:] * steps).astype(np.int32)
        np.add.at(votes, (row * w + column).ravel(), weight.ravel())
    votes = votes.reshape(h, w)[margin:-margin, margin:-margin]
    grid = cv2.GaussianBlur(votes, (0, 0), 1.5)
    background = cv2.GaussianBlur(grid, (0, 0), 12)
    contrast = grid - background
    top = (contrast == cv2.dilate(contrast, np.ones((5, 5), np.uint8))) & (contrast > 0)
    y, x = np.nonzero(top)
    order = np.argsort(-contrast[y, x])[:count]
    return [np.array([x[i] * cell, y[i] * cell]) for i in order]


def settled_set(
    field: EdgeField, center: Array, least: float, most: float, rounds: tuple[float, ...] = ROUNDS,
    valid: NDArray[np.bool_] | None = None,
) -> ConcentricSet | None:  # fmt: skip
    """Move a center to where its radial edges agree best, then read its circles off the support profile.

    Args:
        field: edges.
        center: (2,) rough.
        least, most: range of radii.
        rounds: in each, how far aside of the center edges may point that move it, over their distance from it. After
            more rounds it lies at one place from wherever it began.
        valid: (h, w) what is in view of the squared-up picture; all of it where None.
    """
    for width in rounds:
        moved = _recentered(field, center, least, most, width)
        if moved is None:
            return None
        center = moved
    profile = support_profile(field, center, most, valid)
    radii, supports = _peaks(profile, least)
    if len(radii) == 0:
        return None
    strongest = np.sort(supports)[::-1]
    score = float(strongest[:4].sum() * (0.5 + supports.max()))
    return ConcentricSet(center, radii, supports, score)


def _recentered(field: EdgeField, center: Array, least: float, most: float, width: float) -> Array | None:
    """Least-squares crossing of the gradient lines that pass close to the center."""
    x, y, across, down = field.columns
    x, y = x - center[0], y - center[1]
    square, aside = x * x + y * y, x * down - y * across
    use = np.flatnonzero((square > least**2) & (square < most**2) & (aside * aside < width**2 * square))
    if len(use) < 30:
        return None
    across, down, aside = across[use], down[use], aside[use]
    weight = field.strengths[use] ** 2 / square[use]
    information = np.array([[weight * down @ down, -(weight * down) @ across], [0.0, weight * across @ across]])
    information[1, 0] = information[0, 1]
    if np.linalg.det(information) < 1e-9 * np.trace(information) ** 2:
        return None  # all lines run alike: they cross nowhere
    # Of the line through an edge along its gradient (-down, across) is the normal, -aside its distance from the center.
    wanted = np.array([weight * aside @ down, -(weight * aside) @ across])
    moved: Array = center + np.linalg.solve(information, wanted)
    return moved if np.linalg.norm(moved - center) < 0.3 * most else None


def support_profile(field: EdgeField, center: Array, most: float, valid: NDArray[np.bool_] | None = None) -> Array:
    """Share of directions with a radial edge at every whole radius up to `most`; of those in view where told."""
    x, y, across, down = field.columns
    x, y = x - center[0], y - center[1]
    square, radial = x * x + y * y, x * across + y * down
    use = np.flatnonzero((radial * radial > 0.97**2 * square) & (square < (most + 2) ** 2) & (square > 9.0))
    sector = ((np.arctan2(y[use], x[use]) + np.pi) / (2 * np.pi) * SECTORS).astype(int) % SECTORS
    grid = np.zeros((int(most) + 4, SECTORS), bool)
    whole = np.rint(np.sqrt(square[use])).astype(int)
    for shift in (-1, 0, 1):  # a circle one pixel off its whole radius still counts
        grid[np.clip(whole + shift, 0, len(grid) - 1), sector] = True
    if valid is None:
        return np.asarray(grid.mean(axis=1), float)
    return np.asarray(grid.sum(axis=1) / np.maximum(_in_view(center, len(grid), valid), LEAST_IN_VIEW * SECTORS), float)


def _in_view(center: Array, radii: int, valid: NDArray[np.bool_]) -> Array:
    """(radii,) in how many directions a circle of every whole radius is in view."""
    middle = (float(center[0]), float(center[1]))
    flags = cv2.INTER_NEAREST | cv2.WARP_FILL_OUTLIERS | cv2.WARP_POLAR_LINEAR
    around = cv2.warpPolar(valid.astype(np.uint8), (radii, SECTORS), middle, float(radii), flags)
    return np.asarray(around.sum(axis=0), float)


def _peaks(profile: Array, least: float, height: float = 0.3) -> tuple[Array, Array]:
    smooth = np.convolve(profile, [0.25, 0.5, 0.25], mode="same")
    inner = smooth[1:-1]
    peak = (inner >= smooth[:-2]) & (inner > smooth[2:]) & (inner >= height)
    radii = np.nonzero(peak)[0] + 1
    radii = radii[radii >= least]
    return radii.astype(float), profile[radii]
