"""The distance of a pump by a card on its floor, beside drawn scenes of known truth (pinhole geometry alone)."""

import numpy as np
import pytest

from features.camera import Camera, rotation_taking_z_to
from features.circle_in_space import CirclePrior, CircleSighting, solve_circle
from features.floor import BESIDE_SD, floor_distance, middle_in_view
from features.photo import FocalPrior
from features.plane_pose import PlanePose

FOCAL, CENTER = 1200.0, (799.5, 599.5)
DIAMETER_MM = 300.0


def _joint(middle_mm):
    """A joint square to the camera's axis, solved without scale as a photo shows it."""
    angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    rim = middle_mm + 0.5 * DIAMETER_MM * np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
    px = Camera(FOCAL, *CENTER).project(rim)
    start = PlanePose(np.eye(3), np.array([0.0, 0.0, FOCAL]), FOCAL, 0.0)
    focal = FocalPrior(FOCAL, 0.01, "exif_35mm")
    return solve_circle(
        CircleSighting("chamber_diameter", "a.jpg", px), start, None, focal, CENTER, CirclePrior(0, 1e-3)
    )


@pytest.mark.parametrize(("height_of_diameter", "most"), [(0.9, 0.06), (0.7, 0.2), (1.1, 0.2)])
def test_a_pump_looked_down_at_is_not_taken_for_as_far_as_its_floor(height_of_diameter, most):
    """The camera 900 mm above the floor looks down by 35 deg; the card lies under the pump, so further away."""
    down = np.array([0.0, np.cos(np.radians(35)), np.sin(np.radians(35))])
    ahead = np.array([0.0, -down[2], down[1]])
    foot = 900.0 * down + 1000.0 * ahead
    joint = _joint(foot - height_of_diameter * DIAMETER_MM * down)
    card = PlanePose(rotation_taking_z_to(down), foot, FOCAL, 0.0)
    told = floor_distance(card, joint)
    true_mm = float((foot - height_of_diameter * DIAMETER_MM * down)[2])
    off = abs(np.log(told.distance_mm / true_mm))
    assert 1e-6 < off < most
    assert off < abs(np.log(np.linalg.norm(foot) / true_mm))
    assert off < 2 * told.relative_sd < 2 * BESIDE_SD
    assert middle_in_view(joint)[2] == pytest.approx(FOCAL, rel=0.02)


def test_without_a_joint_the_card_alone_tells():
    card = PlanePose(np.eye(3), np.array([0.0, 300.0, 1000.0]), FOCAL, 0.0)
    assert floor_distance(card, None).relative_sd == BESIDE_SD
