"""Several photos become one value; a known length a ruler; ports follow from lengths, counts and ratios."""

import numpy as np
import pytest
from uncertainties import ufloat

from features.combine import combine_lengths, scaled_by_ruler
from features.measured import NO_SCALE_RELATIVE_SD, Contribution, MeasuredLength
from features.ports import possible_ports


def _length(name, value, relative=0.005, source="own", photo="a.jpg", unscaled=False):
    parts = [Contribution("edge", f"edge:{photo}:{name}:{source}", relative)]
    if unscaled:
        parts.append(Contribution("scale", f"scale:{photo}", NO_SCALE_RELATIVE_SD))
    return MeasuredLength(name, value, tuple(parts), (photo,))


def test_independent_photos_average_by_inverse_variance():
    """Source: `uncertainties` for the variance of the weighted mean."""
    a, b = (
        _length("chamber_diameter", 200, 0.01, photo="a"),
        _length("chamber_diameter", 204, 0.02, photo="b"),
    )
    (blend,) = combine_lengths([a, b]).lengths
    expected = 0.8 * ufloat(np.log(200), 0.01) + 0.2 * ufloat(np.log(204), 0.02)
    assert np.log(blend.value_mm) == pytest.approx(expected.n, abs=1e-6)
    assert blend.relative_sd == pytest.approx(expected.s, rel=1e-6)


def test_a_shared_print_does_not_average_away():
    shared = Contribution("print_scale", "print:pocket", 0.01)
    photos = [MeasuredLength("chamber_diameter", 200.0, (shared,), (name,)) for name in "abc"]
    (blend,) = combine_lengths(photos).lengths
    assert blend.relative_sd == pytest.approx(0.01, rel=1e-6)


def test_photos_that_disagree_are_named():
    combined = combine_lengths([_length("x", 200, photo="a"), _length("x", 230, photo="b")])
    assert combined.disagreements["x"] > 3


def test_flange_as_ruler_turns_ratios_into_millimeters():
    lengths = [
        _length("flange_diameter", 800, unscaled=True),
        _length("chamber_diameter", 1200, unscaled=True),
    ]
    scaled = scaled_by_ruler(lengths, "flange_diameter", 152.4, 0.003, "flange:asme-2")
    chamber = next(length for length in scaled if length.name == "chamber_diameter")
    assert chamber.value_mm == pytest.approx(152.4 * 1.5)
    assert not chamber.is_ratio_only
    assert chamber.relative_sd == pytest.approx(np.sqrt(0.005**2 * 2 + 0.003**2), rel=1e-6)


@pytest.mark.parametrize(
    ("outside", "circle", "holes", "standard", "nominal"),
    [
        # Values as printed in ASME B16.5-2003 table 9, EN 1092-1 table 8, JIS B 2220 10K.
        (152.4, 120.7, 4, "ASME B16.5 Class 150", "2"),
        (165.0, 125.0, 4, "EN 1092-1 PN10/16", "2"),
        (155.0, 120.0, 4, "JIS B2220 10K", "2"),
        (190.5, 152.4, 4, "ASME B16.5 Class 150", "3"),
        (200.0, 160.0, 8, "EN 1092-1 PN10/16", "3"),
    ],
)
def test_flange_is_named_from_its_published_size(outside, circle, holes, standard, nominal):
    lengths = [_length("flange_diameter", outside, 0.006), _length("bolt_circle_diameter", circle, 0.006)]
    best = possible_ports(lengths, {str(holes): 0.95, "6": 0.05}, {"flanged": 0.95, "threaded": 0.05})[0]
    assert best.nominal_in == nominal
    # 2 in ASME and 50A JIS differ by 0.7 mm of circle.
    assert best.standard == standard or best.probability < 0.75


def test_ratios_alone_name_the_nominal_size_of_a_flange():
    """Outside/circle/hole ratios of EN DN80 PN16 (200/160/18, 8 holes), arbitrary units, no scale at all."""
    lengths = [
        _length(name, 3.7 * value, 0.004, unscaled=True)
        for name, value in (
            ("flange_diameter", 200),
            ("bolt_circle_diameter", 160),
            ("bolt_hole_diameter", 18),
        )
    ]
    ports = possible_ports(lengths, {"8": 0.97, "4": 0.03}, {"flanged": 0.98, "threaded": 0.02})
    assert ports[0].nominal_in == "3"
    assert sum(p.probability for p in ports) == pytest.approx(1.0)


def test_nothing_measured_names_no_port():
    assert possible_ports([_length("chamber_diameter", 200)], {}, {}) == ()
