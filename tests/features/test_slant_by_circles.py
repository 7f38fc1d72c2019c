"""How a drawn flange leans is told by its circles alone.

The picture is OpenCV's (cv2.warpPerspective of cv2.circle). Sizes are of EN 1092-1 DN 80 type B, from memory: 200 mm
outside, raised face 138 mm; its opening 78 mm.
"""

import cv2
import numpy as np
import pytest

from features.camera import Camera, rotation_taking_z_to
from features.parts.finder import PartQuestion
from features.parts.front_on import face_frame
from features.parts.part_maps import RoundPart
from features.parts.slant_by_circles import frames_by_circles
from features.plane_pose import PlanePose

WIDTH, HEIGHT, FOCAL = 800, 700, 900.0
CAMERA = Camera.of_size(WIDTH, HEIGHT, FOCAL)


def _seen(lean_deg, toward_deg, away_mm=620.0):
    """The flange photographed leaning by so much, the normal of its face, and its outline in the photo."""
    tilt, toward = np.radians([lean_deg, toward_deg])
    normal = np.array([np.sin(tilt) * np.cos(toward), np.sin(tilt) * np.sin(toward), np.cos(tilt)])
    turn, middle, unit = rotation_taking_z_to(normal), np.array([20.0, -15.0, away_mm]), 4.0
    flat = np.full((1000, 1000), 100, np.uint8)
    for diameter, level in ((200.0, 165), (138.0, 185), (78.0, 40)):
        cv2.circle(flat, (8000, 8000), round(diameter / 2 * unit * 16), level, -1, cv2.LINE_AA, 4)
    on_plane = np.column_stack([turn[:, 0] / unit, turn[:, 1] / unit, middle - turn[:, :2] @ [500 / unit, 500 / unit]])
    picture = cv2.warpPerspective(flat, CAMERA.matrix @ on_plane, (WIDTH, HEIGHT), borderValue=100)
    noisy = cv2.GaussianBlur(picture, (0, 0), 1.0) + np.random.default_rng(0).normal(0, 3, picture.shape)
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    rim = 100.0 * np.stack([np.cos(angle), np.sin(angle), 0 * angle], 1) @ turn.T + middle
    return np.asarray(np.clip(noisy, 0, 255), np.uint8), normal, CAMERA.project(rim)


@pytest.mark.parametrize(("lean_deg", "toward_deg"), [(28.0, 70.0), (40.0, 200.0)])
def test_the_lean_is_found_though_the_told_outline_is_round(lean_deg, toward_deg):
    gray, normal, rim = _seen(lean_deg, toward_deg)
    pose = PlanePose(np.eye(3), np.array([0.0, 0.0, FOCAL]), FOCAL, 0.0)
    question = PartQuestion("a.jpg", np.repeat(gray[..., None], 3, 2), gray, (pose,), False, False, (), {})
    told = RoundPart(
        "flange", 1.0, rim.mean(axis=0), np.eye(2) * float(np.linalg.norm(rim - rim.mean(axis=0), axis=1).mean())
    )
    found = frames_by_circles(question, told)
    true_frame = face_frame(gray.shape, CAMERA, normal)
    off = []
    for frame in found:
        seen = frame.from_photo(rim)
        away = np.linalg.norm(seen - seen.mean(axis=0), axis=1)
        off.append(float(np.ptp(away) / away.mean()))
    truly = np.linalg.norm(true_frame.from_photo(rim) - true_frame.from_photo(rim).mean(axis=0), axis=1)
    assert float(np.ptp(truly) / truly.mean()) < 0.01
    assert 1e-4 < min(off) < 0.06
