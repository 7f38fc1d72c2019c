"""A family's pump has the family's lengths and attributes, and always the same look."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from reference_geometry.families import Family, KnownLength
from reference_geometry.store import load_reference
from tools.render.from_family import pump_from_family
from tools.render.pump_model import PumpModel

FAMILIES = {f.family_id: f for f in load_reference(None).families}
PICKED = sorted(FAMILIES)[::6]


@cache
def pump(family_id: str, seed: int = 1) -> PumpModel:
    return pump_from_family(FAMILIES[family_id], np.random.default_rng(seed))


def built_length(model: PumpModel, name: str) -> float | None:
    circles = [c.diameter_mm for c in model.circles if c.name == name]
    return circles[0] if circles else model.lengths_mm.get(name)


@pytest.mark.parametrize("family_id", PICKED)
def test_lengths_are_the_familys_within_its_spread(family_id):
    """Within three standard deviations of the set's mean; what the set rounds within its rounding."""
    family, model = FAMILIES[family_id], pump(family_id)
    for name, known in family.lengths.items():
        built = built_length(model, name)
        assert built is not None, name
        sd = known.sd_mm if known.sd_mm is not None else 0.0015 * known.mean_mm
        assert abs(built - known.mean_mm) <= 3.0 * sd + 0.06, name


def test_pumps_of_one_family_differ_by_tolerance_only():
    """The spread of the drawn chambers is the family's own: neither none nor more."""
    family = FAMILIES[PICKED[2]]
    known = family.lengths["chamber_diameter"]
    drawn = [pump_from_family(family, np.random.default_rng(seed)).circles[0].diameter_mm for seed in range(8)]
    assert known.sd_mm is not None
    assert 0.15 * known.sd_mm < np.std(drawn) < 2.5 * known.sd_mm


@pytest.mark.parametrize("family_id", PICKED)
def test_attributes_are_the_familys(family_id):
    family, words = FAMILIES[family_id], pump(family_id).attributes
    assert words["connection"] == family.connection
    assert words["housing_joint"] == family.housing_joint
    assert words["chamber_bolt_count"] == str(family.chamber_bolt_count or 0)
    assert words["port_position"] == family.port_position
    assert words["wetted_material"] == family.wetted_material
    assert words["port_standard"] == family.port_standard
    assert words["port_nominal_in"] == family.port_nominal_in
    assert words["air_valve_side"] == family.air_valve_side
    assert words["air_valve_screw_count"] == family.extras["air_valve_screw_count"]
    if family.connection == "flanged":
        assert words["bolt_hole_count"] == str(family.bolt_hole_count)
        assert words["slotted"] == family.extras["slotted_holes"]
        assert words["swivel_flange"] == ("yes" if family.swivel_flange else "no")


@pytest.mark.parametrize("family_id", PICKED[::2])
def test_cover_depth_and_joint_rise_are_the_familys(family_id):
    """What decides the offset of a card taped on the pump is as the set says."""
    family, model = FAMILIES[family_id], pump(family_id)
    edge = next(c for c in model.circles if c.name == "chamber_diameter")
    rim = next(r for r in model.restings if r.card_at == "rim")
    assert (rim.center_mm - edge.center_mm) @ edge.normal == pytest.approx(
        float(family.extras["joint_rise_mm"]), abs=0.05
    )
    covers = sorted(r.center_mm[0] for r in model.restings if r.card_at == "cover")
    behind = [p for p in model.parts if p.label == "other" and p.material == "rubber" and p.instance == 0]
    seam = next(p for p in behind if abs(p.mesh.bounds[:, 0].mean() - edge.center_mm[0]) < 40.0)
    depth = covers[1] - seam.mesh.bounds[:, 0].mean()
    assert depth == pytest.approx(float(family.extras["cover_depth_mm"]), abs=0.1)


def test_a_family_always_looks_the_same():
    """Only tolerance differs: the same kinds, the same parts, other lengths by less than two percent."""
    one, two = pump(PICKED[1], 1), pump(PICKED[1], 2)
    assert one.shape_kinds == two.shape_kinds
    assert [p.label for p in one.parts] == [p.label for p in two.parts]
    size = one.lengths_mm["overall_height"]
    for a, b in zip(one.parts, two.parts, strict=True):
        assert np.abs(a.mesh.bounds - b.mesh.bounds).max() < 0.02 * size
    again = pump_from_family(FAMILIES[PICKED[1]], np.random.default_rng(1))
    assert np.array_equal(again.parts[0].mesh.vertices, one.parts[0].mesh.vertices)


def test_every_part_of_a_family_pump_is_closed():
    for family_id in PICKED[:4]:
        assert all(part.mesh.is_watertight for part in pump(family_id).parts)


def test_a_family_of_which_little_is_known_is_filled_in():
    """A user's row may hold only a chamber diameter."""
    known = {"chamber_diameter": KnownLength(205.0, 0.3, 5)}
    model = pump_from_family(Family("X-1", "Nobody", "Unknown", "1 in", lengths=known), np.random.default_rng(0))
    assert model.circles[0].diameter_mm == pytest.approx(205.0, abs=1.0)
    assert model.family_id == "X-1"


def test_a_port_no_standard_has_is_refused_with_the_reason():
    family = replace(FAMILIES[PICKED[0]], port_standard="NPT", connection="threaded", port_nominal_in="6")
    with pytest.raises(ValueError, match="no 6 thread"):
        pump_from_family(family, np.random.default_rng(0))
