"""The way of one photo holds when a scale reference turns out to be useless."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from features import photo_survey
from features.parts.classical import ClassicalFinder
from features.photo import FocalPrior, Photo
from features.scale.reference import ScaleFinding, ScaleReference


def _photo_of_a_ring():
    pixels = np.full((480, 640, 3), 90, np.uint8)
    cv2.circle(pixels, (310, 230), 200, (150, 150, 150), -1, cv2.LINE_AA)
    return Photo("ring.jpg", Path("ring.jpg"), pixels, FocalPrior(520.0, 0.05, "exif_35mm"))


def _coin_no_pose_fits():
    """A rim whose points lie on a straight line: on no ellipse, so on no circle in space."""
    line = np.column_stack([np.linspace(100, 140, 60), np.linspace(50, 90, 60)])
    return ScaleReference(
        "coin", "worn coin", np.zeros_like(line), line, 0.3, line[:4], 0.01, "coin:worn",
        is_circle=True, circle_diameter_mm=24.26,
    )  # fmt: skip


def test_a_coin_that_fits_no_plane_is_said_and_the_photo_measured_without_scale(monkeypatch):
    monkeypatch.setattr(photo_survey, "find_first", lambda *_: (_coin_no_pose_fits(),))
    survey = photo_survey.survey_photo(_photo_of_a_ring(), photo_survey.SurveyRequest(), ClassicalFinder())
    codes = {problem.kind.code for problem in survey.problems}
    assert {"scale_fits_no_plane", "no_scale"} <= codes
    assert survey.scale is None
    assert all(circle.length.is_ratio_only for circle in survey.circles)


def _coin_across(width_px):
    turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    rim = np.array([150.0, 400.0]) + 0.5 * width_px * np.column_stack([np.cos(turn), 0.7 * np.sin(turn)])
    return ScaleReference(
        "coin", "coin", np.zeros_like(rim), rim, 0.3, rim, 0.01, "coin:one", is_circle=True, circle_diameter_mm=24.26,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("width_px", "card_at", "told"), [(50, "floor", False), (110, "floor", True), (50, "cover", True)]
)
def test_a_small_coin_on_the_floor_is_no_scale_of_the_pump(monkeypatch, width_px, card_at, told):
    """A coin on the pump lies beside what is measured; how the floor leans must be told by the coin's own slant."""
    monkeypatch.setattr(photo_survey, "find_first", lambda *_: (_coin_across(width_px),))
    request = photo_survey.SurveyRequest(card_at=card_at)
    survey = photo_survey.survey_photo(_photo_of_a_ring(), request, ClassicalFinder())
    codes = {problem.kind.code for problem in survey.problems}
    assert ("coin_tells_no_floor" in codes) != told
    assert (survey.scale is not None) == told


class _Asked(ClassicalFinder):
    """Remembers how many things it was told to keep out, each time it was asked."""

    def __init__(self):
        super().__init__()
        self.kept_out = []

    def find(self, question):
        self.kept_out.append(len(question.keep_out_px))
        return super().find(question)


@pytest.mark.parametrize("beside", [0, 1])
def test_parts_are_looked_for_again_only_where_a_bank_card_lies_beside_the_reference(monkeypatch, beside):
    """Bank cards are searched for while parts are measured by what was found first."""
    coin, other = _coin_across(110), _coin_across(60)
    found = ScaleFinding((coin, other)[: 1 + beside], private_px=(other.outline_px,))
    monkeypatch.setattr(photo_survey, "find_first", lambda *_: (coin,))
    monkeypatch.setattr(photo_survey, "with_bank_cards", lambda *_: found)
    photo, request, finder = _photo_of_a_ring(), photo_survey.SurveyRequest(card_at="cover"), _Asked()
    survey = photo_survey.survey_photo(photo, request, finder)
    assert finder.kept_out == [1, 2][: 1 + beside]
    again = photo_survey.survey_by(found, photo, request, finder)
    assert [length.value_mm for length in survey.lengths] == [length.value_mm for length in again.lengths]
    assert survey.lengths
    assert survey.private_px == found.private_px
