"""A coin told by a look at the whole photo is looked at again alone: told better where it is one, not where not.

The photos are demo photos (rendered, with exact truth) made small: a coin is a dozen pixels of the model's picture.
"""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from features.parts.coin_looks import SeenCoin, seen_coins
from features.parts.part_maps import RoundPart
from features.parts.part_model import PartModel, load_part_model

DEMO = Path(__file__).parents[2] / "demo_photos"
SMALLER = 2.0


def _coin_photo(name: str) -> tuple[np.ndarray, np.ndarray]:
    """(H, W, 3) a photo in a gray surround, as if from farther away, and (N, 2) its coin's true outline."""
    rows = map(json.loads, (DEMO / "truth.jsonl").read_text().splitlines())
    record = next(row for row in rows if row["photo"] == name)
    outline = np.array(next(r["outline_px"] for r in record["scale_references"] if r["kind"] == "coin"))
    pixels = cv2.cvtColor(cv2.imread(str(DEMO / name)), cv2.COLOR_BGR2RGB)
    height, width = pixels.shape[:2]
    small = cv2.resize(pixels, (round(width / SMALLER), round(height / SMALLER)), interpolation=cv2.INTER_AREA)
    canvas = np.full_like(pixels, 128)
    canvas[: small.shape[0], : small.shape[1]] = small
    return canvas, (outline + 0.5) / SMALLER - 0.5


@pytest.mark.parametrize("name", ["10_two_euro_coin_on_cover.jpg", "11_quarter_on_cover.jpg"])
def test_further_looks_tell_a_small_coins_place(name):
    model = load_part_model()
    assert isinstance(model, PartModel)
    pixels, outline = _coin_photo(name)
    coins, looks = seen_coins(model, pixels, model.look(pixels, sharp=True))
    assert len(looks) in (1, 5)
    assert coins
    best, size = coins[0], float(np.ptp(outline, axis=0).max())
    assert best.score > 0.25
    assert 1e-6 < np.linalg.norm(best.outlines[0].center_px - outline.mean(axis=0)) < 0.12 * size
    assert best.likeness(RoundPart.of_outline("coin", outline)) > 0.6 * best.score
    assert best.likeness(RoundPart.of_outline("coin", outline + size)) < 0.01


def test_what_further_looks_deny_is_no_coin():
    spot = RoundPart.of_outline(
        "coin", 20.0 * np.stack([np.cos(np.arange(60) / 9.55), np.sin(np.arange(60) / 9.55)], 1)
    )
    assert SeenCoin((0.45, 0.3), (), (spot,)).score == pytest.approx(0.375)
    assert SeenCoin((0.45, 0.3), (0.0, 0.0), (spot,)).score == 0.0
    assert SeenCoin((0.3,), (0.6, 0.9), (spot,)).score == pytest.approx(0.6)
