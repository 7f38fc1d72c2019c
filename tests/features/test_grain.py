"""Grain: told as strong as it is, and circles are traced out of it.

Discs are OpenCV's, drawn 16 times finer; the noise is numpy's, so that its spread is known.
"""

import gc

import cv2
import numpy as np
import pytest

from features import grain
from features.grain import grain_beside, without_grain
from features.parts import trace
from features.parts.trace import trace_circle

SIDE_PX, RADIUS_PX, FINER = 240, 53.0, 16
CENTER = np.full(2, 120.0)
ANGLE = np.linspace(0, 2 * np.pi, 120, endpoint=False)
OUTWARD = np.stack([np.cos(ANGLE), np.sin(ANGLE)], axis=1)


class AsItIs:
    """A picture that shows the photo as it is."""

    px_per_px = 1.0

    def to_photo(self, points):
        return points

    def from_photo(self, points_px):
        return points_px


def disc(inside, outside, sd_inside=0.0, sd_outside=0.0, seed=0):
    """A disc of one gray on another, each with its own noise."""
    large = np.full((SIDE_PX * FINER,) * 2, outside, np.uint8)
    middle = 16 * 120 + 7
    cv2.circle(large, (middle, middle), round(FINER * RADIUS_PX), inside, -1)
    plain = cv2.resize(large, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA).astype(float)
    share = (plain - outside) / (inside - outside)
    sd = share * sd_inside + (1 - share) * sd_outside
    noisy = plain + sd * np.random.default_rng(seed).standard_normal(plain.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("sd", [4.0, 10.0, 25.0])
def test_grain_is_told_as_strong_as_it_is(sd):
    gray = disc(100, 140, sd, sd)
    told = grain_beside(gray, CENTER + RADIUS_PX * OUTWARD, OUTWARD, 6.0)
    assert 1e-4 < abs(told / sd - 1) < 0.08


def test_an_edge_is_no_grain_and_the_grainier_side_counts():
    rim = CENTER + RADIUS_PX * OUTWARD
    assert grain_beside(disc(30, 200), rim, OUTWARD, 6.0) < 0.5
    one_sided = disc(30, 180, 0.0, 15.0)
    assert grain_beside(one_sided, rim, OUTWARD, 6.0) == pytest.approx(15.0, rel=0.08)


def test_only_a_grainy_picture_is_smoothed():
    plain, grainy = disc(30, 200), disc(30, 200, 8.0, 8.0)
    assert without_grain(plain) is plain
    smooth = without_grain(grainy)
    assert 0.2 < float(np.std(smooth[:40, :40]) / np.std(grainy[:40, :40])) < 0.5


def test_grain_is_forgotten_with_its_picture():
    gray = disc(30, 200)
    key = id(gray)
    grain_beside(gray, CENTER + RADIUS_PX * OUTWARD, OUTWARD, 6.0)
    assert key in grain._KEPT
    del gray
    gc.collect()
    assert key not in grain._KEPT


@pytest.mark.parametrize("seed", range(4))
def test_a_plain_hole_in_a_grainy_face_is_traced_all_round(seed, monkeypatch):
    """As seen in a photo at night: the grain's own edges drew a ring a tenth larger, the hole's edge in full view."""
    gray = disc(25, 170, 4.0, 30.0, seed)
    about = {"center": CENTER + np.array((1.5, -1.0)), "radius": 1.04 * RADIUS_PX, "which": "outer", "reach": 0.15}
    traced = trace_circle(gray, AsItIs(), **about)
    assert traced
    assert traced.coverage > 0.9
    assert 1e-6 < abs(float(np.sqrt(traced.ellipse.semi_axes_px.prod())) / RADIUS_PX - 1) < 0.01
    monkeypatch.setattr(trace, "_OUT_OF_GRAIN", 0.0)
    among_grain = trace_circle(gray, AsItIs(), **about)
    assert not among_grain or among_grain.coverage < 0.7


def test_a_faint_edge_in_the_grain_is_still_found():
    """A step no larger than the grain, which few scan lines alone show."""
    gray = disc(110, 132, 12.0, 12.0)
    traced = trace_circle(
        gray, AsItIs(), CENTER + np.array((0.5, 0.0)), 1.01 * RADIUS_PX, reach=0.06, round_in_front=True
    )
    assert traced
    assert 1e-6 < abs(float(np.sqrt(traced.ellipse.semi_axes_px.prod())) / RADIUS_PX - 1) < 0.01
