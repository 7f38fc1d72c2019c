"""Sets of concentric circles in a squared-up picture, found by what their edges agree on.

Every edge element points, along its gradient, at the center of the circle it may belong to. Where many such lines
cross is a center; around it, the share of directions in which a radial edge stands at radius r is the support of
a circle of that radius. Covers, rims, bands, flanges, bores and rings of bolts all answer to this, plain or occluded.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from features.parts.front_on import FrontOn

Array = NDArray[np.float64]
SECTORS = 96
_VOTERS = 12000
"""Edge elements that vote for centers."""


@dataclass(frozen=True, eq=False)
class EdgeField:
    """Edge elements of a squared-up picture: places (N, 2), unit gradients (N, 2), strengths (N,)."""

    places: Array
    gradients: Array
    strengths: Array


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
    gx = cv2.Scharr(smooth, cv2.CV_32F, 1, 0) / 32
    gy = cv2.Scharr(smooth, cv2.CV_32F, 0, 1) / 32
    size = np.hypot(gx, gy)
    valid = cv2.erode(front.valid.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
    # Local contrast counts, not the exposure: a dark pump in a bright room must not vanish.
    local = cv2.GaussianBlur(size, (0, 0), 24) + 0.5
    strength = np.where(valid, size / (local + 1.0), 0).astype(np.float32)
    thin = _thin(size, gx, gy) & (size > 1.2) & (strength > 0.5)
    y, x = np.nonzero(thin)
    if len(x) > most:
        keep = np.argpartition(strength[y, x], len(x) - most)[len(x) - most :]
        x, y = x[keep], y[keep]
    gradients = np.stack([gx[y, x], gy[y, x]], axis=1).astype(float)
    gradients /= np.linalg.norm(gradients, axis=1, keepdims=True)
    return EdgeField(np.stack([x, y], axis=1).astype(float), gradients, np.minimum(strength[y, x], 3.0).astype(float))


def _thin(size: NDArray[np.floating], gx: NDArray[np.floating], gy: NDArray[np.floating]) -> NDArray[np.bool_]:
    """Non-maximum suppression along the gradient, four directions."""
    sector = np.round(np.arctan2(gy, gx) / (np.pi / 4)).astype(int) % 4
    thin = np.zeros(size.shape, bool)
    for index, (dx, dy) in enumerate(((1, 0), (1, 1), (0, 1), (-1, 1))):
        ahead, behind = np.roll(size, (-dy, -dx), (0, 1)), np.roll(size, (dy, dx), (0, 1))
        thin |= (sector == index) & (size >= ahead) & (size > behind)
    return thin


def find_concentric(
    field: EdgeField, shape: tuple[int, int], least_radius: float, most_radius: float, count: int = 6
) -> tuple[ConcentricSet, ...]:
    """The best-supported concentric sets.

    Args:
        field: edges.
        shape: (h, w) of the squared-up picture.
        least_radius, most_radius: range of radii in squared-up pixels.
        count: how many sets at most.

    Returns:
        Sets, strongest first, no two centers closer than a tenth of the larger set's radius.
    """
    found: list[ConcentricSet] = []
    for center in _crossings(field, shape, least_radius, most_radius, count * 5):
        refined = settled_set(field, center, least_radius, most_radius)
        if refined is not None:
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
    h, w = int(shape[0] / cell) + 1, int(shape[1] / cell) + 1
    votes = np.zeros(h * w)
    radii = np.arange(least, most, cell)
    # Neighbors on an edge vote alike: one in a few tells as much.
    every = max(1, round(len(field.places) / _VOTERS))
    places = (field.places[::every] / cell).astype(np.float32)
    along = field.gradients[::every].astype(np.float32)
    # A wide circle has more edge elements; dividing by the radius counts arcs, not pixels.
    strengths, shares = field.strengths[::every].astype(np.float32), (1 / np.sqrt(radii)).astype(np.float32)
    for way in (1.0, -1.0):
        steps = (way / cell * radii).astype(np.float32)
        ix = np.rint(places[:, :1] + along[:, :1] * steps).astype(np.int32)
        iy = np.rint(places[:, 1:] + along[:, 1:] * steps).astype(np.int32)
        ok = (ix >= 0) & (ix < w) & (iy >= 0) & (iy < h)
        weight = strengths[:, None] * shares
        votes += np.bincount((iy * w + ix)[ok], weights=weight[ok], minlength=h * w)
    grid = cv2.GaussianBlur(votes.reshape(h, w).astype(np.float32), (0, 0), 1.5)
    background = cv2.GaussianBlur(grid, (0, 0), 12)
    contrast = grid - background
    top = (contrast == cv2.dilate(contrast, np.ones((5, 5), np.uint8))) & (contrast > 0)
    y, x = np.nonzero(top)
    order = np.argsort(-contrast[y, x])[:count]
    return [np.array([x[i] * cell, y[i] * cell]) for i in order]


def settled_set(field: EdgeField, center: Array, least: float, most: float) -> ConcentricSet | None:
    """Move a center to where its radial edges agree best, then read its circles off the support profile."""
    for width in (0.12, 0.06):
        moved = _recentered(field, center, least, most, width)
        if moved is None:
            return None
        center = moved
    profile = support_profile(field, center, most)
    radii, supports = _peaks(profile, least)
    if len(radii) == 0:
        return None
    strongest = np.sort(supports)[::-1]
    score = float(strongest[:4].sum() * (0.5 + supports.max()))
    return ConcentricSet(center, radii, supports, score)


def _recentered(field: EdgeField, center: Array, least: float, most: float, width: float) -> Array | None:
    """Least-squares crossing of the gradient lines that pass close to the center."""
    x, y = field.places[:, 0] - center[0], field.places[:, 1] - center[1]
    distance = np.hypot(x, y)
    across = np.abs(x * field.gradients[:, 1] - y * field.gradients[:, 0])
    use = (distance > least) & (distance < most) & (across < width * distance)
    if use.sum() < 30:
        return None
    normals = np.stack([-field.gradients[use, 1], field.gradients[use, 0]], axis=1)
    square = (field.strengths[use] / distance[use]) ** 2
    weighted = (normals * square[:, None]).T
    information = weighted @ normals
    if np.linalg.det(information) < 1e-9 * np.trace(information) ** 2:
        return None  # all lines run alike: they cross nowhere
    reach = np.sum(normals * (field.places[use] - center), axis=1)
    moved: Array = center + np.linalg.solve(information, weighted @ reach)
    return moved if np.linalg.norm(moved - center) < 0.3 * most else None


def support_profile(field: EdgeField, center: Array, most: float) -> Array:
    """Share of directions with a radial edge at every whole radius up to `most`."""
    x, y = field.places[:, 0] - center[0], field.places[:, 1] - center[1]
    distance = np.hypot(x, y)
    radial = np.abs(x * field.gradients[:, 0] + y * field.gradients[:, 1])
    use = (radial > 0.97 * distance) & (distance < most + 2) & (distance > 3)
    sector = ((np.arctan2(y[use], x[use]) + np.pi) / (2 * np.pi) * SECTORS).astype(int) % SECTORS
    grid = np.zeros((int(most) + 4, SECTORS), bool)
    whole = np.rint(distance[use]).astype(int)
    for shift in (-1, 0, 1):  # a circle one pixel off its whole radius still counts
        grid[np.clip(whole + shift, 0, len(grid) - 1), sector] = True
    return np.asarray(grid.mean(axis=1), float)


def _peaks(profile: Array, least: float, height: float = 0.3) -> tuple[Array, Array]:
    smooth = np.convolve(profile, [0.25, 0.5, 0.25], mode="same")
    inner = smooth[1:-1]
    peak = (inner >= smooth[:-2]) & (inner > smooth[2:]) & (inner >= height)
    radii = np.nonzero(peak)[0] + 1
    radii = radii[radii >= least]
    return radii.astype(float), profile[radii]
