"""Looks at a photo are begun once, beside other work, and serve their own photo only.

The photos are demo photos (rendered); what is compared is the finder with itself, asked in other orders.
"""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from features.parts.finder import LookAt, PartQuestion, PartSightings
from features.parts.learned import LearnedFinder
from features.parts.part_model import PartModel, load_part_model
from features.plane_pose import PlanePose

DEMO = Path(__file__).parents[2] / "demo_photos"
COIN, PORT = "11_quarter_on_cover.jpg", "17_no_scale_port.jpg"


class Counted:
    """The part model, counting its looks."""

    def __init__(self) -> None:
        loaded = load_part_model()
        assert isinstance(loaded, PartModel), loaded
        self._model = loaded
        self.looks = 0

    def look(self, *args, **kwargs):
        self.looks += 1
        return self._model.look(*args, **kwargs)


def question(name: str) -> PartQuestion:
    """A photo without a scale."""
    pixels = cv2.cvtColor(cv2.imread(str(DEMO / name)), cv2.COLOR_BGR2RGB)
    gray = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    pose = PlanePose(np.eye(3), np.array([0.0, 0.0, 1000.0]), float(pixels.shape[1]), 0.0)
    return PartQuestion(name, pixels, gray, (pose,), False, False, (), {})


def circles(told: PartSightings) -> list[tuple[str, np.ndarray]]:
    return [(found.sighting.name, found.sighting.points_px) for found in told.circles]


def test_what_was_begun_ahead_is_not_looked_at_again():
    asked = question(COIN)
    ahead, after = Counted(), Counted()
    finder = LearnedFinder(ahead)
    finder.look_ahead(asked.pixels_rgb, (), references=True)
    assert finder.references_in(asked.pixels_rgb).outlines_px
    told = finder.find(asked)
    late = LearnedFinder(after)
    late.references_in(asked.pixels_rgb)
    told_late = late.find(asked)
    assert ahead.looks == after.looks
    assert 2 <= ahead.looks < 8
    assert [name for name, _ in circles(told)] == [name for name, _ in circles(told_late)]
    for (_, px), (_, other_px) in zip(circles(told), circles(told_late), strict=True):
        assert px == pytest.approx(other_px)
    finder.find(asked)
    assert ahead.looks == after.looks


def test_looks_at_another_photo_or_without_the_users_hint_serve_nobody():
    asked, other = question(PORT), question(COIN)
    model = Counted()
    finder = LearnedFinder(model)
    finder.look_ahead(other.pixels_rgb, (), references=False)
    told = circles(finder.find(asked))
    assert [name for name, _ in told] == [name for name, _ in circles(LearnedFinder(Counted()).find(asked))]
    (name, px) = told[0]
    before = model.looks
    x_px, y_px = px.mean(axis=0)
    pointed = replace(asked, look_at=(LookAt(name, float(x_px), float(y_px), float(np.std(px[:, 0]) * np.sqrt(2.0))),))
    assert name in [n for n, _ in circles(finder.find(pointed))]
    assert model.looks > before
