"""Rims seen at a slant whose near side was traced along their back edge; points are projected by cv2.projectPoints."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from features.circle_in_photos import circle_of_photos
from features.circle_in_space import solve_circle
from features.circle_sighting import CirclePrior, CircleSighting, rim_of
from features.measure_circles import measure_circles
from features.near_side import with_near_side
from features.parts.finder import FoundCircle
from features.photo import FocalPrior, Photo
from features.plane_pose import PlanePose, plane_poses
from features.scale.reference import ScaleReference
from features.seen_circle import SeenCircle

FOCAL, CENTER_PX, DIAMETER, THICK = 1300.0, (799.5, 599.5), 165.0, 4.0
MATRIX = np.array([[FOCAL, 0, CENTER_PX[0]], [0, FOCAL, CENTER_PX[1]], [0, 0, 1.0]])
CARD = np.array([[x * 12.0, y * 12.0, 0.0] for x in range(1, 7) for y in range(1, 5)])
MIDDLE = np.array([50.0, -40.0])


def _seen(rng, name, angle_deg, word, behind=THICK, inside=0.0):
    """A flange of DN 50 (EN 1092-1, from memory) under a card: on the side turned to the camera 4 mm too far behind.

    Or so many mm as told, and inside.
    """
    turn = np.radians([rng.normal(0, 3), angle_deg, rng.normal(0, 3)])
    rotation = cv2.Rodrigues(turn)[0]
    move = rotation @ np.array([-50.0, 40.0, 0.0]) + [0, 0, 500.0]
    turns = np.linspace(0, 2 * np.pi, 160, endpoint=False)
    around = np.column_stack([np.cos(turns), np.sin(turns)])
    eye = -rotation.T @ move
    faces_eye = around @ (eye[:2] - MIDDLE) > 0.5 * DIAMETER
    radius = 0.5 * DIAMETER - inside * faces_eye[:, None]
    rim = np.column_stack([MIDDLE + radius * around, 2.0 + behind * faces_eye])
    rim_px, card_px = (cv2.projectPoints(p, turn, move, MATRIX, np.zeros(5))[0].reshape(-1, 2) for p in (rim, CARD))
    card_px, rim_px = card_px + rng.normal(0, 0.1, card_px.shape), rim_px + rng.normal(0, 0.3, rim_px.shape)
    reference = ScaleReference("scale_card", "card", CARD[:, :2], card_px, 0.1, card_px[:4], 0.001, "print:pocket")
    prior, focal = CirclePrior(2.5, 3.5, edge_shared_px=0.3), FocalPrior(FOCAL, 0.05, "exif_35mm")
    sighting = CircleSighting(word, name, rim_px)
    solved = solve_circle(sighting, PlanePose(rotation, move, FOCAL, 0.1), reference, focal, CENTER_PX, prior)
    return SeenCircle(sighting, prior, reference, focal, CENTER_PX, solved), faces_eye


@pytest.mark.parametrize("seed", range(3))
def test_a_rim_is_told_by_its_far_sides(seed):
    """Against the same points called an opening, of which no wall shows."""
    errors = {}
    for word in ("flange_diameter", "port_bore"):
        rng = np.random.default_rng(seed)
        length = circle_of_photos([_seen(rng, "a.jpg", -32.0, word)[0], _seen(rng, "b.jpg", 6.0, word)[0]])
        assert length is not None
        errors[word] = abs(np.log(length.value_mm / DIAMETER))
    assert 1e-5 < errors["flange_diameter"] < 0.6 * errors["port_bore"]


def test_the_near_side_is_the_one_in_doubt():
    """Against the side that faces the camera, told by where the camera was put."""
    view, faces_eye = _seen(np.random.default_rng(1), "a.jpg", -30.0, "flange_diameter")
    rim = rim_of(view.sighting, view.prior)
    doubted = with_near_side(rim, view.solved, 0.004)
    before, after = (np.sqrt(np.diag(np.linalg.inv(one.whitening.T @ one.whitening))) for one in (rim, doubted))
    nearest = np.argmin(np.linalg.norm(rim.points_px[:, None] - view.sighting.points_px[None], axis=2), axis=1)
    more = np.sqrt(after**2 - before**2)
    # By the flange's thickness as it shows at 30 degrees, a few percent; elsewhere hardly more than for shadows.
    assert 0.02 < more[faces_eye[nearest]].max() < 0.15
    assert 0.001 < more[~faces_eye[nearest]].min() < 0.006
    assert rim.points_px is doubted.points_px


@pytest.mark.parametrize("aslant_deg", [-35.0, 35.0])
def test_one_photo_tells_a_flange_by_its_far_side(aslant_deg):
    """Its broken edge is traced where it is turned to the camera, a millimeter inside the rim; else the rim itself."""
    photo = Photo("a.jpg", Path("a.jpg"), np.zeros((1200, 1600, 3), np.uint8), FocalPrior(FOCAL, 0.05, "exif_35mm"))
    errors = []
    for seed in range(4):
        view, _ = _seen(np.random.default_rng(seed), "a.jpg", aslant_deg, "flange_diameter", behind=0.0, inside=1.2)
        found, poses = FoundCircle(view.sighting, 1.0, 0.3), plane_poses(view.reference, photo)
        (told,) = measure_circles(photo, [found], poses, view.reference, "flange")
        errors.append([np.log(one.length.value_mm / DIAMETER) for one in (told, view.solved)])
        assert abs(errors[-1][0]) < 1.96 * told.length.relative_sd < 0.03
    with_near_side_in_doubt, without = np.abs(np.mean(errors, axis=0))
    assert 1e-5 < with_near_side_in_doubt < 0.75 * without
