"""Where an edge is told to lie, beside discs that a lens blurs in the light before the light is coded (sRGB).

The code is IEC 61966-2-1's; blur and shrinking are OpenCV's (cv2.GaussianBlur, cv2.resize), on a grid 8 times finer.
"""

import cv2
import numpy as np
import pytest

from features.edges import scan_edges

RADIUS_PX, SIDE_PX, FINER = 40.0, 120, 8


def _coded(light):
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def _disc(inside, outside, blur_px):
    y, x = np.mgrid[: SIDE_PX * FINER, : SIDE_PX * FINER] - (SIDE_PX * FINER - 1) / 2
    light = np.where(np.hypot(x, y) < RADIUS_PX * FINER, inside, outside).astype(np.float32)
    seen = cv2.resize(
        cv2.GaussianBlur(light, (0, 0), blur_px * FINER), (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA
    )
    return np.rint(255 * _coded(seen)).astype(np.uint8)


@pytest.mark.parametrize(("inside", "outside"), [(0.02, 0.5), (0.5, 0.02), (0.05, 0.2), (0.3, 0.6)])
@pytest.mark.parametrize("blur_px", [0.7, 1.4])
def test_a_dark_hole_is_as_large_as_a_bright_disc(inside, outside, blur_px):
    """The steepest place of the code itself lies up to 0.9 px inside a dark hole."""
    angle = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    outward = np.stack([np.cos(angle), np.sin(angle)], 1)
    rim = (SIDE_PX - 1) / 2 + RADIUS_PX * outward
    edges = scan_edges(_disc(inside, outside, blur_px), rim, outward, 8.0)
    assert len(np.unique(edges.line)) == 180
    off_px = np.einsum("ij,ij->i", edges.lit_px - rim[edges.line], outward[edges.line])
    assert 1e-5 < abs(float(np.median(off_px))) < 0.08
