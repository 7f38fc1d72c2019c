"""What two photos show alike carries the scale over; sums of errors checked with `uncertainties`."""

import numpy as np
import pytest
from uncertainties import ufloat, umath

from features.combine import combine_lengths
from features.measured import NO_SCALE_RELATIVE_SD, Contribution, MeasuredLength
from features.shared_scale import by_length_of_others, with_scale_of_others


def _length(name, value_mm, photo, edge, scale, of_print=0.0):
    heading = "scale" if scale > 1 else "offset"
    parts = [Contribution("edge", f"edge:{photo}:{name}", edge), Contribution(heading, f"scale:{photo}", scale)]
    if of_print:
        parts.append(Contribution("print_scale", "print:pocket", of_print))
    return MeasuredLength(name, value_mm, tuple(parts), (photo,))


def test_a_photo_without_a_scale_gets_it_from_what_another_photo_measured():
    """NPS 2 Class 150 (ASME B16.5): 152.4 mm over the flange, 120.7 mm over the bolts, seen 40 % too small."""
    close = [_length(n, 0.6 * mm, "close", 0.004, NO_SCALE_RELATIVE_SD) for n, mm in (("flange_diameter", 152.4),
             ("bolt_circle_diameter", 120.7))]  # fmt: skip
    far = [_length("flange_diameter", 153.0, "far", 0.006, 0.01, of_print=0.005)]
    measured = {one.name: one for one in combine_lengths(with_scale_of_others([close, far])).lengths}
    assert measured["flange_diameter"] == far[0]
    bolts = measured["bolt_circle_diameter"]
    flange_close, bolts_close = ufloat(0, 0.004), ufloat(0, 0.004)
    flange_far = ufloat(np.log(153.0), 0.006) + ufloat(0, 0.01) + ufloat(0, 0.005)
    expected = flange_far + bolts_close - flange_close + umath.log(120.7 / 152.4)
    assert np.log(bolts.value_mm) == pytest.approx(expected.n)
    assert bolts.relative_sd == pytest.approx(expected.s)
    assert not bolts.is_ratio_only
    # The print's error came along, so that it stays shared with all else that this card measured.
    assert sum(part.relative for part in bolts.contributions if part.source == "print:pocket") == pytest.approx(0.005)


def test_intervals_hold_when_scales_are_drawn():
    """Of 2,000 drawn pairs of photos, a rough scale against a good one, 95 in 100 intervals hold the bolt circle."""
    rng, held, own = np.random.default_rng(2), 0, []
    for _ in range(2000):
        rough, good = rng.normal(0, 0.06), rng.normal(0, 0.01)

        def seen(name, true_mm, photo, scale, sd, rng=rng):
            return _length(name, true_mm * np.exp(scale + rng.normal(0, 0.005)), photo, 0.005, sd)

        first = [
            seen("flange_diameter", 152.4, "a", rough, 0.06),
            seen("bolt_circle_diameter", 120.7, "a", rough, 0.06),
        ]
        told = with_scale_of_others([first, [seen("flange_diameter", 152.4, "b", good, 0.01)]])
        bolts = next(one for one in told if one.name == "bolt_circle_diameter")
        low, high = bolts.interval_mm
        held += low < 120.7 < high
        own.append(bolts.relative_sd)
    assert 0.93 < held / 2000 < 0.97
    assert 0.01 < np.median(own) < 0.015


def test_a_length_that_is_as_sure_by_itself_stays_as_it_is():
    """Nothing is moved for a small gain, and nothing where photos have no length in common."""
    sure = [_length("flange_diameter", 150.0, "a", 0.005, 0.01), _length("port_bore", 50.0, "a", 0.005, 0.01)]
    other = [_length("flange_diameter", 152.0, "b", 0.005, 0.01)]
    assert with_scale_of_others([sure, other]) == [*sure, *other]
    alone = [_length("port_bore", 30.0, "c", 0.005, NO_SCALE_RELATIVE_SD)]
    assert with_scale_of_others([alone, other]) == [*alone, *other]
    same = by_length_of_others(sure[1], sure[0], sure[0])
    assert same.value_mm == pytest.approx(50.0)
    assert same.relative_sd == pytest.approx(sure[1].relative_sd)
