"""A card found by its black squares alone, where its markers are too small, too soft or too covered to be read.

Black squares of the pattern touch corner to corner, so each tells where its four neighbors lie: the sum and the
difference of its sides lead to them, and both follow from how its dark is spread, however soft or slanted it is seen.
Grown from square to square they make a lattice of 7 by 5; which card it is, and which way round, the print tells after.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from cv2.typing import MatLike
from numpy.typing import NDArray

from features.scale.card_boards import COLUMNS, ROWS
from features.scale.homography import fit_homography, homography_jacobian

Array = NDArray[np.float64]

LOOKS = ((91, 0.16), (41, 0.1))
"""Sides of the surroundings that a pixel is darker than, where it belongs to a square, and by which part of their
light; of 44 renders with cards no marker of which can be read the first shows the squares of 35, both those of 37."""
DARKER = 2.0
"""How many gray levels it is darker besides."""
DETACH_PX = 1
"""Squares are made smaller by this much so that neighbors do not touch."""
SMALLEST_PX, LARGEST_PX = 7.0, 110.0
SOLID = 0.8
"""Least share of its hull that a square's dark area fills: a marker's is full of holes."""
NEIGHBOR = (0.8, 2.1)
"""Distances of a neighbor in sides of the square, which is 2 ** 0.5 but for blur."""
ALIKE = 2.5
"""Neighbors' areas differ less."""
NEAR = 0.25
"""How far from where it is expected, in steps of the lattice, a neighbor may lie."""
LEAST_SQUARES, MOST_SQUARES = 6, 24
"""Of 18; fewer dark things in a row are seen on many a machine, and more are a floor's or a grating's."""
MOST_BLOTS, MOST_TRIES = 2000, 4000
"""So many dark things, the largest, are asked for their neighbors, and so many pairs of neighbors are tried: a picture
full of grains is given up."""
NEAREST = 32
"""Among so many nearest ones neighbors are looked for."""
FARTHEST, SCATTER = 0.36, 0.12
"""How far from a plane's lattice a square's middle may lie, and half of them together, in squares."""
LONGEST = 1.0
"""How much longer than wide a square may be in the lattice's plane (logarithm): blur and shadows run into it."""
MOST_ON_CARD = 0.8
"""Least share of the squares that lie on the card; another dark thing may look like its neighbor."""
_STEPS = np.array([(1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (1, -1), (-1, 1), (-1, -1)], float)
"""To the four neighbors, and past a covered one to those that share a row or a column."""


@dataclass(frozen=True, eq=False)
class Blots:
    """Dark things, the largest first.

    Attributes:
        center: (N, 2); area: (N,).
        spread: (N, 2, 2) how their dark is spread, as of a square with its sides.
        near: (N, K) the nearest others of each, by index.
    """

    center: Array
    spread: Array
    area: Array
    near: NDArray[np.int64]


def dark_blots(picture: NDArray[np.uint8], window_px: int, share: float) -> Blots:
    """All solid places of a picture (h, w) that are darker than the surroundings, a square so wide, by a share."""
    mean = cv2.blur(picture, (window_px, window_px))
    level = cv2.convertScaleAbs(mean, alpha=1.0 - share, beta=-DARKER)
    dark = cv2.compare(picture, level, cv2.CMP_LT)
    apart = cv2.erode(dark, np.ones((2 * DETACH_PX + 1,) * 2, np.uint8))
    outlines = cv2.findContours(apart, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
    sized = [one for one in outlines if 2 * (SMALLEST_PX - 2 * DETACH_PX) < len(one) < 4 * LARGEST_PX]
    largest = sorted(sized, key=len, reverse=True)[:MOST_BLOTS]
    told = [one for one in map(_blot, largest) if one is not None]
    center = np.array([one[0] for one in told]).reshape(-1, 2)
    spread = np.array([one[1] for one in told]).reshape(-1, 2, 2)
    return Blots(center, spread, np.array([one[2] for one in told]), _nearest(center))


def _nearest(center: Array) -> NDArray[np.int64]:
    """(N, K) the nearest others of each of the centers (N, 2)."""
    x, y = center.astype(np.float32).T
    apart = np.square(x[:, None] - x) + np.square(y[:, None] - y)
    np.fill_diagonal(apart, np.inf)
    count = min(NEAREST, max(len(center) - 1, 0))
    return np.argpartition(apart, max(count - 1, 0), axis=1)[:, :count]


def _blot(outline: MatLike) -> tuple[Array, Array, float] | None:
    """Center, spread and area of a solid dark place, made as large again as it was; None of others."""
    m = cv2.moments(outline)
    # Outlines run through pixels' centers, half a pixel short all round.
    if m["m00"] < 2.0 or m["m00"] < SOLID * cv2.contourArea(cv2.convexHull(outline)):
        return None
    spread = np.array([[m["mu20"], m["mu11"]], [m["mu11"], m["mu02"]]]) / m["m00"]
    values, axes = np.linalg.eigh(spread)
    sides = np.sqrt(12.0 * np.maximum(values, 0.0)) + 2 * DETACH_PX + 1
    if sides.min() < 0.12 * sides.max():
        return None
    center = np.array([m["m10"], m["m01"]]) / m["m00"]
    return center, (axes * (sides**2 / 12.0)) @ axes.T, float(sides.prod())


def find_lattices(blots: Blots) -> Iterator[tuple[Array, Array]]:
    """Lattices of a card's black squares.

    Args:
        blots: `dark_blots` of a picture in which a square of the card is 10 to 100 px wide.

    Yields:
        (K, 2) column and row of each square seen, from anywhere, and (K, 2) its center in the picture; columns run to
        the right of rows as a reader of the card sees them, up to turns by 90 degrees.
    """
    taken: set[int] = set()
    tries = 0
    for seed in range(len(blots.center)):
        if seed in taken:
            continue
        best: dict[tuple[int, int], int] = {}
        for steps in _frames(blots, seed):
            best = max(best, _grown(blots, seed, steps), key=len)
            tries += 1
            if len(best) >= LEAST_SQUARES:
                break
        if tries > MOST_TRIES:
            return
        if len(best) < LEAST_SQUARES:
            continue
        taken |= set(best.values())
        lattice = _as_squares(blots, best) if len(best) <= MOST_SQUARES else None
        if lattice is not None:
            yield lattice


def _frames(blots: Blots, seed: int) -> Iterator[Array]:
    """(2, 2) steps, as columns, to two neighbors of a dark thing that lie as a square's do."""
    white = np.linalg.inv(np.linalg.cholesky(12.0 * blots.spread[seed]))
    others = blots.near[seed]
    away = (blots.center[others] - blots.center[seed]) @ white.T
    far = np.hypot(away[:, 0], away[:, 1])
    ratio = blots.area[others] / blots.area[seed]
    near = np.flatnonzero((far > NEIGHBOR[0]) & (far < NEIGHBOR[1]) & (ratio < ALIKE) & (ratio > 1.0 / ALIKE))
    near = near[np.argsort(np.abs(far[near] - np.sqrt(2.0)))][:8]
    for k, i in enumerate(near):
        for j in near[:k]:
            cosine = float(away[i] @ away[j]) / (far[i] * far[j])
            if abs(cosine) < 0.5 and 0.6 < far[i] / far[j] < 1.67:
                yield (blots.center[others[[i, j]]] - blots.center[seed]).T


def _grown(blots: Blots, seed: int, steps: Array) -> dict[tuple[int, int], int]:
    """Dark things linked to a seed step by step, until they are too many for a card: place from the seed -> index."""
    places, frames, used = {(0, 0): seed}, {(0, 0): steps}, {seed}
    queue = [(0, 0)]
    while queue and len(places) <= MOST_SQUARES:
        here = queue.pop(0)
        frame, index = frames[here], places[here]
        others = blots.near[index]
        away = blots.center[others] - blots.center[index]
        ahead = away @ np.linalg.inv(frame).T
        ratio = blots.area[others] / blots.area[index]
        off = np.abs(ahead - _STEPS[:, None]).max(axis=2)
        off[:, (ratio > ALIKE) | (ratio < 1.0 / ALIKE)] = np.inf
        for step, miss, found in zip(_STEPS, off.min(axis=1), np.argmin(off, axis=1), strict=True):
            place = (here[0] + int(step[0]), here[1] + int(step[1]))
            known = place in places or max(abs(place[0]), abs(place[1])) > COLUMNS
            if known or miss > NEAR or int(others[found]) in used:
                continue
            places[place], frames[place] = int(others[found]), _corrected(frame, step, away[found])
            used.add(places[place])
            queue.append(place)
    return places


def _corrected(frame: Array, step: Array, moved: Array) -> Array:
    """The steps (2, 2) by which a known step leads to where a neighbor was found."""
    corrected = frame + np.outer(moved - frame @ step, step) / float(step @ step)
    return np.asarray(corrected if np.linalg.det(corrected) * np.linalg.det(frame) > 0 else frame)


def _as_squares(blots: Blots, places: dict[tuple[int, int], int]) -> tuple[Array, Array] | None:
    """Columns and rows, and centers, of those that lie on one plane's lattice and look like squares in it."""
    index = np.array(list(places.values()))
    squares = np.array(list(places), float) @ np.array([[1.0, 1.0], [1.0, -1.0]])
    center, spread = blots.center[index], blots.spread[index]
    fit = fit_homography(squares, center, robust=True)
    if not fit:
        return None
    slopes = np.array([homography_jacobian(fit.px_from_mm, square) for square in squares])
    areas = np.linalg.det(slopes)
    if not (np.isfinite(areas).all() and areas.min() * areas.max() > 0.0):  # no plane is seen folded
        return None
    upright = np.linalg.inv(slopes) @ spread @ np.swapaxes(np.linalg.inv(slopes), 1, 2)
    longer = 0.5 * np.ptp(np.log(np.linalg.eigvalsh(upright)), axis=1)
    off = np.linalg.norm(fit.residuals_px, axis=1) / np.sqrt(np.abs(areas))
    good = (off < FARTHEST) & (longer < LONGEST)
    if good.sum() < LEAST_SQUARES or np.median(off[good]) > SCATTER:
        return None
    seen_as_printed = [1.0, 1.0] if np.median(areas) > 0 else [1.0, -1.0]  # never in a mirror here
    return (squares * seen_as_printed)[good], center[good]


def placements(squares: Array, center: Array) -> Iterator[Array]:
    """Every way that squares seen (K, 2), with centers (K, 2) in a picture, may lie on a card; few may be none of its.

    Yields:
        (3, 3) homographies from squares (0 .. 7, 0 .. 5 from the pattern's corner) to the picture.
    """
    turn = np.array([[0, 1], [-1, 0]])
    lattice = squares.astype(int)
    for _ in range(4):
        lattice = lattice @ turn
        low, high = lattice.min(axis=0), lattice.max(axis=0)
        for column in range(-int(high[0] - low[0]), COLUMNS):
            for row in range(-int(high[1] - low[1]), ROWS):
                place = lattice - low + [column, row]
                if place[0].sum() % 2:
                    continue  # black squares lie where column and row are both even or both odd
                inside = ((place >= 0) & (place < [COLUMNS, ROWS])).all(axis=1)
                if inside.sum() < max(LEAST_SQUARES, MOST_ON_CARD * len(place)):
                    continue
                fit = fit_homography(place[inside] + 0.5, center[inside])
                if fit:
                    yield fit.px_from_mm
