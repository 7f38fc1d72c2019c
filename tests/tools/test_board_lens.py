"""The lines of a board as the benchmark uses them, against OpenCV's camera model and plain geometry."""

import cv2
import numpy as np

from tools.bench.board_lens import crossings, lens_by_square_lines

COLUMNS, ROWS, SQUARE_MM = 9, 6, 25.0
CAMERA = np.array([[536.0, 0.0, 319.5], [0.0, 536.0, 239.5], [0.0, 0.0, 1.0]])


def _seen(distortion):
    """(6, 9, 2) corners of a leaning board by `cv2.projectPoints`."""
    grid = SQUARE_MM * np.stack(np.meshgrid(np.arange(COLUMNS), np.arange(ROWS)), axis=-1).reshape(-1, 2).astype(float)
    board = np.column_stack([grid - grid.mean(axis=0), np.zeros(len(grid))])
    turned, moved = np.array([0.5, -0.4, 0.1]), np.array([10.0, -5.0, 420.0])
    return cv2.projectPoints(board, turned, moved, CAMERA, distortion)[0].reshape(ROWS, COLUMNS, 2)


def test_corners_at_their_lines_crossings_scatter_less_and_stay_where_they_are():
    """A line through 6 or 9 points of sd s is known to about s / sqrt(6) to s / sqrt(9) in its middle."""
    true = _seen(np.zeros(5))
    assert np.abs(crossings(true) - true).max() < 1e-6
    random = np.random.default_rng(1)
    off = np.concatenate([crossings(true + 0.2 * random.standard_normal(true.shape)) - true for _ in range(50)])
    assert 0.2 / np.sqrt(9) < float(np.sqrt(np.mean(off**2))) < 0.2 / np.sqrt(2.5)


def test_a_bent_board_is_straightened_without_a_length():
    """OpenCV bends by k1 = -0.28: the lens by square lines finds it and the focal length again."""
    bent = _seen(np.array([-0.28, 0.08, 0.0, 0.0, 0.0]))
    lens = lens_by_square_lines(list(bent), list(np.swapaxes(bent, 0, 1)), (640, 480), 0.1)
    assert 1e-6 < abs(lens.focal_px / 536.0 - 1.0) < 0.02
    straight = lens.straightened(bent, (640, 480))
    assert np.abs(crossings(straight) - straight).max() < 0.05
    assert np.abs(crossings(bent) - bent).max() > 0.3
