"""The mouth of a drawn thread is traced over its chamfer, from whichever outline of it was told best.

Pictures are drawn by OpenCV (cv2.circle); sizes are those of 1 in. NPT (ASME B1.20.1, from memory): crests of a female
thread 29.7 mm, major diameter 33.4 mm, its chamfer a little more (common practice).
"""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from features.camera import rotation_from_vector
from features.parts.finder import LookAt, PartQuestion
from features.parts.learned import LearnedFinder
from features.parts.looks import closely, flange_of
from features.parts.part_maps import RoundPart
from features.parts.part_model import PartMaps, Window
from features.parts.part_vocabulary import PART_CLASSES, PART_STRIDE, POINT_CLASSES, ROUND_CLASSES, ROUND_STRIDE
from features.parts.placed import EllipseFrame, Placed, reference_frames
from features.parts.port_opening import flange_opening, told_only, trace_mouth
from features.plane_pose import PlanePose

SIZE, PX_PER_MM = 512, 6.0
MIDDLE = np.array([255.5, 255.5])
CRESTS_MM, CHAMFER_MM = 29.7, 33.9


def _blurred(picture):
    """As a lens blurs the light, not its code (here a power of 2.2; sRGB is one of 2.4 with a straight start)."""
    light = (picture / 255.0).astype(np.float32) ** 2.2
    return 255.0 * cv2.GaussianBlur(light, (0, 0), 1.0) ** (1 / 2.2)


def _picture(discs=((CHAMFER_MM, 185), (CRESTS_MM, 40))):
    picture = np.full((SIZE, SIZE), 150, np.uint8)

    def disc(diameter_mm, level):
        center = tuple(round(float(v) * 16) for v in MIDDLE)
        cv2.circle(picture, center, round(diameter_mm / 2 * PX_PER_MM * 16), level, -1, cv2.LINE_AA, 4)

    for diameter_mm, level in discs:
        disc(diameter_mm, level)
    blurred = _blurred(picture) + np.random.default_rng(0).normal(0, 3, picture.shape)
    return np.asarray(np.clip(blurred, 0, 255), np.uint8)


def _question(gray):
    pose = PlanePose(np.eye(3), np.array([0.0, 0.0, 1000.0]), 1000.0, 0.0)
    return PartQuestion("a.jpg", np.repeat(gray[..., None], 3, axis=2), gray, (pose,), False, False, (), {})


def _maps(attributes=None):
    """A map that shows nothing."""
    cells = SIZE // ROUND_STRIDE
    shares = np.full((len(PART_CLASSES), SIZE // PART_STRIDE, SIZE // PART_STRIDE), 1e-3, np.float32)
    shares[0] = 1.0
    centers = np.zeros((len(ROUND_CLASSES), cells, cells), np.float32)
    shapes = np.zeros((len(ROUND_CLASSES), 5, cells, cells), np.float32)
    points = np.zeros((len(POINT_CLASSES), SIZE // 2, SIZE // 2), np.float32)
    return PartMaps(
        Window(0.0, 0.0, 1.0, SIZE, SIZE), shares / shares.sum(axis=0), points, centers, shapes, attributes or {}
    )


def _told(stretch, aside_px=0.0, flatness=1.0):
    radius_px = stretch * CHAMFER_MM / 2 * PX_PER_MM
    return RoundPart("mouth", 0.9, MIDDLE + np.array([aside_px, 0.0]), np.diag([radius_px, flatness * radius_px]))


@pytest.mark.parametrize("stretch", [1.0, 0.9])
def test_the_chamfer_is_the_mouth(stretch):
    found = trace_mouth(_question(_picture()), (_told(stretch), _told(1.0)), _maps())
    assert found
    radius_mm = np.linalg.norm(found.sighting.points_px - MIDDLE, axis=1).mean() / PX_PER_MM
    assert 1e-4 < abs(2 * radius_mm / CHAMFER_MM - 1) < 0.01


def test_a_shadow_inside_that_is_told_unsurely_is_not_the_mouth():
    """Only the mouth's own edge is seen, and deep inside a shadow's, plainer than it."""
    gray = _picture(((CHAMFER_MM, 100), (0.72 * CHAMFER_MM, 5)))
    shadow = replace(_told(0.74), score=0.3)
    found = trace_mouth(_question(gray), (shadow, _told(1.02), shadow), _maps())
    assert found
    radius_mm = np.linalg.norm(found.sighting.points_px - MIDDLE, axis=1).mean() / PX_PER_MM
    assert 1e-4 < abs(2 * radius_mm / CHAMFER_MM - 1) < 0.01


def test_the_dark_inside_is_not_the_mouth_though_it_is_plainer():
    """Both edges are told alike surely, by two looks; the mouth's own is 1.32 times as wide, and nearer to both."""
    gray = _picture(((CHAMFER_MM, 112), (CHAMFER_MM / 1.32, 5)))
    found = trace_mouth(_question(gray), (_told(0.88), _told(1.06)), _maps())
    assert found
    radius_mm = np.linalg.norm(found.sighting.points_px - MIDDLE, axis=1).mean() / PX_PER_MM
    assert 1e-4 < abs(2 * radius_mm / CHAMFER_MM - 1) < 0.01


def test_crests_are_traced_where_their_chamfer_was_told():
    """Crests of 11.36 mm lie in a chamfer of 13.9 mm (1/4 in. NPT, ASME B1.20.1, from memory); they alone are seen."""
    crests_mm = CHAMFER_MM * 11.36 / 13.9
    found = trace_mouth(_question(_picture(((crests_mm, 40),))), (_told(0.95, 12.0),), _maps())
    assert found
    assert not told_only(found)
    radius_mm = np.linalg.norm(found.sighting.points_px - MIDDLE, axis=1).mean() / PX_PER_MM
    assert 1e-4 < abs(2 * radius_mm / crests_mm - 1) < 0.01


def test_a_bad_outline_does_not_spoil_a_good_one():
    """The closer look tells a mouth half as large again and aside, as one does that takes the face for it."""
    bad, good = _told(1.35, 30.0, 0.8), _told(1.02)
    found = trace_mouth(_question(_picture()), (bad, good), _maps())
    assert found
    away = np.linalg.norm(found.sighting.points_px - MIDDLE, axis=1) / PX_PER_MM
    assert 0.001 < np.abs(2 * away / CHAMFER_MM - 1).max() < 0.03


def test_the_plain_edge_of_a_boss_is_not_the_mouth_in_it():
    """Seen 36 degrees aslant, as a card beside it tells; a closer look tells a rounder mouth, a third too wide."""
    slant = np.radians(36.0)
    picture = np.full((SIZE, SIZE), 150, np.uint8)
    center = tuple(round(float(v) * 16) for v in MIDDLE)
    for diameter_mm, level in ((1.45 * CHAMFER_MM, 70), (CHAMFER_MM, 120)):
        axes = [round(diameter_mm / 2 * PX_PER_MM * share * 16) for share in (np.cos(slant), 1.0)]
        cv2.ellipse(picture, center, axes, 0.0, 0.0, 360.0, level, -1, cv2.LINE_AA, 4)
    noisy = _blurred(picture) + np.random.default_rng(0).normal(0, 3, picture.shape)
    gray = np.asarray(np.clip(noisy, 0, 255), np.uint8)
    pose = PlanePose(rotation_from_vector(np.array([0.0, slant, 0.0])), np.array([0.0, 0.0, 20000.0]), 20000.0, 0.0)
    question = replace(_question(gray), poses=(pose,), has_scale=True, tilt_known=True)
    found = trace_mouth(question, (_told(1.12), _told(1.0, flatness=0.9)), _maps())
    assert found
    height_mm = np.ptp(found.sighting.points_px[:, 1]) / PX_PER_MM
    assert 1e-4 < abs(height_mm / CHAMFER_MM - 1) < 0.015


def test_a_half_hidden_opening_is_found_in_the_middle_of_its_flange():
    """EN 1092-1 DN 40 (150 mm, from memory) with a bore of 38 mm, half of it under a sheet, told amiss."""
    px_per_mm = SIZE / 190.0
    picture = np.full((SIZE, SIZE), 90, np.uint8)
    center = tuple(round(float(v) * 16) for v in MIDDLE)
    cv2.circle(picture, center, round(75 * px_per_mm * 16), 170, -1, cv2.LINE_AA, 4)
    cv2.circle(picture, center, round(19 * px_per_mm * 16), 50, -1, cv2.LINE_AA, 4)
    picture[: int(MIDDLE[1])] = 230
    noisy = _blurred(picture) + np.random.default_rng(0).normal(0, 3, picture.shape)
    gray = np.asarray(np.clip(noisy, 0, 255), np.uint8)
    rim_px = 75 * px_per_mm
    flange = RoundPart("flange", 0.9, MIDDLE, np.diag([rim_px, rim_px]))
    rim = Placed(EllipseFrame(flange), np.zeros(2), 400.0, False, 0.06)
    told = RoundPart("mouth", 0.9, MIDDLE + np.array([0.0, 35.0]), np.diag([12.0, 9.0]) * px_per_mm)
    found = trace_mouth(_question(gray), (told,), _maps(), rim)
    assert found
    diameter_mm = 2 * np.linalg.norm(found.sighting.points_px - MIDDLE, axis=1).mean() / px_per_mm
    assert 1e-4 < abs(diameter_mm / 38.0 - 1) < 0.015
    assert 0.3 < found.coverage < 0.6


def test_the_opening_of_a_flange_is_the_edge_at_its_face_and_not_the_step_in_it():
    """A bore of 40 mm that narrows to 35 a little behind the face, which is plainer than the opening itself."""
    gray = _picture(((80.0, 120), (40.0, 90), (35.0, 20)))
    part = RoundPart("flange", 0.9, MIDDLE, np.eye(2) * 40.0 * PX_PER_MM)
    rim = Placed(EllipseFrame(part), np.zeros(2), 400.0, False, 0.05)
    found = trace_mouth(_question(gray), (_told(35.5 / CHAMFER_MM),), _maps(), rim)
    assert found
    radius_mm = np.linalg.norm(found.sighting.points_px - MIDDLE, axis=1).mean() / PX_PER_MM
    assert 1e-4 < abs(2 * radius_mm / 40.0 - 1) < 0.01


def test_a_step_that_is_seen_to_touch_its_flanges_opening_is_no_opening_either():
    """A bore of 40 mm narrowing to 36: a card tells a slant under which the step's edge is seen 2.2 mm aside."""
    gray = np.float32(_picture(((80.0, 120), (40.0, 100))))
    aside = tuple(round(float(v) * 16) for v in MIDDLE + np.array([2.2 * PX_PER_MM, 0.0]))
    cv2.circle(gray, aside, round(18.0 * PX_PER_MM * 16), 15, -1, cv2.LINE_AA, 4)
    gray = np.uint8(np.clip(_blurred(gray), 0, 255))
    gray[round(MIDDLE[1] + 10 * PX_PER_MM) :] = 235  # the card
    card = np.array([[0.0, 0.9 * SIZE], [SIZE, 0.9 * SIZE], [SIZE, SIZE], [0.0, SIZE]])
    question = replace(_question(gray), has_scale=True, tilt_known=True, keep_out_px=(card,))
    (frame,) = reference_frames(question)
    part = RoundPart("flange", 0.9, MIDDLE, np.eye(2) * 40.0 * PX_PER_MM)
    rim = Placed(frame, np.zeros(2), 1.0, True, 0.05).about(part.outline_px())
    found = trace_mouth(question, (_told(36.5 / CHAMFER_MM, 2.0 * PX_PER_MM),), _maps(), rim)
    assert found
    radius_mm = np.linalg.norm(found.sighting.points_px - MIDDLE, axis=1).mean() / PX_PER_MM
    assert 1e-4 < abs(2 * radius_mm / 40.0 - 1) < 0.015


@pytest.mark.parametrize("flatness", [1.0, 0.6, 0.35])
def test_a_mouth_without_edges_is_told_by_its_outline_however_slanted(flatness):
    """A told outline's longer axis is as good seen at a slant as squarely: 7 % rms on 90 mouths of renders."""
    blank = np.full((SIZE, SIZE), 120, np.uint8)
    found = trace_mouth(_question(blank), (_told(1.0, flatness=flatness),), _maps())
    assert found
    long_px = CHAMFER_MM / 2 * PX_PER_MM
    assert np.ptp(found.sighting.points_px[:, 0]) / 2 == pytest.approx(long_px, rel=0.01)
    assert 0.05 * long_px < found.edge_shared_px < 0.12 * long_px


def test_of_a_mouth_seen_edge_on_without_edges_the_long_axis_is_told_and_of_a_flange_nothing():
    blank = np.full((SIZE, SIZE), 120, np.uint8)
    found = trace_mouth(_question(blank), (_told(1.0, flatness=0.2),), _maps())
    assert found
    assert found.edge_on
    long_px = CHAMFER_MM / 2 * PX_PER_MM
    assert np.ptp(found.sighting.points_px[:, 0]) / 2 == pytest.approx(long_px, rel=0.01)
    assert found.edge_shared_px == pytest.approx(0.1 * long_px, rel=0.01)
    assert told_only(found)
    assert flange_opening(found) is None


def test_a_flanges_opening_is_told_worse_than_a_threads_and_traced_as_well():
    """No edge on a blank sheet: of an opening aslant the dark part is told. Where an edge is, nothing changes."""
    told = trace_mouth(_question(np.full((SIZE, SIZE), 120, np.uint8)), (_told(1.0),), _maps())
    traced = trace_mouth(_question(_picture()), (_told(1.0),), _maps())
    radius_px = CHAMFER_MM / 2 * PX_PER_MM
    opening = flange_opening(told)
    assert opening
    assert told
    assert 1.5 * told.edge_shared_px < opening.edge_shared_px < 0.3 * radius_px
    assert flange_opening(traced) is traced
    assert flange_opening(None) is None


@pytest.mark.parametrize(
    ("threaded", "flange_score", "is_flange"),
    [(0.95, 0.4, False), (0.95, 0.9, False), (0.05, 0.4, True), (0.5, 0.9, True), (0.5, 0.4, False)],
)
def test_a_doubtful_flange_gives_way_to_the_mouth_of_a_threaded_port(threaded, flange_score, is_flange):
    """Bayes' rule: what the photo says of the connection weighs as much as what it says of each part."""
    maps = _maps({"connection": {"flanged": 1.0 - threaded, "threaded": threaded}})
    flange = RoundPart("flange", flange_score, MIDDLE - 150.0, np.diag([60.0, 50.0]))
    rounds = (_told(1.0), flange)
    chosen = flange_of(maps, rounds, None)
    assert (chosen is flange) == is_flange


def test_a_flange_that_the_user_points_at_is_measured():
    maps = _maps({"connection": {"flanged": 0.05, "threaded": 0.95}})
    flange = RoundPart("flange", 0.4, MIDDLE - 150.0, np.diag([60.0, 50.0]))
    pointed_at = LookAt("flange_diameter", *(MIDDLE - 150.0), 55.0)
    assert flange_of(maps, (_told(1.0), flange), pointed_at) is flange
    assert flange_of(maps, (_told(1.0),), pointed_at) is None


class _NoMore:
    """A model whose closer look shows nothing."""

    def look(self, *_args, **_kwargs):
        return _maps()


@pytest.mark.parametrize(("pointed_at", "is_traced"), [(None, True), (LookAt("port_bore", 75.0, 75.0, 60.0), False)])
def test_the_other_ports_mouth_is_measured_where_no_edge_of_the_first_choice_is_seen(pointed_at, is_traced):
    """Unless the user points at the first: then its told outline is all there is."""
    blank = RoundPart("mouth", 0.99, np.array([75.0, 75.0]), np.diag([60.0, 60.0]))
    drawn = replace(_told(1.0), score=0.52)
    question = replace(_question(_picture()), look_at=() if pointed_at is None else (pointed_at,))
    first = closely(_NoMore(), question.pixels_rgb, _maps(), blank)
    subject, circle = LearnedFinder(_NoMore())._mouth(question, _maps(), (blank, drawn), first)
    assert circle
    assert told_only(circle) != is_traced
    middle = MIDDLE if is_traced else np.array([75.0, 75.0])
    assert np.linalg.norm(subject.part.center_px - middle) < 2.0
    assert np.linalg.norm(circle.sighting.points_px.mean(axis=0) - middle) < 4.0
