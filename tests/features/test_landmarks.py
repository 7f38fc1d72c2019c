"""What two photos show alike, against places projected by OpenCV (cv2.projectPoints) and pictures warped by it."""

import cv2
import numpy as np
import pytest

from features import circle_in_photos
from features.camera import Camera, Cameras
from features.circle_in_photos import circle_of_photos, circles_of_photos
from features.circle_in_space import solve_circle
from features.circle_sighting import CirclePrior, CircleSighting
from features.landmarks import Landmarks, Ties, off_lines, ties_of
from features.photo import FocalPrior
from features.plane_pose import PlanePose
from features.scale.reference import ScaleReference
from features.seen_circle import SeenCircle

SIZE, FOCAL = (1600, 1200), 1300.0
CENTER_PX = ((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2)
MATRIX = np.array([[FOCAL, 0, CENTER_PX[0]], [0, FOCAL, CENTER_PX[1]], [0, 0, 1.0]])
CARD = np.array([[x * 12.0, y * 12.0, 0.0] for x in range(1, 7) for y in range(1, 5)])


def _spots(seed):
    """A plane of soft spots of all sizes, a pixel a millimeter."""
    rng = np.random.default_rng(seed)
    plane = np.full((1200, 1600), 120, np.uint8)
    for _ in range(1500):
        x, y, r = rng.integers(0, 1600), rng.integers(0, 1200), int(rng.integers(3, 14))
        cv2.ellipse(plane, (int(x), int(y)), (r, int(rng.integers(3, 14))), float(rng.uniform(0, 180)), 0, 360,
                    int(rng.integers(20, 235)), -1)  # fmt: skip
    return cv2.GaussianBlur(plane, (0, 0), 1.2)


def _camera_at(angle_deg, aside_deg=0.0):
    """Rotation and translation of a camera a meter before the middle of two planes, turned about the vertical."""
    turn = cv2.Rodrigues(np.radians([aside_deg, angle_deg, 0.5 * angle_deg]))[0]
    return turn, -turn @ np.array([800.0, 600.0, 0.0]) + [0, 0, 1000.0]


def _picture(near, far, turn, move):
    """Two planes, one 300 mm behind the other, seen by a camera: the near one hides the left half."""
    seen = []
    for plane, depth in ((far, 300.0), (near, 0.0)):
        onto = MATRIX @ np.column_stack([turn[:, 0], turn[:, 1], turn[:, 2] * depth + move])
        cover = plane.copy()
        if plane is near:
            cover[:, 800:] = 0
        seen.append(cv2.warpPerspective(cover, onto, SIZE, flags=cv2.INTER_AREA))
    return np.where(seen[1] > 0, seen[1], seen[0])


def test_ties_lie_on_the_lines_they_must_lie_on():
    """Against the fundamental matrix of the cameras the pictures were made by (Hartley and Zisserman 2003, 9.2)."""
    near, far = _spots(1), _spots(2)
    views = _camera_at(-9.0), _camera_at(9.0, 4.0)
    marks = [Landmarks.of(_picture(near, far, *view), ()) for view in views]
    # As a card tells them: each turned by a third of a degree too far.
    believed = [(Camera(FOCAL, *CENTER_PX), cv2.Rodrigues(np.radians([0.2, 0.2, 0.1]))[0] @ r, t) for r, t in views]
    ties = ties_of(*marks, (believed[0], believed[1]))
    assert ties
    assert len(ties.first_px) == 80
    (turn_a, move_a), (turn_b, move_b) = views
    turn = turn_b @ turn_a.T
    x, y, z = move_b - turn @ move_a
    inverse = np.linalg.inv(MATRIX)
    fundamental = inverse.T @ np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]]) @ turn @ inverse
    lines = cv2.computeCorrespondEpilines(ties.first_px.astype(np.float32), 1, fundamental)[:, 0]
    away = np.abs(np.sum(lines * np.column_stack([ties.second_px, np.ones(80)]), axis=1))
    assert 0.01 < np.median(away) < 0.4
    assert np.quantile(away, 0.95) < 2.0


def test_nothing_is_tied_by_what_was_hidden_or_by_other_scenes():
    near, far = _spots(1), _spots(2)
    views = _camera_at(-9.0), _camera_at(9.0)
    pictures = [_picture(near, far, *view) for view in views]
    believed = [(Camera(FOCAL, *CENTER_PX), *view) for view in views]
    half = np.array([[-10.0, -10], [900, -10], [900, 1210], [-10, 1210]])
    marks = [Landmarks.of(picture, (half,)) for picture in pictures]
    # Its written side is gone from what is kept, and near it nothing is looked for.
    assert np.ptp(marks[0].gray[:, :900]) == 0
    assert marks[0].found.places_px[:, 0].min() > 1000
    other = Landmarks.of(_picture(_spots(3), _spots(4), *views[1]), ())
    assert not ties_of(Landmarks.of(pictures[0], ()), other, (believed[0], believed[1]))


def test_a_larger_photo_has_its_landmarks_in_its_own_pixels():
    small = _picture(_spots(1), _spots(2), *_camera_at(5.0))
    large = Landmarks.of(cv2.resize(small, None, fx=2.5, fy=2.5, interpolation=cv2.INTER_CUBIC), ())
    one, other = Landmarks.of(small, ()).found, large.found
    assert large.gray.shape == small.shape
    there = (one.places_px + 0.5) * 2.5 - 0.5
    nearest = np.min(np.linalg.norm(other.places_px[:, None] - there[None, :400], axis=2), axis=0)
    assert 0 < np.median(nearest) < 1.0


def _view(rng, angle_deg, name):
    """A circle of 300 mm, 250 mm behind a card and beside it, believed 60 mm nearer, by a well-known camera."""
    turn = np.radians([rng.normal(4, 2), angle_deg, rng.normal(0, 3)])
    move = cv2.Rodrigues(turn)[0] @ np.array([-40.0, -200.0, -100.0]) + [0, 0, 900.0]
    turns = np.linspace(0, 2 * np.pi, 160, endpoint=False)
    rim = np.column_stack([40 + 150 * np.cos(turns), 300 + 150 * np.sin(turns), np.full(160, 250.0)])
    places = np.random.default_rng(9).uniform([-200, 0, 0], [300, 500, 400], (60, 3))
    rim_px, card_px, seen_px = (
        cv2.projectPoints(p, turn, move, MATRIX, np.zeros(5))[0].reshape(-1, 2) for p in (rim, CARD, places)
    )
    card_px = card_px + rng.normal(0, 0.15, card_px.shape)
    rim_px = rim_px + rng.normal(0, 0.3, rim_px.shape)
    reference = ScaleReference("scale_card", "card", CARD[:, :2], card_px, 0.15, card_px[:4], 0.001, "print:pocket")
    focal, prior = FocalPrior(FOCAL, 0.01, "exif_35mm", center_sd=0.001), CirclePrior(190.0, 60.0, edge_shared_px=0.2)
    sighting, pose = CircleSighting("port_bore", name, rim_px), PlanePose(cv2.Rodrigues(turn)[0], move, FOCAL, 0.1)
    solved = solve_circle(sighting, pose, reference, focal, CENTER_PX, prior)
    landmarks = Landmarks(np.zeros((2, 2), np.uint8), 1.0)
    return SeenCircle(sighting, prior, reference, focal, CENTER_PX, solved, landmarks), seen_px


@pytest.mark.parametrize(("shift_px", "tied"), [(0.0, True), (40.0, False)])
def test_ties_turn_the_cameras_and_what_contradicts_the_card_does_not(monkeypatch, shift_px, tied):
    """200 mm beside a card: the median error falls by half and is stated smaller; what was moved changes nothing."""
    plain, with_ties, stated = [], [], []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        (first, a_px), (second, b_px) = _view(rng, -8.0, "a.jpg"), _view(rng, 8.0, "b.jpg")
        noise = rng.normal(0, 0.5, (2, *a_px.shape))
        # Half of the places were moved between the photos.
        moved = shift_px * np.array([0.0, 1.0]) * (np.arange(len(a_px)) % 2)[:, None]
        ties = Ties(a_px + noise[0], b_px + noise[1] + moved, 1.0, 1.0)
        monkeypatch.setattr(circle_in_photos, "ties_of", lambda *_, ties=ties: ties)
        lengths = [circle_of_photos([first, second])]
        monkeypatch.setattr(circle_in_photos, "ties_of", lambda *_: ())
        lengths.append(circle_of_photos([first, second]))
        assert all(lengths)
        errors = [abs(np.log(length.value_mm / 300.0)) for length in lengths]
        with_ties.append(errors[0])
        plain.append(errors[1])
        stated.append(lengths[0].relative_sd / lengths[1].relative_sd)

    if tied:
        assert 1e-5 < np.median(with_ties) < 0.5 * np.median(plain)
        assert 0.1 < np.median(stated) < 0.9
    else:
        np.testing.assert_allclose(with_ties, plain, atol=1e-6)


def test_of_many_photos_each_is_tied_to_the_two_before_it(monkeypatch):
    """A fourth photo takes two more looks, not three, and another circle of the same photos takes none."""
    asked = []
    monkeypatch.setattr(circle_in_photos, "ties_of", lambda *pair: asked.append(pair[:2]) or ())
    rng = np.random.default_rng(1)
    views = [_view(rng, angle, f"{angle}.jpg")[0] for angle in (-8.0, 0.0, 8.0, 12.0)]
    both = {"port_bore": views, "thread_major_diameter": views}
    assert set(circles_of_photos(both)) == set(both)
    marks = [view.landmarks for view in views]
    assert asked == [(marks[i], marks[j]) for j in range(4) for i in range(max(0, j - 2), j)]


def test_two_photos_from_one_place_are_off_no_lines():
    """There are none; five millimeters aside there are, along the rows, and a pixel down is a pixel off them."""
    turn, move = _camera_at(3.0)
    places = np.random.default_rng(2).uniform([400, 300, 0], [1200, 900, 300], (20, 3))
    seen_px = cv2.projectPoints(places, turn, move, MATRIX, np.zeros(5))[0].reshape(-1, 2)
    cameras = Cameras(np.array([FOCAL]), np.array([CENTER_PX]), np.zeros(1))
    view = cameras, turn[None], move[None]
    assert np.abs(off_lines(Ties(seen_px, seen_px, 1.0, 1.0), view, view)).max() < 1e-3
    aside = np.array([5.0, 0.0, 0.0]) + move
    other_px = cv2.projectPoints(places, turn, aside, MATRIX, np.zeros(5))[0].reshape(-1, 2)
    off = off_lines(Ties(seen_px, np.array([0.0, 1.0]) + other_px, 1.0, 1.0), view, (cameras, turn[None], aside[None]))
    # Moved along the rows, a pixel down is a pixel off, shared between two photos (Sampson 1982).
    np.testing.assert_allclose(np.abs(off), np.sqrt(0.5), rtol=1e-6)
