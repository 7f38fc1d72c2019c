"""The color of the light against von Kries' rule, by which a cast multiplies each color (handbooks of colorimetry)."""

from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage.data

from features.parts.closer_look import look_at_pump
from features.parts.color_cast import USUAL, ColorCast, cast_of
from features.parts.part_model import PartModel, load_part_model

DEMO = Path(__file__).parents[2] / "demo_photos" / "06_pocket_card_on_rim.jpg"


def _gray_scene(seed: int = 0) -> np.ndarray:
    """Surroundings of many colors that are gray on the whole, none of them clipped by the casts tried."""
    rng = np.random.default_rng(seed)
    coarse = rng.uniform(30, 150, (12, 16, 3)).astype(np.float32)
    coarse *= coarse.mean() / coarse.mean(axis=(0, 1))
    return np.asarray(cv2.resize(coarse, (160, 120)).round(), np.uint8)


def _cast(picture: np.ndarray, gains: tuple[float, float, float]) -> np.ndarray:
    return np.clip(picture * np.array(gains), 0, 255).round().astype(np.uint8)


def _everywhere(picture: np.ndarray) -> np.ndarray:
    return np.ones(picture.shape[:2], bool)


@pytest.mark.parametrize("gains", [(1.3, 1.0, 0.65), (0.75, 1.0, 1.35)])
def test_a_strong_cast_is_told_up_to_what_is_usual(gains: tuple[float, float, float]) -> None:
    scene = _gray_scene()
    told = cast_of(_cast(scene, gains), _everywhere(scene))
    assert told is not None
    for log, gain in ((told.log_red, gains[0]), (told.log_blue, gains[2])):
        assert log == pytest.approx(np.log(gain) - np.sign(np.log(gain)) * USUAL, abs=0.02)


def test_what_is_removed_leaves_the_usual_rest_and_the_light_on_the_whole() -> None:
    scene = _gray_scene().astype(np.float32)
    cast = ColorCast(np.log(1.3), np.log(0.65))
    tinted = scene.transpose(2, 0, 1) * np.array([1.3, 1.0, 0.65], np.float32)[:, None, None]
    plain = cast.removed(tinted)
    ratio = plain / np.maximum(scene.transpose(2, 0, 1), 1)
    assert np.ptp(ratio.mean(axis=(1, 2))) < 0.02
    assert np.log(ratio).mean() == pytest.approx((np.log(1.3) + np.log(0.65)) / 3, abs=0.03)


def test_a_pump_of_any_color_says_nothing_of_the_light() -> None:
    scene = _gray_scene()
    scene[30:100, 40:130] = (20, 60, 160)
    surroundings = _everywhere(scene)
    surroundings[30:100, 40:130] = False
    assert cast_of(scene, surroundings) is None
    assert cast_of(scene, _everywhere(scene)) is not None


def test_nothing_is_said_where_little_is_surroundings_or_all_is_clipped() -> None:
    scene = _cast(_gray_scene(), (1.3, 1.0, 0.65))
    few = np.zeros(scene.shape[:2], bool)
    few[:8] = True
    assert cast_of(scene, few) is None
    assert cast_of(np.full_like(scene, 255), _everywhere(scene)) is None


@pytest.mark.parametrize("name", ["astronaut", "coffee"])
def test_photographs_of_a_camera_that_knows_the_light_and_the_same_under_a_lamp(name: str) -> None:
    """scikit-image's photographs: a cast laid over one is told as so much more than the photo has by itself."""
    photo = np.asarray(getattr(skimage.data, name)())[::4, ::4]
    before = cast_of(photo, _everywhere(photo)) or ColorCast(0.0, 0.0)
    after = cast_of(_cast(photo, (0.75, 1.0, 1.35)), _everywhere(photo))
    assert after is not None
    assert after.log_red < before.log_red


def test_the_part_model_sees_a_photo_under_a_lamp_as_it_sees_the_photo() -> None:
    model = load_part_model()
    assert isinstance(model, PartModel)
    photo = cv2.imread(str(DEMO), cv2.IMREAD_COLOR_RGB)
    assert photo is not None
    plain, tinted = (look_at_pump(model, np.ascontiguousarray(one)) for one in (photo, _cast(photo, (1.35, 1.0, 0.6))))
    uncorrected = model.look(_cast(photo, (1.35, 1.0, 0.6)), sharp=True).attributes["wetted_material"]
    told = [maps.attributes["wetted_material"]["metal"] for maps in (plain, tinted)]
    assert abs(told[1] - told[0]) < abs(uncorrected["metal"] - told[0])
