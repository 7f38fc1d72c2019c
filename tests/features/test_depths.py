"""Joints and ports at different depths, beside drawn scenes of known truth (pinhole geometry alone)."""

from pathlib import Path

import numpy as np
import pytest

from features.camera import Camera, rotation_from_vector
from features.circle_sighting import CircleSighting
from features.measure_circles import measure_circles
from features.measured import log_covariance
from features.parts.finder import FoundCircle
from features.photo import FocalPrior, Photo
from features.plane_pose import plane_poses
from features.scale.reference import ScaleReference

FOCAL = 1200.0
PHOTO = Photo("a.jpg", Path("a.jpg"), np.zeros((1200, 1600, 3), np.uint8), FocalPrior(FOCAL, 0.05, "exif_35mm"))
CAMERA = Camera.of_size(1600, 1200, FOCAL)
JOINT_MM, FLANGE_MM = 300.0, 120.0
LEAD = 0.39
"""A port's face stands this share of the joint's diameter before it: the middle of what two kinds of pumps have."""


def seen(name, place_mm, diameter_mm, turned_deg=15.0, noise_px=0.3, seed=1):
    """A circle of the pump, places in mm from its joint's middle, which is turned and 700 mm away."""
    angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    rim = np.array(place_mm) + 0.5 * diameter_mm * np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
    noise = np.random.default_rng(seed).normal(0, noise_px, (120, 2))
    return FoundCircle(CircleSighting(name, "a.jpg", CAMERA.project(in_view(rim, turned_deg)) + noise), 1.0, 0.3)


def in_view(points_mm, turned_deg):
    turn = rotation_from_vector(np.array([0.0, np.radians(turned_deg), 0.0]))
    return points_mm @ turn.T + np.array([0.0, 0.0, 700.0])


def pump(lead=LEAD, turned_deg=15.0):
    return [
        seen("chamber_diameter", (0.0, 0.0, 0.0), JOINT_MM, turned_deg),
        seen("flange_diameter", (0.0, -150.0, -lead * JOINT_MM), FLANGE_MM, turned_deg, seed=2),
    ]


def card(place_mm, noise_px=0.05, turned_deg=15.0):
    flat = np.array([[x, y] for y in 12.0 * np.arange(1, 5) for x in 12.0 * np.arange(1, 7)])
    there = np.array(place_mm) + np.column_stack([flat, np.zeros(24)])
    px = CAMERA.project(in_view(there, turned_deg)) + np.random.default_rng(3).normal(0, noise_px, (24, 2))
    return ScaleReference("scale_card", "card", flat, px, noise_px, px[[0, 5, 23, 18]], 0.005, "print:pocket")


@pytest.mark.parametrize("lead", [LEAD, 0.29, 0.49])
def test_the_ratio_of_a_joint_to_the_flange_before_it_allows_for_the_depth_between_them(lead):
    """Read in one plane they would be 16 % off."""
    joint, flange = measure_circles(PHOTO, pump(lead), (), None, "unknown")
    off = abs(np.log(joint.length.value_mm / flange.length.value_mm * FLANGE_MM / JOINT_MM))
    assert 1e-6 < off < (0.03 if lead == LEAD else 0.07)
    depth = next(part for part in joint.length.contributions if part.name == "offset" and "joint" in part.source)
    assert off < 2 * abs(depth.relative) + 0.01 < 0.2


@pytest.mark.parametrize(("place_mm", "card_at"), [((-20, -180, -117.5), "flange"), ((90, 60, -6.0), "rim")])
def test_a_card_on_one_of_them_tells_the_other_by_the_depth_between_them(place_mm, card_at):
    """Depths go with the joint's size, which is seen smaller than it is at the distance of a card before it."""
    reference = card(place_mm)
    told = measure_circles(PHOTO, pump(), plane_poses(reference, PHOTO), reference, card_at)
    for one, true_mm in zip(told, (JOINT_MM, FLANGE_MM), strict=True):
        off = abs(np.log(one.length.value_mm / true_mm))
        assert 1e-6 < off < 0.04
        assert off < 2 * one.length.relative_sd < 0.25


@pytest.mark.parametrize(("place_mm", "card_at"), [((90, 60, -9.0), "rim"), ((90, 60, -16.0), "rim")])
def test_a_card_on_bolt_heads_of_any_size_tells_the_joint(place_mm, card_at):
    """A cover's flange of 5 to 12 mm and heads of M6 to M12 screws (4 and 7.5 mm, ISO 4014; common practice)."""
    reference = card(place_mm)
    (joint,) = measure_circles(PHOTO, pump()[:1], plane_poses(reference, PHOTO), reference, card_at)
    off = abs(np.log(joint.length.value_mm / JOINT_MM))
    assert 1e-6 < off < 1.96 * joint.length.relative_sd < 0.035


@pytest.mark.parametrize("depth_share", [0.17, 0.25, 0.35])
@pytest.mark.parametrize("card_at", ["cover", "unknown"])
def test_covers_of_flat_and_of_deep_pumps_are_allowed_for(depth_share, card_at):
    """As flat as of invented families, as deep as of free inventions (both of `tools.render`)."""
    reference = card((-30, -20, -depth_share * JOINT_MM))
    (joint,) = measure_circles(PHOTO, pump()[:1], plane_poses(reference, PHOTO), reference, card_at)
    off = abs(np.log(joint.length.value_mm / JOINT_MM))
    assert 1e-6 < off < 1.96 * joint.length.relative_sd < 0.08


@pytest.mark.parametrize("place_mm", [(-140, -180, -6.0), (-110, -220, -6.0)])
def test_a_card_seen_behind_a_flange_aslant_is_not_taken_for_one_on_it(place_mm):
    """It hangs in the joint's plane, a third of the joint's diameter behind the flange, beside its narrow side."""
    reference = card(place_mm, turned_deg=55.0)
    joint, flange = measure_circles(PHOTO, pump(turned_deg=55.0), plane_poses(reference, PHOTO), reference, "unknown")
    for one, true_mm in ((joint, JOINT_MM), (flange, FLANGE_MM)):
        off = abs(np.log(one.length.value_mm / true_mm))
        assert 1e-6 < off < 1.96 * one.length.relative_sd < 0.4


@pytest.mark.parametrize(("diameter_mm", "told"), [(850.0, True), (1100.0, False)])
def test_a_size_that_no_pump_has_is_not_told(diameter_mm, told):
    """Something else was traced then: joints end at 900 mm (common practice, `reference_geometry.plausible`)."""
    reference = card((90, 60, -6.0))
    found = [seen("chamber_diameter", (0.0, 0.0, 0.0), diameter_mm)]
    assert bool(measure_circles(PHOTO, found, plane_poses(reference, PHOTO), reference, "rim")) == told


@pytest.mark.parametrize("leans_deg", [0.0, 30.0, -40.0])
def test_four_holes_lie_in_the_plane_that_their_rim_tells(leans_deg):
    """DN 50 of EN 1092-1: holes on 125 mm of a rim of 165 (from memory). A ring of four fits any plane by itself."""
    place, turn = np.array([0.0, -150.0, -100.0]), rotation_from_vector(np.array([np.radians(leans_deg), 0.0, 0.0]))
    circles = []
    for name, diameter_mm, count in (("bolt_circle_diameter", 125.0, 4), ("flange_diameter", 165.0, 120)):
        angle = 0.6 + np.linspace(0, 2 * np.pi, count, endpoint=False)
        flat = 0.5 * diameter_mm * np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
        px = CAMERA.project(in_view(place + flat @ turn.T, 15.0)) + np.random.default_rng(5).normal(0, 0.2, (count, 2))
        circles.append(FoundCircle(CircleSighting(name, "a.jpg", px), 1.0, 0.3))
    reference = card((90, 60, -6.0))
    holes, rim = measure_circles(PHOTO, circles, plane_poses(reference, PHOTO), reference, "unknown")
    off = abs(float(np.log(holes.length.value_mm / rim.length.value_mm * 165.0 / 125.0)))
    assert 1e-6 < off < 0.015


def test_a_face_that_looks_aside_from_the_card_is_told_by_its_ratios_and_roughly_by_its_size():
    """A side port of DN 50, EN 1092-1 (from memory), 85 degrees from a card that lies somewhere, 44 mm before it."""
    place, turn = np.array([60.0, -100.0, -50.0]), rotation_from_vector(np.array([0.0, np.radians(-80.0), 0.0]))
    circles = []
    for name, diameter_mm, count in (("bolt_circle_diameter", 125.0, 4), ("flange_diameter", 165.0, 160)):
        angle = 0.6 + np.linspace(0, 2 * np.pi, count, endpoint=False)
        flat = 0.5 * diameter_mm * np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
        px = CAMERA.project(in_view(place + flat @ turn.T, 25.0)) + np.random.default_rng(5).normal(0, 0.2, (count, 2))
        circles.append(FoundCircle(CircleSighting(name, "a.jpg", px), 1.0, 0.3))
    reference = card((90, 60, -6.0), turned_deg=25.0)
    holes, rim = measure_circles(PHOTO, circles, plane_poses(reference, PHOTO), reference, "unknown")
    off = abs(float(np.log(holes.length.value_mm / rim.length.value_mm * 165.0 / 125.0)))
    assert 1e-6 < off < 0.015
    assert 1e-3 < abs(float(np.log(rim.length.value_mm / 165.0))) < 2 * rim.length.relative_sd < 0.7
    assert log_covariance([holes.length, rim.length])[0, 1] > 0.9 * rim.length.relative_sd**2


@pytest.mark.parametrize(("before_mm", "card_at"), [(72.0, "cover"), (9.0, "rim")])
def test_a_flange_that_looks_aside_opens_midway_between_the_chambers(before_mm, card_at):
    """An air section 0.72 of the joint wide: the port's face is seen 200 mm aside, its normal along x."""
    reference = card((-40.0, 20.0, -before_mm), turned_deg=40.0)
    angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    face = 0.5 * FLANGE_MM * np.column_stack([0 * angle, np.cos(angle), np.sin(angle)])
    face = face + np.array([200.0, -100.0, 0.36 * JOINT_MM])
    noise = np.random.default_rng(2).normal(0, 0.3, (120, 2))
    port = CircleSighting("flange_diameter", "a.jpg", CAMERA.project(in_view(face, 40.0)) + noise)
    circles = [pump(turned_deg=40.0)[0], FoundCircle(port, 1.0, 0.3)]
    _, flange = measure_circles(PHOTO, circles, plane_poses(reference, PHOTO), reference, card_at)
    off = abs(np.log(flange.length.value_mm / FLANGE_MM))
    assert 1e-6 < off < 0.06
    assert off < 2 * flange.length.relative_sd < 0.3
