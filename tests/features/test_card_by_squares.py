"""Cards whose markers are too small and soft to be read are found by their squares, and nothing else is.

Truth is drawn by `features.scale.artificial`; the real chessboards are those of OpenCV's samples.
"""

import time

import cv2
import numpy as np
import pytest

from features.scale.card_boards import LARGE, POCKET
from features.scale.card_by_squares import corners_by_squares
from features.scale.charuco_card import find_cards
from features.scale.marker_reading import read_in_turn, read_markers

from .test_scale_card import _focal, _scene


@pytest.mark.parametrize(("card", "distance_mm"), [(POCKET, 850.0), (LARGE, 2500.0)], ids=["pocket", "large"])
@pytest.mark.parametrize("roll_deg", [20, 110, 200])
def test_a_card_of_unreadable_markers_is_measured_and_told_from_the_other(card, distance_mm, roll_deg):
    """Squares of 15 px: beside the drawn corners within a seventh of a pixel, none of OpenCV's markers read."""
    gray, truth = _scene(card=card, distance_mm=distance_mm, blur_px=1.5, tilt_deg=20, roll_deg=roll_deg, noise=0.02)
    assert not read_markers(gray, 1.0)
    found = corners_by_squares(gray)
    assert found is not None
    assert found.card is card
    # The pattern looks the same turned by half: the print about the corners says which way round it lies.
    assert 0.005 < float(np.sqrt(np.mean((found.px - truth[found.ids]) ** 2))) < 0.15
    assert [r.label for r in find_cards(gray, _focal(gray)).references] == [f"{card.size} scale card"]


def test_real_chessboards_are_no_cards(real_photos):
    for path in sorted((real_photos / "opencv-chessboard").glob("left*.jpg")):
        gray = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        assert gray is not None
        assert corners_by_squares(np.asarray(gray, np.uint8)) is None, path.name


@pytest.mark.parametrize(
    ("distance_mm", "tilt_deg", "roll_deg"),
    [(500.0, 64, 0), (500.0, 64, 25), (600.0, 60, 25), (420.0, 70, 25)],
)
def test_a_card_seen_as_flatly_as_on_a_floor_is_measured(distance_mm, tilt_deg, roll_deg):
    """Squares a third to half as high as wide, none of OpenCV's markers read."""
    gray, truth = _scene(distance_mm=distance_mm, blur_px=1.3, tilt_deg=tilt_deg, roll_deg=roll_deg, noise=0.02)
    assert not read_markers(gray, 1.0)
    found = corners_by_squares(gray)
    assert found is not None
    assert found.card is POCKET
    assert 0.005 < float(np.sqrt(np.mean((found.px - truth[found.ids]) ** 2))) < 0.15


def test_a_card_under_a_hose_is_measured_by_what_is_seen_on_both_sides():
    """A band hides a third of the pattern; no corner under it is claimed, those beside it lie where they were drawn."""
    gray, truth = _scene(distance_mm=650.0, blur_px=1.3, tilt_deg=55, roll_deg=5, noise=0.02)
    middle, across = truth.mean(axis=0), truth[23] - truth[0]
    ends = [(middle + k * np.array([across[1], -across[0]])).astype(int).tolist() for k in (-3, 3)]
    hidden = cv2.line(np.zeros_like(gray), *ends, 1, int(0.28 * np.linalg.norm(across)))
    under = hidden[tuple(np.rint(truth).astype(int).T[::-1])] > 0
    assert 5 < under.sum() < 12
    seen = np.where(hidden > 0, np.uint8(90), gray)
    found = corners_by_squares(np.asarray(seen, np.uint8))
    assert found is not None
    assert found.card is POCKET
    assert len(found.ids) >= 10
    assert not under[found.ids].any()
    assert 0.005 < float(np.sqrt(np.mean((found.px - truth[found.ids]) ** 2))) < 0.25


@pytest.mark.parametrize(
    ("distance_mm", "blur_px", "pose"),
    [
        (450.0, 4.0, {"tilt_deg": 35, "roll_deg": 30}),
        (600.0, 2.4, {"tilt_deg": 66, "roll_deg": 60, "tilt_axis_deg": 40}),
        (520.0, 1.5, {"tilt_deg": 72, "roll_deg": 20, "tilt_axis_deg": 80}),
    ],
    ids=["out of focus", "soft and slanted across", "narrow"],
)
def test_a_soft_card_is_measured_with_the_doubt_that_it_deserves(distance_mm, blur_px, pose):
    """Blur of a seventh of a square, squares seen as lozenges: the corners scatter by about what is stated."""
    gray, truth = _scene(distance_mm=distance_mm, blur_px=blur_px, noise=0.02, **pose)
    (reference,) = find_cards(gray, _focal(gray)).references
    assert len(reference.points_mm) >= 20
    ids = [int(np.argmin(((POCKET.corners_mm - mm) ** 2).sum(1))) for mm in reference.points_mm]
    rms = float(np.sqrt(np.mean((reference.points_px - truth[ids]) ** 2)))
    assert 0.005 < rms < 0.6
    assert 0.5 < reference.point_sd_px / rms < 3.0


@pytest.mark.parametrize(("distance_mm", "blur_px", "tilt_deg"), [(130.0, 12.0, 55), (150.0, 10.0, 60)])
def test_a_card_near_the_lens_and_out_of_focus_is_measured(distance_mm, blur_px, tilt_deg):
    """Squares of 100 px and more, softer than any marker can be read: a card on the floor before a pump in focus."""
    gray, truth = _scene(distance_mm=distance_mm, blur_px=blur_px, tilt_deg=tilt_deg, roll_deg=20, noise=0.02)
    assert not any(read_in_turn(gray))
    (reference,) = find_cards(gray, _focal(gray)).references
    ids = [int(np.argmin(((POCKET.corners_mm - mm) ** 2).sum(1))) for mm in reference.points_mm]
    assert len(ids) >= 20
    assert 0.02 < float(np.sqrt(np.mean((reference.points_px - truth[ids]) ** 2))) < 0.5


def test_a_card_whose_corner_alone_is_seen_is_measured_with_more_doubt():
    """Nine of its corners, none of OpenCV's markers read: they span a quarter of it, and the scale is less sure."""
    gray, truth = _scene(distance_mm=650.0, blur_px=1.5, tilt_deg=50, roll_deg=10, noise=0.02)
    whole = _scale_and_sd(find_cards(gray, _focal(gray)).references[0])
    edge = truth[[2, 3, 14, 15]].mean(axis=0)
    gray[:, int(edge[0]) :] = 100
    assert not read_markers(gray, 1.0)
    (reference,) = find_cards(gray, _focal(gray)).references
    assert 8 <= len(reference.points_mm) <= 12
    scale, sd = _scale_and_sd(reference)
    assert sd > 1.5 * whole[1]
    assert 0.0 < abs(scale - _scale_and_sd(reference, truth)[0]) < 3 * sd


def test_boards_of_other_dictionaries_and_plain_ones_are_no_cards():
    """OpenCV's own boards of the same 7 by 5 squares, as soft as a card that is still told."""
    gray, _ = _scene(distance_mm=850.0, blur_px=1.5, tilt_deg=20, roll_deg=20, noise=0.02)
    assert corners_by_squares(gray) is not None
    for name in (cv2.aruco.DICT_6X6_250, cv2.aruco.DICT_4X4_50, cv2.aruco.DICT_5X5_1000, None):
        assert corners_by_squares(_foreign_board(name)) is None


def test_a_floor_of_thousands_of_squares_is_given_up_soon():
    """Without bounds on what is tried such a picture took minutes."""
    y, x = np.indices((900, 1200))
    start = time.process_time()
    for dark in ((x // 9 + y // 9) % 2 == 0, np.hypot(x % 11 - 5, y % 11 - 5) < 4):
        assert corners_by_squares(np.where(dark, np.uint8(20), np.uint8(200))) is None
    assert time.process_time() - start < 15.0


def _foreign_board(dictionary: int | None):
    """OpenCV's board of a dictionary, ids from 40 on, or its plain chessboard, as soft and small as the card above."""
    board = cv2.aruco.CharucoBoard(
        (7, 5), 12.0, 9.0, cv2.aruco.getPredefinedDictionary(dictionary or cv2.aruco.DICT_5X5_100),
        np.arange(30, 47),
    )  # fmt: skip
    print_px = board.generateImage((7 * 16, 5 * 16), marginSize=0)
    if dictionary is None:
        x, y = np.indices((5 * 16, 7 * 16)) // 16
        print_px = np.where((x + y) % 2, 255, 0)
    picture = np.full((600, 800), 140.0)
    picture[180:340, 280:472] = 235.0
    picture[220:300, 320:432] = 40.0 + 195.0 / 255.0 * print_px
    soft = cv2.GaussianBlur(picture, (0, 0), 1.5)
    return np.asarray(np.clip(soft + np.random.default_rng(1).normal(0, 2, soft.shape), 0, 255), np.uint8)


def _scale_and_sd(reference, px=None):
    """Logarithm of the homography's px/mm at the points' middle, by OpenCV, and its scatter by redrawn points."""
    mm = reference.points_mm
    ids = [int(np.argmin(((POCKET.corners_mm - one) ** 2).sum(1))) for one in mm]
    px = reference.points_px if px is None else px[ids]
    random = np.random.default_rng(0)
    redrawn = [_log_scale(mm, px + reference.point_sd_px * random.standard_normal(px.shape)) for _ in range(200)]
    return _log_scale(mm, px), float(np.std(redrawn))


def _log_scale(mm, px):
    step = mm.mean(axis=0) + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    at = cv2.perspectiveTransform(step[None], cv2.findHomography(mm, px)[0])[0]
    return 0.5 * float(np.log(abs(np.linalg.det(at[1:] - at[0]))))
