"""Overlay pictures: every size is on them, readable, inside the picture; nothing personal travels along."""

import dataclasses
import io
import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from skimage.color import deltaE_ciede2000, rgb2lab

from identify.answer_output import jpeg_bytes
from identify.overlay import picture as overlay
from identify.overlay.label_places import Box, LabelWish, place_labels
from identify.overlay.legend import legend_notes
from identify.overlay.pen import Lettering, dashes, wrapped
from identify.overlay.picture import LONGEST_SIDE, SHORTEST_LONG_SIDE, draw_overlay, size_words
from identify.overlay.style import SCALE_STYLE, all_styles, style_of

# Severity 1.0 matrices of Machado, Oliveira, Fernandes (2009), "A Physiologically-based Model for Simulation
# of Color Vision Deficiency", table 1, for linear RGB; entered from memory.
COLOR_BLINDNESS = {
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
                   [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
                     [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
                   [0.004733, 0.691367, 0.303900]],
}  # fmt: skip


def seen_by(matrix, rgb):
    """SRGB colors as a color-blind eye sees them (sRGB transfer function of IEC 61966-2-1)."""
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    seen = np.clip(linear @ np.array(matrix).T, 0, 1)
    return np.where(seen <= 0.0031308, seen * 12.92, 1.055 * seen ** (1 / 2.4) - 0.055)


@pytest.mark.parametrize("kind", [None, *COLOR_BLINDNESS])
def test_color_blind_users_can_tell_the_lines_apart(kind):
    """CIEDE2000 (scikit-image) above 12 between any two; about 2 is just noticeable (common practice)."""
    rgb = np.array([style.rgb for style in all_styles().values()]) / 255
    assert len({style.rgb for style in all_styles().values()}) == len(rgb) == 7
    lab = rgb2lab(rgb if kind is None else seen_by(COLOR_BLINDNESS[kind], rgb))
    apart = deltaE_ciede2000(lab[:, None], lab[None])
    assert apart[np.triu_indices(len(rgb), 1)].min() > 12


def near_color(picture, rgb, tolerance=60):
    pixels = np.asarray(picture).astype(int)
    return np.abs(pixels - np.array(rgb)).max(axis=2) < tolerance


def test_circles_are_drawn_where_they_were_fitted(photo, photo_survey):
    """A pixel of the right color lies within 3 px of most of each circle's points, labels covering some."""
    picture = draw_overlay(photo, photo_survey)
    for circle in photo_survey.circles:
        if style_of(circle.name).dash:
            continue
        hit = near_color(picture, style_of(circle.name).rgb)
        found = 0
        for x, y in np.round(circle.outline_px).astype(int):
            found += hit[max(0, y - 3) : y + 4, max(0, x - 3) : x + 4].any()
        # a label may cover some of it, never most of it
        assert found / len(circle.outline_px) > 0.85, circle.name


def test_every_size_and_the_scale_are_written_on_the_picture(photo, photo_survey, monkeypatch):
    written = []
    draw = overlay._draw_label
    monkeypatch.setattr(
        overlay,
        "_draw_label",
        lambda pen, box, mark, *rest: (written.extend(mark.label), draw(pen, box, mark, *rest)),
    )
    draw_overlay(photo, photo_survey)
    text = "\n".join(written)
    for circle in photo_survey.circles:
        assert size_words(circle.length) in text
    assert "pocket scale card" in text
    assert "0.3676 mm per pixel ± 1.2 %" in text  # 1.96 x 0.6 %
    assert "8 bolt heads" in text


def test_sizes_of_a_photo_without_scale_are_never_given_in_millimeters(photo_survey):
    ratio = dataclasses.replace(
        photo_survey.circles[0].length,
        contributions=(
            dataclasses.replace(photo_survey.circles[0].length.contributions[0], name="scale", relative=3.0),
        ),
    )
    assert "mm" not in size_words(ratio)
    bare = dataclasses.replace(photo_survey, scale=None, circles=())
    assert any("ratios only" in note for note in legend_notes(bare))


@pytest.mark.parametrize("size", [(320, 240), (1600, 1200), (3000, 4000), (4000, 3000)])
def test_pictures_are_small_enough_to_send_and_large_enough_to_read(photo, photo_survey, size):
    """The photo part keeps its shape; its longer side lies between the two limits."""
    width, height = size
    pixels = np.asarray(Image.fromarray(photo.pixels_rgb).resize(size))
    big = dataclasses.replace(photo, pixels_rgb=pixels)
    seen = dataclasses.replace(photo_survey, width_px=width, height_px=height)
    picture = draw_overlay(big, seen)
    long_side = min(LONGEST_SIDE, max(SHORTEST_LONG_SIDE, *size))
    photo_height = round(height * long_side / max(size))
    assert picture.width == round(width * long_side / max(size))
    assert picture.height > photo_height  # the legend stands below it


def test_a_name_in_any_script_and_of_any_length_draws(photo, photo_survey):
    scale = dataclasses.replace(photo_survey.scale, label="карта 卡 ÄÖ " + "x" * 300)
    picture = draw_overlay(photo, dataclasses.replace(photo_survey, scale=scale, name="фото.jpg"))
    assert picture.width == 1600


def test_what_is_printed_on_a_bank_card_can_not_be_read(photo, photo_survey):
    """The stripes inside the card fade to below a fifth of their contrast; outside nothing changes."""
    scale = dataclasses.replace(photo_survey.scale, kind="bank_card", label="bank card")
    drawn = np.asarray(draw_overlay(photo, dataclasses.replace(photo_survey, scale=scale, circles=(), marks_px={})))
    stripes = (slice(588, 593), slice(560, 780))
    assert np.ptp(photo.pixels_rgb[stripes].astype(int)) > 200
    assert np.ptp(drawn[stripes].astype(int)) < 40
    outside = (slice(0, 200), slice(0, 300))
    assert np.array_equal(drawn[outside], photo.pixels_rgb[outside])


def test_a_bank_card_that_is_not_the_scale_can_not_be_read_either(photo, photo_survey):
    """A scale card was used, a bank card lies in the photo too."""
    card_px = photo_survey.scale.outline_px
    elsewhere = dataclasses.replace(photo_survey.scale, outline_px=card_px - [500.0, 400.0])
    survey = dataclasses.replace(photo_survey, scale=elsewhere, circles=(), marks_px={}, private_px=(card_px,))
    drawn = np.asarray(draw_overlay(photo, survey))
    stripes = (slice(588, 593), slice(560, 780))
    assert np.ptp(drawn[stripes].astype(int)) < 40


def test_pictures_carry_no_metadata(photo, photo_survey):
    """Nothing but pixels: no EXIF, GPS, comment, color profile or thumbnail."""
    image = draw_overlay(photo, photo_survey)
    image.info["exif"] = b"Exif\0\0GPS here"
    image.info["comment"] = b"serial 123"
    data = jpeg_bytes(image)
    stored = Image.open(io.BytesIO(data))
    assert not stored.getexif()
    assert set(stored.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    assert b"serial 123" not in data
    assert b"GPS here" not in data


ellipses = st.tuples(st.floats(-200, 1800), st.floats(-200, 1400), st.floats(5, 900), st.floats(5, 900))


@settings(max_examples=25, deadline=None)
@given(st.lists(ellipses, min_size=1, max_size=9))
def test_labels_never_overlap_and_never_leave_the_picture(shapes):
    """For any circles, even some outside the picture."""
    angle = np.linspace(0, 2 * np.pi, 60)
    outlines = [np.stack([x + a * np.cos(angle), y + b * np.sin(angle)], axis=1) for x, y, a, b in shapes]
    wishes = [LabelWish(330, 90, outline) for outline in outlines]
    places = place_labels(wishes, (1600, 1200), np.vstack(outlines), gap=12)
    boxes = [place.box for place in places if place is not None]
    assert len(boxes) == len(wishes)  # nine labels of this size always find room
    assert all(b.left >= 0 and b.top >= 0 and b.right <= 1600 and b.bottom <= 1200 for b in boxes)
    assert not any(one.overlaps(other) for one, other in itertools.combinations(boxes, 2))


def test_a_label_without_room_is_said_to_have_none():
    outline = np.array([[5.0, 5], [10, 5], [10, 10]])
    assert place_labels([LabelWish(500, 90, outline)], (200, 100), outline, gap=5) == [None]


def test_sizes_without_room_on_the_picture_move_into_the_legend(photo, photo_survey, monkeypatch):
    monkeypatch.setattr(overlay, "place_labels", lambda wishes, *rest: [None] * len(wishes))
    with_all_in_legend = draw_overlay(photo, photo_survey)
    monkeypatch.undo()
    assert with_all_in_legend.height > draw_overlay(photo, photo_survey).height


def test_dashes_cover_the_share_of_a_line_they_should():
    """4 drawn, 2.5 skipped: 61.5 % of a long line, and the corners of the outline are kept."""
    square = np.array([[0.0, 0], [1000, 0], [1000, 1000], [0, 1000]])
    drawn = sum(np.linalg.norm(np.diff(d, axis=0), axis=1).sum() for d in dashes(square, (4.0, 2.5), 5.0, True))
    assert drawn == pytest.approx(4000 * 4 / 6.5, rel=0.02)
    assert len(dashes(square, (), 5.0, True)) == 1


def test_wrapped_lines_fit_even_when_a_word_does_not():
    font = Lettering().font(30)
    lines = wrapped("pocket scale card " + "w" * 200, font, 300)
    assert all(font.getlength(line) <= 300 for line in lines)
    assert "".join(lines).replace(" ", "") == "pocketscalecard" + "w" * 200


def test_boxes_know_when_they_come_too_close():
    assert Box(0, 0, 10, 10).overlaps(Box(9, 9, 10, 10))
    assert not Box(0, 0, 10, 10).overlaps(Box(11, 0, 10, 10))
    assert Box(0, 0, 10, 10).overlaps(Box(11, 0, 10, 10), gap=2)
    assert SCALE_STYLE.dash  # the scale stays apart from every solid line even in gray
