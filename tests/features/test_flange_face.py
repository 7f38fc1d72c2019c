"""A flange's slant by its own rim, and its bolt circle by a few of its holes.

Projections are OpenCV's (cv2.projectPoints). Sizes are of ASME B16.5 Class 150 and EN 1092-1, from memory: 1-1/2 in.
has 4 holes on 98.4 mm, DN 80 has 8 on 160 mm.
"""

import cv2
import numpy as np
import pytest

from features.camera import Camera, rotation_taking_z_to
from features.ellipse import Ellipse
from features.parts.bolt_circle import fit_equal_ring
from features.parts.own_slant import circle_normals

CAMERA = Camera.of_size(1600, 1200, 1250.0)


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
    far = fit_equal_ring(places[:2], np.array([0, 1]), 4, np.full(2, 0.1), np.array([9.0, 9.0]), 50.0)
    assert 2 * far.radius == pytest.approx(98.4, rel=1e-4)
    assert far.places == pytest.approx(places, abs=0.02)
    chord = float(np.linalg.norm(places[0] - places[1]))
    assert 2 * far.radius * np.sin(np.pi / 4) == pytest.approx(chord, rel=1e-4)
    near = fit_equal_ring(places[:2], np.array([0, 1]), 4, np.full(2, 0.1), np.array([3.0, -2.0]), 0.1)
    assert near.radius_sd < far.radius_sd


def test_errors_are_as_large_as_told():
    """Monte Carlo: holes drilled 0.4 mm off, three of eight seen."""
    random, slots = np.random.default_rng(1), np.array([0, 1, 2])
    off, told = [], []
    for _ in range(300):
        seen = _places(8, 160.0)[slots] + random.normal(0, 0.4, (3, 2))
        ring = fit_equal_ring(seen, slots, 8, np.full(3, 0.4), np.array([3.0, -2.0]) + random.normal(0, 0.5, 2), 0.5)
        off.append(ring.radius - 80.0)
        told.append(ring.radius_sd)
    assert 0.8 < np.mean(told) / np.std(off) < 1.4


def test_a_hole_far_from_its_place_is_left_out():
    places = _places(8, 160.0)
    places[3] += [6.0, -5.0]
    ring = fit_equal_ring(places, np.arange(8), 8, np.full(8, 0.5), np.array([3.0, -2.0]), 1.0)
    assert list(np.flatnonzero(ring.astray)) == [3]
    assert 2 * ring.radius == pytest.approx(160.0, rel=1e-3)
