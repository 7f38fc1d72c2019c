"""The lens of one photo by the lines of a board in it: straight ones tell distortion, square ones the focal length too.

Plumb lines (Brown, "Close-range camera calibration", Photogrammetric Engineering 37, 1971) tell how a lens bends and
about which point. Two sets of parallel lines that cross squarely tell the focal length besides, where the board leans
(Caprile and Torre, "Using vanishing points for camera calibration", IJCV 4, 1990; both from memory). Neither tells any
length or how lines are spaced.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from features.camera import rotation_from_vector
from features.least_squares import in_turn, solve

Array = NDArray[np.float64]
GUESSED_FOCAL, GUESSED_FOCAL_SD = 0.8, 0.25
"""Focal length over the picture's width where nothing is known of the camera, and its relative uncertainty."""
CENTER_SD, DISTORTION_SD = 0.03, 1.0
"""What is believed beforehand: where the lens's middle is, over the focal length, and how large k1 and k2 may be."""


@dataclass(frozen=True, eq=False)
class BoardLens:
    """A camera whose lens bends lines.

    Attributes:
        focal_px: focal length.
        focal_relative_sd: its relative standard uncertainty.
        center_px: (2,) middle of the lens.
        k1, k2: Brown's first two radial terms.
    """

    focal_px: float
    focal_relative_sd: float
    center_px: Array
    k1: float
    k2: float

    def looks(self, points_px: Array) -> Array:
        """(..., 2) pixels to (..., 2) directions x / z, y / z."""
        seen = (points_px - self.center_px) / self.focal_px
        bent = np.linalg.norm(seen, axis=-1, keepdims=True)
        r = bent
        for _ in range(8):  # Newton's method
            slope = np.maximum(1.0 + 3.0 * self.k1 * r**2 + 5.0 * self.k2 * r**4, 0.2)
            r = r - (r * (1.0 + self.k1 * r**2 + self.k2 * r**4) - bent) / slope
        return np.asarray(seen * r / np.maximum(bent, 1e-12))

    def straightened(self, points_px: Array, size_px: tuple[int, int]) -> Array:
        """(..., 2) where a pinhole of this focal length sees the same, its middle that of the picture."""
        return np.asarray(self.looks(points_px) * self.focal_px + 0.5 * (np.array(size_px) - 1.0))


def crossings(corners_px: Array) -> Array:
    """(R, C, 2) where the straight lines through the rows and columns of corners (R, C, 2) seen by a pinhole cross."""
    rows, columns = ([_own_normal(line) for line in lines] for lines in (corners_px, np.swapaxes(corners_px, 0, 1)))
    at = np.cross(np.stack(rows)[:, None], np.stack(columns)[None])
    return np.asarray(at[..., :2] / at[..., 2:])


def lens_by_straight_lines(lines: Sequence[Array], size_px: tuple[int, int], point_sd_px: float) -> BoardLens:
    """The lens under which lines are straight, its focal length as guessed.

    Args:
        lines: (N, 2) pixels each, points of one straight line of the world.
        size_px: width and height of the picture.
        point_sd_px: standard uncertainty of a point's coordinate.
    """

    def residuals(x: Array) -> dict[str, Array]:
        lens = _lens(x, size_px)
        off = [_off_line(lens.looks(line), _own_normal(lens.looks(line))) for line in lines]
        return {"lines": np.concatenate(off) * lens.focal_px / point_sd_px, "lens": x / _beliefs()[:4]}

    return _lens(solve(in_turn(residuals), np.zeros(4), np.full(4, 1e-5)).x, size_px)


def lens_by_square_lines(
    rows: Sequence[Array], columns: Sequence[Array], size_px: tuple[int, int], point_sd_px: float
) -> BoardLens:
    """The lens under which two sets of lines are straight, each set parallel, and both square to each other.

    Args:
        rows, columns: (N, 2) pixels each, points of one line.
        size_px: width and height of the picture.
        point_sd_px: standard uncertainty of a point's coordinate.
    """
    first = lens_by_straight_lines([*rows, *columns], size_px, point_sd_px)
    ways = _rough_ways([[_own_normal(first.looks(line)) for line in family] for family in (rows, columns)])

    def residuals(x: Array) -> dict[str, Array]:
        lens, turned = _lens(x[:5], size_px), rotation_from_vector(x[5:]) @ ways
        off = []
        for family, way in ((rows, turned[:, 0]), (columns, turned[:, 1])):
            through = np.linalg.svd(way[None])[2][1:]  # normals of the planes that hold the lines' direction
            for line in family:
                looks = lens.looks(line)
                mix = np.linalg.svd(_lifted(looks) @ through.T, full_matrices=False)[2][1]
                off.append(_off_line(looks, mix @ through))
        return {"lines": np.concatenate(off) * lens.focal_px / point_sd_px, "lens": x[:5] / _beliefs()}

    start = np.array([first.k1, first.k2, *((first.center_px - _middle(size_px)) / first.focal_px), 0.0, 0.0, 0.0, 0.0])
    solution = solve(in_turn(residuals), start, np.full(8, 1e-5))
    return _lens(solution.x[:5], size_px, float(np.sqrt(solution.covariance[4, 4])))


def _beliefs() -> Array:
    return np.array([DISTORTION_SD, DISTORTION_SD, CENTER_SD, CENTER_SD, GUESSED_FOCAL_SD])


def _middle(size_px: tuple[int, int]) -> Array:
    return 0.5 * (np.array(size_px) - 1.0)


def _lens(x: Array, size_px: tuple[int, int], focal_sd: float = GUESSED_FOCAL_SD) -> BoardLens:
    """The lens of k1, k2, its middle's place over the guessed focal length, and log of the focal length over that."""
    guessed = GUESSED_FOCAL * size_px[0]
    longer = float(np.exp(x[4])) if len(x) > 4 else 1.0
    return BoardLens(guessed * longer, focal_sd, _middle(size_px) + guessed * x[2:4], float(x[0]), float(x[1]))


def _lifted(looks: Array) -> Array:
    return np.column_stack([looks, np.ones(len(looks))])


def _own_normal(looks: Array) -> Array:
    """(3,) normal of the plane through the camera that (N, 2) directions lie in best, as lines lie in a picture."""
    middle = looks.mean(axis=0)
    across = np.linalg.svd(looks - middle, full_matrices=False)[2][1]
    return np.array([*across, -across @ middle])


def _off_line(looks: Array, normal: Array) -> Array:
    """(N,) signed distances in the picture of focal length 1 from a plane's trace, left of the way along the points."""
    along = looks[-1] - looks[0]
    side = np.sign(along[0] * normal[1] - along[1] * normal[0])
    return np.asarray(side * (_lifted(looks) @ normal) / np.hypot(normal[0], normal[1]))


def _rough_ways(normals: Sequence[Sequence[Array]]) -> Array:
    """(3, 3) rotation whose first two columns run about along two families of lines, given by their planes."""
    along = [np.linalg.svd(np.stack([n / np.linalg.norm(n) for n in family]))[2][2] for family in normals]
    u, _, v = np.linalg.svd(np.stack(along, axis=1), full_matrices=False)
    one, other = (u @ v).T  # the nearest two directions that are square to each other
    return np.stack([one, other, np.cross(one, other)], axis=1)
