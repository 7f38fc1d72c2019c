"""Squares of the ChArUco photo: a few corners are the scale, every other square is measured.

Truth: OpenCV's ChArUco tutorial board, squares of 40 mm (see the real photographs' own notes). The board lies
in one plane and the scale is in that plane, so this is the in-plane case with a camera that is not known.
"""

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from features.camera import UNKNOWN_K1_SD
from features.exif import FocalPrior
from features.photo import Photo
from features.plane_solution import NoPlane, solve_plane
from features.scale.reference import ScaleReference

Array = NDArray[np.float64]
SQUARE_MM = 40.0
COLUMNS, ROWS = 4, 6  # inner corners


def board_corners(path: Path) -> tuple[NDArray[np.uint8], Array]:
    """The photo in gray and its (6, 4, 2) inner corners in pixels.

    Raises:
        ValueError: not all 24 corners were found.
    """
    gray = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    if gray is None:
        raise ValueError(f"{path} cannot be read")
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250)
    board = cv2.aruco.CharucoBoard((5, 7), SQUARE_MM, 20.0, dictionary)
    corners, ids, *_ = cv2.aruco.CharucoDetector(board).detectBoard(gray)
    if corners is None or len(corners) != COLUMNS * ROWS:
        raise ValueError("not all 24 corners of the board were found")
    ordered = np.asarray(corners, np.float32).reshape(-1, 2)[np.argsort(np.ravel(ids))]
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 60, 1e-4)
    fine = cv2.cornerSubPix(gray, np.array(ordered), (8, 8), (-1, -1), stop)
    return np.asarray(gray, np.uint8), fine.reshape(ROWS, COLUMNS, 2).astype(float)


def square_errors(path: Path, rows: slice, columns: slice) -> tuple[Array, Array]:
    """Measure every square that shares no corner with the scale patch.

    Args:
        path: the photo.
        rows, columns: inner corners that serve as the scale.

    Returns:
        Relative errors of the squares' sides (mean of four), and their stated relative standard
        uncertainties.
    """
    gray, corners = board_corners(path)
    grid = SQUARE_MM * np.stack(np.meshgrid(np.arange(COLUMNS), np.arange(ROWS)), axis=-1).astype(float)
    used_px, used_mm = corners[rows, columns].reshape(-1, 2), grid[rows, columns].reshape(-1, 2)
    reference = ScaleReference("scale_card", "patch", used_mm, used_px, 0.15, used_px[:4], 1e-4, "patch")
    height, width = gray.shape
    unknown = FocalPrior(0.8 * width, 0.25, "phone_prior", k1_sd=UNKNOWN_K1_SD)
    photo = Photo(path.name, path, np.zeros((height, width, 3), np.uint8), unknown)
    plane = solve_plane(reference, photo)
    if isinstance(plane, NoPlane):
        raise ValueError(plane.reason)
    row_used, column_used = set(range(ROWS)[rows]), set(range(COLUMNS)[columns])
    errors, uncertainties = [], []
    for r in range(ROWS - 1):
        for c in range(COLUMNS - 1):
            if {r, r + 1} & row_used and {c, c + 1} & column_used:
                continue
            ring = [corners[r, c], corners[r, c + 1], corners[r + 1, c + 1], corners[r + 1, c]]
            sides = [plane.distance("side", ring[i], ring[(i + 1) % 4], 0.15) for i in range(4)]
            errors.append(np.mean([side.value_mm for side in sides]) / SQUARE_MM - 1)
            uncertainties.append(np.mean([side.relative_sd for side in sides]))
    return np.array(errors), np.array(uncertainties)
