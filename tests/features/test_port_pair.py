"""Port spacing by two like flanges; their rims are circles in space projected by OpenCV's `projectPoints`."""

import cv2
import numpy as np
import pytest

from features.camera import Camera
from features.circle_in_space import solve_circle
from features.circle_sighting import CirclePrior, CircleSighting
from features.parts.finder import FoundCircle
from features.photo import FocalPrior
from features.plane_pose import poses_of_points
from features.port_pair import spacing_of_pair
from features.scale.reference import ScaleReference

FOCAL, CENTER = 1500.0, (799.5, 599.5)
MATRIX = np.array([[FOCAL, 0, CENTER[0]], [0, FOCAL, CENTER[1]], [0, 0, 1.0]])
FLANGE_MM, SPACING_MM = 150.0, 420.0
FLAT = np.array([[x, y] for y in 12.0 * np.arange(1, 5) for x in 12.0 * np.arange(1, 7)])


def seen(points_mm, lean_deg):
    """Pixels of places of the ports' plane (x right, y down from the lower port's middle), leaning back."""
    there = np.column_stack([points_mm, np.zeros(len(points_mm))])
    vector, move = np.radians([lean_deg, 0.4 * lean_deg, 3.0]), np.array([20.0, 180.0, 1300.0])
    return cv2.projectPoints(there, vector, move, MATRIX, None)[0][:, 0]


def rim(middle_mm, lean_deg, random, diameter_mm=FLANGE_MM):
    angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    flat = np.asarray(middle_mm) + 0.5 * diameter_mm * np.stack([np.cos(angle), np.sin(angle)], 1)
    px = seen(flat, lean_deg) + random.normal(0, 0.3, (120, 2))
    return FoundCircle(CircleSighting("flange_diameter", "a.jpg", px), 1.0, 0.3)


def pair(lean_deg, seed=0, twin_mm=FLANGE_MM):
    """The lower port measured by a card on its face, and the upper one."""
    random = np.random.default_rng(seed)
    lower, upper = rim((0, 0), lean_deg, random), rim((0, -SPACING_MM), lean_deg, random, twin_mm)
    px = seen(FLAT - [40, 30], lean_deg) + random.normal(0, 0.05, (24, 2))
    card = ScaleReference("scale_card", "pocket", FLAT, px, 0.05, px[[0, 5, 23, 18]], 0.003, "print:pocket")
    start = poses_of_points(FLAT, px, Camera(FOCAL, *CENTER))[0]
    focal = FocalPrior(FOCAL, 0.03, "exif_35mm")
    first = solve_circle(lower.sighting, start, card, focal, CENTER, CirclePrior(0.0, 0.5, plane="face"))
    return first, lower, upper


@pytest.mark.parametrize("lean_deg", [0.0, 20.0, 35.0])
def test_middles_are_taken_in_the_ports_plane(lean_deg):
    errors, pulls = [], []
    for seed in range(6):
        first, lower, upper = pair(lean_deg, seed)
        length, ends_px = spacing_of_pair(first, lower, upper)
        errors.append(np.log(length.value_mm / SPACING_MM))
        pulls.append(errors[-1] / length.relative_sd)
        assert np.abs(ends_px - seen(np.array([[0.0, -SPACING_MM], [0.0, 0.0]]), lean_deg)).max() < 2.0
    assert 1e-5 < np.median(np.abs(errors)) < 0.01
    assert np.abs(pulls).max() < 2.5
    assert np.mean([np.abs(error) for error in errors]) < 0.01


def test_it_shares_the_errors_of_the_measured_flange():
    """Both hang on one distance: their ratio is known better than either."""
    first, lower, upper = pair(15.0)
    length, _ = spacing_of_pair(first, lower, upper)
    sources = {part.source for part in first.length.contributions}
    assert {"print:pocket", "offset:a.jpg:face"} <= sources & {part.source for part in length.contributions}


def test_ports_of_other_sizes_lie_in_no_common_plane():
    first, lower, upper = pair(10.0, twin_mm=0.7 * FLANGE_MM)
    assert spacing_of_pair(first, lower, upper) is None
