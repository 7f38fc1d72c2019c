"""Cropped photos show what they did, and their truth lies where it did in the picture."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageOps

from tools.bench.cropped_photos import main, moved, window_of
from tools.bench.rendered_folder import read_folder

PHOTOS = read_folder(Path(__file__).parents[2] / "demo_photos")


@pytest.mark.parametrize("photo", PHOTOS[:6], ids=lambda photo: photo.path.stem)
def test_truth_moves_with_the_picture(photo):
    window = window_of(photo, np.random.default_rng(3))
    truth = moved(photo.truth, window)
    cut = replace(photo, truth=truth)
    size = np.array([truth["width"], truth["height"]])
    assert (size < [photo.truth["width"], photo.truth["height"]]).any()
    for before, after in zip(photo.circles, cut.circles, strict=True):
        place = photo.project(before.center_mm) - window[:2]
        np.testing.assert_allclose(cut.project(after.center_mm), place, atol=1e-9)
    for reference in truth["scale_references"]:
        outline = np.array(reference["outline_px"])
        assert ((outline >= 0.0) & (outline <= size)).all()


def test_files_hold_the_window_and_no_more_tags_than_asked_for(tmp_path):
    """Pillow crops and reads beside it."""
    photo = PHOTOS[0]
    source = tmp_path / "source"
    source.mkdir()
    (source / photo.path.name).write_bytes(photo.path.read_bytes())
    (source / "truth.jsonl").write_text(json.dumps(photo.truth) + "\n")
    main(source, tmp_path / "bare", seed=5)
    main(source, tmp_path / "tagged", tags=True, seed=5)
    left, top, right, bottom = map(int, window_of(photo, np.random.default_rng(5)))
    with Image.open(photo.path) as whole:
        expected = np.asarray(ImageOps.exif_transpose(whole).crop((left, top, right, bottom)), float)
    for name, tags in (("bare", {}), ("tagged", {0xA002: right - left, 0xA003: bottom - top})):
        with Image.open(tmp_path / name / photo.path.name) as cut:
            assert 0.0 < np.abs(np.asarray(cut, float) - expected).mean() < 3.0
            kept = dict(cut.getexif().get_ifd(0x8769))
        assert {tag: kept[tag] for tag in tags} == tags
        assert (0xA405 in kept) == bool(tags)
