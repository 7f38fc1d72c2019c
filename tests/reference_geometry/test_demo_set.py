"""The demo set is invented, complete, inside common practice, and holds the look-alikes it promises.

All ranges below are common practice, from memory, with no published source.
"""

import csv
from collections import Counter, defaultdict
from itertools import combinations, pairwise
from math import pi
from pathlib import Path

import pytest

from reference_geometry.demo.design_table import LOOK_ALIKES, MAKERS, wet_ends
from reference_geometry.demo.make_demo_set import write_demo_set
from reference_geometry.demo_set import load_demo_set
from reference_geometry.standards import PORT_STANDARDS, find_flange, find_pipe, find_thread

DEMO = load_demo_set()
FAMILIES = {family.family_id: family for family in DEMO.families}
PACKAGED = Path(__file__).parents[2] / "reference_geometry" / "demo"

LITERS_PER_GALLON = 3.785411784

CHAMBER_MM = {"1/4": (70, 115), "3/8": (90, 140), "1/2": (120, 175), "3/4": (140, 200), "1": (180, 250),
              "1-1/2": (250, 350), "2": (310, 430), "3": (380, 520)}  # fmt: skip
HEIGHT_MM = {"1/4": (140, 230), "3/8": (170, 270), "1/2": (200, 320), "3/4": (260, 380), "1": (290, 450),
             "1-1/2": (440, 640), "2": (540, 800), "3": (700, 1000)}  # fmt: skip
FLOW_GPM = {"1/4": (3, 6), "3/8": (5, 11), "1/2": (11, 18), "3/4": (14, 30), "1": (35, 55),
            "1-1/2": (85, 130), "2": (130, 200), "3": (210, 300)}  # fmt: skip
PLASTIC_1_IN_GPM = (37, 54)
BOLTS = {"1/4": (4, 10), "3/8": (4, 10), "1/2": (4, 10), "3/4": (6, 12), "1": (6, 12), "1-1/2": (8, 24),
         "2": (8, 24), "3": (8, 24)}  # fmt: skip
DISPLACEMENT_L = {"1/4": (0.01, 0.08), "1/2": (0.04, 0.19), "1": (0.3, 0.83), "1-1/2": (0.95, 2.65),
                  "2": (1.7, 5.68), "3": (4.54, 11.36)}  # fmt: skip
STROKE_1_IN_MM = (20, 50)
FLUID_KIT_PRICE = {"1/4": (50, 250), "3/8": (60, 300), "1/2": (100, 450), "3/4": (120, 600), "1": (150, 1100),
                   "1-1/2": (250, 1500), "2": (350, 2000), "3": (600, 3000)}  # fmt: skip
LEAD_DAYS = (2, 42)

every_family = pytest.mark.parametrize("family", DEMO.families, ids=lambda f: f.family_id)


def inside(value, bounds):
    return bounds[0] <= value <= bounds[1]


def test_the_packaged_files_are_what_the_generator_writes(tmp_path):
    write_demo_set(tmp_path)
    for name in ("families.csv", "kits.csv"):
        assert (tmp_path / name).read_bytes() == (PACKAGED / name).read_bytes(), name


def test_it_says_that_it_is_invented():
    assert DEMO.is_demo
    assert "invented" in DEMO.name
    assert all("invented" in family.notes for family in DEMO.families)


def test_it_is_as_large_and_as_varied_as_promised():
    assert len(DEMO.families) >= 44
    assert len({family.maker for family in DEMO.families}) == len(MAKERS) >= 6
    assert len(DEMO.kits) >= 150
    assert len({kit.kit_no for kit in DEMO.kits}) >= 150
    assert {family.port_nominal_in for family in DEMO.families} == set(CHAMBER_MM)
    assert {family.port_standard for family in DEMO.families} == set(PORT_STANDARDS)
    for name in ("connection", "port_position", "housing_joint", "wetted_material", "air_valve_side"):
        counts = Counter(getattr(family, name) for family in DEMO.families)
        assert len(counts) == 2, name
        assert min(counts.values()) >= 8, counts
    assert any(family.swivel_flange for family in DEMO.families)
    assert any(family.extras.get("slotted_holes") == "yes" for family in DEMO.families)


@every_family
def test_every_column_that_makes_sense_is_filled(family):
    lengths = {"chamber_diameter", "port_bore", "port_spacing", "overall_height", "overall_width",
               "foot_spacing_long", "foot_spacing_short"}  # fmt: skip
    if family.connection == "flanged":
        lengths |= {"flange_diameter", "bolt_circle_diameter", "bolt_hole_diameter"}
        assert family.bolt_hole_count
        assert family.swivel_flange is not None
    else:
        lengths |= {"thread_major_diameter", "thread_pitch"}
    assert set(family.lengths) == lengths
    assert (family.chamber_bolt_count is not None) == (family.housing_joint == "bolted")
    assert {"cover_depth_mm", "stroke_mm", "joint_rise_mm"} <= set(family.extras)
    assert family.port_position
    assert family.air_valve_side
    assert family.max_flow_lpm
    assert family.lengths["chamber_diameter"].sd_mm
    assert family.lengths["chamber_diameter"].count >= 2


@every_family
def test_family_sizes_are_common_practice(family):
    size = family.port_nominal_in
    mm = {name: known.mean_mm for name, known in family.lengths.items()}
    assert inside(mm["chamber_diameter"], CHAMBER_MM[size])
    assert inside(mm["overall_height"], HEIGHT_MM[size])
    assert mm["chamber_diameter"] < mm["port_spacing"] < mm["overall_height"]
    assert mm["foot_spacing_short"] < mm["foot_spacing_long"] < mm["overall_width"]
    assert inside(family.max_flow_lpm / LITERS_PER_GALLON, FLOW_GPM[size])
    if size == "1" and family.wetted_material == "plastic":
        assert inside(family.max_flow_lpm / LITERS_PER_GALLON, PLASTIC_1_IN_GPM)
    if family.housing_joint == "bolted":
        assert family.chamber_bolt_count % 2 == 0
        assert inside(family.chamber_bolt_count, BOLTS[size])


@every_family
def test_hidden_dimensions_are_common_practice(family):
    """Displacement a cycle: two strokes of a diaphragm working on some 0.55 of the chamber's diameter."""
    stroke, rise = float(family.extras["stroke_mm"]), float(family.extras["joint_rise_mm"])
    chamber = family.lengths["chamber_diameter"].mean_mm
    assert 4 <= rise <= 10
    assert 0.2 * chamber <= float(family.extras["cover_depth_mm"]) <= 0.35 * chamber
    displacement = 2 * stroke * pi * (0.55 * chamber / 2) ** 2 / 1e6
    if family.port_nominal_in in DISPLACEMENT_L:
        assert inside(displacement, DISPLACEMENT_L[family.port_nominal_in])
    if family.port_nominal_in == "1":
        assert inside(stroke, STROKE_1_IN_MM)


@every_family
def test_ports_are_the_published_ones(family):
    mm = {name: known.mean_mm for name, known in family.lengths.items()}
    if family.connection == "flanged":
        flange = find_flange(family.port_standard, family.port_nominal_in)
        pipe = find_pipe(family.port_nominal_in)
        assert mm["flange_diameter"] == flange.flange_diameter_mm
        assert mm["bolt_circle_diameter"] == flange.bolt_circle_diameter_mm
        assert mm["bolt_hole_diameter"] == flange.bolt_hole_diameter_mm
        assert family.bolt_hole_count == flange.bolt_hole_count
        assert pipe.bore_schedule_80_mm - 0.1 <= mm["port_bore"] <= pipe.bore_schedule_40_mm + 0.1
    else:
        thread = find_thread(family.port_standard, family.port_nominal_in)
        assert mm["thread_major_diameter"] == thread.major_diameter_mm
        assert mm["thread_pitch"] == thread.pitch_mm
        assert mm["port_bore"] == pytest.approx(thread.minor_diameter_mm, abs=0.06)


def test_plastic_is_flanged_from_one_inch_on_and_threaded_below():
    for family in DEMO.families:
        if family.wetted_material == "plastic":
            large = family.port_nominal_in in {"1", "1-1/2", "2", "3"}
            assert family.connection == ("flanged" if large else "threaded"), family.family_id


def test_chambers_of_one_size_and_joint_lie_1_to_10_percent_apart_but_for_promised_look_alikes():
    wet_end_of = {family_id: family_id.rsplit("-", 1)[0] for family_id in FAMILIES}
    promised = {frozenset((wet_end_of[a], wet_end_of[b])) for a, b, _ in LOOK_ALIKES}
    groups = defaultdict(list)
    for wet_end in wet_ends():
        groups[wet_end.nominal_in, wet_end.joint, wet_end.material].append(wet_end)
    gaps = []
    for group in groups.values():
        group.sort(key=lambda w: w.chamber_mm)
        for first, second in pairwise(group):
            if frozenset((first.key, second.key)) not in promised:
                gaps.append(second.chamber_mm / first.chamber_mm - 1)
    assert len(gaps) >= 7
    assert min(gaps) > 0.01
    assert max(gaps) < 0.12


def test_the_promised_look_alikes_look_alike():
    """Chambers at most 3 mm apart, same size; most of the pairs need different kits."""
    kits = defaultdict(set)
    for kit in DEMO.kits:
        kits[kit.family_id].add(kit.kit_no)
    different = 0
    for first_id, second_id, words in LOOK_ALIKES:
        first, second = FAMILIES[first_id], FAMILIES[second_id]
        apart = abs(first.lengths["chamber_diameter"].mean_mm - second.lengths["chamber_diameter"].mean_mm)
        assert apart <= 3.0
        assert first.port_nominal_in == second.port_nominal_in
        assert first.housing_joint == second.housing_joint
        if "different kits" in words:
            different += 1
            assert not kits[first_id] & kits[second_id]
        else:
            fluid = {number for number in kits[first_id] if "-F" in number}
            assert fluid
            assert fluid <= kits[second_id]
    assert 3 <= different < len(LOOK_ALIKES)


def test_every_family_has_fluid_and_air_kits_and_some_kits_fit_several_families():
    sections = defaultdict(set)
    fits = Counter(kit.kit_no for kit in DEMO.kits)
    for kit in DEMO.kits:
        sections[kit.family_id].add(kit.section)
    assert all(sections[family_id] == {"fluid", "air"} for family_id in FAMILIES)
    assert max(fits.values()) >= 5
    assert min(fits.values()) == 1


def test_kits_say_what_is_in_them_at_believable_prices_and_lead_times():
    for kit in DEMO.kits:
        size = FAMILIES[kit.family_id].port_nominal_in
        assert kit.currency in {"USD", "EUR"}
        assert inside(kit.lead_time_days, LEAD_DAYS)
        assert kit.stock >= 0
        assert kit.lead_time_days <= 5 or kit.stock == 0
        if kit.section == "fluid":
            assert inside(kit.price, FLUID_KIT_PRICE[size]), kit
            assert kit.contents.startswith("2 diaphragms")
            assert "4 valve balls" in kit.contents
            assert ("2 backup diaphragms" in kit.contents) == kit.elastomer.startswith("PTFE")
        else:
            assert kit.elastomer == ""
            assert kit.price > 20


def test_no_two_kits_share_a_number_with_different_contents():
    by_number = defaultdict(set)
    for kit in DEMO.kits:
        by_number[kit.kit_no].add((kit.section, kit.elastomer, kit.contents, kit.price, kit.currency, kit.stock))
    assert all(len(meanings) == 1 for meanings in by_number.values())


def test_families_of_one_wet_end_differ_by_port_alone():
    by_wet_end = defaultdict(list)
    for family in DEMO.families:
        by_wet_end[family.family_id.rsplit("-", 1)[0]].append(family)
    compared = 0
    for members in by_wet_end.values():
        for first, second in combinations(members, 2):
            compared += 1
            assert first.lengths["chamber_diameter"] == second.lengths["chamber_diameter"]
            assert first.chamber_bolt_count == second.chamber_bolt_count
            assert (first.port_standard, first.port_position) != (second.port_standard, second.port_position)
    assert compared >= 15


def test_csv_files_have_no_empty_heading_and_no_duplicate_id():
    with (PACKAGED / "families.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert all(rows[0])
    assert len({row["family_id"] for row in rows}) == len(rows)
