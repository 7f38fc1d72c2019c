"""Several photos become one value; a known length a ruler; ports follow from lengths, counts and ratios."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal
from uncertainties import ufloat

from features.attributes import combine_attributes
from features.combine import combine_lengths, given_length, says_something, scaled_by_ruler, tells_ratio
from features.measured import NO_SCALE_RELATIVE_SD, AttributeEvidence, Contribution, MeasuredLength, log_covariance
from features.ports import PortSize, possible_ports
from features.ruler import with_flange_known


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


def test_a_raised_face_taken_for_the_rim_still_names_the_flange():
    """EN 1092-1 DN 80: holes on 160 mm, raised face 138 mm (type B, d1; from memory); no flange is 138 mm wide then."""
    lengths = [_length("flange_diameter", 138.0), _length("bolt_circle_diameter", 160.0), _length("port_bore", 77.0)]
    best = possible_ports(lengths, {"8": 0.9, "4": 0.1}, {"flanged": 0.95, "threaded": 0.05})[0]
    assert (best.standard, best.nominal_in) == ("EN 1092-1 PN10/16", "3")
    assert best.probability > 0.5


def test_a_bore_tells_the_flange_apart_where_ratios_hardly_do():
    """ASME 1-1/2 in. (127.0 on 98.4 mm) and EN DN 50 (165 on 125): ratios 2 % apart, bores of 41 and 53 mm."""
    for scale, outside, circle, bore, nominal in ((2.9, 127.0, 98.4, 39.5, "1-1/2"), (2.3, 165.0, 125.0, 52.0, "2")):
        lengths = [
            _length(name, scale * value, 0.008, unscaled=True)
            for name, value in (("flange_diameter", outside), ("bolt_circle_diameter", circle), ("port_bore", bore))
        ]
        assert possible_ports(lengths, {"4": 0.95}, {"flanged": 0.97, "threaded": 0.03})[0].nominal_in == nominal


def test_sizes_that_pumps_are_built_in_are_likelier():
    """An ASME 1-1/4 in. flange (117.5 mm), measured within 4 % and nothing else, may be one of 1 or 1-1/2 in."""
    ports = possible_ports([_length("flange_diameter", 117.5, 0.04)], {}, {"flanged": 0.95, "threaded": 0.05})
    seldom = sum(port.probability for port in ports if port.nominal_in in ("1-1/4", "2-1/2"))
    assert 0.0 < seldom < 0.2


def test_nothing_measured_names_no_port():
    assert possible_ports([_length("chamber_diameter", 200)], {}, {}) == ()


@pytest.mark.parametrize(("chamfer", "nominal"), [(1.015 * 21.34, "1/2"), (1.015 * 33.4, "1"), (1.015 * 60.33, "2")])
def test_a_mouth_far_from_the_card_is_rather_a_chamfer_than_the_next_sizes_crests(chamfer, nominal):
    """NPT pipe is 21.34, 33.40 and 60.33 mm outside (ASME B1.20.1, from memory); measured within 10 %."""
    ports = possible_ports([_length("port_bore", chamfer, 0.10)], {}, {"flanged": 0.02, "threaded": 0.98})
    assert ports[0].nominal_in == nominal
    assert 0.2 < ports[0].probability < 0.9


@pytest.mark.parametrize(("joint_mm", "nominal"), [(218.0, "1"), (145.0, "1/2"), (335.0, "2")])
def test_a_joint_tells_which_of_the_sizes_a_badly_seen_mouth_may_be(joint_mm, nominal):
    """A mouth within 30 %, 15 % too large: pumps with 1/2, 1 and 2 in. ports have such joints (common practice).

    NPT pipe is 21.34, 33.40 and 60.33 mm outside (ASME B1.20.1, from memory).
    """
    major_mm = {"1/2": 21.34, "1": 33.4, "2": 60.33}[nominal]
    mouth, joint = _length("port_bore", 1.15 * major_mm, 0.3), _length("chamber_diameter", joint_mm, 0.03)
    alone, told = (possible_ports(seen, {}, {"flanged": 0.02, "threaded": 0.98}) for seen in ([mouth], [mouth, joint]))
    sure = [sum(port.probability for port in ports if port.nominal_in == nominal) for ports in (alone, told)]
    assert 0.1 < sure[0] < sure[1] < 0.92
    assert told[0].nominal_in == nominal


@pytest.mark.parametrize(("joint_mm", "major_mm", "large"), [(421.0, 88.9, True), (144.0, 21.34, False)])
def test_ratios_alone_tell_whether_a_thread_is_large(joint_mm, major_mm, large):
    """Without a scale threads of 2 and 3 in. (ASME B1.20.1, from memory) are told from others by their pump's joint."""
    lengths = [
        _length("port_bore", 2.1 * 1.015 * major_mm, 0.02, unscaled=True),
        _length("chamber_diameter", 2.1 * joint_mm, 0.02, unscaled=True),
    ]
    ports = possible_ports(lengths, {}, {"flanged": 0.02, "threaded": 0.98})
    assert (ports[0].nominal_in in ("2", "3")) == large
    assert 0.05 < ports[0].probability < 0.5


@pytest.mark.parametrize("unit", [0.01, 1.0, 100.0])
def test_in_units_without_a_meaning_a_lone_mouth_is_of_the_sizes_most_pumps_have(unit):
    """As probable whatever the unit; 1 and 1/2 in. are what most pumps are built with (common practice)."""
    threaded = {"flanged": 0.001, "threaded": 0.999}
    ports = possible_ports([_length("port_bore", 30.0 * unit, 0.02, unscaled=True)], {}, threaded, least=0.0)
    by_size: dict[str, float] = {}
    for port in ports:
        by_size[port.nominal_in] = by_size.get(port.nominal_in, 0.0) + port.probability
    assert sorted(by_size, key=lambda size: -by_size[size])[:2] == ["1", "1/2"]
    assert 0.1 < by_size["1"] < 0.35
    same = possible_ports([_length("port_bore", 30.0, 0.02, unscaled=True)], {}, threaded, least=0.0)
    assert [port.probability for port in ports] == pytest.approx([port.probability for port in same])


@pytest.mark.parametrize(("chamfer_mm", "pitch_mm", "nominal"), [(33.7, 2.309, "1"), (60.3, 2.309, "2")])
def test_stripes_that_are_no_thread_do_not_rule_out_the_size_of_a_mouth(chamfer_mm, pitch_mm, nominal):
    """BSP: 1 in. 33.249 and 2 in. 59.614 mm, 11 to the inch (ISO 7-1, from memory); other stripes 1.4 as far apart."""
    of_scale = Contribution("offset", "offset:a.jpg:face", 0.03)

    def said(read_mm):
        mouth = MeasuredLength("port_bore", chamfer_mm, (of_scale, Contribution("edge", "edge:a.jpg", 0.01)))
        pitch = MeasuredLength("thread_pitch", read_mm, (of_scale, Contribution("reading", "pitch:a.jpg", 0.025)))
        return possible_ports([mouth, pitch], {}, {"threaded": 0.99, "flanged": 0.01})

    def size(ports):
        return sum(port.probability for port in ports if port.nominal_in == nominal)

    assert 0.8 < size(said(1.4 * pitch_mm)) < 0.995
    assert size(said(pitch_mm)) > 0.99
    assert said(pitch_mm)[0].standard == "BSP"


def test_a_reference_that_is_another_thing_makes_no_flange_into_a_thread():
    """A mouth taken for a coin a quarter as wide: EN 1092-1 3 in. is 200 on 160 mm, its pump's joint some 435 mm."""
    true = (("flange_diameter", 200.0), ("bolt_circle_diameter", 160.0), ("chamber_diameter", 435.0))
    lengths = [_length(name, value / 4.3, 0.01) for name, value in true]
    best = possible_ports(lengths, {"8": 0.93, "4": 0.04}, {"flanged": 0.99, "threaded": 0.01})[0]
    assert (best.standard, best.nominal_in) == ("EN 1092-1 PN10/16", "3")
    assert 0.4 < best.probability < 0.999


def _shared_depth(flange=150.0, depth_sd=0.1):
    """A flange, its bore and a chamber by a card that lies elsewhere: the first two share the error of their depth."""
    depth = Contribution("offset", "offset:a.jpg:face", depth_sd)
    printed = Contribution("print_scale", "print:pocket", 0.005)
    sizes = (("flange_diameter", flange, 1.0), ("port_bore", 40.0, 0.9), ("chamber_diameter", 300.0, 0.0))
    return [
        MeasuredLength(
            name, value,
            (Contribution("edge", f"edge:{name}", 0.004), replace(depth, relative=depth_sd * share), printed),
            ("a.jpg",),
        )
        for name, value, share in sizes
    ]  # fmt: skip


def test_a_known_length_takes_its_error_out_of_those_that_share_it():
    """Source: draws of scipy from the joint normal distribution, weighed by how near they come to the known length."""
    lengths = _shared_depth(160.0)
    given = given_length(lengths, "flange_diameter", 152.4, 0.01, "port_flange:2")
    joint = multivariate_normal(np.log([length.value_mm for length in lengths]), log_covariance(lengths))
    draws = joint.rvs(200_000, random_state=1)
    weight = np.exp(-0.5 * ((draws[:, 0] - np.log(152.4)) / 0.01) ** 2)
    mean = weight @ draws / weight.sum()
    cov = np.cov(draws.T, aweights=weight)
    assert np.log([length.value_mm for length in given]) == pytest.approx(mean, abs=6e-4)
    assert log_covariance(given) == pytest.approx(cov, abs=6e-6)
    assert given[1].relative_sd < 0.2 * lengths[1].relative_sd
    assert given[2].relative_sd == pytest.approx(lengths[2].relative_sd, rel=0.02)


@pytest.mark.parametrize(("depth_sd", "known"), [(0.1, True), (0.01, False)], ids=["off its plane", "in its plane"])
def test_a_flange_whose_size_is_sure_is_as_large_as_that_where_the_card_tells_it_worse(depth_sd, known):
    """152.4 mm: ASME B16.5-2003 table 9, 2 in."""
    lengths = _shared_depth(160.0, depth_sd)
    flange, bore, _ = with_flange_known(lengths, [PortSize("ASME B16.5 Class 150", "2", 50, 0.97)])
    assert (flange.value_mm == pytest.approx(152.4, rel=0.01)) == known
    assert bore.relative_sd < 0.02
    assert with_flange_known(lengths, [PortSize("ASME B16.5 Class 150", "2", 50, 0.8)]) == tuple(lengths)


@pytest.mark.parametrize(("circle_mm", "known"), [(117.0, True), (120.0, False)], ids=["by a hub", "flat"])
def test_a_card_on_a_hub_is_told_by_a_drilling_that_no_flange_has(circle_mm, known):
    """120.7 mm: ASME B16.5-2003 table 9, 2 in.; a card 9 mm before holes 300 mm away makes them look 3 % too small."""
    depth = Contribution("offset", "offset:a:face", 0.011)
    circle = MeasuredLength("bolt_circle_diameter", circle_mm, (depth, Contribution("edge", "edge:b", 0.003)), ("a",))
    rim = MeasuredLength("flange_diameter", circle_mm * 152.4 / 120.7, (depth,), ("a",))
    moved, its_rim = with_flange_known([circle, rim], [PortSize("ASME B16.5 Class 150", "2", 50, 0.97)])
    assert (120.7 > moved.value_mm > 119.0) if known else moved == circle
    assert (its_rim.value_mm > 1.01 * rim.value_mm) == known
    assert with_flange_known([circle, rim], [PortSize("ASME B16.5 Class 150", "2", 50, 0.93)]) == (circle, rim)


def test_a_flange_of_one_size_and_any_standard_may_be_as_wide_as_each_has_it():
    """2 in. flanges are 152.4, 155 and 165 mm wide (ASME B16.5, JIS B2220 10K, EN 1092-1 table 8; from memory)."""
    circle = MeasuredLength("bolt_circle_diameter", 119.0, _shared_depth()[0].contributions, ("a.jpg",))
    shares = {"ASME B16.5 Class 150": 0.36, "JIS B2220 10K": 0.36, "EN 1092-1 PN10/16": 0.27}
    ports = [PortSize(standard, "2", 50, share) for standard, share in shares.items()]
    flange, *_ = with_flange_known([*_shared_depth(flange=152.4), circle], ports)
    low, high = flange.interval_mm
    assert low < 152.4 < 165.0 < high
    assert flange.relative_sd < 0.05


@pytest.mark.parametrize(
    ("value_mm", "relative_sd", "told"), [(300.0, 0.1, True), (300.0, 0.4, False), (2e3, 0.1, False)]
)
def test_a_size_that_any_pump_has_or_none_is_not_told(value_mm, relative_sd, told):
    """Joints end at 900 mm (common practice, `reference_geometry.plausible`)."""
    length = MeasuredLength("chamber_diameter", value_mm, (Contribution("offset", "offset:a", relative_sd),), ("a",))
    assert says_something(length) is told
    ratio = Contribution("scale", "scale:a", NO_SCALE_RELATIVE_SD)
    assert says_something(replace(length, contributions=(ratio,)))


def test_lengths_of_a_face_at_no_known_depth_are_kept_for_their_ratios():
    """40 % of depth in common: neither has a size, both tell how large one is over the other (JCGM 100, 5.2)."""
    depth = Contribution("offset", "offset:a:face", 0.4)

    def length(name, value_mm, *parts):
        return MeasuredLength(name, value_mm, (*parts, Contribution("edge", f"edge:{name}", 0.01)), ("a",))

    rim, bolts = length("flange_diameter", 150.0, depth), length("bolt_circle_diameter", 120.0, depth)
    apart = length("bolt_circle_diameter", 120.0, Contribution("offset", "offset:b:face", 0.4))
    assert not says_something(rim)
    assert tells_ratio(rim, [rim, bolts])
    assert not tells_ratio(rim, [rim, apart])
    assert not tells_ratio(rim, [rim])
    assert not tells_ratio(length("flange_diameter", 9e3, depth), [bolts])


def _look(attribute, first, photo):
    return AttributeEvidence(attribute, {"one": first, "other": 1.0 - first}, (photo,))


def test_photos_of_one_surface_are_no_more_sure_together_than_one_look_at_it():
    """Three photos of a finish repeat one observation; three of a joint's form each add to it (Bayes' rule)."""
    looks = [0.9, 0.9, 0.9]
    (surface,) = combine_attributes([_look("wetted_material", p, f"{k}.jpg") for k, p in enumerate(looks)])
    (form,) = combine_attributes([_look("housing_joint", p, f"{k}.jpg") for k, p in enumerate(looks)])
    assert 0.9 < surface.likelihood["one"] < 0.95
    assert form.likelihood["one"] > 0.98
    assert surface.photos == ("0.jpg", "1.jpg", "2.jpg")


def test_photos_that_do_not_show_a_surface_take_nothing_from_one_that_does():
    looks = [0.9, 0.5, 0.5]
    (told_once,) = combine_attributes([_look("wetted_material", p, f"{k}.jpg") for k, p in enumerate(looks)])
    assert told_once.likelihood["one"] == pytest.approx(0.9, abs=1e-9)


def test_photos_that_disagree_about_a_surface_leave_it_open():
    (told_both,) = combine_attributes([_look("wetted_material", 0.9, "a.jpg"), _look("wetted_material", 0.1, "b.jpg")])
    assert told_both.likelihood["one"] == pytest.approx(0.5, abs=1e-9)
