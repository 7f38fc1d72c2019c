"""A flange at the far end of a pump is told by what stands before it, and lies behind the joint (pinhole geometry).

Maps are drawn by OpenCV; sizes are those of DN 40, EN 1092-1 PN 16 (from memory): a rim of 150 mm.
"""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from features.measure_circles import measure_circles
from features.parts.far_port import looks_away
from features.parts.part_model import PartMaps, Window
from features.parts.part_vocabulary import PART_CLASSES
from features.plane_pose import plane_poses
from tests.features.test_depths import JOINT_MM, PHOTO, card, pump, seen

SIDE, JOINT, FLANGE = 400, ((200, 260), 110), ((200, 120), 45)


def _circle(middle, radius):
    angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    return np.array(middle) + radius * np.stack([np.cos(angle), np.sin(angle)], 1)


def _maps(*things):
    """Circles and rectangles, the later over the earlier ones, in cells of a pixel."""
    shown = np.full((SIDE, SIDE), PART_CLASSES.index("background"), np.uint8)
    for name, first, second in things:
        if isinstance(second, int):
            cv2.circle(shown, first, second, PART_CLASSES.index(name), -1)
        else:
            cv2.rectangle(shown, first, second, PART_CLASSES.index(name), -1)
    shares = np.asarray(np.eye(len(PART_CLASSES))[shown].transpose(2, 0, 1), np.float32)
    nothing = np.zeros((1, SIDE, SIDE), np.float32)
    return PartMaps(Window(0.0, 0.0, 1.0, SIDE, SIDE), shares, nothing, nothing, nothing, {}, cell_px=1)


NECK = ("manifold", (180, 110), (220, 180))
CHAMBER, FACE = ("chamber_cover", *JOINT), ("flange", *FLANGE)


@pytest.mark.parametrize(
    ("things", "away"),
    [
        ((NECK, CHAMBER, FACE), False),
        ((FACE, CHAMBER), True),
        ((FACE, NECK, CHAMBER), True),
        ((CHAMBER, FACE, ("scale_reference", (170, 140), (230, 200))), False),
        ((CHAMBER, FACE, ("companion", (200, 125), 44)), False),
    ],
)
def test_what_hides_a_flange_of_its_own_pump_tells_that_it_looks_away(things, away):
    assert looks_away(_maps(*things), _circle(*FLANGE), _circle(*JOINT)) == away


def test_a_flange_seen_beside_the_joint_is_not_said_to_look_away():
    beside = ((200, 95), 45)
    assert not looks_away(_maps(("flange", *beside), CHAMBER), _circle(*beside), _circle(*JOINT))


@pytest.mark.parametrize("behind", [0.85, 1.0, 1.2])
@pytest.mark.parametrize(("place_mm", "card_at"), [((90, 60, -6.0), "rim"), ((-30, -20, -70.0), "cover")])
def test_a_flange_at_the_far_end_is_measured_there(behind, place_mm, card_at):
    """Taken for one at this end it is told at half its size, and that within 5 %."""
    joint, _ = pump(turned_deg=5.0)
    far = seen("flange_diameter", (0.0, -150.0, behind * JOINT_MM), 150.0, 5.0, seed=2)
    reference = card(place_mm, turned_deg=5.0)
    poses = plane_poses(reference, PHOTO)
    _, told = measure_circles(PHOTO, [joint, replace(far, looks_away=True)], poses, reference, card_at)
    off = abs(np.log(told.length.value_mm / 150.0))
    assert 1e-6 < off < 1.96 * told.length.relative_sd < 0.2
    _, near = measure_circles(PHOTO, [joint, far], poses, reference, card_at)
    assert np.log(near.length.value_mm / 150.0) < -0.3 < -1.96 * near.length.relative_sd


def test_the_ratio_of_a_joint_to_the_far_flange_allows_for_the_depth_between_them():
    joint, _ = pump(turned_deg=5.0)
    far = seen("flange_diameter", (0.0, -150.0, JOINT_MM), 150.0, 5.0, seed=2)
    solved = measure_circles(PHOTO, [joint, replace(far, looks_away=True)], (), None, "unknown")
    off = abs(np.log(solved[0].length.value_mm / solved[1].length.value_mm * 150.0 / JOINT_MM))
    assert 1e-6 < off < 0.06
