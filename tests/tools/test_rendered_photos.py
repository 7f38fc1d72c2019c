"""What the benches read of rendered photos: places as OpenCV projects them, circles and angles as the records say."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from tools.bench.photo_readings import Reading, _shows_port, in_plane
from tools.bench.rendered_folder import pump_key, read_folder, scenes, viewing_angle_deg
from tools.bench.rendered_photos import _width_over_needed

PHOTOS = read_folder(Path(__file__).parents[2] / "demo_photos")


def test_points_come_to_lie_where_opencv_projects_them():
    """Source: cv2.projectPoints with the record's own camera."""
    photo = PHOTOS[0]
    camera = photo.truth["camera"]
    matrix = np.array([[camera["fx"], 0, camera["cx"]], [0, camera["fy"], camera["cy"]], [0, 0, 1]])
    point = np.array([80.0, -60.0, 700.0])
    theirs = cv2.projectPoints(point[None], np.zeros(3), np.zeros(3), matrix, np.array(camera["distortion"]))[0]
    assert photo.project(point) == pytest.approx(theirs.ravel(), abs=1e-6)


def test_holes_tell_the_bolt_circle_that_the_record_names():
    """The record's own bolt circle, told apart from its holes by the renderer, within their rounding."""
    compared = 0
    for photo in PHOTOS:
        told = {f["instance"]: f["diameter_mm"] for f in photo.truth["features"] if f["name"] == "bolt_circle_diameter"}
        for circle in photo.circles:
            if circle.name == "bolt_circle_diameter" and circle.instance in told:
                compared += 1
                assert circle.diameter_mm == pytest.approx(told[circle.instance], rel=1e-3)
    assert compared > 0


def test_holes_under_a_card_are_not_in_view():
    """A card (cv2.boundingRect) over the only two holes of a flange in the picture leaves most of their circle free."""
    seen = []
    for photo in PHOTOS:
        told = [f for f in photo.truth["features"] if (f["name"], f["instance"]) == ("bolt_hole_diameter", 0)]
        holes = [c for c in photo.circles if c.name == "bolt_hole_diameter" and c.instance == 0][:2]
        if len(holes) < 2:
            continue
        x, y, w, h = cv2.boundingRect(np.array([photo.project(hole.center_mm) for hole in holes], np.float32))
        room = 0.3 * (w + h)
        over = [[x - room, y - room], [x + w + room, y - room], [x + w + room, y + h + room], [x - room, y + h + room]]
        card = {"kind": "scale_card", "outline_px": over, "feature_offsets": []}
        left = [feature for feature in photo.truth["features"] if feature not in told[2:]]
        covered = replace(photo, truth={**photo.truth, "features": left, "scale_references": [card]})
        seen += [c for c in covered.circles if c.name == "bolt_circle_diameter" and c.instance == 0]
    assert len(seen) > 1
    assert max(circle.visible_fraction for circle in seen) == 0.0


def test_a_card_on_the_rim_lies_in_the_joint_plane_and_one_on_the_cover_does_not():
    told = {photo.card_at: photo for photo in PHOTOS if photo.has_reference and photo.truth["view"] == "chamber"}
    for place, expected in (("rim", True), ("cover", False)):
        joints = [circle for circle in told[place].circles if circle.name == "chamber_diameter"]
        assert any(in_plane(circle) for circle in joints) == expected


def test_no_holes_are_asked_of_a_flange_seen_from_the_side():
    """Circles of asked flanges look a sixth as wide as long or wider (cv2.minAreaRect); turned by 85 degrees, none."""
    asked = 0
    for photo in PHOTOS:
        for circle in (c for c in photo.circles if _shows_port(c, photo, flanged=True)):
            asked += 1
            away = circle.center_mm / np.linalg.norm(circle.center_mm)
            across = np.cross(away, circle.normal)
            flat = np.stack([np.cross(circle.normal, across), across])
            flat *= 0.5 * circle.diameter_mm / np.linalg.norm(flat, axis=1, keepdims=True)
            angle = np.linspace(0, 2 * np.pi, 90)
            places = circle.center_mm + np.cos(angle)[:, None] * flat[0] + np.sin(angle)[:, None] * flat[1]
            sides = cv2.minAreaRect(np.array([photo.project(place) for place in places], np.float32))[1]
            assert 1 / 6 < min(sides) / max(sides) < 1
            aside = flat[0] / np.linalg.norm(flat[0])
            turned = np.cos(np.deg2rad(85)) * -away + np.sin(np.deg2rad(85)) * aside
            assert not _shows_port(replace(circle, normal=turned / np.linalg.norm(turned)), photo, flanged=True)
    assert asked > 0


def test_photos_of_different_pumps_are_different_scenes_and_a_view_is_no_angle_from_itself():
    assert len(scenes(PHOTOS)) == len(PHOTOS)
    with_card = next(photo for photo in PHOTOS if photo.has_reference)
    assert pump_key(with_card) == pump_key(with_card)
    assert viewing_angle_deg(with_card, with_card) == pytest.approx(0.0, abs=1e-3)


def test_intervals_of_the_true_spread_are_as_wide_as_needed():
    """By the definition of the bar: mean half width over 1.96 standard deviations of the errors."""
    error = np.random.default_rng(0).normal(0, 0.01, 4000)
    assert _width_over_needed(error, np.full(4000, 2 * 1.96 * 0.01)) == pytest.approx(1.0, rel=0.05)


def test_what_was_not_measured_has_no_error_and_does_not_hold():
    nothing = Reading(("a.jpg",), "told", "port_bore", True, 50.0, 1.0, None, 0.0, 0.0, 0.0, 0.8)
    assert np.isnan(nothing.error)
    assert not nothing.held
