"""How sharp a photo is, against edges blurred by a known Gaussian (OpenCV's) and photographs of a real camera."""

import cv2
import numpy as np
import pytest

from features.photo_problems import PHOTO_BLURRED
from features.sharpness import blur_problems, edge_spread_px


def scene(seed=5):
    """Gray discs over each other with edges in every direction, 1600 x 1200, drawn eight times finer than a pixel."""
    rng = np.random.default_rng(seed)
    picture = np.full((1200, 1600), 120, np.uint8)
    for _ in range(60):
        center = tuple(int(v * 256) for v in rng.uniform((0, 0), (1600, 1200)))
        radius, shade = int(rng.uniform(30, 160) * 256), int(rng.uniform(20, 235))
        cv2.circle(picture, center, radius, shade, -1, cv2.LINE_AA, shift=8)
    return picture


def noisy(picture, sd=2.0):
    noise = np.random.default_rng(7).normal(0.0, sd, picture.shape)
    return np.clip(picture + noise, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("spread_px", [2.0, 3.0, 4.0])
def test_a_known_blur_is_read_back(spread_px):
    """The sharpest tenth is judged, so a little less than the truth is read; never more."""
    read = edge_spread_px(noisy(cv2.GaussianBlur(scene(), (0, 0), spread_px)))
    assert 0.6 * spread_px < read < 1.1 * spread_px


def test_a_wide_blur_in_noise_reads_too_small_and_is_still_called_blurred():
    """Where edges are wider than noise lets one see, the number is a lower bound."""
    blurred = noisy(cv2.GaussianBlur(scene(), (0, 0), 7.0))
    assert 2.0 < edge_spread_px(blurred) < 7.7
    assert [p.kind for p in blur_problems(cv2.cvtColor(blurred, cv2.COLOR_GRAY2RGB))] == [PHOTO_BLURRED]


def test_a_moved_camera_is_noticed_across_its_movement():
    line = np.zeros((15, 15), np.float32)
    line[7] = 1 / 15
    moved = noisy(cv2.filter2D(scene(), -1, line))
    assert [problem.kind for problem in blur_problems(cv2.cvtColor(moved, cv2.COLOR_GRAY2RGB))] == [PHOTO_BLURRED]


def test_a_blurred_background_does_no_harm():
    sharp = noisy(scene())
    blurred = cv2.GaussianBlur(sharp, (0, 0), 8.0)
    blurred[300:900, 400:1200] = sharp[300:900, 400:1200]
    assert blur_problems(cv2.cvtColor(blurred, cv2.COLOR_GRAY2RGB)) == ()


def test_nothing_is_said_of_a_picture_without_edges():
    assert edge_spread_px(np.full((600, 800), 90, np.uint8)) is None


@pytest.mark.parametrize("name", ["IMG_4184.JPG", "IMG_4201.JPG", "test_9.jpg"])
def test_a_sharp_phone_photo_is_not_called_blurred_and_a_blurred_one_is(real_photos, name):
    """Photographs of coins by a phone at 12 megapixels, as they are and blurred by 8 px."""
    photo = cv2.imread(str(real_photos / "euro-coins" / name))
    assert blur_problems(photo) == ()
    assert [problem.kind for problem in blur_problems(cv2.GaussianBlur(photo, (0, 0), 8.0))] == [PHOTO_BLURRED]
