"""Ellipse fits agree with OpenCV's and scikit-image's, know their uncertainty and refuse no-ellipses."""

import cv2
import numpy as np
import pytest
from skimage.measure import EllipseModel

from features.ellipse import Ellipse


def _noisy(rng, arc_deg=360.0, noise_px=0.3, count=160, axes=(150.0, 90.0)):
    true = Ellipse(np.array([320.0, 240.0]), np.array(axes), 0.4, np.zeros((5, 5)), 0.0)
    t = np.linspace(0, np.deg2rad(arc_deg), count, endpoint=arc_deg < 360)
    return true, true.at(t) + rng.normal(0, noise_px, (count, 2))


def test_full_ellipse_agrees_with_opencv_and_scikit_image():
    """Source: cv2.fitEllipse (Fitzgibbon) and skimage.measure.EllipseModel (Halir and Flusser)."""
    _, points = _noisy(np.random.default_rng(1))
    ours = Ellipse.fit(points)
    (x, y), axes, _ = cv2.fitEllipse(points.astype(np.float32))
    theirs = EllipseModel.from_estimate(points)
    np.testing.assert_allclose(ours.center_px, [x, y], atol=0.15)
    np.testing.assert_allclose(ours.center_px, theirs.center, atol=0.15)
    np.testing.assert_allclose(ours.semi_axes_px, np.sort(axes)[::-1] / 2, atol=0.3)
    np.testing.assert_allclose(ours.semi_axes_px, np.sort(theirs.axis_lengths)[::-1], atol=0.3)


def test_stated_covariance_matches_the_scatter_of_many_fits():
    """Monte Carlo proof (JCGM 101): the stated standard uncertainty is the one repeated noise shows."""
    rng = np.random.default_rng(2)
    fits = [Ellipse.fit(_noisy(rng, arc_deg=200)[1]) for _ in range(150)]
    major = np.array([np.log(f.semi_axes_px[0]) for f in fits])
    stated = np.mean([np.sqrt(f.covariance[2, 2]) for f in fits])
    assert 0.75 < stated / major.std() < 1.35


@pytest.mark.parametrize("arc_deg", [150, 200])
def test_partial_arcs_with_outliers_beat_opencv(arc_deg):
    """On partial arcs with a tenth of the points off the rim the robust fit is closer than cv2.fitEllipse."""
    rng = np.random.default_rng(3)
    ours_off, theirs_off = [], []
    for _ in range(30):
        true, points = _noisy(rng, arc_deg=arc_deg)
        off = rng.choice(len(points), len(points) // 10, replace=False)
        points[off] += rng.normal(0, 6, (len(off), 2))
        fit = Ellipse.fit(points)
        (_, axes, _) = cv2.fitEllipse(points.astype(np.float32))
        ours_off.append(abs(fit.semi_axes_px[0] / true.semi_axes_px[0] - 1))
        theirs_off.append(abs(max(axes) / 2 / true.semi_axes_px[0] - 1))
    assert 0 < np.median(ours_off) < 0.6 * np.median(theirs_off)


def test_sampson_distance_is_a_distance_near_the_rim():
    true, _ = _noisy(np.random.default_rng(0))
    t = np.linspace(0, 6, 50)
    for shift in (-1.0, 0.5):
        np.testing.assert_allclose(true.distances_px(true.at(t) + shift * true.normals(t)), shift, rtol=0.02)


@pytest.mark.parametrize(
    "points",
    [
        np.zeros((4, 2)),
        np.column_stack([np.arange(20.0), 2 * np.arange(20.0)]),
        np.full((10, 2), np.nan),
        np.full((10, 2), 7.0),
    ],
    ids=["too few", "a line", "not finite", "one place"],
)
def test_what_is_no_ellipse_is_refused_with_a_reason(points):
    fit = Ellipse.fit(points)
    assert not fit
    assert fit.reason
