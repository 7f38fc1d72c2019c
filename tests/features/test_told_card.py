"""A bank card whose place is told is found where tape hides corners and its ground hides sides; others are not taken.

Sizes: ISO/IEC 7810 ID-1 (85.60 x 53.98 mm, corner radius 3.18 mm). Who tells the place is made up here: a border as
rough as the part model's, some percent off, with the tape in it.
"""

from pathlib import Path

import cv2
import numpy as np
import pytest

from features.camera import Camera
from features.parts.classical import ClassicalFinder
from features.photo import FocalPrior, Photo
from features.scale.artificial import expose, paint, pose_of, project_onto, rounded_rectangle
from features.scale.bank_card import find_bank_cards
from features.scale.card_corners import HEIGHT_MM, RADIUS_MM, WIDTH_MM
from features.scale.find import find_scales
from features.scale.reference import ReferenceSight, ScaleRequest
from features.scale.told_card import border_quads, find_told_cards

SIZE = (1500, 1125)
FOCAL_PX = 1160.0
FOCAL = FocalPrior(FOCAL_PX * 1.03, 0.05, "exif_35mm")
CAMERA = Camera.of_size(*SIZE, FOCAL_PX)


def taped(size_mm, radius_mm, pose, tapes, seed=0):
    """A two-colored card with tape (shares of its sides, turn in degrees) on mottled ground, and its true corners."""
    random = np.random.default_rng(seed)
    mottled = cv2.resize(random.standard_normal((60, 80)).astype(np.float32), SIZE, interpolation=cv2.INTER_CUBIC)
    canvas = np.clip(0.25 + 0.05 * mottled, 0.01, 1)[..., None].repeat(3, 2).astype(np.float32)
    card = rounded_rectangle(*size_mm, radius_mm, (0.1, 0.25, 0.45))
    card.texture[:, : int(0.45 * card.texture.shape[1]), :3] = (0.3, 0.12, 0.2)
    at = pose_of(card, **pose)
    canvas = paint(canvas, CAMERA, card, at)
    width, height = size_mm
    corners = project_onto(CAMERA, card, at, np.array([[0, 0], [width, 0], [width, height], [0, height]], float))
    for x, y, turn in tapes:
        way = np.deg2rad(turn)
        along, across = np.array([np.cos(way), np.sin(way)]), np.array([-np.sin(way), np.cos(way)])
        strip = np.array([x * width, y * height]) + np.array([[-16, -6], [16, -6], [16, 6], [-16, 6]]) @ [along, across]
        canvas = cv2.fillConvexPoly(
            canvas, np.rint(project_onto(CAMERA, card, at, strip)).astype(int), (0.5, 0.48, 0.4)
        )
    return expose(canvas, blur_px=0.9, seed=seed), corners


def rough_sight(corners_px, seed=0):
    """A place told as roughly as by a map of cells: its border wavers by 2 % of the card, all inside looks like it."""
    random = np.random.default_rng(seed)
    border = np.concatenate([np.linspace(corners_px[k - 1], corners_px[k], 40, endpoint=False) for k in range(4)])
    size = float(np.linalg.norm(corners_px[0] - corners_px[2]))
    waver = cv2.blur(random.normal(0, 0.02 * size, (160, 2)), (1, 9), borderType=cv2.BORDER_REFLECT) * 2
    told = cv2.convexHull(corners_px.astype(np.float32))

    def filled(outline_px):
        both, _ = cv2.intersectConvexConvex(outline_px.astype(np.float32), told)
        return both / max(cv2.contourArea(outline_px.astype(np.float32)), 1.0)

    return ReferenceSight(filled, (border + waver,))


def off_px(found, truth):
    return min(float(np.abs(np.roll(way, k, axis=0) - truth).max()) for way in (found, found[::-1]) for k in range(4))


POSES = (
    {"distance_mm": 300, "tilt_deg": 12, "tilt_axis_deg": 40, "roll_deg": 25},
    {"distance_mm": 380, "tilt_deg": 35, "tilt_axis_deg": 110, "roll_deg": 70},
    {"distance_mm": 330, "tilt_deg": 45, "tilt_axis_deg": 10, "roll_deg": 160},
)
TWO_TAPES = ((0.0, 0.0, -35.0), (1.0, 1.0, -50.0))


@pytest.mark.parametrize("pose", POSES)
def test_a_taped_card_is_found_in_the_place_told(pose):
    """Two corners are hidden: by its shape alone it is refused, told to be a reference it measures."""
    pixels, truth = taped((WIDTH_MM, HEIGHT_MM), RADIUS_MM, pose, TWO_TAPES)
    assert find_bank_cards(pixels, FOCAL).references == ()
    (reference,) = find_told_cards(pixels, FOCAL, rough_sight(truth)).references
    assert reference.kind == "bank_card"
    off = off_px(reference.points_px, truth)
    assert 0.001 < off < 2.0
    assert off < 4 * reference.point_sd_px


THREE_TAPES = ((0.0, 0.0, -35.0), (1.0, 1.0, -50.0), (0.0, 1.0, 40.0))


@pytest.mark.parametrize("pose", POSES[:2])
def test_a_card_with_tape_over_three_corners_is_found(pose):
    """One corner is left to see: the ratio of sides, told well, says what the others do not."""
    pixels, truth = taped((WIDTH_MM, HEIGHT_MM), RADIUS_MM, pose, THREE_TAPES)
    (reference,) = find_told_cards(pixels, FOCAL, rough_sight(truth)).references
    off = off_px(reference.points_px, truth)
    assert 0.001 < off < 2.0
    assert off < 4 * reference.point_sd_px


def test_a_border_with_tape_in_it_still_tells_the_card():
    """The border bulges by tape at one corner and is cut at another: some outline is within 3 % of the truth."""
    _, truth = taped((WIDTH_MM, HEIGHT_MM), RADIUS_MM, POSES[1], ())
    border = rough_sight(truth).outlines_px[0].copy()
    size = float(np.linalg.norm(truth[0] - truth[2]))
    away = (border - border.mean(axis=0)) / np.linalg.norm(border - border.mean(axis=0), axis=1)[:, None]
    border[30:46] += 0.12 * size * away[30:46]
    border[110:124] -= 0.08 * size * away[110:124]
    box = cv2.boxPoints(cv2.minAreaRect(border.astype(np.float32)))
    assert off_px(box.astype(float), truth) > 0.05 * size
    quads = border_quads(border, FOCAL, (SIZE[1], SIZE[0]))
    assert min(off_px(quad, truth) for quad in quads) < 0.03 * size


OTHERS = {
    "business card 85 x 55, sharp corners": (85, 55, 0),
    "sheet of the printed card": (105, 80, 0),
    "ID-1 size with large corners": (WIDTH_MM, HEIGHT_MM, 9),
    "phone": (147, 71, 9),
}


@pytest.mark.parametrize("size", OTHERS.values(), ids=OTHERS.keys())
def test_other_things_told_to_be_references_are_no_bank_cards(size):
    for pose in POSES[:2]:
        pixels, truth = taped(size[:2], size[2], pose, ())
        assert find_told_cards(pixels, FOCAL, rough_sight(truth)).references == ()


class Eyes:
    """Knows where the card lies, if there is one, and remembers how often it was asked."""

    def __init__(self, sight):
        self._sight, self.asked = sight, 0

    def closer_references_in(self, pixels_rgb):
        self.asked += 1
        return self._sight


def test_the_place_is_asked_for_only_where_nothing_else_was_found():
    pixels, truth = taped((WIDTH_MM, HEIGHT_MM), RADIUS_MM, POSES[0], TWO_TAPES)
    photo = Photo("a.jpg", Path("a.jpg"), pixels, FOCAL)
    eyes = Eyes(rough_sight(truth))
    (reference,) = find_scales(photo, ScaleRequest(), eyes).references
    assert reference.kind == "bank_card"
    assert eyes.asked == 1
    points = ScaleRequest(two_points_px=((100.0, 100.0), (400.0, 100.0)), two_points_mm=80.0)
    assert [r.kind for r in find_scales(photo, points, eyes).references] == ["points"]
    assert eyes.asked == 1
    unknown = find_scales(photo, ScaleRequest(), ClassicalFinder())
    assert (unknown.references, unknown.problems) == ((), ()), "who knows no references sees none"


def test_what_looks_like_a_reference_and_cannot_be_read_is_said():
    """A card of 1.2 px/mm is too small to measure by: who sees it lie there is told so, and what to do."""
    far = {"distance_mm": 800, "tilt_deg": 5, "tilt_axis_deg": 40, "roll_deg": 25}
    pixels, truth = taped((WIDTH_MM, HEIGHT_MM), RADIUS_MM, far, ())
    photo = Photo("a.jpg", Path("a.jpg"), pixels, FOCAL)
    finding = find_scales(photo, ScaleRequest(), Eyes(rough_sight(truth)))
    assert finding.references == ()
    (problem,) = finding.problems
    assert problem.kind.code == "reference_unread"
    assert float(problem.detail.split()[0]) == pytest.approx(np.ptp(truth, axis=0).max(), rel=0.1)
    assert find_scales(photo, ScaleRequest(), Eyes(ReferenceSight(lambda _: 0.0))).problems == ()
