"""The check's separations follow from the full covariance, its error rate is the stated one."""

from itertools import combinations

import numpy as np
import pytest

from reference_geometry.demo.design_table import LOOK_ALIKES
from reference_geometry.demo_set import load_demo_set
from reference_geometry.families import Family, KnownLength
from reference_geometry.look_alikes import (
    COMMON_SHARE,
    TOLD_APART_SD,
    best_measurement,
    check_view,
    differing_attribute,
)


def made(family_id, chamber=300.0, sd=1e-6, **more):
    attributes = {key: value for key, value in more.items() if not isinstance(value, float)}
    lengths = {key: KnownLength(value, sd, 3) for key, value in more.items() if isinstance(value, float)}
    return Family(
        family_id,
        "Nobody",
        "Model",
        "",
        lengths={"chamber_diameter": KnownLength(chamber, sd, 3), **lengths},
        **attributes,
    )


def kits_by_family(loaded):
    found = {}
    for kit in loaded.kits:
        found[kit.family_id] = found.get(kit.family_id, frozenset()) | {kit.kit_no}
    return found


def test_one_length_is_separated_by_its_log_difference_over_the_photos_uncertainty():
    pair = check_view([made("A", 300.0), made("B", 303.0)], {}, "chamber", 0.015).look_alikes[0]
    assert pair.separation_sd == pytest.approx(np.log(303 / 300) / 0.015, rel=1e-6)


def test_several_lengths_are_separated_by_the_full_covariance():
    """Source: numpy.linalg on the covariance written out; the module uses a closed form."""
    names = ("chamber_diameter", "flange_diameter", "bolt_circle_diameter")
    first = made("A", 300.0, sd=0.9, flange_diameter=150.0, bolt_circle_diameter=110.0)
    second = made("B", 304.0, sd=0.9, flange_diameter=152.4, bolt_circle_diameter=111.0)
    u = 0.015
    difference = np.array([np.log(second.lengths[n].mean_mm / first.lengths[n].mean_mm) for n in names])
    spread = np.array([(0.9 / first.lengths[n].mean_mm) ** 2 + (0.9 / second.lengths[n].mean_mm) ** 2 for n in names])
    common = (COMMON_SHARE * u) ** 2
    covariance = np.diag(u**2 - common + spread / 2) + common
    expected = np.sqrt(difference @ np.linalg.solve(covariance, difference))
    (pair,) = check_view([first, second], {}, "both", u).look_alikes
    assert pair.separation_sd == pytest.approx(expected, rel=1e-9)


def test_told_apart_means_one_mix_up_in_twenty():
    """Monte Carlo: of photos of A, the share nearer to B is 5 % at the threshold."""
    rng = np.random.default_rng(7)
    u = 0.015
    a, b = 0.0, TOLD_APART_SD * u
    seen = rng.normal(a, u, 200_000)
    mixed_up = np.mean(np.abs(seen - b) < np.abs(seen - a))
    assert 0.045 < mixed_up < 0.055


def test_a_common_scale_error_hides_a_pump_of_the_same_shape_but_not_another_shape():
    """All lengths 4 % larger may be the scale; one 4 % larger and one 4 % smaller can not."""
    base = made("A", 300.0, flange_diameter=150.0)
    scaled = made("B", 312.0, flange_diameter=156.0)
    warped = made("C", 312.0, flange_diameter=144.0)
    same = check_view([base, scaled], {}, "both", 0.015)
    other = check_view([base, warped], {}, "both", 0.015)
    assert same.pairs == 1
    assert other.pairs == 0


def test_a_seen_attribute_that_differs_tells_apart_and_an_unknown_one_does_not():
    eight, ten, unknown = (made(name, chamber_bolt_count=n) for name, n in (("A", 8), ("B", 10), ("C", None)))
    assert check_view([eight, ten], {}, "chamber").pairs == 0
    assert check_view([eight, unknown], {}, "chamber").pairs == 1


def test_the_best_separator_is_the_easiest_attribute_and_the_surest_length():
    first = made("A", 300.0, sd=0.3, port_spacing=400.0, port_bore=38.0, air_valve_side="front")
    second = made("B", 301.0, sd=0.3, port_spacing=440.0, port_bore=38.2, air_valve_side="rear")
    assert differing_attribute(first, second).name == "air_valve_side"
    best = best_measurement(first, second)
    assert best.name == "port_spacing"
    assert (best.first, best.second) == ("400 mm", "440 mm")
    assert best_measurement(first, made("C", 300.1, sd=0.3)) is None


def test_the_demo_sets_look_alikes_are_found_where_a_view_shows_no_difference():
    loaded = load_demo_set()
    families = {family.family_id: family for family in loaded.families}
    check = check_view(loaded.families, kits_by_family(loaded), "chamber", 0.015)
    found = {frozenset((pair.first, pair.second)) for pair in check.look_alikes}
    assert len(found) == check.pairs
    expected = 0
    for first, second, _ in LOOK_ALIKES:
        seen = ("housing_joint", "chamber_bolt_count", "wetted_material")
        if all(getattr(families[first], name) == getattr(families[second], name) for name in seen):
            expected += 1
            assert frozenset((first, second)) in found
    assert expected >= 5


def test_two_views_tell_more_than_one_and_a_better_photo_more_than_a_worse():
    loaded = load_demo_set()
    kits = kits_by_family(loaded)
    pairs = {view: check_view(loaded.families, kits, view, 0.015).pairs for view in ("chamber", "port", "both")}
    assert 0 < pairs["both"] < min(pairs["chamber"], pairs["port"])
    assert check_view(loaded.families, kits, "chamber", 0.05).pairs > pairs["chamber"]
    assert check_view(loaded.families, kits, "both", 0.002).pairs < pairs["both"]


def test_pairs_that_need_different_kits_come_first_and_are_counted():
    families = [made("A"), made("B", 300.1), made("C", 300.2)]
    kits = {"A": frozenset({"K1"}), "B": frozenset({"K1"}), "C": frozenset({"K2"})}
    check = check_view(families, kits, "chamber")
    assert (check.pairs, check.kit_pairs, check.families, check.largest_crowd) == (3, 2, 3, 2)
    assert [pair.same_kits for pair in check.look_alikes] == [False, False, True]


def test_the_cap_keeps_the_most_alike_pairs():
    families = [made(f"F{i}", 300.0 + 0.005 * i * i) for i in range(40)]
    check = check_view(families, {}, "chamber", most_pairs=5)
    apart = sorted(abs(a.lengths["chamber_diameter"].mean_mm - b.lengths["chamber_diameter"].mean_mm)
                   for a, b in combinations(families, 2))  # fmt: skip
    assert check.pairs == 780
    assert len(check.look_alikes) == 5
    assert check.look_alikes[0].separation_sd == pytest.approx(apart[0] / 300 / 0.015, rel=0.01)
