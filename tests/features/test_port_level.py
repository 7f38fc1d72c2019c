"""Whether a port is an inlet or a discharge, by drawn maps of a pump (numpy alone)."""

import numpy as np
import pytest

from features.parts.part_maps import RoundPart
from features.parts.part_model import PartMaps, Window
from features.parts.part_vocabulary import PART_CLASSES, PART_STRIDE
from features.parts.port_level import port_level

HIGH, WIDE = 96, 64
"""Cells of the map."""


def _maps(top: int, bottom: int, card_below: bool = False) -> PartMaps:
    """A pump between two rows of cells, and a card on the floor under it."""
    shown = np.zeros((HIGH, WIDE), int)
    shown[top:bottom, 16:48] = PART_CLASSES.index("manifold")
    if card_below:
        shown[bottom:, 16:48] = PART_CLASSES.index("scale_reference")
    shares = np.asarray(np.eye(len(PART_CLASSES))[shown].transpose(2, 0, 1), np.float32)
    nothing = np.zeros((1, HIGH, WIDE), np.float32)
    return PartMaps(
        Window(100.0, 50.0, 2.0, WIDE * PART_STRIDE, HIGH * PART_STRIDE), shares, nothing, nothing, nothing, {}
    )


def _port(row: float) -> RoundPart:
    """A mouth whose middle lies in a row of cells, a sixteenth of the map wide."""
    cell_px = 2.0 * PART_STRIDE
    return RoundPart("mouth", 0.9, np.array([100.0 + 32 * cell_px, 50.0 + row * cell_px]), np.eye(2) * 4 * cell_px)


@pytest.mark.parametrize(("row", "level"), [(12.0, "high"), (82.0, "low"), (48.0, "unknown")])
def test_what_is_seen_of_the_pump_above_and_below_tells(row, level):
    assert port_level(_maps(8, 90), _port(row)) == level


def test_a_card_on_the_floor_below_an_inlet_is_none_of_the_pump():
    assert port_level(_maps(8, 70, card_below=True), _port(62.0)) == "low"


def test_a_port_beside_everything_is_at_no_level():
    nothing = _maps(8, 8)
    assert port_level(nothing, _port(40.0)) == "unknown"
    assert port_level(nothing, RoundPart("mouth", 0.9, np.array([-900.0, 40.0]), np.eye(2) * 9.0)) == "unknown"
