"""The published tables against general-purpose packages with the same standards, and against formulas."""

import csv
import importlib.util
from fractions import Fraction
from importlib import resources
from math import cos, pi, sqrt

import pytest

from reference_geometry.standards import (
    ASME_150,
    BSP,
    NPT,
    across_flats,
    fasteners,
    find_coin,
    find_flange,
    find_flat_reference,
    find_thread,
    flanges,
    pipes,
    threads,
)

needs_bd_warehouse = pytest.mark.skipif(
    importlib.util.find_spec("bd_warehouse") is None,
    reason="bd_warehouse is not installed (pip install --no-deps bd_warehouse)",
)


def bd_rows(*path: str) -> list[dict[str, str]]:
    """Rows of a CSV file of bd_warehouse, read as a resource because importing it needs a CAD kernel."""
    text = resources.files("bd_warehouse").joinpath(*path).read_text(encoding="utf-8")
    rows = csv.DictReader(text.splitlines())
    return [{key.strip(): value for key, value in row.items()} for row in rows]


def inches(text: str) -> float:
    return float(sum(Fraction(part) for part in text.split()))


@needs_bd_warehouse
@pytest.mark.parametrize("flange", [f for f in flanges() if f.standard == ASME_150], ids=lambda f: f.nominal_in)
def test_class_150_drilling_agrees_with_bd_warehouse(flange):
    """Source: bd_warehouse data_flange/drilling_class_150.csv (its O is the metric-rounded diameter)."""
    rows = {row["NPS"].replace(" ", "-"): row for row in bd_rows("data_flange", "drilling_class_150.csv")}
    assert flange.standard == ASME_150
    row = rows[flange.nominal_in]
    assert flange.flange_diameter_alt_mm == float(row["O"])
    assert flange.bolt_circle_diameter_mm == pytest.approx(float(row["W"]), abs=0.05)
    assert flange.bolt_hole_count == int(row["n"])
    assert flange.bolt_hole_diameter_mm == pytest.approx(25.4 * inches(row["d"]), abs=0.06)
    assert flange.bolt_diameter_mm == pytest.approx(25.4 * inches(row["C"]), abs=0.01)


@needs_bd_warehouse
@pytest.mark.parametrize("thread", [t for t in threads() if t.standard == BSP], ids=lambda t: t.nominal_in)
def test_bsp_agrees_with_bd_warehouse(thread):
    """Source: bd_warehouse data/iso_228_1.csv."""
    rows = {row["size"].replace(" ", "-"): row for row in bd_rows("data", "iso_228_1.csv")}
    row = rows[thread.nominal_in]
    assert thread.tpi == float(row["tpi"])
    assert thread.major_diameter_mm == pytest.approx(float(row["major_diameter"]), abs=5e-4)
    assert thread.pitch_diameter_mm == pytest.approx(float(row["pitch_diameter"]), abs=5e-4)
    assert thread.minor_diameter_mm == pytest.approx(float(row["minor_diameter"]), abs=5e-4)


def bd_fasteners(file: str, column: str) -> dict[str, float]:
    rows = bd_rows("data", file)
    coarse: dict[str, float] = {}
    for row in rows:  # the first row of a size is its coarse pitch
        if row.get(column):
            coarse.setdefault(row["Size"].split("-")[0], float(row[column]))
    return coarse


@needs_bd_warehouse
@pytest.mark.parametrize(
    ("standard", "field", "file", "column"),
    [
        ("ISO 4014/4017", "across_flats_mm", "hex_head_parameters.csv", "iso4014:s"),
        ("DIN 931/933", "across_flats_mm", "hex_head_parameters.csv", "din931:s"),
        ("ISO 4032", "across_flats_mm", "hex_nut_parameters.csv", "iso4032:s"),
        ("ISO 4762", "socket_key_mm", "socket_head_cap_parameters.csv", "iso4762:s"),
        ("ISO 7089", "outside_diameter_mm", "plain_washer_parameters.csv", "iso7089:d2"),
    ],
)
def test_fasteners_agree_with_bd_warehouse(standard, field, file, column):
    """Source: bd_warehouse parameter files; every size both have is equal."""
    outside = bd_fasteners(file, column)
    ours = {f.size: getattr(f, field) for f in fasteners() if f.standard == standard}
    shared = ours.keys() & outside.keys()
    assert len(shared) >= 8
    assert {size: ours[size] for size in shared} == {size: outside[size] for size in shared}


def test_iso_and_old_din_hexagons_differ_where_they_are_known_to():
    """Common practice: M10 16 or 17, M12 18 or 19, M14 21 or 22, M22 34 or 32; equal elsewhere."""
    flats = {(f.standard, f.size): f.across_flats_mm for f in fasteners()}
    pairs = {
        size: (flats["ISO 4014/4017", size], flats["DIN 931/933", size])
        for standard, size in flats
        if standard == "DIN 931/933"
    }
    differing = {size: pair for size, pair in pairs.items() if pair[0] != pair[1]}
    assert differing == {"M10": (16.0, 17.0), "M12": (18.0, 19.0), "M14": (21.0, 22.0), "M22": (34.0, 32.0)}


@needs_bd_warehouse
def test_across_flats_covers_what_every_standard_says():
    """Source: bd_warehouse's widths of ISO 4014, DIN 931 and ISO 4032 hexagons, and their least widths of grade A."""
    columns = [("hex_head_parameters.csv", "iso4014:s"), ("hex_head_parameters.csv", "din931:s")]
    outside = [bd_fasteners(file, column) for file, column in (*columns, ("hex_nut_parameters.csv", "iso4032:s"))]
    for size in ("M6", "M8", "M10", "M12", "M14", "M16", "M20"):
        flats = across_flats(size)
        assert flats is not None
        widths = [table[size] for table in outside if size in table]
        assert len(widths) == 3
        assert all(abs(width / flats.mean_mm - 1) < 1.5 * flats.relative_sd for width in widths)
        assert 0.01 <= flats.relative_sd < 0.04


def test_across_flats_is_surer_where_standards_agree():
    """M8 is 13 mm in ISO and DIN, M10 16 or 17 (common practice); an inch bolt is not taken for a metric one."""
    eight, ten, inch = across_flats("M8"), across_flats("M10"), across_flats("3/8")
    assert eight.mean_mm == 13.0
    assert ten.mean_mm == 16.5
    assert ten.relative_sd > 2 * eight.relative_sd
    assert inch.mean_mm == pytest.approx(9 / 16 * 25.4, abs=0.02)
    assert across_flats("M11") is None
    assert across_flats("") is None


@pytest.mark.parametrize("pipe", pipes(), ids=lambda p: p.nominal_in)
@pytest.mark.parametrize("schedule", ["40", "80"])
def test_pipe_agrees_with_fluids(pipe, schedule):
    """Source: fluids.piping.nearest_pipe, in meters."""
    piping = pytest.importorskip("fluids.piping", reason="fluids is not installed")
    whole, _, part = pipe.nominal_in.partition("-")
    nps = float(Fraction(whole) + (Fraction(part) if part else 0))
    _, inside, outside, wall = piping.nearest_pipe(NPS=nps, schedule=schedule)
    assert pipe.outside_diameter_mm == pytest.approx(1000 * outside, abs=0.06)
    if schedule == "40":
        assert pipe.wall_schedule_40_mm == pytest.approx(1000 * wall, abs=0.02)
        assert pipe.bore_schedule_40_mm == pytest.approx(1000 * inside, abs=0.1)
    else:
        assert pipe.wall_schedule_80_mm == pytest.approx(1000 * wall, abs=0.02)
        assert pipe.bore_schedule_80_mm == pytest.approx(1000 * inside, abs=0.1)


@pytest.mark.parametrize("thread", [t for t in threads() if t.standard == NPT], ids=lambda t: t.nominal_in)
def test_npt_follows_the_formulas_of_its_standard(thread):
    """ASME B1.20.1, inch: E0 = D - (.05 D + 1.1) p, E1 = E0 + L1 / 16, L2 = (.8 D + 6.8) p, depth .8 p."""
    pitch = 25.4 / thread.tpi
    major = thread.major_diameter_mm
    small_end = major - (0.05 * major / 25.4 + 1.1) * pitch
    assert thread.pitch_mm == pytest.approx(pitch, abs=1e-4)
    assert thread.pitch_diameter_mm == pytest.approx(small_end + 0.0625 * thread.gauge_length_mm, abs=0.003)
    assert thread.useful_length_mm == pytest.approx((0.80 * major / 25.4 + 6.8) * pitch, abs=0.005)
    assert thread.minor_diameter_mm == pytest.approx(thread.pitch_diameter_mm - 0.8 * pitch, abs=1e-3)


def test_npt_values_known_by_heart():
    """ASME B1.20.1 in inches, from memory: 1/2 has D 0.840, E1 0.77843; 1 has D 1.315, E1 1.23863."""
    half, one = find_thread(NPT, "1/2"), find_thread(NPT, "1")
    assert half.major_diameter_mm == pytest.approx(25.4 * 0.840, abs=1e-3)
    assert half.pitch_diameter_mm == pytest.approx(25.4 * 0.77843, abs=1e-3)
    assert one.major_diameter_mm == pytest.approx(25.4 * 1.315, abs=1e-3)
    assert one.pitch_diameter_mm == pytest.approx(25.4 * 1.23863, abs=1e-3)


@pytest.mark.parametrize("thread", [t for t in threads() if t.standard == BSP], ids=lambda t: t.nominal_in)
def test_bsp_follows_the_whitworth_form(thread):
    """ISO 228-1: thread depth 0.640327 p, pitch diameter midway between major and minor."""
    pitch = 25.4 / thread.tpi
    assert thread.major_diameter_mm - thread.minor_diameter_mm == pytest.approx(2 * 0.640327 * pitch, abs=0.002)
    middle = (thread.major_diameter_mm + thread.minor_diameter_mm) / 2
    assert thread.pitch_diameter_mm == pytest.approx(middle, abs=0.001)


def test_flanges_known_by_heart():
    """From memory: EN PN16 DN50 165/125/4x18, JIS 10K 50A 155/120/4x19, Class 150 NPS 2 6 in / 4.75 in."""
    en, jis = find_flange("EN 1092-1 PN10/16", "2"), find_flange("JIS B2220 10K", "2")
    asme = find_flange(ASME_150, "2")
    assert (en.flange_diameter_mm, en.bolt_circle_diameter_mm, en.bolt_hole_diameter_mm) == (165, 125, 18)
    assert (jis.flange_diameter_mm, jis.bolt_circle_diameter_mm, jis.bolt_hole_diameter_mm) == (155, 120, 19)
    assert asme.flange_diameter_mm == pytest.approx(6 * 25.4, abs=0.05)
    assert asme.bolt_circle_diameter_mm == pytest.approx(4.75 * 25.4, abs=0.06)


@pytest.mark.parametrize("name", ["a3", "a4", "a5", "a6"])
def test_paper_has_the_ratio_of_iso_216(name):
    """ISO 216: sides in the ratio 1 to sqrt 2, An has 2^-n square meters, both rounded to whole mm."""
    sheet = find_flat_reference(name)
    long, short = (1000 * 2 ** (x / 4 - int(name[1]) / 2) for x in (1, -1))
    assert sheet.long_mm == pytest.approx(long, abs=0.7)
    assert sheet.short_mm == pytest.approx(short, abs=0.7)
    assert sheet.long_mm / sheet.short_mm == pytest.approx(sqrt(2), rel=0.005)


def test_letter_agrees_with_reportlab():
    """Source: reportlab.lib.pagesizes."""
    sizes = pytest.importorskip("reportlab.lib.pagesizes")
    units = pytest.importorskip("reportlab.lib.units")
    sheet = find_flat_reference("letter")
    assert sizes.letter == (
        pytest.approx(sheet.width_mm * units.mm, abs=1e-6),
        pytest.approx(sheet.height_mm * units.mm, abs=1e-6),
    )


def test_bank_card_is_id_1_of_iso_7810():
    """ISO/IEC 7810 ID-1: 3.370 x 2.125 in, corner radius 3.18 mm, limits 85.47-85.72 and 53.92-54.03 mm."""
    card = find_flat_reference("ID-1")
    assert card.width_mm == pytest.approx(3.370 * 25.4, abs=0.01)
    assert card.height_mm == pytest.approx(2.125 * 25.4, abs=0.01)
    assert 85.47 <= card.width_mm <= 85.72
    assert 53.92 <= card.height_mm <= 54.03
    assert 2.88 <= card.corner_radius_mm <= 3.48


@pytest.mark.parametrize(
    ("name", "diameter_mm"),
    [("us-25c", 0.955 * 25.4), ("us-5c", 0.835 * 25.4), ("us-1c", 0.750 * 25.4), ("us-10c", 0.705 * 25.4)],
)
def test_us_coins_agree_with_their_size_in_inches(name, diameter_mm):
    """United States coin diameters as the law gives them in inches (31 U.S.C. 5112)."""
    assert find_coin(name).diameter_mm == pytest.approx(diameter_mm, abs=0.01)


@pytest.mark.parametrize(("name", "diameter_mm"), [("eur-2", 25.75), ("eur-1", 23.25), ("eur-50c", 24.25)])
def test_euro_coins_have_the_published_diameter(name, diameter_mm):
    """Council Regulation (EU) 729/2014 on the technical specifications of euro coins."""
    assert find_coin(name).diameter_mm == diameter_mm


def test_sharp_hexagons_are_flats_over_cos_30():
    for fastener in fasteners():
        if fastener.across_flats_mm and fastener.across_corners_sharp_mm:
            sharp = fastener.across_flats_mm / cos(pi / 6)
            assert fastener.across_corners_sharp_mm == pytest.approx(sharp, abs=0.02)
