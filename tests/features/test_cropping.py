"""Photos that people cropped before sending them are known by their sizes, and less is believed of their cameras.

Sizes are those that phones, cameras and messaging apps write, from memory.
"""

import math

import numpy as np
import pytest

from features.camera import CENTER_PRIOR_SD
from features.cropping import Frame, cropping
from features.decode_tags import CameraFacts
from features.exif import focal_prior

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
