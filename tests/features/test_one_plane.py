"""Circles without a scale, seen far aslant: their ratios, beside OpenCV's projections (cv2.projectPoints).

EN 1092-1 DN 50: rim 165 mm, bolt circle 125 mm (from memory); a bore of 54 mm.
"""

from pathlib import Path

import cv2
import numpy as np
import pytest

from features.camera import rotation_taking_z_to
from features.circle_sighting import CircleSighting
from features.one_plane import circles_without_scale
from features.parts.finder import FoundCircle
from features.photo import FocalPrior, Photo

WIDTH, HEIGHT, FOCAL = 1600, 1200, 1250.0
MATRIX = np.array([[FOCAL, 0, (WIDTH - 1) / 2], [0, FOCAL, (HEIGHT - 1) / 2], [0, 0, 1]])
SIZES_MM = {"flange_diameter": 165.0, "bolt_circle_diameter": 125.0, "port_bore": 54.0}


def _seen(normal, middle_mm, name, count, rng, size_mm=None, beside_mm=(0.0, 0.0)):
    """A circle's edge with noise of 0.3 px, its middle so far beside the axis; of a rim only three quarters."""
    share = 0.75 if name == "flange_diameter" else 1.0
    angle = np.linspace(0, share * 2 * np.pi, count, endpoint=share < 1)
    flat = 0.5 * (size_mm or SIZES_MM[name]) * np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
    flat[:, :2] += beside_mm
    there = flat @ rotation_taking_z_to(normal).T + middle_mm
    px, _ = cv2.projectPoints(there, np.zeros(3), np.zeros(3), MATRIX, None)
    noisy = px.reshape(-1, 2) + rng.normal(0, 0.3, (count, 2))
    return FoundCircle(CircleSighting(name, "a.jpg", noisy), share, 0.3)


def _photo():
    pixels = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
    return Photo("a.jpg", Path("a.jpg"), pixels, FocalPrior(1.05 * FOCAL, 0.05, "exif_35mm"))


@pytest.mark.parametrize("axis", [(0.6, 0.8), (-0.6, -0.8), (0.8, -0.6), (-0.8, 0.6)])
@pytest.mark.parametrize("slant_deg", [20.0, 25.0])
def test_the_others_tell_which_way_a_face_leans(slant_deg, axis):
    """Begun square on alone, the search ended in the other lean in half of the cases. A hole lies beside the axis."""
    rng, middle = np.random.default_rng(7), np.array([0.0, 30.0, 500.0])
    turn, _ = cv2.Rodrigues(np.radians(slant_deg) * np.array([*axis, 0.0]))
    normal = turn @ (middle / np.linalg.norm(middle))
    circles = [_seen(normal, middle, name, 4 if "bolt" in name else 160, rng) for name in SIZES_MM]
    hole = _seen(normal, middle, "bolt_hole_diameter", 40, rng, 18.0, (-62.5, 0.0))
    rim = circles_without_scale(_photo(), [*circles, hole])[0]
    assert 1e-3 < np.degrees(np.arccos(min(1.0, float(rim.axis_in_camera @ normal)))) < 3.0


@pytest.mark.parametrize("turn", [1.0, -1.0])
def test_a_joint_leans_as_the_face_of_its_port_does(turn):
    """Alone, one circle of a joint may lean either way; seen square on first, the wrong one was as likely."""
    rng, face_mm, joint_mm = np.random.default_rng(3), np.array([20.0, 30.0, 500.0]), np.array([10.0, 60.0, 590.0])
    turned, _ = cv2.Rodrigues(turn * np.radians(27.0) * np.array([0.3, 0.95, 0.0]))
    normal = turned @ (face_mm / np.linalg.norm(face_mm))
    circles = [_seen(normal, face_mm, name, 4 if "bolt" in name else 160, rng) for name in SIZES_MM]
    circles.append(_seen(normal, joint_mm, "chamber_diameter", 160, rng, 290.0))
    joint = circles_without_scale(_photo(), circles)[-1]
    assert 1e-3 < np.degrees(np.arccos(min(1.0, float(joint.axis_in_camera @ normal)))) < 6.0


@pytest.mark.parametrize("middle_mm", [(0.0, 30.0, 500.0), (-150.0, 120.0, 600.0), (180.0, -100.0, 550.0)])
@pytest.mark.parametrize("slant_deg", [10.0, 45.0, 62.0])
def test_ratios_hold_however_far_aslant(middle_mm, slant_deg):
    """The focal length is believed 5 % too long."""
    rng, middle = np.random.default_rng(7), np.array(middle_mm)
    sight = middle / np.linalg.norm(middle)
    turn, _ = cv2.Rodrigues(np.radians(slant_deg) * np.array([0.6, 0.8, 0.0]))
    normal = turn @ sight
    circles = [_seen(normal, middle, name, 4 if "bolt" in name else 160, rng) for name in SIZES_MM]
    rim, holes, bore = circles_without_scale(_photo(), circles)
    for other, mm in ((holes, 125.0), (bore, 54.0)):
        off = abs(float(np.log(other.length.value_mm / rim.length.value_mm * 165.0 / mm)))
        assert 1e-6 < off < 0.012
    apart = np.degrees(np.arccos(min(1.0, float(rim.axis_in_camera @ normal))))
    assert 1e-3 < apart < (6.0 if slant_deg > 40 else 25.0)  # near to square on a slant hardly shows
