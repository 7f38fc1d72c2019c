"""A part map drawn to the picture's own edges: against borders that are drawn by OpenCV, and a plain guided filter."""

import cv2
import numpy as np
import pytest

from features.parts.sharper_maps import LEAST_SPREAD, REACH_CELLS, sharpened

SIDE = 96


def _disk(radius: float, side: int = SIDE) -> np.ndarray:
    y, x = np.mgrid[:side, :side]
    return np.asarray((x - 47.5) ** 2 + (y - 47.5) ** 2 < radius**2)


def _picture(disk: np.ndarray, noise: float = 3.0) -> np.ndarray:
    rng = np.random.default_rng(5)
    colors = np.where(disk[..., None], [190, 120, 60], [90, 110, 150])
    return np.clip(colors + rng.normal(0, noise, colors.shape), 0, 255).astype(np.uint8)


def _told(disk: np.ndarray) -> np.ndarray:
    """Shares of two parts as a model gives them: cells of two pixels, drawn softly."""
    share = cv2.GaussianBlur(disk.astype(np.float32), (0, 0), 1.5)
    cells = cv2.resize(share, (disk.shape[1] // 2, disk.shape[0] // 2), interpolation=cv2.INTER_AREA)
    return np.stack([1 - cells, cells])


def _wrong(shares: np.ndarray, disk: np.ndarray) -> int:
    return int(((shares[1] > 0.5) != disk).sum())


@pytest.mark.parametrize("radius", [20.0, 31.3])
def test_a_border_drawn_aside_goes_to_where_the_color_changes(radius: float) -> None:
    """The model draws the disk a pixel too large: most of the ring between is given back."""
    disk = _disk(radius)
    told = _told(_disk(radius + 1.0))
    plain = np.stack([cv2.resize(share, (SIDE, SIDE)) for share in told])
    assert _wrong(sharpened(told, _picture(disk)), disk) < 0.35 * _wrong(plain, disk)


def test_without_a_change_of_color_the_border_stays() -> None:
    """On one even color no pixel can tell a border: it stays where the model drew it."""
    disk = _disk(25.0)
    told = _told(disk)
    plain = np.stack([cv2.resize(share, (SIDE, SIDE)) for share in told])
    even = np.full((SIDE, SIDE, 3), 120, np.uint8)
    assert _wrong(sharpened(told, even), disk) <= _wrong(plain, disk) + 2 * SIDE // 10


def test_shares_stay_shares_and_the_picture_may_end_within_a_cell() -> None:
    disk = _disk(30.0)
    shares = sharpened(_told(disk), _picture(disk)[:95, :93])
    assert shares.shape == (2, 95, 93)
    assert shares.min() >= 0
    assert shares.max() <= 1
    assert np.allclose(shares.sum(axis=0), 1, atol=0.02)


def test_it_is_the_guided_filter_as_it_was_published() -> None:
    """He, Sun and Tang 2013, equations 5, 6 and 8 (color guide), solved square by square by numpy, one cell a pixel."""
    disk = _disk(9.0, 24 * 4)[32:64, 32:64]
    picture = _picture(disk, noise=12.0)
    share = cv2.GaussianBlur(disk.astype(np.float32), (0, 0), 1.0)
    guide, reach = picture.astype(float) / 255, REACH_CELLS
    slopes, rests = np.zeros((32, 32, 3)), np.zeros((32, 32))
    for y in range(reach, 32 - reach):
        for x in range(reach, 32 - reach):
            square = (slice(y - reach, y + reach + 1), slice(x - reach, x + reach + 1))
            colors, values = guide[square].reshape(-1, 3), share[square].ravel()
            spread = np.cov(colors.T, bias=True) + LEAST_SPREAD**2 * np.eye(3)
            common = ((colors - colors.mean(0)) * (values - values.mean())[:, None]).mean(0)
            slopes[y, x] = np.linalg.solve(spread, common)
            rests[y, x] = values.mean() - slopes[y, x] @ colors.mean(0)
    told = sharpened(np.stack([1 - share, share]), picture)[1]
    for y, x in ((10, 12), (16, 16), (7, 20), (22, 9)):
        square = (slice(y - reach, y + reach + 1), slice(x - reach, x + reach + 1))
        expected = slopes[square].reshape(-1, 3).mean(0) @ guide[y, x] + rests[square].mean()
        assert told[y, x] == pytest.approx(np.clip(expected, 0, 1), abs=2e-3)
