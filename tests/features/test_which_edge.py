"""The doubt about which edge was traced stays in every budget, however many photos there are."""

import numpy as np
import pytest

from features.combine import combine_lengths
from features.measured import Contribution, MeasuredLength
from features.which_edge import FLANGED_BORE_SD, WHICH_EDGE_SD, with_edge_doubt


def _read(photo, name="port_bore", sd=0.03):
    return with_edge_doubt(MeasuredLength(name, 50.0, (Contribution("edge", f"edge:{photo}", sd),), (photo,)))


def test_more_photos_shrink_the_tracing_error_but_not_the_doubt():
    """Sixteen readings: the mean's own part is a quarter (JCGM 100:2008, 4.2.3), the doubt is whole."""
    (length,) = combine_lengths([_read(f"{i}.jpg") for i in range(16)]).lengths
    assert length.relative_sd == pytest.approx(np.hypot(0.03 / 4, WHICH_EDGE_SD["port_bore"]), rel=1e-6)


def test_it_is_said_once_and_only_of_edges_it_knows():
    once = _read("a.jpg")
    assert with_edge_doubt(once) == once
    spacing = MeasuredLength("port_spacing", 300.0, (Contribution("edge", "edge:a.jpg", 0.01),))
    assert with_edge_doubt(spacing) is spacing


def test_the_opening_of_a_flange_has_no_chamfer_of_a_thread():
    bare = MeasuredLength("port_bore", 50.0, (), ("a.jpg",))
    assert with_edge_doubt(bare, flanged=True).relative_sd == FLANGED_BORE_SD < with_edge_doubt(bare).relative_sd
    rim = MeasuredLength("flange_diameter", 150.0, (), ("a.jpg",))
    assert with_edge_doubt(rim, flanged=True) == with_edge_doubt(rim)
