"""Smaller pictures: their pixels are means of the larger ones', and lie where the way to and fro says."""

import gc

import cv2
import numpy as np

from features import reduced
from features.edges import scan_edges
from features.reduced import from_halved, halved, halvings_of, in_halved, matrix_from_halved


def test_pixels_are_means_of_two_by_two_and_an_odd_row_is_left_out() -> None:
    picture = np.random.default_rng(0).integers(0, 256, (9, 12)).astype(np.uint8)
    wanted = picture[:8].astype(float).reshape(4, 2, 6, 2).mean(axis=(1, 3))
    assert np.abs(halved(picture, 1) - wanted).max() <= 0.5
    assert halved(picture, 0) is picture
    assert halved(picture, 2).shape == (2, 3)


def test_an_edge_found_in_the_halved_picture_lies_where_it_lies_in_the_photo() -> None:
    # The disc is OpenCV's, drawn at 16 times the size and averaged: its edge is known to a thirtieth of a pixel.
    large = np.full((16 * 240, 16 * 240), 200, np.uint8)
    cv2.circle(large, (16 * 120 + 7, 16 * 120 + 7), 16 * 80, 40, -1)
    photo = cv2.resize(large, (240, 240), interpolation=cv2.INTER_AREA)
    angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    outward = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    rim = 120.0 + 80.0 * outward
    for times in (0, 1, 2):
        edges = scan_edges(halved(photo, times), in_halved(rim, times), outward, 8.0 / 2**times, 1.0)
        radius = np.linalg.norm(from_halved(edges.points_px, times) - 120.0, axis=1)
        assert abs(radius.mean() - 80.0) < 0.06 * 2**times  # a bent edge is met further in the more it is smoothed


def test_smaller_pictures_are_made_once_and_forgotten_with_the_picture() -> None:
    picture = np.zeros((64, 64), np.uint8)
    key = id(picture)
    assert halved(picture, 1) is halved(picture, 1)
    assert key in reduced._HALVES
    del picture
    gc.collect()
    assert key not in reduced._HALVES


def test_photos_of_phones_are_halved_and_those_sent_by_messages_are_not() -> None:
    # Sizes that phones write: 12 and 48 megapixels; messaging apps send long sides of 1280 to 2048 (common practice).
    assert [halvings_of(shape) for shape in ((3024, 4032), (6048, 8064), (1200, 1600), (2048, 1536))] == [1, 2, 0, 0]


def test_the_matrix_of_the_way_back_is_the_way_back() -> None:
    points = np.array([[0.0, 0.0], [3.5, 10.0]])
    lifted = np.column_stack([points, np.ones(2)]) @ matrix_from_halved(2).T
    assert np.allclose(lifted[:, :2], from_halved(points, 2))
