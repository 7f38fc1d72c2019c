"""A thread's mouth in the middle of its manifold, beside drawn scenes of known truth (pinhole geometry alone).

The mouth is that of 1-1/2 in. NPT: major diameter 48.3 mm (ASME B1.20.1, from memory).
"""

from pathlib import Path

import numpy as np
import pytest

from features.aside_port import leans_aside
from features.camera import Camera, rotation_from_vector
from features.circle_sighting import CircleSighting
from features.measure_circles import measure_circles
from features.parts.finder import FoundCircle
from features.photo import FocalPrior, Photo
from features.plane_pose import plane_poses
from features.scale.reference import ScaleReference

FOCAL = 1400.0
PHOTO = Photo("a.jpg", Path("a.jpg"), np.zeros((1200, 1600, 3), np.uint8), FocalPrior(FOCAL, 0.05, "exif_35mm"))
CAMERA = Camera.of_size(1600, 1200, FOCAL)
JOINT_MM, MOUTH_MM = 250.0, 48.3
AWAY_MM = 700.0


def _seen(points_mm, turned_deg):
    """Places in mm from the joint's middle, z into the pump, in pixels: turned to the side, and AWAY_MM away."""
    turn = rotation_from_vector(np.array([0.0, np.radians(turned_deg), 0.0]))
    return CAMERA.project(points_mm @ turn.T + np.array([0.0, 0.0, AWAY_MM]))


def _circle(name, middle_mm, across_mm, axes, turned_deg, edge_on=False, shared_px=0.3):
    angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    rim = np.array(middle_mm) + 0.5 * across_mm * (np.cos(angle)[:, None] * axes[0] + np.sin(angle)[:, None] * axes[1])
    noise = np.random.default_rng(4).normal(0, 0.3, (120, 2))
    sighting = CircleSighting(name, "a.jpg", _seen(rim, turned_deg) + noise)
    return FoundCircle(sighting, 1.0, shared_px, edge_on)


def _joint(turned_deg):
    return _circle("chamber_diameter", (0.0, 0.0, 0.0), JOINT_MM, np.eye(3)[:2], turned_deg)


def _mouth(behind, turned_deg, edge_on=False):
    """It opens to the side, above the chambers, so far behind the joint over its diameter."""
    shared_px = 0.1 * 0.5 * MOUTH_MM * FOCAL / AWAY_MM if edge_on else 0.3
    axes = np.eye(3)[1:]
    return _circle("port_bore", (20.0, -175.0, behind * JOINT_MM), MOUTH_MM, axes, turned_deg, edge_on, shared_px)


def _card(before_mm, turned_deg):
    flat = np.array([[x, y] for y in 12.0 * np.arange(1, 5) for x in 12.0 * np.arange(1, 7)])
    there = np.array([60.0, 60.0, -before_mm]) + np.column_stack([flat, np.zeros(24)])
    px = _seen(there, turned_deg) + np.random.default_rng(3).normal(0, 0.05, (24, 2))
    return ScaleReference("scale_card", "card", flat, px, 0.05, px[[0, 5, 23, 18]], 0.005, "print:pocket")


@pytest.mark.parametrize("behind", [0.3, 0.39, 0.48])
@pytest.mark.parametrize("turned_deg", [-38.0, 30.0])
def test_a_mouth_that_opens_aside_is_measured_behind_the_joint(behind, turned_deg):
    """Where ports lie that face as the chamber does it would be told 25 % too small and more."""
    reference = _card(9.0, turned_deg)
    circles = [_joint(turned_deg), _mouth(behind, turned_deg)]
    measured = measure_circles(PHOTO, circles, plane_poses(reference, PHOTO), reference, "rim", "unknown", 0.97)
    told = {one.length.name: one.length for one in measured}["port_bore"]
    off = abs(np.log(told.value_mm / MOUTH_MM))
    assert 1e-5 < off < 2.0 * told.relative_sd < 0.2


@pytest.mark.parametrize("turned_deg", [-38.0, 30.0])
def test_by_a_coin_a_mouth_that_opens_aside_tells_nothing_of_the_slant(turned_deg):
    """A 2 euro coin, 25.75 mm (Council Regulation (EC) 975/98), on the rim."""
    angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    flat = 0.5 * 25.75 * np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
    px = _seen(np.array([80.0, 80.0, -9.0]) + flat, turned_deg) + np.random.default_rng(3).normal(0, 0.1, (90, 2))
    coin = ScaleReference("coin", "2 euro", np.zeros((90, 2)), px, 0.2, px, 0.002, "coin", True, 25.75)
    circles = [_joint(turned_deg), _mouth(0.39, turned_deg)]
    measured = measure_circles(PHOTO, circles, plane_poses(coin, PHOTO), coin, "rim", "unknown", 0.97)
    told = {one.length.name: one.length for one in measured}
    for name, true_mm in (("chamber_diameter", JOINT_MM), ("port_bore", MOUTH_MM)):
        off = abs(np.log(told[name].value_mm / true_mm))
        assert 1e-5 < off < 2.0 * told[name].relative_sd < 0.25


@pytest.mark.parametrize("with_joint", [True, False])
@pytest.mark.parametrize(("card_at", "before"), [("rim", 9.0), ("cover", 62.0)])
def test_a_mouth_seen_edge_on_is_as_wide_as_its_line_is_long(card_at, before, with_joint):
    reference, turned_deg = _card(before, 5.0), 5.0
    circles = [_mouth(0.36, turned_deg, edge_on=True), *([_joint(turned_deg)] if with_joint else [])]
    measured = measure_circles(PHOTO, circles, plane_poses(reference, PHOTO), reference, card_at)
    told = {one.length.name: one.length for one in measured}["port_bore"]
    assert 1e-5 < abs(np.log(told.value_mm / MOUTH_MM)) < 0.05
    assert 0.1 < told.relative_sd < 0.2


def test_a_mouth_at_a_manifolds_end_is_seen_edge_on_where_the_chambers_are_and_lies_before_them():
    """In the pump's middle plane it would be told 35 % too large and more."""
    turned_deg = 68.0
    reference, axes = _card(9.0, turned_deg), np.eye(3)[:2]
    shared_px = 0.1 * 0.5 * MOUTH_MM * FOCAL / AWAY_MM
    mouth = _circle("port_bore", (0.0, 160.0, -0.36 * JOINT_MM), MOUTH_MM, axes, turned_deg, True, shared_px)
    circles, poses = [_joint(turned_deg), mouth], plane_poses(reference, PHOTO)
    measured = measure_circles(PHOTO, circles, poses, reference, "rim", "unknown", 0.03)
    told = {one.length.name: one.length for one in measured}["port_bore"]
    assert 1e-5 < abs(np.log(told.value_mm / MOUTH_MM)) < 0.08
    assert 0.1 < told.relative_sd < 0.2


def test_a_mouth_at_a_manifolds_end_is_not_seen_edge_on_where_the_chambers_are_seen_squarely():
    """It faces as they do, so what is told is another thing; of one that opens in the middle the line is a size."""
    circles, reference = [_joint(5.0), _mouth(0.36, 5.0, edge_on=True)], _card(9.0, 5.0)
    for middle_chance, told in ((0.03, {"chamber_diameter"}), (0.97, {"chamber_diameter", "port_bore"})):
        poses = plane_poses(reference, PHOTO)
        measured = measure_circles(PHOTO, circles, poses, reference, "rim", "unknown", middle_chance)
        assert {one.length.name for one in measured} == told


def test_a_mouth_seen_edge_on_has_no_size_without_a_scale_or_where_nothing_tells_its_depth():
    found, reference = _mouth(0.39, 5.0, edge_on=True), _card(9.0, 5.0)
    assert measure_circles(PHOTO, [found], (), None, "unknown") == ()
    assert measure_circles(PHOTO, [found], plane_poses(reference, PHOTO), reference, "flange") == ()


def test_ports_face_as_the_chambers_do_or_at_right_angles_to_them():
    """By the angle alone, where a look at the pump says nothing; a sure look decides where both would do."""

    def normal(deg):
        return np.array([np.sin(np.radians(deg)), 0.0, np.cos(np.radians(deg))])

    axis = normal(0.0)
    assert not leans_aside([normal(20.0), normal(-60.0)], axis)
    assert leans_aside([normal(40.0), normal(-80.0)], axis)
    assert leans_aside([normal(5.0), normal(85.0)], axis, 0.97)
    assert not leans_aside([normal(5.0), normal(85.0)], axis, 0.03)
    assert not leans_aside([normal(8.0)], axis, 0.97)
