"""Flanges that the picture's border cuts off beyond their middle, in drawn maps (OpenCV draws the ellipses)."""

import cv2
import numpy as np
import pytest

from features.parts.cut_off import cut_off_flange
from features.parts.part_model import PartMaps, Window
from features.parts.part_vocabulary import PART_CLASSES

HIGH, WIDE, SCALE = 300, 400, 3.0
SIZE_PX = (int(WIDE * SCALE), int(HIGH * SCALE))


def _maps(center, axes, flanged=0.95, rectangle=None):
    """A flange on a neck as wide as a third of it, in cells of three pixels; or a box."""
    shown = np.full((HIGH, WIDE), PART_CLASSES.index("background"), np.uint8)
    x, y = center
    cv2.rectangle(shown, (x - axes[0] // 3, y), (x + axes[0] // 3, HIGH), PART_CLASSES.index("manifold"), -1)
    if rectangle is None:
        cv2.ellipse(shown, center, axes, 0, 0, 360, PART_CLASSES.index("flange"), -1)
    else:
        cv2.rectangle(shown, *rectangle, PART_CLASSES.index("flange"), -1)
    shares = np.asarray(np.eye(len(PART_CLASSES))[shown].transpose(2, 0, 1), np.float32)
    nothing = np.zeros((1, HIGH, WIDE), np.float32)
    told = {"connection": {"flanged": flanged, "threaded": 1.0 - flanged}}
    return PartMaps(Window(0.0, 0.0, SCALE, WIDE, HIGH), shares, nothing, nothing, nothing, told, cell_px=1)


@pytest.mark.parametrize(("center", "axes"), [((180, -12), (70, 60)), ((395, 140), (60, 80))])
def test_a_flange_whose_middle_is_out_of_the_picture_is_told_by_the_rest(center, axes):
    part = cut_off_flange(_maps(center, axes), SIZE_PX)
    assert part is not None
    true = (np.array(center) + 0.5) * SCALE - 0.5
    assert 1e-3 < np.abs(part.center_px - true).max() < 0.05 * SCALE * max(axes)
    assert 1e-4 < np.abs(part.semi_axes_px / (SCALE * np.sort(axes)[::-1]) - 1.0).max() < 0.04


def test_what_shows_too_little_or_is_no_ellipse_is_no_flange():
    assert cut_off_flange(_maps((180, -45), (70, 60)), SIZE_PX) is None  # a fifth of its rim
    assert cut_off_flange(_maps((180, -12), (70, 60), rectangle=((100, 0), (260, 50))), SIZE_PX) is None
    assert cut_off_flange(_maps((180, 120), (70, 60)), SIZE_PX) is None  # wholly in view: told at its middle
    assert cut_off_flange(_maps((180, -12), (70, 60), flanged=0.1), SIZE_PX) is None
