"""A flange's slant by its own rim, and its bolt circle by a few of its holes.

Projections are OpenCV's (cv2.projectPoints). Sizes are of ASME B16.5 Class 150 and EN 1092-1, from memory: 1-1/2 in.
has 4 holes on 98.4 mm, DN 80 has 8 on 160 mm.
"""

from pathlib import Path

import cv2
import numpy as np
import pytest

from features.camera import Camera, rotation_taking_z_to
from features.ellipse import Ellipse
from features.parts import flange_rim
from features.parts.bolt_circle import fit_equal_ring, middle_spread
from features.parts.finder import PartQuestion
from features.parts.front_on import face_frame
from features.parts.own_slant import circle_normals
from features.parts.placed import Placed
from features.parts.trace import TracedCircle
from features.photo import FocalPrior, Photo
from features.plane_pose import unscaled_pose

CAMERA = Camera.of_size(1600, 1200, 1250.0)
PHOTO = Photo("a.jpg", Path("a.jpg"), np.zeros((1200, 1600, 3), np.uint8), FocalPrior(1250.0, 0.05, "exif_35mm"))


def _rim(normal, middle=(60.0, -40.0, 700.0), radius=76.2):
    angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    flat = radius * np.stack([np.cos(angle), np.sin(angle), 0 * angle], 1)
    in_camera = flat @ rotation_taking_z_to(normal).T + np.array(middle)
    seen, _ = cv2.projectPoints(in_camera, np.zeros(3), np.zeros(3), CAMERA.matrix, None)
    return Ellipse.fit(seen.reshape(-1, 2))


@pytest.mark.parametrize("lean", [(0.5, 0.3), (-0.7, 0.1), (0.0, 0.35)])
def test_one_of_two_planes_is_the_one_the_rim_lies_in(lean):
    normal = np.array([*lean, 1.0]) / np.linalg.norm([*lean, 1.0])
    found = circle_normals(_rim(normal), CAMERA)
    off = [float(np.degrees(np.arccos(np.clip(one @ normal, -1, 1)))) for one in found]
    assert len(found) == 2
    assert min(off) < 0.05
    assert max(off) > 5.0


def test_a_rim_seen_squarely_has_one_plane():
    middle = np.array([0.0, 0.0, 700.0])
    assert len(circle_normals(_rim(np.array([0.0, 0.0, 1.0]), middle), CAMERA)) == 1


def _places(count, diameter, middle=(3.0, -2.0), turn=0.4):
    angle = turn + 2 * np.pi * np.arange(count) / count
    return np.array(middle) + diameter / 2 * np.stack([np.cos(angle), np.sin(angle)], 1)


def test_two_neighbors_of_four_tell_the_bolt_circle():
    """Their chord is the diameter times sin 45 deg, whatever is believed of the middle."""
    places = _places(4, 98.4)
    far = fit_equal_ring(places[:2], np.array([0, 1]), 4, np.full(2, 0.1), np.array([9.0, 9.0]), 50.0**2 * np.eye(2))
    assert 2 * far.radius == pytest.approx(98.4, rel=1e-4)
    assert far.places == pytest.approx(places, abs=0.02)
    chord = float(np.linalg.norm(places[0] - places[1]))
    assert 2 * far.radius * np.sin(np.pi / 4) == pytest.approx(chord, rel=1e-4)
    near = fit_equal_ring(places[:2], np.array([0, 1]), 4, np.full(2, 0.1), np.array([3.0, -2.0]), 0.01 * np.eye(2))
    assert near.radius_sd < far.radius_sd


def test_errors_are_as_large_as_told():
    """Monte Carlo: holes drilled 0.4 mm off, three of eight seen."""
    random, slots = np.random.default_rng(1), np.array([0, 1, 2])
    off, told = [], []
    for _ in range(300):
        seen = _places(8, 160.0)[slots] + random.normal(0, 0.4, (3, 2))
        ring = fit_equal_ring(
            seen, slots, 8, np.full(3, 0.4), np.array([3.0, -2.0]) + random.normal(0, 0.5, 2), 0.25 * np.eye(2)
        )
        off.append(ring.radius - 80.0)
        told.append(ring.radius_sd)
    assert 0.8 < np.mean(told) / np.std(off) < 1.4


def test_a_hole_far_from_its_place_is_left_out():
    places = _places(8, 160.0)
    places[3] += [6.0, -5.0]
    ring = fit_equal_ring(places, np.arange(8), 8, np.full(8, 0.5), np.array([3.0, -2.0]), np.eye(2))
    assert list(np.flatnonzero(ring.astray)) == [3]
    assert 2 * ring.radius == pytest.approx(160.0, rel=1e-3)


@pytest.mark.parametrize("lean", [(0.5, 0.3), (-0.9, 0.1)])
def test_a_step_moves_a_middle_aside_by_the_slope(lean):
    """A raised face of 3 mm (EN 1092-1, from memory) before a rim, projected by OpenCV into a squared-up picture."""
    normal = np.array([*lean, 1.0]) / np.linalg.norm([*lean, 1.0])
    middle, step_mm, radius_mm = np.array([60.0, -40.0, 700.0]), 3.0, 76.2
    px, _ = cv2.projectPoints(
        np.stack([middle, middle - step_mm * normal]), np.zeros(3), np.zeros(3), CAMERA.matrix, None
    )
    frame = face_frame((1200, 1600), CAMERA, normal)
    rim = Placed(frame, np.zeros(2), 1.0, True, 0.06).about(_rim(normal, middle, radius_mm).points_px())
    at_rim, before = frame.from_photo(px.reshape(-1, 2))
    told = step_mm / radius_mm * rim.radius * rim.slope(CAMERA.focal_px)
    assert before - at_rim == pytest.approx(told, rel=0.03)
    assert np.linalg.norm(told) > 0.5


def test_of_a_short_arc_of_rim_the_middle_is_hardly_known_along_its_bisector():
    """As of 100 degrees of a circle anybody finds; of a whole rim what castings leave is known."""
    angle = np.radians(np.linspace(-50, 50, 200))
    gray = np.zeros((1200, 1600), np.uint8)
    question = PartQuestion("a.jpg", gray, gray, (unscaled_pose(PHOTO),), False, False, (), {})
    frame = face_frame(gray.shape, CAMERA, np.array([0.0, 0.0, 1.0]))
    rim = Placed(frame, frame.foot, 200.0, True, 0.06)
    arc = frame.to_photo(rim.center + 200.0 * np.stack([np.cos(angle), np.sin(angle)], 1))
    whole = frame.to_photo(rim.center + 200.0 * np.stack([np.cos(3.6 * angle), np.sin(3.6 * angle)], 1))
    of_arc, of_whole = (np.sqrt(np.diag(middle_spread(question, rim, 0.08, px))) for px in (arc, whole))
    assert of_whole == pytest.approx(1.6, rel=0.2)
    assert 2.0 < of_arc[0] / of_whole[0] < 10.0
    assert of_arc[0] > 1.5 * of_arc[1]


@pytest.mark.parametrize(("lean_deg", "deep_mm", "aside_mm", "is_rim"), [
    (8.0, 1.2, 0.0, True), (40.0, 1.2, 0.0, True), (8.0, 1.2, 1.1, False), (8.0, 0.3, 0.0, True),
])  # fmt: skip
def test_the_rim_round_a_broken_edge_lies_evenly_about_its_face_or_aside_by_the_edges_depth(
    lean_deg, deep_mm, aside_mm, is_rim
):
    """A broken edge of 1.2 mm, as deep as wide or less; what touches the face's edge seen squarely is another thing."""
    lean = np.radians(lean_deg)
    normal, middle = np.array([np.sin(lean), 0.0, np.cos(lean)]), np.array([60.0, -40.0, 700.0])
    face, rim = _rim(normal, middle, 75.0), _rim(normal, middle + deep_mm * normal + [0.0, aside_mm, 0.0], 76.2)
    traced = [TracedCircle(one.points_px(90), one, 1.0, 1.0) for one in (face, rim)]
    frame = face_frame((1200, 1600), CAMERA, normal)
    placed = [Placed(frame, np.zeros(2), 1.0, True, 0.06).about(one.points_px()) for one in (face, rim)]
    both = [
        flange_rim._Candidate(one, at, weight, True) for one, at, weight in zip(traced, placed, (1.2, 1.0), strict=True)
    ]
    assert (flange_rim._outermost(both, CAMERA.focal_px) is both[1]) == is_rim
