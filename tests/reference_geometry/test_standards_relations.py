"""Relations every published table must obey in itself, whoever copied it."""

from itertools import pairwise

import pytest

from reference_geometry.standards import (
    FLANGE_STANDARDS,
    THREAD_STANDARDS,
    coins,
    fasteners,
    flanges,
    flat_references,
    pipes,
    size_of,
    threads,
)

TABLES = {
    "flanges": flanges(),
    "threads": threads(),
    "pipes": pipes(),
    "fasteners": fasteners(),
    "coins": coins(),
    "flat references": flat_references(),
}


@pytest.mark.parametrize("name", TABLES)
def test_every_row_says_where_it_comes_from(name):
    for row in TABLES[name]:
        assert row.provenance.source, row
        assert row.provenance.check.startswith(("agrees", "differs", "single", "memory only", "PN10:")), row


def test_loaders_give_the_same_tuple_again():
    assert flanges() is flanges()
    assert coins() is coins()


@pytest.mark.parametrize("flange", flanges(), ids=lambda f: f"{f.standard} {f.nominal_in}")
def test_flange_parts_fit_into_each_other(flange):
    """Bore < raised face < holes, holes inside the rim, holes do not overlap, bolts pass through them."""
    smallest = min(flange.flange_diameters_mm)
    circle, hole = flange.bolt_circle_diameter_mm, flange.bolt_hole_diameter_mm
    assert size_of(flange.nominal_in).dn == flange.dn
    assert circle + hole < smallest
    assert flange.raised_face_diameter_mm < circle - hole + 3.0
    assert flange.dn < flange.raised_face_diameter_mm
    assert flange.bolt_diameter_mm < hole < flange.bolt_diameter_mm * 1.35
    assert all(count % 4 == 0 for count in flange.bolt_hole_counts)
    assert 3.14159 * circle / max(flange.bolt_hole_counts) > 2 * hole


@pytest.mark.parametrize("standard", FLANGE_STANDARDS)
def test_flanges_grow_with_size(standard):
    rows = [f for f in flanges() if f.standard == standard]
    assert [f.dn for f in rows] == [15, 20, 25, 32, 40, 50, 65, 80, 100]
    for smaller, larger in pairwise(rows):
        assert smaller.flange_diameter_mm < larger.flange_diameter_mm
        assert smaller.bolt_circle_diameter_mm < larger.bolt_circle_diameter_mm
        assert smaller.bolt_hole_count <= larger.bolt_hole_count


def test_dn65_of_en_1092_has_eight_or_four_holes():
    flange = next(f for f in flanges() if f.standard == "EN 1092-1 PN10/16" and f.dn == 65)
    assert flange.bolt_hole_counts == (8, 4)


def test_asme_flanges_carry_both_editions_outside_diameters():
    flange = next(f for f in flanges() if f.standard == "ASME B16.5 Class 150" and f.dn == 50)
    assert flange.flange_diameters_mm == (152.4, 150.0)


@pytest.mark.parametrize("thread", threads(), ids=lambda t: f"{t.standard} {t.nominal_in}")
def test_thread_diameters_are_in_order(thread):
    assert thread.minor_diameter_mm < thread.pitch_diameter_mm < thread.major_diameter_mm
    assert thread.pitch_mm == pytest.approx(25.4 / thread.tpi, abs=6e-4)
    assert thread.thread_angle_deg == {"NPT": 60, "BSP": 55}[thread.standard]
    assert size_of(thread.nominal_in).dn == thread.dn


@pytest.mark.parametrize("standard", THREAD_STANDARDS)
def test_threads_grow_with_size(standard):
    majors = [t.major_diameter_mm for t in threads() if t.standard == standard]
    assert majors == sorted(majors)
    assert len(majors) == 12


def test_npt_and_bsp_share_their_pitch_at_half_and_three_quarter_inch_only():
    """Common practice: 14 threads an inch in both families there, so a pitch gauge cannot decide."""
    pitch = {(t.standard, t.nominal_in): t.tpi for t in threads()}
    same = {size for standard, size in pitch if pitch["NPT", size] == pitch["BSP", size]}
    assert same == {"1/2", "3/4"}


@pytest.mark.parametrize("pipe", pipes(), ids=lambda p: p.nominal_in)
def test_pipe_walls_leave_a_bore(pipe):
    assert pipe.wall_schedule_40_mm < pipe.wall_schedule_80_mm
    assert 0 < pipe.bore_schedule_80_mm < pipe.bore_schedule_40_mm < pipe.outside_diameter_mm
    assert pipe.outside_diameter_mm == pytest.approx(pipe.outside_diameter_inch_exact_mm, abs=0.06)


@pytest.mark.parametrize("coin", coins(), ids=lambda c: c.name)
def test_coins_are_coin_sized(coin):
    assert 15 < coin.diameter_mm < 33
    assert coin.thickness_mm is None or 1 < coin.thickness_mm < 3.5
    assert coin.hole_mm is None or coin.hole_mm < coin.diameter_mm / 3
    assert coin.name == coin.name.lower()


@pytest.mark.parametrize("flat", flat_references(), ids=lambda f: f.name)
def test_flat_references_have_two_sides(flat):
    assert 50 < flat.short_mm <= flat.long_mm < 450
