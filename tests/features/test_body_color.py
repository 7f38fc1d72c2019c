"""A body's color beside white paper: drawn scenes by scikit-image's CIE Lab and CSS color names, rendered demo photos.

No drawn scene has the gloss, dust and shade of photos; what those do to colors is measured by `tools.bench.body_color`.
"""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import ImageColor
from skimage.color import rgb2lab

from features.attributes import combine_attributes
from features.measured import AttributeEvidence
from features.parts.body_color import LINEAR, BodyColor, Coat, body_color, cie_lab
from features.parts.closer_look import look_at_pump
from features.parts.color_words import SHOWN, WORDS, color_likelihood
from features.parts.part_model import PartMaps, PartModel, Window, load_part_model
from features.parts.part_vocabulary import PART_CLASSES
from features.scale.card_boards import opencv_board
from reference_geometry.demo_set import load_demo_set

DEMO = Path(__file__).parents[2] / "demo_photos"
SIDE = 400
CARD = np.array([[230, 250], [370, 250], [370, 350], [230, 350]], float)
"""Where the card's pattern lies in a drawn scene."""
LIGHTS = {"warm lamp": (1.25, 1.0, 0.55), "cold shade": (0.7, 0.95, 1.2), "daylight": (1.0, 1.0, 1.0)}
"""Linear light of lamps against daylight, about (sRGB of black bodies of 3500 K and 9000 K)."""
BLUE, MUD, GRAY, CREAM = (38, 78, 140), (120, 98, 70), (128, 128, 128), (226, 220, 196)


def scene(color, light=(1.0, 1.0, 1.0), exposure=0.75, card=True, card_light=1.0, second=None, on_pump=True):
    """A photo of a flat cover with a card on or beside it, and the map that a perfect model would draw.

    Args:
        color: sRGB of the surface as scikit-image would convert it; second: of its lower half.
        light: of the lamp in linear light; card_light: how much more of it the card gets.
    """
    surface = np.zeros((SIDE, SIDE, 3))
    surface[:] = LINEAR[list(color)]
    if second is not None:
        surface[160:] = LINEAR[list(second)]
    shown = np.full((SIDE, SIDE), PART_CLASSES.index("chamber_cover"))
    if not on_pump:
        shown[200:] = PART_CLASSES.index("background")
        surface[200:] = 0.1
    if card:
        paper = np.pad(opencv_board("pocket").generateImage((140, 100)), 8, constant_values=255) / 255
        surface[242:358, 222:378] = card_light * (0.04 + 0.76 * paper[..., None])
        shown[242:358, 222:378] = PART_CLASSES.index("scale_reference")
    rng = np.random.default_rng(1)
    lit = np.clip(exposure * surface * light * rng.normal(1.0, 0.03, surface.shape), 0, 1)
    coded = np.where(lit <= 0.0031308, 12.92 * lit, 1.055 * np.maximum(lit, 1e-9) ** (1 / 2.4) - 0.055)
    shares = np.asarray(np.eye(len(PART_CLASSES))[shown].transpose(2, 0, 1), np.float32)
    nothing = np.zeros((1, SIDE, SIDE), np.float32)
    maps = PartMaps(Window(0.0, 0.0, 1.0, SIDE, SIDE), shares, nothing, nothing, nothing, {}, cell_px=1)
    return np.rint(255 * coded).astype(np.uint8), maps, [CARD] if card else []


def own_lab(color):
    return rgb2lab(np.array(color, float)[None, None] / 255)[0, 0]


def test_lab_is_that_of_scikit_image():
    codes = np.random.default_rng(3).integers(0, 256, (500, 3))
    assert cie_lab(LINEAR[codes]) == pytest.approx(rgb2lab(codes[None] / 255)[0], abs=0.05)


@pytest.mark.parametrize("color", [BLUE, GRAY, CREAM], ids=["blue", "gray", "cream"])
@pytest.mark.parametrize("light", LIGHTS.values(), ids=LIGHTS)
def test_a_card_tells_the_same_color_in_any_light(color, light):
    seen = body_color(*scene(color, light, exposure=0.6))
    assert seen.light == "paper_on_pump"
    (coat,) = seen.coats
    off = np.abs(coat.lab - own_lab(color))
    assert off[0] < 4.0
    assert 0.01 < np.linalg.norm(off[1:]) < 2.0


def test_without_a_card_a_lamp_colors_what_it_lights():
    """The other side of the test above: the light does change the pixels."""
    seen = body_color(*scene(GRAY, LIGHTS["warm lamp"], card=False))
    assert seen.light == "no_paper"
    assert np.linalg.norm(seen.coats[0].lab[1:]) > 15.0


def test_gloss_and_shade_do_not_change_the_color():
    pixels, maps, papers = scene(BLUE)
    spoiled = pixels.copy()
    spoiled[:40, :] = 255
    spoiled[40:100, :] //= 4
    one, other = (body_color(photo, maps, papers).coats for photo in (pixels, spoiled))
    assert max(other, key=lambda coat: coat.share).lab == pytest.approx(one[0].lab, abs=3.0)


def test_a_card_on_the_floor_or_in_other_light_is_known():
    assert body_color(*scene(GRAY, on_pump=False)).light == "paper_elsewhere"
    assert body_color(*scene(CREAM, card_light=0.2)).light == "no_paper"


def test_burnt_out_paper_tells_no_color():
    assert body_color(*scene(BLUE, exposure=2.0)).light == "no_paper"


def test_too_little_of_a_body_tells_nothing():
    pixels, maps, papers = scene(BLUE)
    shares = np.zeros_like(maps.shares)
    shares[0] = 1.0
    shares[:, :12, :12] = maps.shares[:, :12, :12]
    small = PartMaps(maps.window, shares, maps.points, maps.centers, maps.shapes, {}, cell_px=1)
    assert body_color(pixels, small, papers) is None


CSS = {
    "black": "black", "gray": "gray", "white": "white", "firebrick": "red", "royalblue": "blue", "forestgreen": "green",
    "gold": "yellow", "darkorange": "orange",
}  # fmt: skip


@pytest.mark.parametrize(("name", "word"), CSS.items())
def test_named_colors_of_the_web_get_their_words(name, word):
    """CSS Color Module Level 4, as Pillow knows it."""
    told = color_likelihood(body_color(*scene(ImageColor.getrgb(name))))
    assert max(told, key=told.__getitem__) == word
    assert sum(told.values()) == pytest.approx(1.0)


def test_paint_under_mud_is_told_and_mud_alone_is_no_paint():
    muddy = color_likelihood(body_color(*scene(BLUE, second=MUD)))
    mud = color_likelihood(body_color(*scene(MUD)))
    assert muddy["blue"] > 0.8
    assert mud["blue"] < 1 / len(WORDS)


def test_lightness_alone_does_not_tell_gray_plastic_from_metal():
    told = color_likelihood(BodyColor((Coat(1.0, np.array([65.0, 0.0, 0.0])),), "paper_on_pump"))
    assert 0.5 < told["gray"] / told["bare_metal"] < 2.0


def test_the_worse_white_is_known_the_less_is_told():
    """White against black, by the same light."""
    coat = (Coat(1.0, np.array([88.0, 0.0, 0.0])),)
    odds = [color_likelihood(BodyColor(coat, light)) for light in SHOWN]
    ratios = [one["white"] / one["black"] for one in odds]
    assert ratios[0] > ratios[1]
    assert ratios[0] > ratios[2] > 1.0


def test_a_color_of_no_word_says_next_to_nothing():
    """Purple is far from every word but blue: no other family is thrown out by it, nor made likely."""
    seen = BodyColor((Coat(1.0, own_lab(ImageColor.getrgb("mediumorchid"))),), "paper_on_pump")
    (told,) = combine_attributes([AttributeEvidence("body_color", color_likelihood(seen), ("a.jpg",))])
    others = [share for word, share in told.likelihood.items() if word not in ("blue", "red")]
    assert 0.3 / len(WORDS) < min(others)
    assert max(others) < 1.2 * min(others)


def test_however_many_photos_agree_the_coat_may_not_be_the_makers():
    sure = {word: 0.99 if word == "red" else 0.01 / 9 for word in WORDS}
    (told,) = combine_attributes([AttributeEvidence("body_color", sure, (f"{k}.jpg",)) for k in range(6)])
    assert 30 < told.likelihood["red"] / told.likelihood["blue"] < (1 - 0.2 + 0.02) / 0.02


@pytest.fixture(scope="module")
def demo_colors():
    """(true word, likelihood) of the rendered demo photos; outlines of their cards are the truth's."""
    model = load_part_model()
    assert isinstance(model, PartModel)
    colors = {family.family_id: family.extras["body_color"] for family in load_demo_set().families}
    found = []
    for truth in map(json.loads, (DEMO / "truth.jsonl").read_text(encoding="utf-8").splitlines()):
        pixels = np.ascontiguousarray(cv2.imread(str(DEMO / truth["photo"]))[..., ::-1])
        papers = [np.array(r["outline_px"]) for r in truth["scale_references"] if r["kind"] == "scale_card"]
        seen = body_color(pixels, look_at_pump(model, pixels), papers)
        if seen is not None and truth["family_id"] in colors:
            found.append((colors[truth["family_id"]], color_likelihood(seen)))
    return found


def test_demo_photos_show_their_families_colors(demo_colors):
    """Bare metal and gray plastic count as one here: color does not tell them apart."""
    said = [(word, max(told, key=told.__getitem__)) for word, told in demo_colors]
    right = [one == other or {one, other} == {"gray", "bare_metal"} for one, other in said]
    own = [np.log(told[word]) for word, told in demo_colors]
    assert len(demo_colors) >= 15
    assert 0.5 < np.mean(right) < 1.0
    assert np.log(1 / len(WORDS)) + 0.3 < np.mean(own) < -0.2
