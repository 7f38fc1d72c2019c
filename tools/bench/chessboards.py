"""Chessboard photos with strong distortion: a patch of 50 x 50 mm is the only reference, the far diagonal is measured.

Truth: OpenCV's sample boards, 9 x 6 inner corners 25 mm apart (a calibration setting, not a certificate). Five patches
a board. Measured three times: the lens left to its prior; its distortion solved beforehand from the board's lines being
straight; and its focal length too, from their crossing squarely. Lines tell no length. Where they are known to be
straight, a corner is where its row and its column cross, each drawn through all of its corners.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from features.camera import UNKNOWN_K1_SD
from features.exif import FocalPrior
from features.photo import Photo
from features.plane_solution import NoPlane, solve_plane
from features.scale.reference import ScaleReference
from tools.bench.board_lens import (
    GUESSED_FOCAL,
    GUESSED_FOCAL_SD,
    BoardLens,
    crossings,
    lens_by_square_lines,
    lens_by_straight_lines,
)

Array = NDArray[np.float64]
COLUMNS, ROWS, SQUARE_MM = 9, 6, 25.0
DIAGONAL_MM = SQUARE_MM * float(np.hypot(COLUMNS - 1, ROWS - 1))
CORNER_SD_PX = 0.15
WINDOW_OF_SQUARE = 0.3
"""Half side of the window a corner is refined in, of the smallest square's side: as wide as keeps clear of the next
corners' squares in every direction. A fifth gives one diagonal of 90 beyond 1 %, two fifths nine of them."""

_FALLING, _RISING = ((0, 0), (-1, -1)), ((0, -1), (-1, 0))
PATCHES = (
    (slice(0, 3), slice(0, 3), _FALLING),
    (slice(3, 6), slice(6, 9), _FALLING),
    (slice(2, 5), slice(3, 6), _FALLING),
    (slice(0, 3), slice(6, 9), _RISING),
    (slice(3, 6), slice(0, 3), _RISING),
)
"""Rows and columns of the patch, and the ends of the diagonal measured by it."""


@dataclass(frozen=True)
class Diagonal:
    """One measured diagonal: relative error and stated relative standard uncertainty."""

    error: float
    stated: float

    @property
    def held(self) -> bool:
        """Whether the 95 % interval holds the truth."""
        return abs(self.error) <= 1.96 * self.stated


@dataclass(frozen=True)
class BoardFigures:
    """What one photo gave: diagonals by the lens's prior, with its distortion, with its focal length, and the lens."""

    by_prior: tuple[Diagonal, ...]
    by_straight_lines: tuple[Diagonal, ...]
    by_square_lines: tuple[Diagonal, ...]
    lens: BoardLens


def board_figures(path: Path) -> BoardFigures:
    """Measure the far diagonal of one photo by every patch.

    Raises:
        ValueError: the photo cannot be read or its board was not found.
    """
    corners, (width, height) = board_corners(path)
    unknown = FocalPrior(GUESSED_FOCAL * width, GUESSED_FOCAL_SD, "phone_prior", k1_sd=UNKNOWN_K1_SD)
    photo = Photo(path.name, path, np.zeros((height, width, 3), np.uint8), unknown)
    rows, columns = list(corners), list(np.swapaxes(corners, 0, 1))
    straight = lens_by_straight_lines([*rows, *columns], (width, height), CORNER_SD_PX)
    square = lens_by_square_lines(rows, columns, (width, height), CORNER_SD_PX)

    def with_lens(lens: BoardLens) -> tuple[Diagonal, ...]:
        known = FocalPrior(lens.focal_px, lens.focal_relative_sd, "phone_prior")
        corrected = crossings(lens.straightened(corners, (width, height)))
        return tuple(_diagonals(Photo(path.name, path, photo.pixels_rgb, known), corrected))

    return BoardFigures(tuple(_diagonals(photo, corners)), with_lens(straight), with_lens(square), square)


def board_corners(path: Path) -> tuple[Array, tuple[int, int]]:
    """The (6, 9, 2) inner corners in pixels and the picture's width and height.

    Raises:
        ValueError: the photo cannot be read or its board was not found.
    """
    gray = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    if gray is None:
        raise ValueError(f"{path} cannot be read")
    found, corners = cv2.findChessboardCorners(gray, (COLUMNS, ROWS))
    if not found:
        raise ValueError(f"no board in {path}")
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 60, 1e-4)
    rough = np.asarray(corners, np.float32).reshape(ROWS, COLUMNS, 2)
    sides = [np.linalg.norm(np.diff(rough, axis=axis), axis=2).min() for axis in (0, 1)]
    half = max(2, round(WINDOW_OF_SQUARE * float(min(sides))))
    fine = cv2.cornerSubPix(gray, np.asarray(corners, np.float32), (half, half), (-1, -1), stop)
    return np.asarray(fine, float).reshape(ROWS, COLUMNS, 2), (gray.shape[1], gray.shape[0])


def _diagonals(photo: Photo, corners: Array) -> Iterator[Diagonal]:
    grid = SQUARE_MM * np.stack(np.meshgrid(np.arange(COLUMNS), np.arange(ROWS)), axis=-1).astype(float)
    for rows, columns, (start, end) in PATCHES:
        px, mm = corners[rows, columns].reshape(-1, 2), grid[rows, columns].reshape(-1, 2)
        patch = ScaleReference("scale_card", "patch", mm, px, CORNER_SD_PX, px[:4], 1e-4, "patch")
        plane = solve_plane(patch, photo)
        if isinstance(plane, NoPlane):
            raise ValueError(plane.reason)
        length = plane.distance("diagonal", corners[start], corners[end], CORNER_SD_PX)
        yield Diagonal(length.value_mm / DIAGONAL_MM - 1, length.relative_sd)
