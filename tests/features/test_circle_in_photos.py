"""A circle solved by two photos with the card left in place: depth is seen, not believed, and a moved card is noticed.

Points are projected by OpenCV (cv2.projectPoints), which shares no code with what is tested.
"""

import cv2
import numpy as np
import pytest

from features import circle_in_photos
from features.circle_in_photos import circle_of_photos, circles_of_photos
from features.circle_in_space import solve_circle
from features.circle_sighting import CirclePrior, CircleSighting
from features.photo import FocalPrior
from features.plane_pose import PlanePose
from features.scale.reference import ScaleReference
from features.seen_circle import SeenCircle

WIDTH, HEIGHT, FOCAL, DIAMETER = 4000, 3000, 3100.0, 300.0
GRID = np.array([[x * 12.0, y * 12.0] for x in range(1, 7) for y in range(1, 5)])
CENTER_PX = ((WIDTH - 1) / 2, (HEIGHT - 1) / 2)
RIM_CENTER = np.array([40.0, 150.0])


def _seen(rng, angle_deg, prior, depth_mm=9.0, moved_mm=0.0, name="a.jpg", circle=("chamber_diameter", DIAMETER, 160)):
    """One photo of a card at the rim, from an angle about the vertical, with noise and a focal length 4 % uncertain."""
    focal = FOCAL * np.exp(rng.normal(0, 0.04))
    matrix = np.array([[focal, 0, CENTER_PX[0]], [0, focal, CENTER_PX[1]], [0, 0, 1]])
    turn = np.array([rng.normal(0.1, 0.05), np.radians(angle_deg), rng.normal(0, 0.05)])
    move = cv2.Rodrigues(turn)[0] @ np.array([-40.0, -100.0, 0.0]) + [0, 0, rng.uniform(650, 900)]
    word, diameter, count = circle
    turns = np.linspace(0, 2 * np.pi, count, endpoint=False)
    flat = RIM_CENTER + [moved_mm, 0] + 0.5 * diameter * np.column_stack([np.cos(turns), np.sin(turns)])
    rim = np.column_stack([flat, np.full(count, depth_mm)])
    card = np.column_stack([GRID, np.zeros(len(GRID))])
    rim_px, card_px = (cv2.projectPoints(p, turn, move, matrix, np.zeros(5))[0].reshape(-1, 2) for p in (rim, card))
    card_px = card_px + rng.normal(0, 0.1, card_px.shape)
    rim_px = rim_px + rng.normal(0, 0.3, rim_px.shape)
    reference = ScaleReference("scale_card", "card", GRID, card_px, 0.1, card_px[:4], 0.001, "print:pocket")
    told = FocalPrior(FOCAL, 0.05, "exif_35mm")
    pose = PlanePose(cv2.Rodrigues(turn)[0], move, focal, 0.1)
    sighting = CircleSighting(word, name, rim_px)
    solved = solve_circle(sighting, pose, reference, told, CENTER_PX, prior)
    return SeenCircle(sighting, prior, reference, told, CENTER_PX, solved)


def test_two_directions_tell_a_depth_that_nothing_else_tells():
    """Depth believed 40 +/- 40 mm, true 9 mm: one photo is several percent off, two are right, and say how far."""
    rng, prior = np.random.default_rng(1), CirclePrior(40.0, 40.0, edge_shared_px=0.2)
    alone, errors, pulls = [], [], []
    for _ in range(10):
        pair = [_seen(rng, -12, prior), _seen(rng, 12, prior, name="b.jpg")]
        length = circle_of_photos(pair)
        assert length is not None
        assert length.photos == ("a.jpg", "b.jpg")
        alone.append(abs(pair[0].solved.length.value_mm / DIAMETER - 1))
        errors.append(abs(length.value_mm / DIAMETER - 1))
        pulls.append(np.log(length.value_mm / DIAMETER) / length.relative_sd)
    assert 1e-5 < np.median(errors) < 0.004 < np.median(alone)
    assert 0.3 < np.sqrt(np.mean(np.square(pulls))) < 1.4


def test_a_depth_that_is_not_as_usual_does_not_look_like_a_moved_card():
    """Believed 125 +/- 30 mm behind the card, true 70: from 20 degrees to each side the middles lie 40 mm apart."""
    rng, prior = np.random.default_rng(5), CirclePrior(125.0, 30.0, edge_shared_px=0.2)
    pair = [_seen(rng, way, prior, depth_mm=70.0, name=f"{way}.jpg") for way in (-20, 20)]
    assert np.linalg.norm(pair[0].solved.center_mm[:2] - pair[1].solved.center_mm[:2]) > 30.0
    length = circle_of_photos(pair)
    assert length is not None
    off = abs(np.log(length.value_mm / DIAMETER))
    assert 1e-5 < off < 0.005 < abs(np.log(pair[0].solved.length.value_mm / DIAMETER))
    assert off < 1.96 * length.relative_sd


def test_a_depth_four_standard_uncertainties_off_is_still_seen():
    """Believed 125 +/- 30 mm behind the card, true 0: a belief about pumps is no proof that the card was moved."""
    rng, prior = np.random.default_rng(6), CirclePrior(125.0, 30.0, edge_shared_px=0.2)
    pair = [_seen(rng, way, prior, depth_mm=0.0, name=f"{way}.jpg") for way in (-12, 12)]
    length = circle_of_photos(pair)
    assert length is not None
    off = abs(np.log(length.value_mm / DIAMETER))
    assert 1e-5 < off < 0.01 < 0.1 < abs(np.log(pair[0].solved.length.value_mm / DIAMETER))
    assert off < 1.96 * length.relative_sd


def test_a_belief_that_is_far_off_pulls_less(monkeypatch):
    """Believed 9 +/- 4 mm behind the card, true 25: bolts are as high as nobody believed. 12 degrees to each side."""
    prior, errors = CirclePrior(9.0, 4.0, edge_shared_px=0.2), {}
    for turns in (2, 0):
        monkeypatch.setattr(circle_in_photos, "_DEPTH_TURNS", turns)
        lengths = []
        for seed in range(8):
            rng = np.random.default_rng(seed)
            pair = [_seen(rng, way, prior, depth_mm=25.0, name=f"{way}.jpg") for way in (-12, 12)]
            lengths.append(circle_of_photos(pair))
        assert all(lengths)
        errors[turns] = np.median([abs(np.log(length.value_mm / DIAMETER)) for length in lengths])
    assert 1e-5 < errors[2] < 0.8 * errors[0] < 0.01


def test_a_card_that_was_moved_joins_nothing():
    rng, prior = np.random.default_rng(2), CirclePrior(9.0, 3.0, edge_shared_px=0.2)
    for moved_mm in (8.0, 60.0):
        pair = [_seen(rng, -12, prior), _seen(rng, 12, prior, moved_mm=moved_mm, name="b.jpg")]
        assert circle_of_photos(pair) is None


def test_one_photo_is_not_several():
    assert circle_of_photos([_seen(np.random.default_rng(3), 10, CirclePrior(9.0, 3.0))]) is None


@pytest.mark.parametrize("apart_deg", [4, 24])
def test_the_further_apart_the_surer(apart_deg):
    """Against the same photos further apart: 2 degrees to each side tell less than 20."""
    prior = CirclePrior(40.0, 40.0, edge_shared_px=0.2)
    near = circle_of_photos([_seen(np.random.default_rng(4), s * apart_deg / 2, prior, name=str(s)) for s in (-1, 1)])
    far = circle_of_photos([_seen(np.random.default_rng(4), s * 20, prior, name=str(s)) for s in (-1, 1)])
    assert near is not None
    assert far is not None
    assert 0 < far.relative_sd < near.relative_sd


def test_a_ring_of_four_holes_is_told_by_the_rim_of_its_face():
    """DN 50 of EN 1092-1 (from memory), 100 mm before the card: holes on 125 mm of a rim of 165."""
    prior = CirclePrior(-80.0, 40.0, tilt_sd_deg=4.0, edge_shared_px=0.5)
    rim, holes = ("flange_diameter", 165.0, 160), ("bolt_circle_diameter", 125.0, 4)
    alone, with_rim = [], []
    for seed in range(8):
        seen = {
            circle[0]: [
                _seen(np.random.default_rng(seed + 50 * i), way, prior, -100.0, name=f"{i}.jpg", circle=circle)
                for i, way in enumerate((-10, 12))
            ]
            for circle in (holes, rim)
        }
        one, both = circle_of_photos(seen["bolt_circle_diameter"]), circles_of_photos(seen)["bolt_circle_diameter"]
        assert one is not None
        assert both.relative_sd < one.relative_sd
        alone.append(abs(np.log(one.value_mm / 125.0)))
        with_rim.append(abs(np.log(both.value_mm / 125.0)))
    assert 1e-5 < np.median(with_rim) < 0.003
    assert np.mean(with_rim) < np.mean(alone)


def test_edges_that_fit_no_one_circle_are_believed_less():
    """One photo followed an edge 0.7 % inside the other's: all else fits, and both edges are in more doubt."""
    rng, prior = np.random.default_rng(11), CirclePrior(9.0, 3.0, edge_shared_px=0.2)
    edge = []
    for share in (1.0, 0.993):
        circle = ("chamber_diameter", share * DIAMETER, 160)
        pair = [_seen(rng, -14, prior), _seen(rng, 14, prior, name="b.jpg", circle=circle)]
        length = circle_of_photos(pair)
        assert length is not None
        edge.append(length.budget_mm()["edge"] / length.value_mm)
    assert 2e-4 < edge[0] < 0.004
    assert 1.2 < edge[1] / edge[0] < 4.0
