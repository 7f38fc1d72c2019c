"""Chessboard photos with strong distortion: a patch of 50 x 50 mm is the only reference, the far diagonal is measured.

Truth: OpenCV's sample boards, 9 x 6 inner corners 25 mm apart (a calibration setting, not a certificate). Five patches
a board. Measured twice: the lens left to its prior, and its distortion solved beforehand from the board's straight
lines (plumb lines, Brown 1971), which tell no length.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from features.camera import UNKNOWN_K1_SD, Camera
from features.exif import FocalPrior
from features.least_squares import in_turn, solve
from features.photo import Photo
from features.plane_solution import NoPlane, solve_plane
from features.scale.reference import ScaleReference

Array = NDArray[np.float64]
COLUMNS, ROWS, SQUARE_MM = 9, 6, 25.0
DIAGONAL_MM = SQUARE_MM * float(np.hypot(COLUMNS - 1, ROWS - 1))
CORNER_SD_PX = 0.15
GUESSED_FOCAL, GUESSED_FOCAL_SD = 0.8, 0.25
"""Focal length over the picture's width where nothing is known of the camera, and its relative uncertainty."""

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
    """What one photo gave: diagonals by the lens's prior and with the lens solved, and its distortion."""

    by_prior: tuple[Diagonal, ...]
    with_lens: tuple[Diagonal, ...]
    k1: float


def board_figures(path: Path) -> BoardFigures:
    """Measure the far diagonal of one photo by every patch.

    Raises:
        ValueError: the photo cannot be read or its board was not found.
    """
    corners, (width, height) = board_corners(path)
    unknown = FocalPrior(GUESSED_FOCAL * width, GUESSED_FOCAL_SD, "phone_prior", k1_sd=UNKNOWN_K1_SD)
    k1 = distortion_of_lines([*corners, *np.swapaxes(corners, 0, 1)], (width, height))
    bent = Camera.of_size(width, height, unknown.focal_px, k1)
    straight = Camera.of_size(width, height, unknown.focal_px).project(bent.rays(corners))
    corrected = FocalPrior(unknown.focal_px, GUESSED_FOCAL_SD, "phone_prior")
    photo = Photo(path.name, path, np.zeros((height, width, 3), np.uint8), unknown)
    return BoardFigures(
        tuple(_diagonals(photo, corners)),
        tuple(_diagonals(Photo(path.name, path, photo.pixels_rgb, corrected), straight)),
        k1,
    )


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
    fine = cv2.cornerSubPix(gray, np.asarray(corners, np.float32), (5, 5), (-1, -1), stop)
    return np.asarray(fine, float).reshape(ROWS, COLUMNS, 2), (gray.shape[1], gray.shape[0])


def distortion_of_lines(lines: Sequence[Array], size_px: tuple[int, int]) -> float:
    """k1 that makes lines straight, for a camera of the guessed focal length.

    Args:
        lines: (N, 2) pixels each, points of one straight line of the world.
        size_px: width and height of the picture.
    """
    width, height = size_px

    def residuals(x: Array) -> dict[str, Array]:
        camera = Camera.of_size(width, height, GUESSED_FOCAL * width, float(x[0]))
        off = []
        for line in lines:
            straightened = camera.rays(line)[:, :2] * camera.focal_px
            away = straightened - straightened.mean(axis=0)
            off.append(away @ np.linalg.svd(away, full_matrices=False)[2][1] / CORNER_SD_PX)
        # The sign of a singular vector is arbitrary: squares are compared, so absolute values do.
        return {"straight": np.abs(np.concatenate(off)), "lens": x / 1.0}

    return float(solve(in_turn(residuals), np.zeros(1), np.array([1e-5])).x[0])


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
