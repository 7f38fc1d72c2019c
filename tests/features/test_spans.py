"""Port spacing, height and width of drawn pumps; truth comes from shapes projected by OpenCV's `projectPoints`."""

from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from features.camera import Camera
from features.circle_in_space import CircleInSpace
from features.combine import combine_lengths
from features.facing_port import by_front
from features.measured import Contribution, MeasuredLength, log_covariance
from features.parts.center_lines import CenterLine
from features.parts.front_outline import FrontOutline
from features.parts.outermost import Outermost
from features.parts.part_maps import RoundPart
from features.photo import FocalPrior, Photo
from features.plane_pose import plane_poses, unscaled_pose
from features.scale.reference import ScaleReference
from features.spans import MeasuredSpan, by_pair, measure_front

FOCAL, SIZE = 1500.0, (1600, 1200)
PHOTO = Photo("a.jpg", Path("a.jpg"), np.zeros((1200, 1600, 3), np.uint8), FocalPrior(FOCAL, 0.05, "exif_35mm"))
CAMERA = np.array([[FOCAL, 0, 799.5], [0, FOCAL, 599.5], [0, 0, 1.0]])
EDGE_PX = 1.5


@dataclass(frozen=True)
class DrawnPump:
    """A pump of pipes, domes, disks and feet, z up from the floor, its front toward -y (lengths in mm)."""

    spacing: float
    inlet: float
    foot: float
    pipe: float
    flange: float
    reach: float
    dome: float
    turn_deg: float
    elevation_deg: float
    roll_deg: float
    away: float
    end_port: bool

    @property
    def outlet(self):
        return self.inlet + self.spacing

    @property
    def truth(self):
        top = self.outlet + (self.flange if self.end_port else self.pipe)
        width = self.dome + (self.reach if self.end_port else self.dome)
        return {
            "port_spacing": self.spacing,
            "overall_height": top,
            "overall_width": width,
            "foot_spacing_long": 0.6 * self.spacing,
        }

    def seen(self, points):
        """(N, 2) pixels of (N, 3) places: an orbit about the pump's middle, by OpenCV."""
        turn, rise, roll = np.radians([self.turn_deg, self.elevation_deg, self.roll_deg])
        middle = np.array([0.0, 0.0, self.inlet + 0.5 * self.spacing])
        toward = np.array([np.sin(turn) * np.cos(rise), -np.cos(turn) * np.cos(rise), np.sin(rise)])
        ahead, up = -toward, np.array([0.0, 0.0, 1.0])
        right = np.cross(ahead, up) / np.linalg.norm(np.cross(ahead, up))
        down = np.cross(ahead, right)
        rolled = np.stack(
            [np.cos(roll) * right + np.sin(roll) * down, np.cos(roll) * down - np.sin(roll) * right, ahead]
        )
        shift = -rolled @ (middle + self.away * toward)
        return cv2.projectPoints(np.asarray(points, float).reshape(-1, 3), rolled, shift, CAMERA, None)[0][:, 0]


def ring(center, radius, axis):
    """A circle of places about an axis (0: x, 1: y, 2: z)."""
    angle = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    flat = np.zeros((240, 3))
    others = [k for k in range(3) if k != axis]
    flat[:, others[0]], flat[:, others[1]] = radius * np.cos(angle), radius * np.sin(angle)
    return np.asarray(center) + flat


def random_pump(random, end_port):
    spacing = random.uniform(220, 600)
    share = lambda mean, sd: spacing * random.normal(mean, sd)  # noqa: E731
    return DrawnPump(
        spacing, share(0.21, 0.04), share(0.23, 0.035), 0.07 * spacing, share(0.15, 0.01), share(0.6, 0.05),
        share(0.47, 0.03), random.normal(0, 7), random.uniform(15, 35), random.normal(0, 4),
        spacing * random.uniform(2.3, 3.5), end_port,
    )  # fmt: skip


def outline_of(pump, random):
    """What a perfect map would tell of it, but for the error of its edges."""
    noise = lambda: random.normal(0, EDGE_PX, 2)  # noqa: E731

    def line(height):
        a, b = pump.seen([(-50, 0, height), (50, 0, height)])
        along = (b - a) / np.linalg.norm(b - a)
        return (CenterLine(0.5 * (a + b) + noise(), EDGE_PX, along, 0.02, 50.0),)

    def furthest(points, way):
        px = pump.seen(points)
        return px[np.argmax(px @ np.asarray(way, float))] + noise()

    dome = np.concatenate(
        [
            ring((side * x, 0, pump.inlet + 0.5 * pump.spacing), 0.33 * pump.spacing * np.sqrt(1 - u**2), 0)
            for u in np.linspace(0, 0.999, 40)
            for side, x in (
                (1, pump.dome - 0.17 * pump.spacing * (1 - u)),
                (-1, pump.dome - 0.17 * pump.spacing * (1 - u)),
            )
        ]
    )
    pipe = np.concatenate([ring((x, 0, pump.outlet), pump.pipe, 0) for x in np.linspace(-0.3, 0.3, 9) * pump.spacing])
    disk = ring((pump.reach, 0, pump.outlet), pump.flange, 0)
    top, right = (disk, disk) if pump.end_port else (pipe, dome)
    part, half_px = ("flange", FOCAL / pump.away * pump.flange) if pump.end_port else ("chamber_cover", 50.0)
    in_a_foot = [random.normal(0, (6.0, 0.0)) for _ in range(2)]
    feet = [
        Outermost(pump.seen([(side * 0.3 * pump.spacing, -pump.foot, 0)])[0] + noise() + aside, EDGE_PX, "feet", 20.0)
        for side, aside in zip((-1, 1), in_a_foot, strict=True)
    ]
    return FrontOutline(
        line(pump.outlet), line(pump.inlet),
        Outermost(furthest(top, (0, -1)), EDGE_PX, "flange" if pump.end_port else "manifold", half_px),
        Outermost(furthest(dome, (-1, 0)), EDGE_PX, "chamber_cover", 50.0),
        Outermost(furthest(right, (1, 0)), EDGE_PX, part, half_px),
        tuple(feet), True, frozenset(),
    )  # fmt: skip


def floor_card(pump, random):
    """A large card before the pump's feet."""
    flat = np.array([[x, y] for y in 36.0 * np.arange(1, 5) for x in 36.0 * np.arange(1, 7)])
    there = np.column_stack([flat[:, 0] - 100, -flat[:, 1] - 0.4 * pump.spacing, np.zeros(24)])
    px = pump.seen(there) + random.normal(0, 0.1, (24, 2))
    return ScaleReference("scale_card", "large scale card", flat, px, 0.1, px[[0, 5, 23, 18]], 0.003, "print:large")


def upright_card(pump, random, before):
    """A large card on an upright face, level with the upper port, some port spacings before the manifolds' plane."""
    flat = np.array([[x, y] for y in 36.0 * np.arange(1, 5) for x in 36.0 * np.arange(1, 7)])
    there = np.column_stack([flat[:, 0] - 100, np.full(24, -before * pump.spacing), pump.outlet + 80 - flat[:, 1]])
    px = pump.seen(there) + random.normal(0, 0.1, (24, 2))
    return ScaleReference("scale_card", "large scale card", flat, px, 0.1, px[[0, 5, 23, 18]], 0.003, "print:large")


def measured(pump, random, scaled=True):
    outline = outline_of(pump, random)
    reference = floor_card(pump, random) if scaled else None
    poses = plane_poses(reference, PHOTO) if reference else (unscaled_pose(PHOTO),)
    return {span.length.name: span for span in measure_front(PHOTO, outline, poses, reference, "floor").spans}


def drawn_parts(length):
    """The causes of error that a drawn pump has."""
    return tuple(part for part in length.contributions if not part.source.startswith("which:"))


@pytest.fixture(scope="module")
def by_a_card():
    random = np.random.default_rng(11)
    pumps = [random_pump(random, end_port) for end_port in (False, True) * 20]
    return [(pump, measured(pump, random)) for pump in pumps]


@pytest.mark.parametrize("name", ["port_spacing", "overall_height", "overall_width", "foot_spacing_long"])
def test_intervals_hold_the_truth_and_are_no_wider_than_needed(by_a_card, name):
    """Of 40 about 95 % hold; of the width is asked what drawn pumps can err by: no doubt which edge bounds them."""
    told = [(pump.truth[name], spans[name].length) for pump, spans in by_a_card if name in spans]
    assert len(told) >= 38
    errors = np.array([np.log(length.value_mm / true) for true, length in told])
    sds = np.array([length.relative_sd for _, length in told])
    of_these = np.array([replace(length, contributions=drawn_parts(length)).relative_sd for _, length in told])
    assert 0.002 < np.median(np.abs(errors)) < 0.03
    assert np.mean(np.abs(errors) < 1.96 * sds) >= 0.85
    assert of_these.mean() < 3.0 * np.sqrt(np.mean(errors**2))


def test_a_card_on_an_upright_face_is_as_near_as_its_face():
    """However steeply it is looked down on: not by the camera's axis, which is nearer to what stands higher."""
    random = np.random.default_rng(9)
    errors, pulls = [], []
    for before in np.tile([0.15, 0.27, 0.39], 4):
        pump = replace(random_pump(random, True), elevation_deg=random.uniform(20, 35))
        card = upright_card(pump, random, before)
        spans = measure_front(PHOTO, outline_of(pump, random), plane_poses(card, PHOTO), card, "rim").spans
        length = next(span.length for span in spans if span.length.name == "overall_width")
        errors.append(np.log(length.value_mm / pump.truth["overall_width"]))
        pulls.append(errors[-1] / length.relative_sd)
    assert 0.003 < np.median(np.abs(errors)) < 0.06
    assert abs(np.mean(errors)) < 0.025
    assert np.abs(pulls).max() < 2.5


def test_budget_names_what_the_length_hangs_on(by_a_card):
    _, spans = by_a_card[0]
    budget = spans["port_spacing"].length.budget_mm()
    assert {"edge", "offset", "tilt", "camera", "reference", "print_scale"} <= set(budget)
    assert budget["offset"] > 0.2 * spans["port_spacing"].length.standard_uncertainty_mm


def test_ratios_survive_without_a_scale():
    random = np.random.default_rng(5)
    errors, pulls = [], []
    for _ in range(12):
        pump = random_pump(random, True)
        spans = measured(pump, random, scaled=False)
        lengths = [spans["overall_height"].length, spans["port_spacing"].length]
        assert all(length.is_ratio_only for length in lengths)
        covariance = log_covariance(lengths)
        sd = np.sqrt(covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1])
        true = pump.truth["overall_height"] / pump.truth["port_spacing"]
        errors.append(np.log(lengths[0].value_mm / lengths[1].value_mm / true))
        pulls.append(errors[-1] / sd)
    assert 0.002 < np.median(np.abs(errors)) < 0.05
    assert np.mean(np.abs(pulls) < 1.96) >= 0.8


def test_a_tilted_phone_does_not_matter():
    sizes = []
    for roll in (0.0, 15.0, -15.0):
        random = np.random.default_rng(3)
        pump = DrawnPump(400, 85, 92, 28, 60, 240, 190, 4, 25, roll, 1200, False)
        sizes.append(measured(pump, random)["port_spacing"].length.value_mm)
    assert np.ptp(np.log(sizes)) < 0.02


def test_two_photos_share_the_doubt_about_the_pump_itself():
    """Errors of the pump's own shape stay when photos are combined: the interval shrinks by less than the root of 2."""
    random = np.random.default_rng(4)
    views = [DrawnPump(400, 85, 92, 28, 60, 240, 190, turn, 25, 0, 1200, False) for turn in (-6, 6)]
    lengths = [measured(view, random)["port_spacing"].length for view in views]
    (both,) = combine_lengths(lengths).lengths
    alone = min(length.relative_sd for length in lengths)
    assert alone / np.sqrt(2) < both.relative_sd <= alone
    assert set(both.photos) == {"a.jpg"}


def test_a_line_shows_each_span():
    random = np.random.default_rng(6)
    pump = DrawnPump(400, 85, 92, 28, 60, 240, 190, 0, 20, 0, 1200, False)
    spans = measured(pump, random)
    top, bottom = pump.seen([(0, 0, pump.outlet), (0, 0, pump.inlet)])
    assert np.abs(spans["port_spacing"].ends_px - [top, bottom]).max() < 12.0
    ends = spans["overall_width"].ends_px
    assert ends[1, 0] > ends[0, 0]


def test_what_is_cut_off_is_not_told():
    random = np.random.default_rng(7)
    pump = DrawnPump(400, 85, 92, 28, 60, 240, 190, 0, 20, 0, 1200, False)
    whole = outline_of(pump, random)
    reference = floor_card(pump, random)
    cut = replace(whole, top=None, right=None, feet_apart=False, cut=frozenset({"top", "right"}))
    told = measure_front(PHOTO, cut, plane_poses(reference, PHOTO), reference, "floor").spans
    assert [span.length.name for span in told] == ["port_spacing"]
    refused = measure_front(PHOTO, replace(whole, lower=()), plane_poses(reference, PHOTO), reference, "floor")
    assert refused.spans == ()


def test_two_ports_that_face_alike_bring_the_front_into_their_units():
    """Without a scale: ratios to the port spacing stay as they are, and hang on the scale of the photo's circles."""
    random = np.random.default_rng(8)
    front = measured(random_pump(random, True), random, scaled=False)
    told = MeasuredLength(
        "port_spacing", 5000.0, (Contribution("scale", "scale:a.jpg", 3.0), Contribution("edge", "edge:pair", 0.01))
    )
    pair = MeasuredSpan(told, front["port_spacing"].ends_px)
    joined = {span.length.name: span.length for span in by_pair(tuple(front.values()), pair)}
    assert set(joined) == set(front)
    assert joined["port_spacing"] is told
    before = front["overall_height"].length.value_mm / front["port_spacing"].length.value_mm
    assert joined["overall_height"].value_mm / told.value_mm == pytest.approx(before)
    sources = {part.source for part in joined["overall_height"].contributions if part.name == "scale"}
    assert sources == {"scale:a.jpg"}
    assert by_pair((), pair) == (pair,)


def facing_mouth(pump, random):
    """A mouth 34 mm wide that faces the viewer of a pump: its center line, and the circle a third too far away."""
    reach = pump.spacing * random.normal(0.2, 0.03)
    part = RoundPart.of_outline("mouth", pump.seen(ring((0, -reach, pump.outlet), 17.0, 1)))
    line = CenterLine(part.center_px, EDGE_PX, np.array([1.0, 0.0]), 0.02, 2.0 * part.semi_axes_px[0], part)
    away = 1.33 * pump.away
    camera = Camera.of_size(*SIZE, FOCAL)
    sight = camera.rays(part.center_px[None])[0]
    doubts = (Contribution("edge", "edge", 0.005), Contribution("offset", "distance", 0.2))
    length = MeasuredLength("port_bore", 2.0 * part.semi_axes_px[0] * away / FOCAL, doubts, ("a.jpg",))
    normal = sight / np.linalg.norm(sight)
    return line, CircleInSpace(length, away * sight, normal, camera, np.eye(3), np.zeros(3), 0.3, 0.0, 0.0)


def test_a_mouth_that_faces_the_viewer_is_measured_by_the_scale_of_the_front():
    """Its own distance was a guess; drawn pumps err by what their interval says, and by no less."""
    random = np.random.default_rng(13)
    errors, sds = [], []
    for _ in range(20):
        pump = random_pump(random, end_port=False)
        line, circle = facing_mouth(pump, random)
        outline = replace(outline_of(pump, random), upper=(*outline_of(pump, random).upper, line))
        reference = floor_card(pump, random)
        front = measure_front(PHOTO, outline, plane_poses(reference, PHOTO), reference, "floor")
        moved = by_front(circle, front.ports)
        assert moved is not None
        assert moved.outline_px(90) == pytest.approx(circle.outline_px(90), abs=0.5)
        errors.append(np.log(moved.length.value_mm / 34.0))
        sds.append(moved.length.relative_sd)
    assert max(sds) < 0.06
    assert np.sum(np.abs(errors) < 1.96 * np.array(sds)) >= 17
    assert 0.2 < np.sqrt(np.mean(np.square(errors) / np.square(sds))) < 1.5


def test_a_circle_beside_the_ports_that_face_the_viewer_is_left_as_it_was():
    random = np.random.default_rng(14)
    pump = random_pump(random, end_port=False)
    line, circle = facing_mouth(pump, random)
    outline = replace(outline_of(pump, random), upper=(*outline_of(pump, random).upper, line))
    reference = floor_card(pump, random)
    front = measure_front(PHOTO, outline, plane_poses(reference, PHOTO), reference, "floor")
    aside = replace(circle, center_mm=circle.center_mm + np.array([200.0, 0.0, 0.0]))
    assert by_front(aside, front.ports) is None
    assert by_front(circle, ()) is None
