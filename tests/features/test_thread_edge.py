"""Crests or chamfer of a thread's mouth, by the diameters of ASME B1.20.1 and ISO 7-1 once the size is known."""

import pytest

from features.measured import Contribution, MeasuredLength
from features.ports import PortSize
from features.thread_edge import with_edge_told
from features.which_edge import EDGE, with_thread_doubt

MAJOR_MM, PITCH_MM = 48.26, 25.4 / 11.5
"""1-1/2 NPT, ASME B1.20.1: outside diameter and pitch."""
CRESTS_MM = 44.52
"""Its minor diameter by the thread's height of 0.8 pitches there, at the mouth (table value of the standard)."""
SURELY = (PortSize("NPT", "1-1/2", 40, 0.97), PortSize("BSP", "1-1/2", 40, 0.03))


def _traced(value_mm: float, sd: float = 0.004) -> MeasuredLength:
    parts = (Contribution("edge", "edge:a.jpg:port_bore", sd),)
    return with_thread_doubt(MeasuredLength("port_bore", value_mm, parts, ("a.jpg",)), 1.0)


@pytest.mark.parametrize("traced_mm", [CRESTS_MM, 1.015 * MAJOR_MM])
def test_of_a_known_size_either_edge_gives_the_crests(traced_mm):
    told = with_edge_told(_traced(traced_mm), SURELY)
    assert told.value_mm == pytest.approx(CRESTS_MM, rel=0.006)
    assert not EDGE.hangs_on(told)


def test_between_both_edges_or_of_an_unknown_size_it_stays_open():
    between = _traced((CRESTS_MM * 1.015 * MAJOR_MM) ** 0.5, sd=0.03)
    assert with_edge_told(between, SURELY) == between
    # What would be the chamfer of 1 in. (33.9 mm) lies between the edges of both sizes here, told by a poor scale.
    open_still = (PortSize("NPT", "1", 25, 0.5), PortSize("NPT", "1-1/4", 32, 0.5))
    poorly = _traced(36.5, sd=0.08)
    assert with_edge_told(poorly, open_still) == poorly


def test_other_lengths_and_other_ports_are_left_alone():
    chamber = MeasuredLength("chamber_diameter", 200.0, (), ("a.jpg",))
    assert with_edge_told(chamber, SURELY) == chamber
    traced = _traced(CRESTS_MM)
    assert with_edge_told(traced, (PortSize("JIS B2220 10K", "2", 50, 1.0),)) == traced
