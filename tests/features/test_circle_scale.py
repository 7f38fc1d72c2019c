"""Circles measured by a coin whose rim has flaws: no slant is believed more than the rims together can tell."""

from pathlib import Path

import numpy as np
import pytest

from features.camera import Camera
from features.circle_scale import RimToMeasure, measure_by_coin
from features.circle_sighting import CirclePrior, CircleSighting
from features.photo import FocalPrior, Photo
from features.rim_shape import RimShape, radius_at_slants
from features.scale.reference import ScaleReference
from features.slant import HELD_SQUARE_SD_DEG, slant_posterior, slant_rotations

WIDTH, HEIGHT, FOCAL = 4000, 3000, 3100.0
COIN_MM, CHAMBER_MM = 25.75, 212.0


class _SizedPhoto(Photo):
    """A photo of full size without its pixels."""

    width_px, height_px = WIDTH, HEIGHT


def _rim(rng, diameter_mm, middle_mm, depth_mm, flaws):
    """Points on a rim whose radius waves smoothly: harmonics 0, 2, 3 and 4."""
    t = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    wave = np.full_like(t, rng.normal(0, flaws))
    for h, share in ((2, 1.0), (3, 0.4), (4, 0.25)):
        wave += flaws * share * (rng.normal() * np.cos(h * t) + rng.normal() * np.sin(h * t))
    radius = 0.5 * diameter_mm * np.exp(wave)
    return np.column_stack([radius * np.cos(t) + middle_mm[0], radius * np.sin(t) + middle_mm[1], 0 * t + depth_mm])


def _scene(rng, slant_deg, focal_px=FOCAL):
    """A coin beside a chamber's rim, seen at a slant; flaws of 1 % and 0.3 %."""
    camera = Camera.of_size(WIDTH, HEIGHT, focal_px)
    rotation = slant_rotations(np.deg2rad(slant_deg)[None])[0]
    translation = np.array([*rng.normal(0, 30, 2), rng.uniform(500, 900)])
    edges = []
    for rim in (_rim(rng, COIN_MM, (130, 20), 0.0, 0.01), _rim(rng, CHAMBER_MM, (0, 0), 7 + rng.normal(0, 2), 0.003)):
        edges.append(camera.project(rim @ rotation.T + translation) + rng.normal(0, 0.3, (180, 2)))
    coin = ScaleReference(
        "coin", "coin", np.zeros_like(edges[0]), edges[0], 0.5, edges[0][:4], 0.01, "coin",
        is_circle=True, circle_diameter_mm=COIN_MM,
    )  # fmt: skip
    shared_px = 0.003 * 0.5 * float(np.ptp(edges[1][:, 0]))
    prior = CirclePrior(7.0, 2.0, tilt_sd_deg=1.5, edge_shared_px=shared_px)
    return coin, RimToMeasure(CircleSighting("chamber_diameter", "a.jpg", edges[1]), prior)


def _measured(coin, wanted):
    photo = _SizedPhoto("a.jpg", Path("a.jpg"), np.zeros((1, 1, 3), np.uint8), FocalPrior(FOCAL, 0.05, "exif_35mm"))
    return measure_by_coin(photo, coin, [wanted])[0]


def test_intervals_hold_when_slants_flaws_and_cameras_are_drawn_from_their_priors():
    """Simulation, 60 scenes. 95 % of 60 is 57; fewer than 53 has a chance of 2 %. Idle intervals fail too."""
    rng = np.random.default_rng(3)
    pulls = []
    for _ in range(60):
        slant = HELD_SQUARE_SD_DEG * rng.standard_normal(2) / np.sqrt(rng.chisquare(3) / 3)
        slant *= min(1.0, 50 / np.hypot(*slant))
        coin, wanted = _scene(rng, slant, FOCAL * np.exp(rng.normal(0, 0.05)))
        length = _measured(coin, wanted).length
        pulls.append(np.log(length.value_mm / CHAMBER_MM) / length.relative_sd)
    assert np.sum(np.abs(pulls) < 1.96) >= 53
    assert 0.5 < np.std(pulls) < 1.35


def test_a_large_rim_tells_the_slant_that_a_coin_can_not():
    """At 25 deg the chamber's shape decides; the plane comes out within 3 deg, never exactly, of one of two sides."""
    true = np.array([25.0, 5.0])
    solved = _measured(*_scene(np.random.default_rng(5), true))
    normal, expected = solved.rotation[:, 2], slant_rotations(np.deg2rad(true)[None])[0][:, 2]
    mirrored = expected * [-1, -1, 1]
    off_deg = min(np.rad2deg(np.arccos(normal @ n)) for n in (expected, mirrored))
    assert 0.001 < off_deg < 3.0


def test_the_budget_says_what_the_slant_leaves_open():
    coin, wanted = _scene(np.random.default_rng(6), np.array([3.0, -4.0]))
    solved = _measured(coin, wanted)
    budget = solved.length.budget_mm()
    assert {"edge", "reference", "print_scale", "offset", "camera", "lens", "tilt"} == set(budget)
    assert budget["tilt"] > budget["lens"]
    assert np.sqrt(sum(v**2 for v in budget.values())) == pytest.approx(solved.length.standard_uncertainty_mm, rel=1e-6)


def test_a_perfect_circle_is_read_at_its_true_radius_under_its_true_slant():
    """Against the forward model; half of the rim is enough."""
    camera = Camera.of_size(WIDTH, HEIGHT, FOCAL)
    rotation = slant_rotations(np.deg2rad([[20.0, -12.0]]))
    t = np.linspace(0, np.pi, 120)
    rim = np.column_stack([100 * np.cos(t), 100 * np.sin(t), 0 * t]) @ rotation[0].T + [30.0, 60.0, 800.0]
    plane_mm = float(rotation[0][:, 2] @ [30.0, 60.0, 800.0])
    seen = radius_at_slants(RimShape.of(camera.project(rim), 0.01), camera, rotation)
    assert np.exp(seen.log_radius[0]) * plane_mm == pytest.approx(100.0, rel=1e-4)


def test_the_grid_sums_a_known_density():
    """A normal density of 1 deg at (10, -20) deg: mean and spread come back (numpy's own draws have the same)."""
    middle, sd = np.deg2rad([10.0, -20.0]), np.deg2rad(1.0)
    posterior = slant_posterior(lambda s: -0.5 * np.sum((s - middle) ** 2, axis=1) / sd**2)
    mean = posterior.weights @ posterior.slants
    spread = np.sqrt(posterior.weights @ (posterior.slants - mean) ** 2)
    assert mean == pytest.approx(middle, abs=0.02 * sd)
    assert spread == pytest.approx([sd, sd], rel=0.05)
