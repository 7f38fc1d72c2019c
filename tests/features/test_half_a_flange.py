"""A flange of which a card and the picture's border leave two arcs is found by them under the card's slant.

Pictures are drawn by OpenCV (cv2.circle); the flange is a plain disc.
"""

import cv2
import numpy as np
import pytest

from features.parts.concentric import edge_field, support_profile
from features.parts.finder import PartQuestion
from features.parts.flange_rim import trace_flange
from features.parts.front_on import FrontOn
from features.parts.part_maps import RoundPart
from features.parts.part_model import PartMaps, Window
from features.parts.part_vocabulary import PART_CLASSES
from features.plane_pose import PlanePose

SIZE, RADIUS = 512, 180.0
MIDDLE = np.array([256.0, -40.0])
CARD = np.array([[170.0, -90.0], [342.0, -90.0], [342.0, 260.0], [170.0, 260.0]])
"""With its margin it hides 70 degrees of the rim, the border 206: a fifth is in view."""


def _picture():
    picture = np.full((SIZE, SIZE), 110, np.uint8)
    cv2.circle(picture, tuple(round(float(v) * 16) for v in MIDDLE), round(RADIUS * 16), 170, -1, cv2.LINE_AA, 4)
    cv2.fillPoly(picture, [CARD.astype(np.int32)], 235)
    soft = cv2.GaussianBlur(picture, (0, 0), 1.0) + np.random.default_rng(0).normal(0, 3, picture.shape)
    return np.asarray(np.clip(soft, 0, 255), np.uint8)


def _nothing_seen():
    shares = np.full((len(PART_CLASSES), SIZE, SIZE), 1.0 / len(PART_CLASSES), np.float32)
    nothing = np.zeros((1, SIZE, SIZE), np.float32)
    return PartMaps(Window(0.0, 0.0, 1.0, SIZE, SIZE), shares, nothing, nothing, nothing, {}, cell_px=1)


@pytest.mark.parametrize("told", [0.85, 1.0])
def test_two_arcs_tell_a_flange_where_a_card_tells_its_slant(told):
    gray = _picture()
    pose = PlanePose(np.eye(3), np.array([0.0, 0.0, 1000.0]), 1000.0, 0.0)
    rgb = np.repeat(gray[..., None], 3, axis=2)
    question = PartQuestion("a.jpg", rgb, gray, (pose,), True, True, (), {}, (CARD,))
    part = RoundPart("flange", 0.9, MIDDLE + np.array([0.0, 10.0]), told * RADIUS * np.eye(2))
    found = trace_flange(question, (part,), _nothing_seen())
    assert found.is_traced
    assert 0.15 < found.circle.coverage < 0.25
    away = np.linalg.norm(found.circle.sighting.points_px - MIDDLE, axis=1)
    assert 0.05 < np.abs(away - RADIUS).max() < 1.5


def test_of_a_circle_only_what_is_in_view_is_asked_for_its_edge():
    """A fifth of the rim in view is all of its edge that can be; no other circle has nearly as much."""
    picture = _picture()
    hidden = cv2.fillPoly(np.zeros(picture.shape, np.uint8), [CARD.astype(np.int32)], 1)
    valid = cv2.dilate(hidden, np.ones((15, 15), np.uint8)) == 0
    field = edge_field(FrontOn(picture, valid, np.eye(3), 1.0, 0.0, np.full(2, SIZE / 2)))
    of_all, of_seen = (support_profile(field, MIDDLE, 300.0, seen) for seen in (None, valid))
    assert 0.1 < of_all[round(RADIUS)] < 0.3
    assert 0.4 < of_seen[round(RADIUS)] <= 1.0
    assert abs(int(np.argmax(of_seen)) - RADIUS) < 2
    assert np.delete(of_seen, np.arange(170, 190)).max() < 0.3
