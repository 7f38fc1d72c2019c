"""Two clicked points become a scale with an honest uncertainty, and a card's print becomes unreadable."""

import cv2
import numpy as np
import pytest

from features.problems import Problem
from features.scale.points import CLICK_SD_PX, reference_from_points
from features.scale.privacy import blur_inside
from features.scale.reference import ScaleReference

SHAPE = (1000, 2000)


def test_two_points_carry_their_length():
    reference = reference_from_points(((100.0, 200.0), (400.0, 600.0)), 250.0, SHAPE)
    assert isinstance(reference, ScaleReference)
    assert np.linalg.norm(reference.points_mm[1] - reference.points_mm[0]) == pytest.approx(250.0)
    assert np.linalg.norm(reference.points_px[1] - reference.points_px[0]) == pytest.approx(500.0)
    assert reference.size_relative_sd == pytest.approx(0.5 / 250)
    assert reference.point_sd_px == CLICK_SD_PX


def test_the_flats_of_a_head_are_as_sure_as_its_standards_agree():
    """ISO 4014 and DIN 931 have 16 and 17 mm for M10: 3 % of it, which every photo of such heads shares."""
    head = reference_from_points(((100.0, 200.0), (130.0, 240.0)), 16.5, SHAPE, "M10")
    again = reference_from_points(((400.0, 200.0), (430.0, 240.0)), 16.5, SHAPE, "M10")
    assert isinstance(head, ScaleReference)
    assert isinstance(again, ScaleReference)
    assert 0.03 < head.size_relative_sd < 0.035
    assert head.size_source == again.size_source != "reading:points"
    assert head.label == "across the flats of M10, 16.5 mm"


@pytest.mark.parametrize(
    ("points", "length"),
    [
        (((100, 100), (100, 100)), 50.0),
        (((100, 100), (110, 100)), 50.0),
        (((100, 100), (900, 100)), 0.0),
        (((100, 100), (900, 100)), -5.0),
        (((100, 100), (900, 100)), float("nan")),
        (((100, 100), (2500, 100)), 50.0),
        (((-30, 100), (900, 100)), 50.0),
    ],
)
def test_points_that_cannot_be_a_scale_are_refused_in_words(points, length):
    refused = reference_from_points(points, length, SHAPE)
    assert isinstance(refused, Problem)
    assert refused.kind.code == "points_unusable"
    assert refused.detail


def _card_with_number():
    picture = np.full((400, 700, 3), 200, np.uint8)
    cv2.rectangle(picture, (100, 80), (600, 380), (40, 70, 160), -1)
    for row in range(3):
        cv2.putText(picture, "4929 1234 5678", (120, 160 + 80 * row), cv2.FONT_HERSHEY_SIMPLEX, 1.5, (255,) * 3, 3)
    return picture, np.array([[100, 80], [600, 80], [600, 380], [100, 380]], float)


def test_a_card_number_cannot_be_brought_back():
    """The strokes of the digits are gone at every scale of sharpening, and the rest of the picture is untouched."""
    picture, outline = _card_with_number()
    blurred = blur_inside(picture, outline)
    before, after = picture[100:360, 120:580], blurred[100:360, 120:580]
    fine = lambda p: float(cv2.Laplacian(cv2.cvtColor(p, cv2.COLOR_RGB2GRAY), cv2.CV_32F).std())  # noqa: E731
    assert fine(after) < 0.04 * fine(before)
    sharpened = cv2.addWeighted(after, 6.0, cv2.GaussianBlur(after, (0, 0), 8), -5.0, 0)
    stroke = before[..., 0] > 230
    seen = sharpened[..., 0][stroke].mean() - sharpened[..., 0][~stroke].mean()
    assert abs(seen) < 0.2 * (before[..., 0][stroke].mean() - before[..., 0][~stroke].mean())
    assert np.array_equal(picture[:70], blurred[:70])
    assert np.array_equal(picture[:, :90], blurred[:, :90])


def test_an_outline_beyond_the_picture_is_cut():
    picture, outline = _card_with_number()
    assert np.array_equal(blur_inside(picture, outline + 5000), picture)
    half = blur_inside(picture, outline - [300, 0])
    assert half.shape == picture.shape
    assert not np.array_equal(half, picture)
