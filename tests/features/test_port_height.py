"""The distance of a port by its height over the floor, beside scenes of known truth (pinhole geometry alone)."""

import numpy as np
import pytest

from features.camera import Camera, rotation_taking_z_to
from features.circle_in_space import CircleInSpace
from features.measured import Contribution, MeasuredLength
from features.plane_pose import PlanePose
from features.port_height import by_port_height

DOWN_DEG = 25.0
DOWN = np.array([0.0, np.cos(np.radians(DOWN_DEG)), np.sin(np.radians(DOWN_DEG))])
AHEAD = np.array([0.0, -DOWN[2], DOWN[1]])
FOOT = 500.0 * DOWN + 520.0 * AHEAD
"""Where the pump stands, seen from a camera half a meter above the floor that looks down at it."""
CARD = PlanePose(rotation_taking_z_to(DOWN), FOOT - 150.0 * AHEAD, 1200.0, 0.0)
MOUTH_MM = 33.9
"""The chamfer of a 1 in. NPT mouth (major diameter 33.4 mm, ASME B1.20.1, from memory)."""


def _circle(name, middle_mm, diameter_mm, taken_for=1.0, offset_sd=0.2):
    """A circle whose distance was taken for a multiple of the true one, and its size with it."""
    parts = (Contribution("offset", "distance:a.jpg", offset_sd), Contribution("edge", f"edge:{name}", 0.01))
    length = MeasuredLength(name, taken_for * diameter_mm, parts, ("a.jpg",))
    camera = Camera(1200.0, 799.5, 599.5)
    return CircleInSpace(length, np.zeros(3), AHEAD, camera, np.eye(3), taken_for * middle_mm, 0.0, 0.0, 0.0)


@pytest.mark.parametrize("taken_for", [0.9, 1.2])
@pytest.mark.parametrize("height_mm", [50.0, 57.0, 66.0])
def test_an_inlet_below_its_joint_is_measured_by_its_height(taken_for, height_mm):
    inlet = FOOT - height_mm * DOWN
    joint = _circle("chamber_diameter", FOOT - 185.0 * DOWN, 200.0, offset_sd=0.05)
    mouth = _circle("port_bore", inlet, MOUTH_MM, taken_for)
    told_joint, told = by_port_height([joint, mouth], joint, CARD, 500.0)
    off = abs(np.log(told.length.value_mm / MOUTH_MM))
    assert 1e-5 < off < 0.07
    assert off < 2 * told.length.relative_sd
    assert told.length.relative_sd < 0.5 * mouth.length.relative_sd
    assert told_joint is joint
    # Wherever it is taken to be, it is seen where it is seen.
    assert np.abs(told.outline_px() - mouth.outline_px()).max() < 1e-6


def test_a_discharge_is_left_alone():
    joint = _circle("chamber_diameter", FOOT - 185.0 * DOWN, 200.0)
    mouth = _circle("port_bore", FOOT - 330.0 * DOWN, MOUTH_MM)
    assert by_port_height([joint, mouth], joint, CARD, 500.0) == (joint, mouth)


def test_without_a_joint_only_what_agrees_with_the_card_is_an_inlet():
    """Before the card: as a discharge it would be less than half as far away as the card is."""
    inlet = _circle("port_bore", FOOT - 270.0 * AHEAD - 55.0 * DOWN, MOUTH_MM, 0.75)
    discharge = _circle("port_bore", FOOT - 330.0 * DOWN, MOUTH_MM, 1.0)
    beside_mm = float(CARD.translation_mm[2])
    (told,) = by_port_height([inlet], None, CARD, beside_mm)
    assert 1e-5 < abs(np.log(told.length.value_mm / MOUTH_MM)) < 0.08
    assert by_port_height([discharge], None, CARD, beside_mm) == (discharge,)


@pytest.mark.parametrize("taken_for", [0.75, 1.3])
@pytest.mark.parametrize("height_mm", [300.0, 340.0])
def test_a_discharge_without_a_joint_is_measured_by_the_height_of_its_pump(taken_for, height_mm):
    """A pump with 1 in. ports is some 365 mm high (common practice), the middle of its discharge a little less."""
    mouth = _circle("port_bore", FOOT - height_mm * DOWN, MOUTH_MM, taken_for, offset_sd=0.4)
    (told,) = by_port_height([mouth], None, CARD, float(CARD.translation_mm[2]), "high")
    off = abs(np.log(told.length.value_mm / MOUTH_MM))
    assert 1e-5 < off < 0.12
    assert off < 2 * told.length.relative_sd
    assert told.length.relative_sd < 0.6 * mouth.length.relative_sd


def test_a_discharge_is_not_taken_for_an_inlet_further_away():
    """Looked down at, a line of sight past a discharge meets the height of an inlet behind the pump."""
    mouth = _circle("port_bore", FOOT - 330.0 * DOWN, MOUTH_MM, offset_sd=0.4)
    behind_mm = 1.4 * float(CARD.translation_mm[2])
    (wrong,) = by_port_height([mouth], None, CARD, behind_mm, "low")
    (told,) = by_port_height([mouth], None, CARD, behind_mm, "high")
    assert abs(np.log(wrong.length.value_mm / MOUTH_MM)) > 0.3
    assert 1e-5 < abs(np.log(told.length.value_mm / MOUTH_MM)) < 0.1


def test_a_height_that_disagrees_with_all_else_is_left_out():
    """A told inlet seen where only the sky is: nothing stands so low there."""
    mouth = _circle("port_bore", FOOT - 330.0 * DOWN + 1200.0 * AHEAD, MOUTH_MM, 0.4, offset_sd=0.05)
    assert by_port_height([mouth], None, CARD, 500.0, "low") == (mouth,)


def test_seen_from_above_a_port_of_unknown_level_is_left_open():
    """A discharge 380 mm up under a camera 800 mm up, a card behind it, looks like an inlet behind the card."""
    down = np.array([0.0, np.cos(np.radians(40.0)), np.sin(np.radians(40.0))])
    ahead = np.array([0.0, -down[2], down[1]])
    foot = 800.0 * down + 250.0 * ahead
    card = PlanePose(rotation_taking_z_to(down), foot + 100.0 * ahead, 1200.0, 0.0)
    beside_mm = float(card.translation_mm[2])
    flange = _circle("flange_diameter", foot - 380.0 * down, 110.0, beside_mm / (foot - 380.0 * down)[2], 0.4)
    (wrong,) = by_port_height([flange], None, card, beside_mm, "low")
    assert np.log(wrong.length.value_mm / 110.0) > 0.5
    assert by_port_height([flange], None, card, beside_mm) == (flange,)
    assert abs(np.log(flange.length.value_mm / 110.0)) < 2 * flange.length.relative_sd
