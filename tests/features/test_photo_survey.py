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
    monkeypatch.setattr(photo_survey, "find_scales", lambda *_, **__: ScaleFinding((_coin_no_pose_fits(),)))
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
    monkeypatch.setattr(photo_survey, "find_scales", lambda *_, **__: ScaleFinding((_coin_across(width_px),)))
    request = photo_survey.SurveyRequest(card_at=card_at)
    survey = photo_survey.survey_photo(_photo_of_a_ring(), request, ClassicalFinder())
    codes = {problem.kind.code for problem in survey.problems}
    assert ("coin_tells_no_floor" in codes) != told
    assert (survey.scale is not None) == told
