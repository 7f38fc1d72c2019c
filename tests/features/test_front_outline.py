"""A pump's outline read off part maps that were drawn by OpenCV: pipes, chambers, feet at known places."""

import cv2
import numpy as np
import pytest

from features.parts.front_outline import front_outline
from features.parts.part_model import PartMaps, Window
from features.parts.part_vocabulary import PART_CLASSES, ROUND_CLASSES, SHAPE_NUMBERS
from features.parts.upright_map import CELL_PX as CELL_PICTURE_PX
from features.parts.upright_map import NoOutline

CELLS = 128
SCALE = 2.0
CELL_PX = CELL_PICTURE_PX * SCALE
SIZE = (int(CELLS * CELL_PX), int(CELLS * CELL_PX))
UPPER, LOWER, LEFT, RIGHT, TOP, FOOT = 30.0, 88.0, 26.0, 102.0, 26.0, 106.0
FINE = 8
MIDDLE = 64.0


def drawn(roll_deg=0.0, shift=(0.0, 0.0), hidden=False, spur=False, plate=False, cover=False):
    """Maps of a pump with pipes 8 cells thick about rows `UPPER` and `LOWER`, turned about the middle."""
    turn = cv2.getRotationMatrix2D((MIDDLE, MIDDLE), -roll_deg, 1.0)
    label = np.zeros((CELLS * FINE, CELLS * FINE), np.uint8)

    def fill(name, corners):
        there = np.asarray(corners, float) @ turn[:, :2].T + turn[:, 2] + shift
        cv2.fillPoly(label, [np.rint((there + 0.5) * FINE - 0.5).astype(np.int32)], PART_CLASSES.index(name))

    def box(name, left, top, right, bottom):
        fill(name, [(left, top), (right, top), (right, bottom), (left, bottom)])

    for side in (-1, 1):
        angle = np.linspace(0, 2 * np.pi, 60)
        place = np.array([MIDDLE + side * 22, 59.0])
        fill("chamber_cover", place + np.stack([16 * np.cos(angle), 24 * np.sin(angle)], 1))
        box("manifold", MIDDLE + side * 28 - 4, UPPER, MIDDLE + side * 28 + 4, 40)
        fill(
            "feet",
            [
                (MIDDLE + side * 20, LOWER),
                (MIDDLE + side * 26, LOWER),
                (MIDDLE + side * 30, FOOT),
                (MIDDLE + side * 22, FOOT),
            ],
        )
    box("air_section", MIDDLE - 14, 46, MIDDLE + 14, 72)
    box("manifold", MIDDLE - 36, TOP, MIDDLE + 36, UPPER + 4)
    box("manifold", MIDDLE - 36, LOWER - 4, MIDDLE + 36, LOWER + 4)
    if cover:
        box("manifold", MIDDLE - 14, 51, MIDDLE + 14, 57)
    if plate:
        box("feet", MIDDLE - 34, 99, MIDDLE + 34, FOOT)
    if hidden:
        box("companion", MIDDLE - 8, 80, MIDDLE + 8, 110)
    if spur:
        box("manifold", RIGHT - 3, UPPER - 1, RIGHT + 16, UPPER + 1)
    shares = np.stack(
        [
            cv2.resize((label == k).astype(np.float32), (2 * CELLS, 2 * CELLS), interpolation=cv2.INTER_AREA)
            for k in range(len(PART_CLASSES))
        ]
    )
    rounds = np.zeros((len(ROUND_CLASSES), CELLS, CELLS), np.float32)
    return PartMaps(
        Window(0.0, 0.0, SCALE, CELLS * CELL_PICTURE_PX, CELLS * CELL_PICTURE_PX), shares,
        np.zeros((2, 2 * CELLS, 2 * CELLS), np.float32), rounds,
        np.zeros((len(ROUND_CLASSES), SHAPE_NUMBERS, CELLS, CELLS), np.float32), {},
    )  # fmt: skip


def in_photo(place, roll_deg):
    """A place of the drawing in pixels of the photo."""
    turn = cv2.getRotationMatrix2D((MIDDLE, MIDDLE), -roll_deg, 1.0)
    return (turn[:, :2] @ np.asarray(place, float) + turn[:, 2] + 0.5) * CELL_PX - 0.5


@pytest.mark.parametrize("roll_deg", [0.0, 9.0, -21.0])
def test_center_lines_and_outermost_places_are_read_within_a_cell(roll_deg):
    outline = front_outline(drawn(roll_deg), SIZE)
    up = in_photo((0, -1), roll_deg) - in_photo((0, 0), roll_deg)
    up /= np.linalg.norm(up)
    for lines, row in ((outline.upper, UPPER), (outline.lower, LOWER)):
        (line,) = lines
        off = (line.place_px - in_photo((MIDDLE, row), roll_deg)) @ up
        assert abs(off) < 0.7 * CELL_PX
        assert abs(off) < 3.0 * line.sd_px
        assert abs(abs(line.along @ up)) < 0.02
    assert abs((outline.top.place_px - in_photo((MIDDLE, TOP), roll_deg)) @ up) < CELL_PX
    across = np.array([-up[1], up[0]])
    width = (outline.right.place_px - outline.left.place_px) @ across
    assert abs(abs(width) / CELL_PX - (RIGHT - LEFT)) < 2.0
    assert {outline.left.part, outline.right.part} == {"chamber_cover"}
    assert len(outline.feet) == 2
    for foot in outline.feet:
        assert abs((foot.place_px - in_photo((MIDDLE, FOOT), roll_deg)) @ up) < 1.5 * CELL_PX
    assert not outline.cut


def test_what_the_picture_cuts_off_is_known():
    outline = front_outline(drawn(shift=(-26.5, 0.0)), SIZE)
    assert outline.cut == {"left"}
    assert outline.left is None
    assert outline.right is not None


def test_what_lies_amid_the_pump_is_not_its_upper_manifold():
    """The picture cuts the manifold off; a cover on the air section is taken for one by the map."""
    whole, cut = (front_outline(drawn(cover=True, shift=(0.0, up)), SIZE) for up in (0.0, -36.0))
    (line,) = whole.upper
    assert abs(line.place_px - in_photo((MIDDLE, UPPER), 0.0))[1] < 0.7 * CELL_PX
    assert "top" in cut.cut
    assert not cut.upper
    assert len(cut.lower) == 1


def test_columns_behind_piping_are_not_read():
    line, hidden = (front_outline(drawn(hidden=hide), SIZE).lower[0] for hide in (False, True))
    assert np.abs(hidden.place_px - line.place_px)[1] < 0.7 * CELL_PX
    assert hidden.sd_px > line.sd_px


def test_feet_stand_apart_unless_a_plate_joins_them():
    assert front_outline(drawn(), SIZE).feet_apart
    assert not front_outline(drawn(plate=True), SIZE).feet_apart


def test_a_thin_spur_widens_the_doubt_about_the_side():
    plain, spurred = (front_outline(drawn(spur=spur), SIZE) for spur in (False, True))
    assert spurred.right.sd_px > 2.0 * plain.right.sd_px
    assert abs(spurred.left.place_px[0] - plain.left.place_px[0]) < 1.0


def test_what_is_no_front_of_a_pump_is_refused():
    maps = drawn()
    maps.shares[:] = 0.0
    maps.shares[PART_CLASSES.index("background")] = 1.0
    refused = front_outline(maps, SIZE)
    assert isinstance(refused, NoOutline)
    assert not refused
    assert refused.reason
