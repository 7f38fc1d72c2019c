"""Rims whose slant a reference tells a little wrong, and borders that run round two things.

Photos are drawn: discs projected by OpenCV (cv2.projectPoints), so the true outline is known.
"""

import cv2
import numpy as np
import pytest

from features.camera import Camera, rotation_taking_z_to
from features.circle_fit import fit_circle
from features.ellipse import Ellipse
from features.parts.border_circles import robust_circles
from features.parts.chamber_rim import _outermost, _traces_behind
from features.parts.finder import PartQuestion
from features.parts.front_on import face_frame
from features.parts.learned_circles import COVER_LEAD, at_long_axis, encloses
from features.parts.part_maps import RoundPart
from features.parts.placed import Placed, places_of
from features.parts.trace import TracedCircle, by_own_shape, trace_circle
from features.plane_pose import PlanePose

CAMERA = Camera.of_size(1600, 1200, 1250.0)
TELE = Camera.of_size(1600, 1200, 3750.0)


def _leaning(degrees, way):
    lean, toward = np.radians(degrees), np.radians(way)
    return np.array([np.sin(lean) * np.cos(toward), np.sin(lean) * np.sin(toward), np.cos(lean)])


def _outline(camera, normal, middle, radius, count=720):
    angle = np.linspace(0, 2 * np.pi, count, endpoint=False)
    flat = radius * np.stack([np.cos(angle), np.sin(angle), 0 * angle], 1)
    in_camera = flat @ rotation_taking_z_to(normal).T + np.array(middle)
    seen, _ = cv2.projectPoints(in_camera, np.zeros(3), np.zeros(3), camera.matrix, None)
    return seen.reshape(-1, 2)


def _disc(outline_px, seed=0):
    gray = np.full((1200, 1600), 70, np.uint8)
    # Drawn four times as large: cv2.fillPoly fills half a pixel too much all round.
    large = cv2.resize(gray, None, fx=4, fy=4, interpolation=cv2.INTER_NEAREST)
    cv2.fillPoly(large, [np.rint(((outline_px + 0.5) * 4 - 0.5) * 256).astype(np.int32)], 150, cv2.LINE_AA, 8)
    gray = cv2.resize(large, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    noise = np.random.default_rng(seed).normal(0, 3, gray.shape)
    return np.clip(cv2.GaussianBlur(gray, (0, 0), 0.8) + noise, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("off_deg", [5.0, -6.0])
def test_a_rim_is_followed_all_round_though_its_slant_is_told_wrong(off_deg):
    """Under the slant told a circle meets the rim in part, the rest is a guess; its own ellipse tells all."""
    outline = _outline(CAMERA, _leaning(30.0, 20.0), (60.0, -30.0, 700.0), 180.0)
    gray, true = _disc(outline), Ellipse.fit(outline)
    frame = face_frame(gray.shape, CAMERA, _leaning(30.0 + off_deg, 20.0))
    center, radius = fit_circle(frame.from_photo(outline[:300]))
    first = trace_circle(gray, frame, center, radius, "outermost", 0.055, round_in_front=True)
    followed = by_own_shape(gray, first)
    assert first.coverage < 0.8 < 0.95 < followed.coverage
    assert 1e-7 < np.abs(true.reach(followed.ellipse.points_px()) - 1.0).max() < 0.002
    assert np.abs(true.reach(first.ellipse.points_px()) - 1.0).max() > 0.004


def test_a_longer_lens_is_asked_where_it_squares_a_circle_up_otherwise():
    """Of a photo that may be a tele lens's: in one of the pictures its slanted rim is round, in the first it is not."""
    normal = _leaning(35.0, 10.0)
    outline = _outline(TELE, normal, (-60.0, 40.0, 2100.0), 190.0)
    part = RoundPart.of_outline("chamber", outline)
    turn = rotation_taking_z_to(normal)
    near, far = (PlanePose(turn, np.array([0.0, 0.0, mm]), f, 0.0) for mm, f in ((700.0, 1250.0), (2100.0, 3750.0)))
    gray = np.zeros((1200, 1600), np.uint8)

    def off_round(longer):
        question = PartQuestion("a.jpg", gray, gray, (near,), True, True, (), {}, longer=longer)
        placed = [place for place in places_of(question, part, 0.05) if place.measured_slant]
        shapes = [place.frame.from_photo(outline) for place in placed]
        radii = [np.linalg.norm(shape - fit_circle(shape)[0], axis=1) for shape in shapes]
        return [float(np.ptp(one) / one.mean()) for one in radii]

    assert min(off_round(())) > 0.01
    assert 0 < min(off_round((far,))) < 1e-3


@pytest.mark.parametrize("turned_deg", [-40.0, -10.0, 25.0])
def test_a_joint_over_a_floor_is_squared_up_upright_though_its_outline_is_told_badly(turned_deg):
    """The floor tells the upright, the told outline (2 % too wide, 2 % too low) about which way the joint faces."""
    looks_down = np.radians(30.0)
    down = np.array([0.0, np.cos(looks_down), np.sin(looks_down)])
    level, turn = np.array([0.0, -down[2], down[1]]), np.radians(turned_deg)
    normal = np.cos(turn) * level + np.sin(turn) * np.array([1.0, 0.0, 0.0])
    outline = _outline(CAMERA, normal, (80.0, 20.0, 900.0), 170.0)
    told = outline.mean(axis=0) + (outline - outline.mean(axis=0)) * [1.02, 0.98]
    pose = PlanePose(rotation_taking_z_to(down), np.array([0.0, 300.0, 900.0]), 1250.0, 0.0)
    gray = np.zeros((1200, 1600), np.uint8)

    def places(on_floor):
        question = PartQuestion("a.jpg", gray, gray, (pose,), True, False, (), {}, on_floor=on_floor)
        part = RoundPart.of_outline("chamber", told)
        return [place for place in places_of(question, part, 0.05) if place.measured_slant]

    assert not places(False)
    assert all(abs(float(place.frame.normal @ down)) < 1e-9 for place in places(True))
    shapes = [place.frame.from_photo(outline) for place in places(True)]
    off = [float(np.abs(np.linalg.norm(s - fit_circle(s)[0], axis=1) / fit_circle(s)[1] - 1.0).max()) for s in shapes]
    assert 1e-5 < min(off) < 0.015  # near enough for its edge to be followed on by its own shape


@pytest.mark.parametrize("lean_deg", [20.0, 40.0, 55.0])
def test_the_long_axis_tells_a_joints_width_where_a_cover_bulges_before_it(lean_deg):
    """What bulges before a plane by an eighth of the radius is seen further out by that times the sine of the lean."""
    normal = _leaning(lean_deg, 70.0)
    outline = _outline(CAMERA, normal, (50.0, -40.0, 900.0), 170.0, 60)
    ellipse = Ellipse.fit(outline)
    short = ellipse.normals(np.array([np.pi / 2]))[0]
    away = outline - ellipse.center_px
    bulge = 0.12 * np.sin(np.radians(lean_deg)) / np.cos(np.radians(lean_deg))
    told = outline + bulge * (away @ short)[:, None] * short
    frame = face_frame((1200, 1600), CAMERA, normal)
    true = fit_circle(frame.from_photo(outline))[1]
    whole, ends = (fit_circle(frame.from_photo(px))[1] / true - 1.0 for px in (told, told[at_long_axis(told)]))
    assert whole > 0.015
    assert 1e-5 < abs(ends) < 0.5 * whole


def _border(rng, circles):
    """Points of (x, y, radius, from, to) arcs in degrees, a little rough."""
    points = []
    for x, y, radius, start, end in circles:
        angle = np.radians(np.arange(start, end, 2.0))
        far = radius * (1 + rng.normal(0, 0.004, len(angle)))
        points.append(np.stack([x + far * np.cos(angle), y + far * np.sin(angle)], 1))
    return np.concatenate(points)


def test_both_circles_of_a_border_round_two_things_are_told():
    """The front chamber's rim shows on one side, the rear one's on the other."""
    border = _border(np.random.default_rng(5), [(0.0, 0.0, 100.0, 60, 265), (30.0, 4.0, 96.0, -95, 60)])
    found = robust_circles(border, 104.0)
    assert len(found) > 1
    for center, radius in (((0.0, 0.0), 100.0), ((30.0, 4.0), 96.0)):
        off = min(float(np.linalg.norm(one[0] - center) + abs(one[1] - radius)) for one in found)
        assert 1e-6 < off < 2.0


def test_a_border_point_more_or_less_moves_the_circle_hardly():
    border = _border(np.random.default_rng(6), [(3.0, -2.0, 100.0, 0, 230), (12.0, 9.0, 112.0, 230, 360)])
    first = robust_circles(border, 100.0)[0]
    for left_out in range(0, len(border), 9):
        center, radius, _ = robust_circles(np.delete(border, left_out, axis=0), 100.0)[0]
        assert np.linalg.norm(center - first[0]) + abs(radius - first[1]) < 0.3


@pytest.mark.parametrize(("before_mm", "is_cover"), [(100.0, True), (-100.0, False)])
def test_an_outline_that_a_cover_widens_is_no_reason_against_its_joint(before_mm, is_cover):
    """What cv2.convexHull makes of a joint and of a circle 0.28 of its diameter before it, or as far behind it."""
    normal, middle = _leaning(50.0, 20.0), np.array([60.0, -30.0, 900.0])
    joint = _outline(CAMERA, normal, middle, 180.0)
    cover = _outline(CAMERA, normal, middle - before_mm * normal, 150.0)
    told = cv2.convexHull(np.concatenate([joint, cover]).astype(np.float32)).reshape(-1, 2).astype(float)
    frame = face_frame((1200, 1600), CAMERA, normal)
    placed = Placed(frame, np.zeros(2), 1.0, True, 0.05).about(joint)
    away = placed.away_with_cover(told, COVER_LEAD, CAMERA.focal_px)
    assert np.abs(Ellipse.fit(joint).reach(told) - 1.0).max() > 0.3
    assert away < 0.05 if is_cover else away > 0.2


@pytest.mark.parametrize(("aside_mm", "is_joint"), [(0.0, True), (6.0, False)])
def test_a_band_behind_its_front_edge_is_the_joint_though_that_reaches_over_it(aside_mm, is_joint):
    """A crest of 108 mm radius 10 mm behind an edge of 104, seen 45 degrees aslant; and one with its middle aside."""
    normal, middle = _leaning(45.0, 0.0), np.array([20.0, -30.0, 900.0])
    edge = _outline(CAMERA, normal, middle - 10.0 * normal, 104.0)
    crest = _outline(CAMERA, normal, middle + aside_mm * np.array([0.0, 1.0, 0.0]), 108.0)
    placed = Placed(face_frame((1200, 1600), CAMERA, normal), np.zeros(2), 1.0, True, 0.05)
    traces = [
        (TracedCircle(outline, Ellipse.fit(outline), evidence, evidence), placed.about(outline))
        for outline, evidence in ((edge, 0.6), (crest, 0.5))
    ]
    assert not encloses(traces[1][0], traces[0][0])
    assert (_outermost(traces, CAMERA.focal_px) is traces[1]) == is_joint


def test_a_crest_is_found_from_the_edge_before_it():
    """Two discs drawn over one another, of 110 mm radius and 10 mm before it of 104, seen 45 degrees aslant."""
    normal, middle = _leaning(45.0, 0.0), np.array([20.0, -30.0, 600.0])
    edge, crest = (_outline(CAMERA, normal, middle - at * normal, size) for at, size in ((10.0, 104.0), (0.0, 110.0)))
    gray = np.where(_disc(edge) > 110, 200, _disc(crest)).astype(np.uint8)
    frame, ellipse = face_frame(gray.shape, CAMERA, normal), Ellipse.fit(edge)
    best = TracedCircle(edge, ellipse, 0.6, 0.6), Placed(frame, np.zeros(2), 1.0, True, 0.05).about(edge)
    pose = PlanePose(rotation_taking_z_to(normal), middle, CAMERA.focal_px, 0.0)
    question = PartQuestion("a.jpg", gray, gray, (pose,), True, True, (), {})
    behind = _traces_behind(question, RoundPart.of_outline("chamber", crest), best, lambda px: np.ones(len(px), bool))
    off = [np.abs(one.ellipse.reach(crest) - 1.0).max() for one, _ in behind]
    assert 1e-6 < min(off) < 0.004
    assert np.abs(ellipse.reach(crest) - 1.0).max() > 0.05


def test_the_back_edge_of_a_wall_is_no_crest():
    """A rim of 108 mm radius and 12 mm thick, 45 degrees aslant: a circle along its front edge and its back edge."""
    normal, middle = _leaning(45.0, 0.0), np.array([20.0, -30.0, 900.0])
    front, back = (_outline(CAMERA, normal, middle + at * normal, 108.0) for at in (0.0, 12.0))
    placed = Placed(face_frame((1200, 1600), CAMERA, normal), np.zeros(2), 1.0, True, 0.05)
    near = (front - front.mean(axis=0)) @ (back - front).mean(axis=0) > 0
    outlines = front, np.where(near[:, None], back, front)
    traces = [
        (TracedCircle(outline, Ellipse.fit(outline), evidence, evidence), placed.about(outline))
        for outline, evidence in zip(outlines, (0.6, 0.55), strict=True)
    ]
    assert traces[1][1].radius > 1.008 * traces[0][1].radius
    assert _outermost(traces, CAMERA.focal_px) is traces[0]
