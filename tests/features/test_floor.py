"""Pumps measured by a reference on their floor, beside drawn scenes of known truth (pinhole geometry alone)."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from features.camera import Camera, rotation_from_vector
from features.circle_in_photos import circle_of_photos
from features.circle_sighting import CircleSighting
from features.floor import measure_by_floor
from features.floor_seen import lies_as_floor
from features.measure_circles import lies_on_floor, measure_circles
from features.measured import log_covariance
from features.parts.finder import FoundCircle
from features.photo import FocalPrior, Photo
from features.plane_pose import PlanePose, plane_poses
from features.scale.reference import ScaleReference

FOCAL = 1200.0
PHOTO = Photo("a.jpg", Path("a.jpg"), np.zeros((1200, 1600, 3), np.uint8), FocalPrior(FOCAL, 0.05, "exif_35mm"))
CAMERA = Camera.of_size(1600, 1200, FOCAL)
DIAMETER_MM = 300.0
LOOKS_DOWN_DEG = 35.0
DOWN = np.array([0.0, np.cos(np.radians(LOOKS_DOWN_DEG)), np.sin(np.radians(LOOKS_DOWN_DEG))])
AHEAD = np.array([0.0, -DOWN[2], DOWN[1]])
ASIDE = np.array([1.0, 0.0, 0.0])
FOOT = 900.0 * DOWN + 1000.0 * AHEAD


def walked(points_mm, degrees):
    """The scene as seen after a walk round the foot of the pump."""
    return (points_mm - FOOT) @ rotation_from_vector(np.radians(degrees) * DOWN).T + FOOT


def card(place_mm, noise_px=0.05, seed=1, walk_deg=0.0):
    """A pocket card's inner corners on the floor (the printed card's own geometry: squares of 12 mm)."""
    random = np.random.default_rng(seed)
    flat = np.array([[x, y] for y in 12.0 * np.arange(1, 5) for x in 12.0 * np.arange(1, 7)])
    there = place_mm + flat[:, :1] * ASIDE - flat[:, 1:] * AHEAD
    px = CAMERA.project(walked(there, walk_deg)) + random.normal(0, noise_px, (24, 2))
    return ScaleReference(
        "scale_card", "pocket scale card", flat, px, noise_px, px[[0, 5, 23, 18]], 0.005, "print:pocket"
    )


def circle(name, middle_mm, diameter_mm, turned_deg, noise_px=0.3, seed=2, walk_deg=0.0):
    """An upright circle that faces the viewer but for a turn about the upright."""
    random = np.random.default_rng(seed)
    turn = np.radians(turned_deg)
    along = np.cos(turn) * ASIDE + np.sin(turn) * AHEAD
    angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)[:, None]
    rim = middle_mm + 0.5 * diameter_mm * (np.cos(angle) * along + np.sin(angle) * DOWN)
    px = CAMERA.project(walked(rim, walk_deg)) + random.normal(0, noise_px, (120, 2))
    return CircleSighting(name, f"{walk_deg:.0f}.jpg", px)


def joint(height_of_diameter, turned_deg=20.0, **how):
    return circle("chamber_diameter", FOOT - height_of_diameter * DIAMETER_MM * DOWN, DIAMETER_MM, turned_deg, **how)


def measured(*sightings, by=None, focal_photo=PHOTO):
    reference = by or card(FOOT + 250 * ASIDE - 100 * AHEAD)
    poses = plane_poses(reference, focal_photo)
    return [one.solved for one in measure_by_floor(focal_photo, [(one, 0.3) for one in sightings], poses, reference)]


@pytest.mark.parametrize(("height_of_diameter", "most"), [(0.93, 0.02), (0.8, 0.09), (1.06, 0.09)])
@pytest.mark.parametrize("turned_deg", [-30.0, 0.0, 35.0])
def test_a_joint_is_as_large_as_its_height_over_the_floor_has_it(height_of_diameter, most, turned_deg):
    (one,) = measured(joint(height_of_diameter, turned_deg))
    off = abs(np.log(one.length.value_mm / DIAMETER_MM))
    assert 1e-6 < off < most
    assert off < 2 * one.length.relative_sd < 0.2
    assert one.tilt_pull < 1.5


def test_where_on_the_floor_the_reference_lies_does_not_matter():
    """As wide an interval and nearly the same size by a card before the pump, beside it, and behind."""
    places = (-400 * AHEAD, 250 * ASIDE - 100 * AHEAD, 300 * AHEAD - 200 * ASIDE)
    sizes = [measured(joint(0.9), by=card(FOOT + place))[0].length for place in places]
    assert 1e-6 < np.ptp(np.log([size.value_mm for size in sizes])) < 0.03
    assert all(size.relative_sd < 0.09 for size in sizes)


def test_a_port_in_front_of_the_joint_is_not_taken_for_larger():
    """It opens a third of the joint's diameter nearer to the viewer than the joint lies."""
    turn = np.radians(20.0)
    out = np.sin(turn) * ASIDE - np.cos(turn) * AHEAD
    middle = FOOT - 1.6 * DIAMETER_MM * DOWN + 0.33 * DIAMETER_MM * out
    _, flange = measured(joint(0.9), circle("flange_diameter", middle, 120.0, 20.0))
    off = abs(np.log(flange.length.value_mm / 120.0))
    assert 1e-6 < off < 0.04
    assert off < 2 * flange.length.relative_sd < 0.3


def test_without_a_joint_the_card_tells_only_about_how_far_away_a_port_is():
    near_the_top = FOOT - 1.6 * DIAMETER_MM * DOWN
    (flange,) = measured(circle("flange_diameter", near_the_top, 120.0, 0.0))
    assert abs(np.log(flange.length.value_mm / 120.0)) < 2 * flange.length.relative_sd
    assert 0.15 < flange.length.relative_sd < 0.45


@pytest.mark.parametrize("turned_deg", [0.0, 25.0])
def test_four_holes_lean_as_the_rim_about_them_does(turned_deg):
    """Four places of a circle fit every plane: EN 1092-1 PN10/16 DN50 is 165 mm wide about a bolt circle of 125 mm."""
    near_the_top = FOOT - 1.6 * DIAMETER_MM * DOWN
    rim = circle("flange_diameter", near_the_top, 165.0, turned_deg)
    ring = circle("bolt_circle_diameter", near_the_top, 125.0, turned_deg, seed=4)
    holes = CircleSighting(ring.name, ring.photo, ring.points_px[15::30])
    flange, bolts = (one.length for one in measured(rim, holes))
    covariance = log_covariance([flange, bolts])
    sd = float(np.sqrt(covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1]))
    off = abs(np.log(flange.value_mm / bolts.value_mm) - np.log(165.0 / 125.0))
    assert 1e-6 < off < 2 * sd < 0.03


def test_a_joint_seen_edge_on_does_not_spoil_the_port():
    """What is seen of it is a line, and its size as open as that: the port is measured as if no joint were told."""
    near_the_top = circle("flange_diameter", FOOT - 1.6 * DIAMETER_MM * DOWN, 120.0, 0.0)
    _, beside = measured(joint(0.9, 89.0), near_the_top)
    (alone,) = measured(near_the_top)
    assert beside.length.value_mm == pytest.approx(alone.length.value_mm)
    assert 0.15 < beside.length.relative_sd < 0.45


def test_a_coin_on_the_floor_tells_its_slant_by_its_own_rim():
    """A 2 euro coin, 25.75 mm (Council Regulation (EC) 975/98), its rim drawn on the floor."""
    random = np.random.default_rng(3)
    angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)[:, None]
    rim = FOOT - 100 * AHEAD + 0.5 * 25.75 * (np.cos(angle) * ASIDE + np.sin(angle) * AHEAD)
    px = CAMERA.project(rim) + random.normal(0, 0.1, (90, 2))
    coin = ScaleReference("coin", "2 euro", np.zeros((90, 2)), px, 0.2, px, 0.002, "coin", True, 25.75)
    (one,) = measured(joint(0.9), by=coin)
    off = abs(np.log(one.length.value_mm / DIAMETER_MM))
    assert 1e-6 < off < 2 * one.length.relative_sd < 0.3


def test_a_card_of_untold_place_that_leans_back_as_a_floor_does_is_taken_for_one():
    reference = card(FOOT + 250 * ASIDE - 100 * AHEAD)
    found = FoundCircle(joint(0.9), 1.0, 0.3)
    poses = plane_poses(reference, PHOTO)
    (untold,) = measure_circles(PHOTO, [found], poses, reference, "unknown")
    (told,) = measure_circles(PHOTO, [found], poses, reference, "floor")
    assert untold.length.value_mm == told.length.value_mm


def test_two_photos_with_the_card_left_on_the_floor_need_no_height():
    """A joint that stands higher than any belief has it: one photo is 15 % off, two from 30 degrees apart are not."""
    views = []
    for number, walk_deg in enumerate((-15.0, 15.0)):
        reference = card(FOOT + 250 * ASIDE - 100 * AHEAD, seed=10 + number, walk_deg=walk_deg)
        found = FoundCircle(joint(1.25, 0.0, seed=20 + number, walk_deg=walk_deg), 1.0, 0.3)
        (one,) = measure_circles(PHOTO, [found], plane_poses(reference, PHOTO), reference, "floor")
        assert 0.08 < abs(np.log(one.length.value_mm / DIAMETER_MM)) < 0.3
        views.append(one.seen)
    together = circle_of_photos(views)
    assert together is not None
    off = abs(np.log(together.value_mm / DIAMETER_MM))
    assert 1e-6 < off < 0.02
    assert off < 2 * together.relative_sd < 0.05


@pytest.mark.parametrize(
    ("leans_deg", "floor"),
    [(0.0, False), (20.0, False), (-50.0, False), (45.0, True), (65.0, True)],
    ids=["square on", "from a little below", "from above a pump's face", "floor seen steeply", "floor seen flatly"],
)
def test_a_face_seen_from_above_leans_the_other_way_than_a_floor(leans_deg, floor):
    """Seen from above a face's normal points down in the picture, a floor's up: turns about the picture's x axis."""
    turn = rotation_from_vector(np.array([-np.radians(leans_deg), 0.0, 0.0]))
    assert lies_as_floor(PlanePose(turn, np.array([0.0, 0.0, 800.0]), FOCAL, 0.0), np.zeros(2)) == floor


@pytest.mark.parametrize("looks_down_deg", [62.0, 70.0, 78.0])
def test_a_floor_looked_down_at_is_told_by_the_port_that_stands_upright_on_it(looks_down_deg):
    """A card before the pump, 600 mm from a phone held over it, and a flange at the top of a pump behind it.

    With the flange lying along the card's plane nothing says that it is the floor's.
    """
    down = np.array([0.0, np.cos(np.radians(looks_down_deg)), np.sin(np.radians(looks_down_deg))])
    ahead = np.array([0.0, -down[2], down[1]])
    flat = np.array([[x, y] for y in 12.0 * np.arange(1, 5) for x in 12.0 * np.arange(1, 7)])
    there = 600.0 * np.array([0.0, 0.0, 1.0]) + flat[:, :1] * ASIDE - flat[:, 1:] * ahead
    px = CAMERA.project(there) + np.random.default_rng(5).normal(0, 0.05, (24, 2))
    floor = ScaleReference("scale_card", "card", flat, px, 0.05, px[[0, 5, 23, 18]], 0.005, "print:pocket")
    poses = plane_poses(floor, PHOTO)
    assert not lies_on_floor(PHOTO, floor, poses, [], "unknown")
    angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)[:, None]
    middle = 600.0 * np.array([0.0, 0.0, 1.0]) + 300.0 * ahead - 350.0 * down
    for along, upright in ((down, True), (ahead, False)):
        rim = CAMERA.project(middle + 60.0 * (np.cos(angle) * ASIDE + np.sin(angle) * along))
        rim = rim + np.random.default_rng(6).normal(0, 0.3, (120, 2))
        found = [FoundCircle(CircleSighting("flange_diameter", "a.jpg", rim), 1.0, 0.3)]
        assert lies_on_floor(PHOTO, floor, poses, found, "unknown") == upright


def test_a_floor_that_a_poor_card_sees_mirrored_too_is_told_by_what_stands_upright_on_it():
    """A small card hardly tells which way it leans: a flange tells, which stands upright on the plane of the one pose.

    Where it lies along the other's plane instead, the card lies in its face and not on the floor.
    """
    looks_down = np.radians(52.0)
    down = np.array([0.0, np.cos(looks_down), np.sin(looks_down)])
    ahead = np.array([0.0, -down[2], down[1]])
    flat = np.array([[x, y] for y in 12.0 * np.arange(1, 4) for x in 12.0 * np.arange(1, 5)])
    there = np.array([0.0, 0.0, 1500.0]) + flat[:, :1] * ASIDE - flat[:, 1:] * ahead
    px = CAMERA.project(there) + np.random.default_rng(3).normal(0, 0.4, (12, 2))
    floor = ScaleReference("scale_card", "card", flat, px, 0.4, px[[0, 3, 11, 8]], 0.005, "print:pocket")
    poses = plane_poses(floor, PHOTO)
    assert len(poses) == 2
    assert lies_as_floor(poses[0], floor.points_mm.mean(axis=0))
    angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)[:, None]
    middle = np.array([0.0, -300.0, 1100.0])
    mirrored = poses[1].rotation[:, :2].T
    turned = (np.cos(angle) * ASIDE + np.sin(angle) * down, np.column_stack([np.cos(angle), np.sin(angle)]) @ mirrored)
    for rim, is_floor in zip(turned, (True, False), strict=True):
        edge = CAMERA.project(middle + 60.0 * rim) + np.random.default_rng(6).normal(0, 0.3, (120, 2))
        found = [FoundCircle(CircleSighting("flange_diameter", "a.jpg", edge), 1.0, 0.3)]
        assert lies_on_floor(PHOTO, floor, poses, found, "unknown") == is_floor


def test_a_card_seen_on_a_flange_that_looks_up_is_not_taken_for_one_on_the_floor():
    """It leans as one on the floor does; but before a flange no floor is seen, and the flange has the card's depth."""
    random = np.random.default_rng(7)
    middle, diameter_mm = FOOT - 300.0 * DOWN, 185.0
    angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)[:, None]
    rim = CAMERA.project(middle + 0.5 * diameter_mm * (np.cos(angle) * ASIDE + np.sin(angle) * AHEAD))
    flange = CircleSighting("flange_diameter", "a.jpg", rim + random.normal(0, 0.3, (120, 2)))
    reference = card(middle - 40 * ASIDE + 20 * AHEAD)
    poses = plane_poses(reference, PHOTO)
    found = [FoundCircle(flange, 1.0, 0.3)]
    assert lies_on_floor(PHOTO, reference, poses, [], "unknown")
    assert not lies_on_floor(PHOTO, reference, poses, found, "unknown")
    (untold,) = measure_circles(PHOTO, found, poses, reference, "unknown")
    off = abs(np.log(untold.length.value_mm / diameter_mm))
    assert 1e-6 < off < 0.01
    assert off < 2 * untold.length.relative_sd
    beside = card(middle - 350 * ASIDE)
    assert lies_on_floor(PHOTO, beside, plane_poses(beside, PHOTO), found, "unknown")


@pytest.mark.parametrize("turned_deg", [0.0, 50.0])
@pytest.mark.parametrize("lens", [1.0, 2.5])
def test_an_inlet_by_a_lens_that_the_file_does_not_tell(turned_deg, lens):
    """A second lens 2.5 times as long as a main camera's, a face that looks aside: card and rim tell both."""
    photo = replace(PHOTO, focal=FocalPrior(FOCAL / lens, 0.2, "phone_prior"))
    reference = card(FOOT + 150 * ASIDE - 50 * AHEAD)
    inlet = circle("flange_diameter", FOOT - 0.58 * 165.0 * DOWN, 165.0, turned_deg)
    (told,) = measure_by_floor(photo, [(inlet, 0.3)], plane_poses(reference, photo), reference, "low")
    off = abs(np.log(told.solved.length.value_mm / 165.0))
    assert 1e-5 < off < 0.03
    assert off < 2 * told.solved.length.relative_sd < 0.12


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_mouth_before_a_joint_has_a_doubt_of_its_own_where_a_poor_card_hardly_tells_the_lens(seed):
    """A longer lens sees the pump from further, and what is 0.38 joints nearer less enlarged."""
    photo = replace(PHOTO, focal=FocalPrior(FOCAL, 0.2, "phone_prior"))
    away = np.cos(np.radians(20.0)) * AHEAD - np.sin(np.radians(20.0)) * ASIDE
    reference = card(FOOT + 250 * ASIDE - 100 * AHEAD, noise_px=4.0, seed=seed)
    middle = FOOT - 1.6 * DIAMETER_MM * DOWN - 0.38 * DIAMETER_MM * away
    circles = [(joint(0.93), 0.3), (circle("port_bore", middle, 48.3, 20.0), 0.3)]
    both = [one.solved.length for one in measure_by_floor(photo, circles, plane_poses(reference, photo), reference)]
    by_lens = [
        next(part.relative for part in one.contributions if part.source.startswith("lens_taken")) for one in both
    ]
    assert 1.5 * by_lens[0] < by_lens[1] < 0.1
    off = abs(np.log(both[1].value_mm / 48.3))
    assert 1e-6 < off < 2.0 * both[1].relative_sd < 0.2


def test_a_mouth_whose_ellipse_leans_a_little_off_its_joint_lies_as_deep_as_one_that_faces_alike():
    """A small mouth's ellipse is a few pixels off: 22 degrees here. At any depth of the pump it would tell nothing."""
    away = np.cos(np.radians(20.0)) * AHEAD - np.sin(np.radians(20.0)) * ASIDE
    reference = card(FOOT + 250 * ASIDE - 100 * AHEAD)
    middle = FOOT - 1.6 * DIAMETER_MM * DOWN - 0.38 * DIAMETER_MM * away
    circles = [(joint(0.93), 0.3), (circle("port_bore", middle, 48.3, 42.0), 0.3)]
    _, mouth = measure_by_floor(PHOTO, circles, plane_poses(reference, PHOTO), reference, "unknown", 0.03)
    off = abs(np.log(mouth.solved.length.value_mm / 48.3))
    assert 1e-6 < off < 2.0 * mouth.solved.length.relative_sd < 0.25


@pytest.mark.parametrize(("focal", "is_floor"), [(("exif_35mm", 0.05), True), (("phone_prior", 0.2), False)])
def test_a_port_half_aslant_tells_the_floor_where_the_lens_is_told(focal, is_floor):
    """It stands upright on the card's plane, or 8 degrees from along it: by so much an unknown lens may turn it."""
    photo = replace(PHOTO, focal=FocalPrior(FOCAL, focal[1], focal[0]))
    down = np.array([0.0, np.cos(np.radians(62.0)), np.sin(np.radians(62.0))])
    ahead = np.array([0.0, -down[2], down[1]])
    flat = np.array([[x, y] for y in 12.0 * np.arange(1, 5) for x in 12.0 * np.arange(1, 7)])
    straight = 600.0 * np.array([0.0, 0.0, 1.0])
    px = CAMERA.project(straight + flat[:, :1] * ASIDE - flat[:, 1:] * ahead)
    px = px + np.random.default_rng(5).normal(0, 0.05, (24, 2))
    floor = ScaleReference("scale_card", "card", flat, px, 0.05, px[[0, 5, 23, 18]], 0.005, "print:pocket")
    angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)[:, None]
    middle = straight + 150.0 * ahead - 150.0 * down
    rim = CAMERA.project(middle + 60.0 * (np.cos(angle) * ASIDE + np.sin(angle) * down))
    found = [FoundCircle(CircleSighting("flange_diameter", "a.jpg", rim), 1.0, 0.1)]
    assert lies_on_floor(photo, floor, plane_poses(floor, photo), found, "unknown") == is_floor


@pytest.mark.parametrize(("turned_deg", "begins"), [(45.0, 20), (45.0, 80), (55.0, 80)])
def test_a_third_of_an_edge_that_does_not_lie_in_the_wall_is_not_fitted_there_at_any_price(turned_deg, begins):
    """Squared up to the wall such an arc is one of a far larger or smaller circle; told 40 % amiss it was sure of 8."""
    away = np.cos(np.radians(20.0)) * AHEAD - np.sin(np.radians(20.0)) * ASIDE
    reference = card(FOOT + 250 * ASIDE - 100 * AHEAD)
    middle = FOOT - 1.6 * DIAMETER_MM * DOWN - 0.38 * DIAMETER_MM * away
    mouth = circle("port_bore", middle, 48.3, turned_deg)
    arc = replace(mouth, points_px=mouth.points_px[(np.arange(42) + begins) % 120])
    circles = [(joint(0.93), 0.3), (arc, 0.3)]
    _, told = measure_by_floor(PHOTO, circles, plane_poses(reference, PHOTO), reference, "unknown", 0.03)
    assert 1e-6 < abs(np.log(told.solved.length.value_mm / 48.3)) < 2.0 * told.solved.length.relative_sd
