"""Cards whose markers are too small and soft to be read are found by their squares, and nothing else is.

Truth is drawn by `features.scale.artificial`; the real chessboards are those of OpenCV's samples.
"""

import cv2
import numpy as np
import pytest

from features.scale.card_boards import LARGE, POCKET
from features.scale.card_by_squares import corners_by_squares
from features.scale.charuco_card import find_cards, read_markers

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
