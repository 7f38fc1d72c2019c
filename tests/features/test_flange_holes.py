"""The holes of drawn flanges are found, counted and placed; a plain disc has none.

Pictures are drawn by OpenCV (cv2.circle, cv2.warpPerspective); sizes are those of ASME B16.5 Class 150 and EN 1092-1,
from memory: 2 in. has 4 holes of 19 mm on 120.7 mm, DN 80 has 8 of 18 mm on 160 mm and a raised face of 138 mm.
"""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from features.parts.bolt_circle import SeenHoles, trace_bolt_circle
from features.parts.finder import PartQuestion
from features.parts.flange_holes import FaceMap, find_holes
from features.parts.flange_rim import face_map
from features.parts.front_on import FaceFrame
from features.parts.learned_evidence import hole_count_evidence
from features.parts.part_maps import RoundPart
from features.parts.part_model import PartMaps, Window
from features.parts.part_vocabulary import PART_CLASSES
from features.parts.placed import EllipseFrame, Placed
from features.parts.slots import slots_at
from features.plane_pose import PlanePose

DN_80 = (200.0, 160.0, 18.0)
ASME_2 = (152.4, 120.7, 19.1)

SHRINK = 0.8


def _question(gray, covered=()):
    rgb = np.repeat(gray[..., None], 3, axis=2)
    return PartQuestion("a.jpg", rgb, gray, (), False, False, (), {}, tuple(covered))


def _flange(rim_mm, circle_mm, hole_mm, count, px_per_mm=3.0, slot_mm=0.0, turn=0.3):
    """A gray disc with dark holes and a bore, seen at a slant, with noise; where its holes are; its rim as told.

    Slots reach `slot_mm` to either side of the bolt circle, ends not counted.
    """
    size = 800
    middle, unit = (size - 1) / 2, px_per_mm * 16
    picture = np.full((size, size), 90, np.uint8)

    def disc(x, y, radius_mm, level):
        center = (round((middle + x * px_per_mm) * 16), round((middle + y * px_per_mm) * 16))
        cv2.circle(picture, center, round(radius_mm * unit), level, -1, cv2.LINE_AA, 4)

    disc(0, 0, rim_mm / 2, 170)
    disc(0, 0, rim_mm / 6, 40)
    turns = turn + 2 * np.pi * np.arange(count) / max(count, 1)
    holes = 0.5 * circle_mm * np.stack([np.cos(turns), np.sin(turns)], 1)
    for x, y in holes:
        for way in np.linspace(-1, 1, 41) if slot_mm else (0.0,):
            away = way * slot_mm / float(np.hypot(x, y))
            disc(x * (1 + away), y * (1 + away), hole_mm / 2, 60)
    squeeze = np.array([[1, 0, 0], [0, SHRINK, middle * (1 - SHRINK)], [0, 0, 1.0]])
    seen = cv2.GaussianBlur(cv2.warpPerspective(picture, squeeze, (size, size), borderValue=90), (0, 0), 1.0)
    noisy = seen + np.random.default_rng(0).normal(0, 4, seen.shape)
    places = middle + holes * px_per_mm * [1, SHRINK]
    rim = RoundPart("flange", 1.0, np.array([middle, middle]), np.diag([1, SHRINK]) * rim_mm / 2 * px_per_mm)
    return (
        np.asarray(np.clip(noisy, 0, 255), np.uint8),
        places,
        Placed(EllipseFrame(rim), np.zeros(2), 400.0, False, 0.06),
    )


@pytest.mark.parametrize(("sizes", "count"), [((152.4, 120.7, 19.1), 4), (DN_80, 8)])
def test_every_hole_is_found_within_a_pixel(sizes, count):
    gray, places, rim = _flange(*sizes, count)
    ring = find_holes(_question(gray), rim)
    assert ring is not None
    assert len(ring.middles_px) == count
    off = np.linalg.norm(ring.middles_px[:, None] - places[None], axis=2).min(axis=1)
    assert 0.01 < off.max() < 3.0
    assert ring.hole_share == pytest.approx(sizes[2] / sizes[0], rel=0.25)
    assert ring.ring_share == pytest.approx(sizes[1] / sizes[0], abs=0.025)
    assert (ring.count, sorted(ring.slots)) == (count, list(range(count)))
    assert 0.99 < ring.likelihood[count] <= 1.0


@pytest.mark.parametrize(("over", "sure"), [("flange", True), ("companion", True), ("scale_reference", False)])
def test_between_the_bolts_of_a_mated_flange_none_is_hidden(over, sure):
    """Every second of 8 lies as 4 do; a face of another flange in which bolts stand shows that there are no more."""
    gray, places, rim = _flange(*ASME_2, 4)
    shown = np.full(gray.shape, PART_CLASSES.index("background"), np.uint8)
    cv2.circle(shown, (400, 400), 230, PART_CLASSES.index(over), -1)
    for x, y in places:
        cv2.circle(shown, (round(x), round(y)), 30, PART_CLASSES.index("bolt"), -1)
    shares = np.asarray(np.eye(len(PART_CLASSES))[shown].transpose(2, 0, 1), np.float32)
    nothing = np.zeros((1, *gray.shape), np.float32)
    maps = PartMaps(Window(0.0, 0.0, 1.0, *gray.shape), shares, nothing, nothing, nothing, {}, cell_px=1)
    ring = find_holes(_question(gray), rim, face_map(maps, rim.frame.part))
    assert ring is not None
    assert (ring.likelihood[4] > 0.99) == sure
    assert 0.02 < ring.likelihood[4] < 1.0


def test_heads_in_the_holes_tell_no_hole_and_their_ring_less_well():
    """What stands an eighth of the radius before a face, seen from six radii away, looks 2 % larger."""
    gray, places, rim = _flange(*ASME_2, 4)
    pose = PlanePose(np.eye(3), np.array([0.0, 0.0, 1000.0]), 1000.0, 0.0)
    question = replace(_question(gray), poses=(pose,))
    seen = SeenHoles(places, np.arange(4), 4, ASME_2[2] / ASME_2[0])
    holes, bolts = (trace_bolt_circle(question, rim, None, replace(seen, bolted=b))[0] for b in (False, True))
    assert [found.sighting.name for found in holes] == ["bolt_circle_diameter", "bolt_hole_diameter"]
    assert [found.sighting.name for found in bolts] == ["bolt_circle_diameter"]
    radius_px = 0.9 * 0.5 * ASME_2[1] * 3.0  # squeezed to four fifths one way
    assert holes[0].edge_shared_px < 0.01 * radius_px < 0.02 * radius_px < bolts[0].edge_shared_px < 0.05 * radius_px


def test_a_ring_of_more_holes_than_ports_have_is_no_ports_flange():
    """No flange of up to 4 in. in the tabulated standards has more than 8; a clamped neck or a cover may."""
    gray, _, rim = _flange(152.4, 120.7, 14.0, 12)
    assert find_holes(_question(gray), rim) is None
    (evidence,) = hole_count_evidence({4: 0.2, 8: 0.1, 12: 0.7}, "a.jpg")
    assert set(evidence.likelihood) == {"4", "8"}
    assert sum(evidence.likelihood.values()) == pytest.approx(1.0)
    assert 0.6 < evidence.likelihood["4"] < 0.7
    assert hole_count_evidence({}, "a.jpg") == ()


def test_holes_under_a_card_are_left_out():
    gray, places, rim = _flange(*DN_80, 8)
    x, y = places[0]
    card = np.array([[x - 60, y - 60], [x + 60, y - 60], [x + 60, y + 60], [x - 60, y + 60]])
    ring = find_holes(_question(gray, [card]), rim)
    assert ring is not None
    assert 5 <= len(ring.middles_px) <= 7
    assert np.linalg.norm(ring.middles_px - places[0], axis=1).min() > 40


def test_a_plain_disc_has_no_holes():
    gray, _, rim = _flange(152.4, 120.7, 19.1, 0)
    assert find_holes(_question(gray), rim) is None


def _covered(places, seen, half_px=45):
    """Squares over all holes but the seen ones."""
    corners = half_px * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    return [place + corners for index, place in enumerate(places) if index not in seen]


def test_three_neighbors_of_eight_tell_eight():
    gray, places, rim = _flange(*DN_80, 8)
    ring = find_holes(_question(gray, _covered(places, (4, 5, 6))), rim)
    assert ring is not None
    assert ring.count == 8
    assert ring.likelihood[8] > 0.95
    assert np.ptp(np.unwrap(ring.slots * np.pi / 4)) == pytest.approx(np.pi / 2)


def test_where_what_is_seen_fits_several_numbers_none_is_sure():
    """Every second hole of 8 lies as 4 do: what lies between is hidden."""
    gray, places, rim = _flange(*DN_80, 8)
    ring = find_holes(_question(gray, _covered(places, (0, 2, 4, 6))), rim)
    assert ring is not None
    assert 0.02 < ring.likelihood[4] < 0.98
    assert 0.02 < ring.likelihood[8] < 0.98


def test_no_holes_lie_inside_a_raised_face_as_they_do_inside_a_rim():
    gray, _, rim = _flange(*DN_80, 8)
    about_rim = find_holes(_question(gray), rim)
    about_face = find_holes(_question(gray), replace(rim, radius=rim.radius * 138 / 200))
    assert about_rim is not None
    assert about_face is None or about_face.evidence < 0.3 * about_rim.evidence


@pytest.mark.parametrize(("slot_mm", "low", "high"), [(0.0, 0.0, 0.0), (5.0, 0.08, 0.12)])
def test_slots_are_told_from_holes(slot_mm, low, high):
    """Slots 10 mm longer than wide fit bolt circles from 150 to 170 mm (common practice on molded flanges)."""
    gray, _, rim = _flange(*DN_80, 8, slot_mm=slot_mm)
    ring = find_holes(_question(gray), rim)
    assert ring is not None
    slots = slots_at(gray, rim, ring.middles_px, ring.hole_share, ())
    assert low <= (slots.length if slots else 0.0) <= high
    middle = ring.ring_share + (slots.aside if slots else 0.0)
    assert middle == pytest.approx(0.8, abs=0.02)
    assert slots is None or slots.chance == 1.0


@pytest.mark.parametrize("slot_mm", [0.0, 4.0])
def test_two_slots_that_a_card_leaves_in_view_are_told_from_two_holes(slot_mm):
    gray, places, rim = _flange(*ASME_2, 4, slot_mm=slot_mm, turn=np.pi / 4)
    slant_told = FaceFrame(rim.frame.photo_from_front, rim.frame.px_per_px, 800, 800, np.zeros(2), np.eye(3)[2])
    card = _covered(places, (2, 3), 60)
    ring = find_holes(_question(gray, card), replace(rim, frame=slant_told))
    assert ring is not None
    assert (ring.count, len(ring.slots)) == (4, 2)
    slots = slots_at(gray, rim, ring.middles_px, ring.hole_share, card)
    assert (slots is not None) == (slot_mm > 0)
    middle = ring.ring_share + (slots.aside if slots else 0.0)
    assert middle == pytest.approx(120.7 / 152.4, abs=0.02)


def test_long_slots_of_a_small_flange_tell_the_bolt_circle_between_their_ends():
    """1 in. of ASME B16.5 (108 mm over 79.4 mm, holes of 15.9 mm): 9 mm of slot are a sixth of the flange's radius."""
    gray, places, rim = _flange(108.0, 79.4, 15.9, 4, px_per_mm=4.5, slot_mm=4.5, turn=np.pi / 4)
    question = replace(_question(gray), poses=(PlanePose(np.eye(3), np.array([0.0, 0.0, 1000.0]), 1000.0, 0.0),))
    outer = places[0] + (places[0] - 399.5) * 4.5 / 39.7
    seen = SeenHoles(np.array([outer, *(799.0 - outer)[None]]), np.array([0, 2]), 4, 15.9 / 108.0)
    (circle,), middle = trace_bolt_circle(question, rim, None, seen)
    assert middle is None  # a slot's own middle tells none
    in_front = rim.frame.from_photo(circle.sighting.points_px) / rim.radius
    assert 1e-5 < abs(np.linalg.norm(in_front, axis=1).mean() - 79.4 / 108.0) < 0.02
    radius_px = 0.9 * 39.7 * 4.5  # squeezed to four fifths one way
    assert 0.04 < circle.edge_shared_px / radius_px < 0.1  # half a slot's length over the root of three: 6.5 %


def test_where_half_of_two_slots_is_covered_either_may_be_true():
    """Patches in the face's own shade over their inner ends leave little more than holes at the outer ones."""
    gray, places, rim = _flange(*ASME_2, 4, slot_mm=4.0, turn=np.pi / 4)
    gray = gray.copy()
    ends = (places + (places - 399.5) * 4.0 / 60.35)[:2]
    for at, inward in zip(places[:2], 399.5 - places[:2], strict=True):
        over = at + inward / np.linalg.norm(inward) * 30
        cv2.circle(gray, tuple(np.rint(over).astype(int).tolist()), 20, 170, -1)
    slots = slots_at(gray, rim, ends, ASME_2[2] / ASME_2[0], ())
    assert slots is not None
    assert slots.chance == 0.5
    assert -0.08 < slots.aside < -0.02


def test_holes_that_straddle_the_upright_are_likelier_than_others():
    """Common practice; the same holes turned aside are told too."""
    evidence = {}
    for turned_deg in (0.0, 30.0):
        gray, _, rim = _flange(*ASME_2, 4, turn=np.radians(45.0 + turned_deg))
        ring = find_holes(_question(gray), rim)
        assert ring is not None
        assert ring.count == 4
        evidence[turned_deg] = ring.evidence
    assert 0.5 < evidence[0.0] - evidence[30.0] < 4.0


def test_a_stranger_before_some_holes_does_not_speak_against_the_others():
    """A bar that no list of hiding things knows stands before two of eight holes; the map sees no flange there."""
    gray, places, rim = _flange(*DN_80, 8, turn=np.radians(22.5))
    left = float(places[:, 0].min())
    gray = gray.copy()
    gray[:, int(left) - 45 : int(left) + 45] = 110

    def foreign(px):
        return (np.abs(px[:, 0] - left) < 50).astype(float)

    told = find_holes(_question(gray), rim, FaceMap(lambda px: np.zeros(len(px)), foreign))
    untold = find_holes(_question(gray), rim)
    assert told is not None
    assert untold is not None
    assert (told.count, len(told.middles_px)) == (8, 6)
    assert 1.0 < told.evidence - untold.evidence < 8.0
