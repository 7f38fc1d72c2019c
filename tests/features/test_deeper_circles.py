"""Circles that lie deeper than the part's own, or before it, and are plainer: dark ends of ports, and drums of covers.

Photos are drawn: circles projected by OpenCV (cv2.projectPoints) and filled by it (cv2.fillPoly): the truth is known.
"""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from features.camera import Camera, rotation_taking_z_to
from features.ellipse import Ellipse
from features.parts.chamber_rim import _bolts_suit, _is_of_cover
from features.parts.finder import PartQuestion
from features.parts.front_on import face_frame
from features.parts.joint_behind import behind_the_cover
from features.parts.part_maps import RoundPart
from features.parts.part_model import PartMaps, Window
from features.parts.part_vocabulary import PART_CLASSES, PART_STRIDE
from features.parts.placed import Placed
from features.parts.port_opening import trace_mouth
from features.parts.trace import TracedCircle
from features.plane_pose import PlanePose

WIDTH, HEIGHT = 800, 640
CAMERA = Camera.of_size(WIDTH, HEIGHT, 2700.0)
SUPER = 4
"""Drawn so many times as large: cv2.fillPoly fills half a pixel too much all round."""


def _normal(lean_deg, way_deg):
    lean, way = np.radians(lean_deg), np.radians(way_deg)
    return np.array([np.sin(lean) * np.cos(way), np.sin(lean) * np.sin(way), np.cos(lean)])


def _outline(normal, middle, radius, count=720):
    angle = np.linspace(0, 2 * np.pi, count, endpoint=False)
    flat = radius * np.stack([np.cos(angle), np.sin(angle), 0 * angle], 1)
    in_camera = flat @ rotation_taking_z_to(normal).T + np.array(middle)
    return cv2.projectPoints(in_camera, np.zeros(3), np.zeros(3), CAMERA.matrix, None)[0].reshape(-1, 2)


def _area(outline_px):
    mask = np.zeros((SUPER * HEIGHT, SUPER * WIDTH), np.uint8)
    cv2.fillPoly(mask, [np.rint(((outline_px + 0.5) * SUPER - 0.5) * 256).astype(np.int32)], 255, cv2.LINE_AA, 8)
    return cv2.resize(mask, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA) / 255.0


def _painted(layers, background):
    """Areas (HEIGHT, WIDTH) of 0..1 painted over one another, each with its level."""
    picture = np.full((HEIGHT, WIDTH), float(background))
    for area, level in layers:
        picture += area * (level - picture)
    noisy = cv2.GaussianBlur(picture, (0, 0), 0.8) + np.random.default_rng(1).normal(0, 2, picture.shape)
    return np.clip(noisy, 0, 255).astype(np.uint8)


def _question(gray, normal, middle, keep_out_px=()):
    pose = PlanePose(rotation_taking_z_to(normal), np.array(middle), CAMERA.focal_px, 0.0)
    rgb = np.repeat(gray[..., None], 3, axis=2)
    return PartQuestion("a.jpg", rgb, gray, (pose,), True, True, (), {}, keep_out_px)


def _nothing_seen():
    size = max(WIDTH, HEIGHT)
    shares = np.full((len(PART_CLASSES), size // PART_STRIDE, size // PART_STRIDE), 1e-3, np.float32)
    shares[0] = 1.0
    nothing = np.zeros((1, size, size), np.float32)
    return PartMaps(Window(0.0, 0.0, 1.0, size, size), shares / shares.sum(axis=0), nothing, nothing, nothing, {})


def _half_under_a_card(normal, middle, parts, told_at):
    """What is measured of a port's mouth, relative, where a card lies over half of its face.

    Args:
        normal, middle: of the face; parts: radius, depth and level of what is seen in it, the mouth first.
        told_at: which of the parts is told.
    """
    outlines = [_outline(normal, np.array(middle) + depth * normal, radius) for radius, depth, _ in parts]
    mouth = _area(outlines[0])
    layers = [(_area(one) * mouth, level) for one, (_, _, level) in zip(outlines, parts, strict=True)]
    low = 20.0 + float(outlines[0][:, 1].mean())
    card = np.array([[100.0, low], [700.0, low], [700.0, HEIGHT - 1.0], [100.0, HEIGHT - 1.0]])
    gray = _painted([*layers, (_area(card), 235)], 150)
    question = _question(gray, normal, middle, (card,))
    told = RoundPart.of_outline("mouth", outlines[told_at])
    return question, told, Ellipse.fit(outlines[0])


@pytest.mark.parametrize("deep", [0.7, 1.6])
def test_a_threads_mouth_is_before_its_dark_end(deep):
    """1.26 times as wide as an end so many of its radii deep, seen 6 degrees aslant, which alone is plain."""
    normal, middle, end = _normal(6.0, 215.0), (10.0, -20.0, 900.0), 40.0
    parts = ((1.26 * end, 0.0, 128), (end, deep * end, 5))
    question, told, true = _half_under_a_card(normal, middle, parts, 1)
    found = trace_mouth(question, (told,), _nothing_seen())
    away = np.abs(true.reach(found.sighting.points_px) - 1.0)
    assert 1e-5 < float(np.median(away)) < 0.01


def test_a_mouth_without_another_circle_before_it_stays():
    normal, middle = _normal(6.0, 215.0), (10.0, -20.0, 900.0)
    question, told, true = _half_under_a_card(normal, middle, ((50.0, 0.0, 5),), 0)
    found = trace_mouth(question, (told,), _nothing_seen())
    assert 1e-5 < float(np.median(np.abs(true.reach(found.sighting.points_px) - 1.0))) < 0.01


def test_crests_that_are_seen_to_touch_their_chamfer_are_not_the_mouth():
    """3/4 in. NPT (ASME B1.20.1, from memory): crests of 23.7 mm as deep in a chamfer of 26.9 as that is wide.

    No reference tells the slant.
    """
    normal, middle = _normal(48.0, 200.0), np.array([2.0, -4.0, 285.0])
    chamfer, crests = _outline(normal, middle, 13.45), _outline(normal, middle + 1.6 * normal, 11.85)
    mouth = _area(chamfer)
    question = _question(_painted([(mouth, 105), (_area(crests) * mouth, 40)], 150), normal, middle)
    assert Ellipse.fit(chamfer).distances_px(crests).max() > -0.5
    question = replace(question, tilt_known=False)
    found = trace_mouth(question, (RoundPart.of_outline("mouth", crests),), _nothing_seen())
    away = np.abs(Ellipse.fit(chamfer).reach(found.sighting.points_px) - 1.0)
    assert 1e-5 < float(np.median(away)) < 0.015


def test_the_opening_of_a_flange_lies_in_the_middle_of_its_rim():
    """A step in it 1.2 times narrower, 1.6 of its radii deep and as plain, is seen beside the middle."""
    normal, middle, bore = _normal(8.0, 215.0), (10.0, -20.0, 900.0), 48.0
    parts = ((bore, 0.0, 90), (bore / 1.2, 1.6 * bore, 200), (bore / 1.25, 1.6 * bore, 40))
    question, told, true = _half_under_a_card(normal, middle, parts, 1)
    frame = face_frame((HEIGHT, WIDTH), CAMERA, normal)
    rim = Placed(frame, np.zeros(2), 1.0, True, 0.05).about(_outline(normal, middle, 2.6 * bore))
    found = trace_mouth(question, (told,), _nothing_seen(), rim)
    assert 1e-5 < float(np.median(np.abs(true.reach(found.sighting.points_px) - 1.0))) < 0.01


def _joint_and_cover(deep, joint_radius=150.0):
    """A drum of 150 mm radius, its edge and its joint so many radii behind it, seen 38 degrees aslant."""
    normal, middle = _normal(38.0, 30.0), np.array([0.0, 0.0, 2400.0])
    edge = _outline(normal, middle - deep * 150.0 * normal, 150.0)
    joint = _outline(normal, middle, joint_radius)
    wall = cv2.convexHull(np.concatenate([edge, joint]).astype(np.float32)).reshape(-1, 2).astype(float)
    gray = _painted(
        [(_area(joint), 60), (_area(wall) - _area(joint) * (1 - _area(edge)), 120), (_area(edge), 165)], 100
    )
    cover = TracedCircle(edge, Ellipse.fit(edge), 0.9, 0.9)
    frame = face_frame(gray.shape, CAMERA, normal)
    placed = Placed(frame, np.zeros(2), 1.0, True, 0.05).about(edge)
    return _question(gray, normal, middle), (cover, placed), Ellipse.fit(joint)


@pytest.mark.parametrize("deep", [0.28, 0.45])
def test_a_joint_is_found_behind_the_drum_that_was_traced_for_it(deep):
    question, cover, joint = _joint_and_cover(deep)
    found = behind_the_cover(question, cover, lambda px: np.ones(len(px), bool))
    assert found
    assert 1e-5 < float(np.abs(joint.reach(found[0][0].ellipse.points_px()) - 1.0).max()) < 0.015


def test_the_back_edge_of_a_rim_is_no_joint_behind_it():
    """It lies a tenth of the radius behind its front edge: covers stand out further."""
    question, cover, _ = _joint_and_cover(0.1)
    assert not behind_the_cover(question, cover, lambda px: np.ones(len(px), bool))


def test_bolts_tell_which_of_two_circles_is_their_joint():
    """Twelve evenly inside one, and so unevenly inside another aside; three say nothing."""
    normal, middle = _normal(38.0, 30.0), np.array([0.0, 0.0, 2400.0])
    outlines = [_outline(normal, middle + at * normal, 150.0) for at in (0.0, 40.0)]
    own, behind = (TracedCircle(one, Ellipse.fit(one), 0.8, 0.8) for one in outlines)
    bolts = _outline(normal, middle, 135.0, 12)
    assert _bolts_suit(own, behind, bolts)
    assert not _bolts_suit(behind, own, bolts)
    assert _bolts_suit(behind, own, bolts[:3])


@pytest.mark.parametrize(("rim_from", "is_cover"), [(0.8, False), (0.97, True)])
def test_the_map_tells_a_cover_inside_its_own_edge_and_a_rim_inside_a_joints(rim_from, is_cover):
    outline = _outline(_normal(38.0, 30.0), np.array([0.0, 0.0, 2400.0]), 150.0)
    ellipse, maps = Ellipse.fit(outline), _nothing_seen()
    y, x = np.mgrid[: maps.shares.shape[1], : maps.shares.shape[2]]
    reach = ellipse.reach(PART_STRIDE * np.stack([x.ravel(), y.ravel()], 1).astype(float)).reshape(x.shape)
    maps.shares[:] = 0.0
    maps.shares[PART_CLASSES.index("chamber_cover")] = reach < rim_from
    maps.shares[PART_CLASSES.index("clamp_band")] = (reach >= rim_from) & (reach < 1.0)
    assert _is_of_cover(maps, TracedCircle(outline, ellipse, 0.8, 0.8)) == is_cover
