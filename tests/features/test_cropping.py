"""Photos that people cropped before sending them are known by their sizes, and less is believed of their cameras.

Sizes are those that phones, cameras and messaging apps write, from memory.
"""

import math
from pathlib import Path

import cv2
import numpy as np
import pytest

from features.camera import CENTER_PRIOR_SD, Camera
from features.circle_in_space import solve_circle
from features.circle_sighting import CirclePrior, CircleSighting
from features.cropping import Frame, cropping
from features.decode_tags import CameraFacts
from features.exif import focal_prior
from features.photo import FocalPrior, Photo
from features.plane_solution import solve_plane
from features.scale.reference import ScaleReference

PHONE, FOCAL_PX = Frame(4032, 3024), 26 * 5040 / math.hypot(36, 24)
"""A phone's photo, and the focal length of its lens of 26 mm on the diagonal."""


@pytest.mark.parametrize(
    "size",
    [
        (4032, 3024), (4000, 3000), (4080, 3072), (4160, 3120), (4624, 3472), (8160, 6144), (12000, 9000),
        (1600, 1200), (1600, 1205), (2048, 1536), (1296, 968), (640, 480), (4032, 2268), (1920, 1088), (1600, 900),
        (3024, 3024), (6000, 4000), (4000, 1800), (4032, 1960), (1280, 800), (1280, 720),
    ],
)  # fmt: skip
def test_pictures_as_cameras_and_messengers_make_them_are_whole(size):
    for written in (None, Frame(*size)) if size[0] < 1.9 * size[1] else (Frame(*size),):
        found = cropping(Frame(*size), written)
        assert not found.is_cropped
        assert (found.focal_times, found.focal_sd, found.center_sd) == (1.0, 0.0, CENTER_PRIOR_SD)


@pytest.mark.parametrize("photo_px", [(1080, 1440), (1080, 1920), (1080, 810), (1600, 2133)])
def test_a_screen_that_shows_a_photo_is_taken_for_neither_photo_nor_crop(photo_px):
    """A phone's screen of 1080 x 2340 shows a photo of 26 mm as wide as it is, or one pulled up to fill it."""
    long, short = max(photo_px), min(photo_px)
    true_px = 26 * math.hypot(long, long * 3 / 4 if long * 3 > short * 4 else short) / math.hypot(36, 24)
    prior, problems = focal_prior(CameraFacts(), 1080, 2340)
    assert abs(math.log(true_px / prior.focal_px)) < 2 * prior.relative_sd
    assert "photo_cropped" in {problem.kind.code for problem in problems}
    assert cropping(Frame(2340, 1080), Frame(4680, 2160)).is_cropped is False


def windows(count):
    """Windows people cut from a phone's photo, and how far their middles lie from its own.

    The pump fills 0.3 to 0.8 of each side, its middle is aimed at to 0.08 of it, and each side of the window lies up to
    half of the way from there to the photo's own (common practice).
    """
    rng = np.random.default_rng(7)
    frame = np.array([PHONE.long_px, PHONE.short_px])
    middle, half = 0.5 + rng.normal(0.0, 0.08, (count, 2)), 0.5 * rng.uniform(0.3, 0.8, (count, 2))
    first, last = np.clip(middle - half, 0.0, 1.0), np.clip(middle + half, 0.0, 1.0)
    outward = 0.5 * rng.random((2, count, 2))
    first, last = first * (1.0 - outward[0]), last + (1.0 - last) * outward[1]
    size = np.round((last - first) * frame)
    return size, (0.5 * (first + last) - 0.5) * frame


def test_most_windows_cut_freely_are_noticed_and_what_is_believed_of_them_is_true():
    """Nothing in the file tells: neither the size of the whole nor that the lens is not in the middle."""
    size, middle = windows(2000)
    found = [cropping(Frame(max(wh), min(wh)), None) for wh in size]
    noticed = np.array([one.is_cropped for one in found])
    assert 0.75 < noticed.mean() < 0.95
    priors = [focal_prior(CameraFacts(focal_35mm=26), int(w), int(h))[0] for w, h in size[noticed]]
    off = np.array([math.log(FOCAL_PX / prior.focal_px) / prior.relative_sd for prior in priors])
    aside = middle[noticed] / FOCAL_PX / np.array([prior.center_sd for prior in priors])[:, None]
    assert 0.5 < np.sqrt(np.mean(off**2)) < 1.15
    assert np.mean(np.abs(off) < 2) > 0.93
    assert 0.5 < np.sqrt(np.mean(aside**2)) < 1.15
    assert np.mean(np.abs(aside) < 2) > 0.93


def test_where_the_file_tells_the_size_of_the_whole_its_focal_length_holds_and_its_middle_may_be_anywhere():
    size, middle = windows(500)
    off, aside = [], []
    for (width, height), moved in zip(size, middle, strict=True):
        facts = CameraFacts(focal_35mm=26, width_px=PHONE.long_px, height_px=PHONE.short_px)
        prior, problems = focal_prior(facts, int(width), int(height))
        if any(problem.kind.code == "photo_cropped" for problem in problems):
            off.append(math.log(FOCAL_PX / prior.focal_px) / prior.relative_sd)
            aside.append(moved / FOCAL_PX / prior.center_sd)
    assert len(off) > 400
    assert max(map(abs, off)) < 1.2
    assert 0.5 < np.sqrt(np.mean(np.square(aside))) < 1.15


def test_what_a_camera_cuts_for_another_shape_keeps_its_middle():
    found = cropping(Frame(3024, 3024), PHONE)
    assert found.is_cropped
    assert found.center_sd == CENTER_PRIOR_SD
    assert cropping(Frame(2400, 2000), PHONE).center_sd > 5 * CENTER_PRIOR_SD


def test_a_card_in_a_cropped_photo_tells_where_the_lens_looked_and_searches_begin_at_the_middle():
    """Drawn by OpenCV (cv2.projectPoints) with a lens that looks through a place 0.2 focal lengths from the middle.

    What goes on from the card's plane looks through the picture's middle, and must see the card where it is, and a
    circle beside it at its true size.
    """
    focal, middle, size = 1200.0, np.array([799.5, 599.5]), (1200, 1600)
    axis = middle + np.array([200.0, 140.0])
    grid = np.array([[x * 12.0, y * 12.0, 0.0] for x in range(1, 7) for y in range(1, 5)])
    turn, away = np.deg2rad(35.0) * np.array([0.4, 0.9, 0.0]), np.array([-150.0, -60.0, 420.0])
    lens = np.array([[focal, 0, axis[0]], [0, focal, axis[1]], [0, 0, 1.0]])
    rng = np.random.default_rng(3)
    px = cv2.projectPoints(grid, turn, away, lens, None)[0].reshape(-1, 2) + rng.normal(0, 0.05, (len(grid), 2))
    reference = ScaleReference("scale_card", "pocket scale card", grid[:, :2], px, 0.05, px[:4], 0.005, "print:pocket")
    belief = FocalPrior(1150.0, 0.15, "exif_35mm", center_sd=0.08)
    photo = Photo("a.jpg", Path("a.jpg"), np.zeros((*size, 3), np.uint8), belief)
    solved = solve_plane(reference, photo)
    found = solved.camera()
    off = np.hypot(found.center_x_px - axis[0], found.center_y_px - axis[1])
    assert 0.1 < off < 0.5 * np.linalg.norm(axis - middle)

    pose = solved.pose_from_middle()
    by_middle = Camera(pose.focal_px, *middle)
    seen = by_middle.project(grid @ pose.rotation.T + pose.translation_mm)
    by_lens = by_middle.project(grid @ solved.pose().rotation.T + solved.pose().translation_mm)
    assert 0.0 < np.abs(seen - px).max() < 6.0
    assert np.abs(by_lens - px).min() > 60.0

    angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    rim = np.column_stack([120.0 + 75.0 * np.cos(angle), 40.0 + 75.0 * np.sin(angle), np.zeros(len(angle))])
    edge = cv2.projectPoints(rim, turn, away, lens, None)[0].reshape(-1, 2) + rng.normal(0, 0.1, (len(rim), 2))
    sighting = CircleSighting("flange_diameter", "a.jpg", edge)
    prior = CirclePrior(0.0, 2.0, 2.0, 0.0)
    circle = solve_circle(sighting, pose, reference, belief, tuple(middle), prior)
    assert 1e-6 < abs(circle.length.value_mm / 150.0 - 1.0) < 0.01
    assert abs(np.log(circle.length.value_mm / 150.0)) < 2.5 * circle.length.relative_sd
