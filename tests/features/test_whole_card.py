"""A bank card one of whose sides hardly shows is fitted as a whole, where a told place or its own shape says so.

Sizes: ISO/IEC 7810 ID-1 (85.60 x 53.98 mm, corner radius 3.18 mm); a business card of 85 x 55 mm (common practice).
"""

import cv2
import numpy as np
import pytest

from features.scale.bank_card import find_bank_cards, match_card
from features.scale.card_corners import HEIGHT_MM, RADIUS_MM, WIDTH_MM
from features.scale.known_rectangle import fit_known_rectangle
from features.scale.side_look import SidesSeen
from features.scale.told_card import find_told_cards
from features.scale.whole_card import fit_whole_card
from tests.features.test_told_card import FOCAL, POSES, SIZE, off_px, rough_sight, taped

SHAPE = (SIZE[1], SIZE[0])
SQUARE_ON = {"distance_mm": 300, "tilt_deg": 8, "tilt_axis_deg": 30, "roll_deg": 15}


def hose_over(pixels, corners, side, start, end, wide=0.07):
    """A picture (H, W, 3) with a dark hose along a side from one share of it to another, half of it on the card."""
    a, b = corners[side], corners[(side + 1) % 4]
    thickness = int(wide * np.linalg.norm(corners[0] - corners[2]))
    ends = [tuple(int(v) for v in np.rint(a + u * (b - a))) for u in (start, end)]
    return cv2.line(pixels.copy(), ends[0], ends[1], (48, 44, 52), thickness, cv2.LINE_AA)


@pytest.mark.parametrize("pose", [SQUARE_ON, *POSES[:2]])
@pytest.mark.parametrize("side", [0, 1])
def test_a_card_with_a_hose_along_a_side_is_found_in_the_place_told(pose, side):
    """Most of a side is hidden, and the hose's edges run along it: alone it is measured wrong, or not."""
    pixels, truth = taped((WIDTH_MM, HEIGHT_MM), RADIUS_MM, pose, ())
    pixels = hose_over(pixels, truth, side, 0.17, 0.66)
    (reference,) = find_told_cards(pixels, FOCAL, rough_sight(truth)).references
    off = off_px(reference.points_px, truth)
    assert 0.001 < off < 2.0
    assert off < 4 * reference.point_sd_px


def test_a_whole_card_is_told_as_a_standard_pose_solver_tells_it():
    """From a rough outline 2 % off: as near to the true corners as the known size fitted to true ones leaves room."""
    for seed, pose in enumerate(POSES):
        pixels, truth = taped((WIDTH_MM, HEIGHT_MM), RADIUS_MM, pose, (), seed)
        size = float(np.linalg.norm(truth[0] - truth[2]))
        rough = truth + np.random.default_rng(seed).normal(0, 0.012 * size, (4, 2))
        card = fit_whole_card(SidesSeen(pixels), rough, (WIDTH_MM, HEIGHT_MM), FOCAL, SHAPE)
        ideal = fit_known_rectangle(truth, 0.3, (WIDTH_MM, HEIGHT_MM), FOCAL, SHAPE)
        assert card is not None
        assert ideal is not None
        assert off_px(card.rectangle.corners_px, truth) < 0.8
        assert abs(card.fit.tilt_deg - ideal.tilt_deg) < 2.0
        assert abs(card.fit.ratio_off) < 3 * card.fit.ratio_sd + 0.003
        assert min(side.support for side in card.rectangle.sides) > 0.9


def test_a_card_of_another_shape_asks_for_its_own_ratio():
    """A business card is 2.6 % off in its ratio of sides; square on the edges tell so, whatever size is fitted."""
    pixels, truth = taped((85.0, 55.0), 0, SQUARE_ON, ())
    card = fit_whole_card(SidesSeen(pixels), truth, (WIDTH_MM, HEIGHT_MM), FOCAL, SHAPE)
    assert card is not None
    expected = np.log((85.0 / 55.0) / (WIDTH_MM / HEIGHT_MM))
    assert card.fit.ratio_off == pytest.approx(expected, abs=0.006)


def test_a_card_too_aslant_for_its_shape_alone_is_taken_where_it_looks_like_a_reference():
    """Its ratio of sides is told to more than 2 %: refused by its shape, taken where somebody knows it by its looks."""
    pose = {"distance_mm": 420, "tilt_deg": 57, "tilt_axis_deg": 20, "roll_deg": 40}
    pixels, truth = taped((WIDTH_MM, HEIGHT_MM), RADIUS_MM, pose, ())
    alone = find_bank_cards(pixels, FOCAL)
    assert alone.references == ()
    assert len(alone.outlines_px) == 1
    elsewhere = rough_sight(truth - np.array([40.0, 0.0]))
    sight = type(elsewhere)(rough_sight(truth).filled, ())
    (reference,) = find_told_cards(pixels, FOCAL, sight, alone.outlines_px).references
    assert off_px(reference.points_px, truth) < 4 * reference.point_sd_px
    nothing_there = type(elsewhere)(lambda _outline_px: 0.0, ())
    assert find_told_cards(pixels, FOCAL, nothing_there, alone.outlines_px).references == ()


def test_by_its_shape_alone_a_card_is_not_fitted_as_a_whole():
    """A side that is mostly hidden is asked for where nobody knows the thing by its looks."""
    pixels, truth = taped((WIDTH_MM, HEIGHT_MM), RADIUS_MM, SQUARE_ON, ())
    pixels = hose_over(pixels, truth, 0, 0.05, 0.95)
    assert match_card(pixels, truth, FOCAL) is None
