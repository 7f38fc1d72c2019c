"""The focal length prior holds what is known of real phones, and admits doubt where a tag is ambiguous."""

import math

import numpy as np
import pytest

from features.decode_tags import CameraFacts, finite, read_camera_facts
from features.exif import focal_prior
from features.photo import load_photo

DIAGONAL_35_MM = math.hypot(36, 24)


def prior(width=4032, height=3024, **facts):
    return focal_prior(CameraFacts(**facts), width, height)[0]


def problem_codes(width=4032, height=3024, **facts):
    return [p.kind.code for p in focal_prior(CameraFacts(**facts), width, height)[1]]


PHONES = {
    # name: picture, focal length mm, 35 mm-equivalent, pixel pitch um at this picture size
    # Pixel pitches as published for the phones' main cameras, from memory; focal lengths from their EXIF.
    "iPhone 5": ((3264, 2448), 4.13, 33, 1.40),
    "iPhone 6": ((3264, 2448), 4.15, 29, 1.50),
    "iPhone 6s": ((4032, 3024), 4.15, 29, 1.22),
    "iPhone 7": ((4032, 3024), 3.99, 28, 1.22),
    "iPhone 8 Plus": ((4032, 3024), 3.99, 28, 1.22),
    "iPhone 11": ((4032, 3024), 4.25, 26, 1.40),
    "OnePlus 6T": ((4608, 3456), 4.25, 25, 1.22 * 4656 / 4608),
    "Galaxy S24 FE, 20:9": ((4000, 1848), 5.4, 23, 1.00 * 8160 / 4000),
}


@pytest.mark.parametrize("phone", PHONES)
def test_the_prior_holds_the_focal_length_that_pitch_and_lens_give(phone):
    size, focal_mm, equivalent, pitch_um = PHONES[phone]
    true_px = focal_mm / pitch_um * 1000
    believed = prior(*size, focal_mm=focal_mm, focal_35mm=equivalent, width_px=size[0], height_px=size[1])
    assert abs(math.log(believed.focal_px / true_px)) < 2 * believed.relative_sd
    assert 0.05 <= believed.relative_sd < 0.08
    assert believed.source == "exif_35mm"


def test_the_stated_uncertainty_is_neither_too_small_nor_idle():
    """Deviations of eight phones in units of the stated uncertainty: their rms is below 1.2 and above 0.2."""
    scaled = []
    for size, focal_mm, equivalent, pitch_um in PHONES.values():
        believed = prior(*size, focal_mm=focal_mm, focal_35mm=equivalent)
        scaled.append(math.log(believed.focal_px * pitch_um / focal_mm / 1000) / believed.relative_sd)
    assert 0.2 < float(np.sqrt(np.mean(np.square(scaled)))) < 1.2


def test_a_three_to_two_camera_leaves_no_doubt_about_the_field():
    """On a 3:2 frame diagonal and width mean the same: 50 mm on 6000 px of 36 mm is 8333 px."""
    believed = prior(6000, 4000, focal_mm=50.0, focal_35mm=50)
    assert believed.focal_px == pytest.approx(50 * 6000 / 36, rel=1e-3)
    assert believed.relative_sd == pytest.approx(0.05, abs=1e-3)


def test_upright_and_sideways_pictures_have_one_focal_length():
    assert prior(3024, 4032, focal_35mm=26).focal_px == pytest.approx(prior(focal_35mm=26).focal_px)


def test_a_resized_picture_shrinks_the_focal_length_with_it():
    full = prior(focal_35mm=26, width_px=4032, height_px=3024)
    small = prior(1600, 1200, focal_35mm=26, width_px=4032, height_px=3024)
    assert small.focal_px == pytest.approx(full.focal_px * 1600 / 4032)
    assert "photo_cropped" not in problem_codes(1600, 1200, focal_35mm=26, width_px=4032, height_px=3024)


def test_a_cropped_picture_keeps_the_focal_length_of_the_whole_one():
    """26 mm over 5040 px of diagonal are 3029 px, however much was cut away."""
    crop = {"focal_35mm": 26, "focal_mm": 4.25, "width_px": 4032, "height_px": 3024}
    believed = prior(2000, 1700, **crop)
    assert believed.focal_px == pytest.approx(26 * 5040 / DIAGONAL_35_MM, rel=0.02)
    assert believed.relative_sd > 0.07
    assert "photo_cropped" in problem_codes(2000, 1700, **crop)


def test_a_square_of_the_camera_app_is_doubtful_and_still_holds_the_truth():
    """3024 x 3024 with 39 mm written where the lens has 29: 4.15 mm at 1.22 um are 3402 px."""
    facts = {"focal_35mm": 39, "focal_mm": 4.15, "width_px": 4032, "height_px": 3024}
    believed = prior(3024, 3024, **facts)
    assert abs(math.log(believed.focal_px / 3402)) < 1.5 * believed.relative_sd
    assert 0.08 < believed.relative_sd < 0.2
    assert {"photo_cropped", "focal_doubtful"} <= set(problem_codes(3024, 3024, **facts))


def test_zoom_that_the_equivalent_already_holds_is_not_applied_again():
    """A phone of 29 mm at zoom 1.97 writes 57: 4.15 mm at 1.5 um, magnified, are 5450 px."""
    facts = {"focal_mm": 4.15, "focal_35mm": 57, "digital_zoom": 1.971}
    believed = prior(3264, 2448, **facts)
    assert believed.focal_px == pytest.approx(4.15 / 1.5e-3 * 1.971, rel=0.05)
    assert believed.relative_sd < 0.08
    assert "photo_zoomed" in problem_codes(3264, 2448, **facts)


def test_zoom_that_the_equivalent_does_not_hold_widens_the_prior():
    """26 mm written at zoom 2: the lens is either 26 mm, zoomed to 52, or 13 mm; both phones exist."""
    believed = prior(focal_mm=4.25, focal_35mm=26, digital_zoom=2.0)
    doubled = 2 * 26 * 5040 / DIAGONAL_35_MM
    assert abs(math.log(believed.focal_px / doubled)) < 1.5 * believed.relative_sd
    assert believed.relative_sd > 0.1


@pytest.mark.parametrize("zoom", [None, 0.0, 1.0])
def test_no_zoom_is_no_news(zoom):
    assert prior(focal_35mm=26, digital_zoom=zoom) == prior(focal_35mm=26)


@pytest.mark.parametrize("junk", [0.0, 1.0, 4.0, 65535.0, -26.0])
def test_junk_in_the_equivalent_is_not_believed(junk):
    believed = prior(focal_35mm=junk)
    assert believed == prior()
    assert believed.source == "phone_prior"
    assert "focal_unknown" in problem_codes(focal_35mm=junk)


def test_an_equivalent_far_below_the_real_focal_length_is_junk():
    assert prior(focal_mm=50.0, focal_35mm=10.0).source == "phone_prior"


def test_focal_length_and_sensor_resolution_give_the_focal_length():
    """An old 18-megapixel camera: 5184 px over 22.3 mm, as its EXIF writes it in pixels per inch."""
    per_mm = 5184 / 22.3
    believed = prior(5184, 3456, focal_mm=50.0, focal_plane_px_per_mm=per_mm, width_px=5184, height_px=3456)
    assert believed.focal_px == pytest.approx(50 * per_mm)
    assert believed.source == "exif_sensor"
    half = prior(2592, 1728, focal_mm=50.0, focal_plane_px_per_mm=per_mm, width_px=5184, height_px=3456)
    assert half.focal_px == pytest.approx(25 * per_mm)


@pytest.mark.parametrize("density", [0.0, -3.0, 1e9, 1e-6])
def test_an_impossible_sensor_is_not_believed(density):
    assert prior(focal_mm=50.0, focal_plane_px_per_mm=density).source == "phone_prior"


def test_tags_that_contradict_each_other_widen_the_prior():
    believed = prior(6000, 4000, focal_mm=50.0, focal_35mm=50, focal_plane_px_per_mm=250.0)
    assert 8000 < believed.focal_px < 13000  # 8333 by the one, 12500 by the other
    assert believed.relative_sd > 0.15
    assert "focal_doubtful" in problem_codes(6000, 4000, focal_mm=50, focal_35mm=50, focal_plane_px_per_mm=250)


def test_without_any_tag_a_usual_phone_camera_is_assumed():
    believed = prior(1600, 1200)
    assert believed.source == "phone_prior"
    assert believed.focal_px == pytest.approx(26 * 2000 / DIAGONAL_35_MM, rel=0.02)
    assert 0.18 < believed.relative_sd < 0.3


@pytest.mark.parametrize("size", [(201, 5000), (4000, 200), (60_000, 1000)])
def test_odd_shapes_still_have_a_prior(size):
    believed = prior(*size, focal_35mm=26, width_px=4032, height_px=3024)
    assert math.isfinite(believed.focal_px)
    assert believed.focal_px > 0


@pytest.mark.parametrize("junk", [None, "26", b"26", (26, 1), [26], float("nan"), float("inf"), True, object()])
def test_a_tag_that_is_no_number_is_no_fact(junk):
    assert finite(junk) is None


class OneDirectory:
    def __init__(self, tags):
        self.tags = tags

    def get_ifd(self, tag):
        return self.tags


@pytest.mark.parametrize(("unit", "mm"), [(2, 25.4), (3, 10.0), (4, 1.0), (5, 0.001), (None, 25.4)])
def test_the_unit_of_the_sensor_resolution_is_obeyed(unit, mm):
    tags = {0xA20E: 5080.0} | ({} if unit is None else {0xA210: unit})
    assert read_camera_facts(OneDirectory(tags)).focal_plane_px_per_mm == pytest.approx(5080.0 / mm)


def test_an_unknown_unit_gives_nothing():
    assert read_camera_facts(OneDirectory({0xA20E: 5080.0, 0xA210: 9})).focal_plane_px_per_mm is None


REAL = {
    # file: upright size, expected focal length px (35 mm-equivalent on the sensor's diagonal), source
    "iphone5_ori3_F35-33.jpg": ((3264, 2448), 33 * 4080 / DIAGONAL_35_MM, "exif_35mm"),
    "iphone6_F35-57_zoom1.97.jpg": ((3264, 2448), 57 * 4080 / DIAGONAL_35_MM, "exif_35mm"),
    "iphone7_industrial_IMG_2682.heic": ((4032, 3024), 28 * 5040 / DIAGONAL_35_MM, "exif_35mm"),
    "iphone8plus_arrow_ori6.heic": ((3024, 4032), 28 * 5040 / DIAGONAL_35_MM, "exif_35mm"),
    "galaxy_s24fe_ori6.heic": ((1848, 4000), 23 * 5000 / DIAGONAL_35_MM, "exif_35mm"),
    "iphone4_noF35.jpg": ((1296, 968), 26 * 1618 / DIAGONAL_35_MM, "phone_prior"),
    "lumia800_noOri_noF35.jpg": ((2448, 3264), 26 * 4080 / DIAGONAL_35_MM, "phone_prior"),
}


@pytest.mark.parametrize("name", REAL)
def test_photos_of_real_phones(real_photos, name):
    size, focal_px, source = REAL[name]
    photo = load_photo(real_photos / "exif-phones" / name)
    assert photo, str(photo)
    assert (photo.width_px, photo.height_px) == size
    assert photo.focal.focal_px == pytest.approx(focal_px, rel=0.03)
    assert photo.focal.source == source
