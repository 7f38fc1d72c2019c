"""Developing a photo moves no edge, EXIF turns pixels as readers expect, and messages lose what they lose in life."""

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image, ImageOps

pytest.importorskip("trimesh")
pytest.importorskip("mitsuba")

from tools.render.cameras import Camera, Lens
from tools.render.develop import Development, develop, draw_development, encode, message_size, turned_for
from tools.render.exif import draw_exif

_PLAIN = Development(0.0, (1.0, 1.0), 0.1, 0.0, 0.0, 0.1, False, 0.2, 0.6, 1.1, 1.0, 0.2, 0.2, 90, 0, 1)


def _camera(width: int = 400, height: int = 300) -> Camera:
    lens = Lens(26.0, 5.96, 1.8, 0.0, 0.0, (0.0, 0.0))
    focal = 26.0 / 43.27 * float(np.hypot(width, height))
    return Camera(width, height, focal, ((width - 1) / 2, (height - 1) / 2), 0, 0, np.eye(3), np.zeros(3), lens, 900.0)


@pytest.mark.parametrize("mosaic", [False, True])
@pytest.mark.parametrize("motion_px", [0.0, 9.0])
def test_an_edge_stays_where_it_was(mosaic: bool, motion_px: float) -> None:
    """A straight edge between two grays is found again by its half-height within 0.1 px, after all steps."""
    x = np.arange(400)
    column = np.clip(x - 199.5, 0, 1)[None, :, None]  # a step at x = 200 seen through a pixel-wide box
    # A low step: over so small a range the tone curve is straight, so half height is not moved by blur.
    linear = np.asarray(0.16 + 0.04 * column * np.ones((300, 1, 3)), np.float32)
    how = Development(**{**vars(_PLAIN), "mosaic": mosaic, "motion_px": motion_px, "noise": 0.05})
    shown = develop(linear, _camera(), how, np.random.default_rng(0)).astype(np.float64)[100:200, :, 1].mean(axis=0)
    level = (shown[185:192].mean() + shown[208:215].mean()) / 2
    crossing = np.flatnonzero((shown[:-1] < level) & (shown[1:] >= level))[0]
    found = crossing + (level - shown[crossing]) / (shown[crossing + 1] - shown[crossing])
    assert 1e-6 < abs(found - 200.0) < 0.1


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_orientation_is_undone_by_pillow(orientation: int) -> None:
    """ImageOps.exif_transpose, an independent reader, shows the upright picture again."""
    upright = np.random.default_rng(1).integers(0, 255, (30, 40, 3), np.uint8)
    exif = Image.Exif()
    exif[0x0112] = orientation
    stream = io.BytesIO()
    Image.fromarray(turned_for(upright, orientation)).save(stream, "PNG", exif=exif)
    assert np.array_equal(np.asarray(ImageOps.exif_transpose(Image.open(stream))), upright)


def test_exif_says_the_focal_length_as_a_whole_number_and_only_invented_makers() -> None:
    camera, rng = _camera(), np.random.default_rng(2)
    said = set()
    for _ in range(60):
        written, block = draw_exif(camera, _PLAIN, rng)
        assert written is not None
        photo = Image.open(io.BytesIO(encode(np.zeros((300, 400, 3), np.uint8), _PLAIN, block)))
        exif = photo.getexif()
        assert "Invented" in exif[0x010F]
        assert 0x8825 not in exif  # no GPS block
        said.add(exif.get_ifd(0x8769).get(0xA405))
    numbers = {value for value in said if value is not None}
    assert numbers <= {25, 26, 27}
    assert None in said


def test_a_message_has_1600_px_and_no_exif() -> None:
    how = Development(**{**vars(_PLAIN), "message_quality": 70})
    big = np.random.default_rng(3).integers(0, 255, (1500, 2000, 3), np.uint8)
    written, block = draw_exif(_camera(2000, 1500), how, np.random.default_rng(0))
    photo = Image.open(io.BytesIO(encode(big, how, block)))
    assert written is None
    assert photo.size == (1600, 1200) == message_size(2000, 1500)
    assert len(photo.getexif()) == 0


def test_noise_grows_with_the_dark() -> None:
    flat = np.full((300, 400, 3), 0.18, np.float32)
    spread = []
    for noise in (0.0, 0.4, 0.9):
        how = Development(**{**vars(_PLAIN), "noise": noise, "smoothing": 0.0, "vignetting": 0.0})
        spread.append(float(develop(flat, _camera(), how, np.random.default_rng(4))[..., 1].std()))
    assert 0.2 < spread[0] < spread[1] < spread[2] < 20


def test_jpeg_quality_and_orientation_stay_in_range() -> None:
    drawn = [draw_development(np.random.default_rng(k), 1280) for k in range(300)]
    assert all(40 <= d.jpeg_quality <= 95 for d in drawn)
    assert {d.orientation for d in drawn} == {1, 3, 6, 8}
    assert 0.15 < np.mean([d.is_message for d in drawn]) < 0.45


def test_a_lower_quality_is_kept_where_the_file_is_kept() -> None:
    """A camera file and a messaging copy each shrink when the quality that is kept is lowered."""
    pixels = np.random.default_rng(0).integers(0, 255, (300, 400, 3)).astype(np.uint8)
    for how in (_PLAIN, replace(_PLAIN, message_quality=80)):
        lower = how.with_quality(how.kept_quality - 20)
        assert lower.kept_quality == how.kept_quality - 20
        assert len(encode(pixels, lower, b"")) < 0.9 * len(encode(pixels, how, b""))
