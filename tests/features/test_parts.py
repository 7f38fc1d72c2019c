"""The classical part finder on drawn rings and on the demo photos, whose truth comes from the renderer."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from features.parts.bolt_ring import find_bolt_ring
from features.parts.concentric import edge_field, find_concentric
from features.parts.front_on import FrontOn
from features.survey import SurveyRequest, survey_photos

DEMO = Path(__file__).parents[2] / "demo_photos"


def _front(gray):
    return FrontOn(gray, np.ones(gray.shape, bool), np.eye(3), 1.0, 0.5, np.array([320.0, 240.0]))


def _drawn(bolts, hidden=0, seed=0):
    rng = np.random.default_rng(seed)
    gray = np.full((480, 640), 90, np.uint8)
    cv2.circle(gray, (310, 230), 200, 150, -1, cv2.LINE_AA)
    for k in range(hidden, bolts):
        angle = 0.3 + 2 * np.pi * k / bolts
        at = (round(310 + 182 * np.cos(angle)), round(230 + 182 * np.sin(angle)))
        cv2.circle(gray, at, 9, 60, -1, cv2.LINE_AA)
    return np.clip(gray + rng.normal(0, 6, gray.shape), 0, 255).astype(np.uint8)


@pytest.mark.parametrize(("bolts", "hidden"), [(6, 0), (8, 0), (10, 2), (12, 3), (16, 2)])
def test_bolts_are_counted_by_their_equal_spacing_even_when_some_are_hidden(bolts, hidden):
    ring = find_bolt_ring(_front(_drawn(bolts, hidden)), np.array([310.0, 230.0]), 200.0, 0.82, 1.0)
    assert ring.count == bolts
    assert ring.likelihood[str(bolts)] == max(ring.likelihood.values())
    assert abs(ring.radius / 182 - 1) < 0.06


def test_a_plain_rim_has_no_bolts():
    ring = find_bolt_ring(_front(_drawn(0)), np.array([310.0, 230.0]), 200.0, 0.82, 1.0)
    assert ring.strength < 0.12


def test_the_center_of_concentric_circles_is_found_where_it_was_drawn():
    front = _front(_drawn(8))
    best = find_concentric(edge_field(front), front.gray.shape, 20.0, 300.0)[0]
    assert np.linalg.norm(best.center - [310, 230]) < 1.0
    assert np.abs(best.radii - 200).min() <= 1.0


@pytest.mark.parametrize("name", ["01_pocket_card_on_rim", "06_pocket_card_on_rim", "08_pocket_card_on_rim"])
def test_chambers_of_demo_photos_are_measured_without_hints(name):
    """Truth from the renderer. Both bounds: an error of exactly zero would be truth leaking in."""
    lines = (DEMO / "truth.jsonl").read_text(encoding="utf-8").splitlines()
    truth = next(t for t in map(json.loads, lines) if t["photo"] == f"{name}.jpg")
    circles = [f for f in truth["features"] if f["name"] == "chamber_diameter" and f["faces_camera"]]
    true_mm = circles[0]["diameter_mm"]
    survey = survey_photos([DEMO / f"{name}.jpg"], SurveyRequest(card_at="rim"))
    chamber = next(length for length in survey.lengths if length.name == "chamber_diameter")
    low, high = chamber.interval_mm
    assert low <= true_mm <= high
    assert 1e-6 < abs(chamber.value_mm / true_mm - 1) < 0.015
    joint = next(a for a in survey.attributes if a.name == "housing_joint").likelihood
    assert max(joint, key=joint.get) == truth["attributes"]["housing_joint"]
