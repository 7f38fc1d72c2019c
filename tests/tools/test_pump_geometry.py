"""Pumps are closed solids, their truth lies on their meshes, flanges and threads have published sizes."""

import time
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from reference_geometry.standards import find_flange
from tools.render.build_pump import build_pump
from tools.render.fasteners import head
from tools.render.manifolds import top_of_run
from tools.render.pump_model import Part, PumpModel, TrueCircle
from tools.render.pump_shape_kinds import KINDS, TEST_MUST_DIFFER, is_free, kinds_for
from tools.render.sample_parts import Basics, flange_port_shape, thread_port
from tools.render.sample_pump import sample_pump, sample_shape

SEEDS = [(seed, split) for split, count in (("train", 9), ("val", 3), ("test", 6)) for seed in range(count)]
ON_MESH_MM = 0.05


@cache
def pump(seed: int, split: str) -> PumpModel:
    return sample_pump(np.random.default_rng([seed, 77]), split)


@cache
def shaped(kind: str) -> PumpModel:
    """A pump with a port of one standard, found by drawing shapes and putting the port in."""
    standard, nominal = kind.split("|")
    rng = np.random.default_rng(5)
    shape = sample_shape(rng, "train")
    basics = Basics(nominal, shape.joint.diameter_mm, True, "flanged" if " " in standard else "threaded", "train")
    if basics.connection == "flanged":
        row = find_flange(standard, nominal)
        assert row is not None
        port = flange_port_shape(rng, basics, row, "-y")
        port = replace(
            port,
            slot_mm=0.0,
            build="fixed",
            flange_diameter_mm=row.flange_diameter_mm,
            hole_count=row.bolt_hole_count,
        )
    else:
        port = thread_port(rng, basics, standard, "-y")
    return build_pump(replace(shape, discharge=port, suction=port))


def in_circle_frame(part: Part, circle: TrueCircle) -> tuple[np.ndarray, np.ndarray]:
    """(radius, height over the circle's plane) of each vertex of a part."""
    local = part.mesh.vertices - circle.center_mm
    height = local @ circle.normal
    return np.linalg.norm(local - np.outer(height, circle.normal), axis=1), height


def parts_of(model: PumpModel, circle: TrueCircle) -> list[Part]:
    labels = {
        "chamber_diameter": ("clamp_band", "bolted_rim"),
        "flange_diameter": ("flange", "companion"),
        "bolt_hole_diameter": ("flange",),
        "port_bore": ("flange", "port_opening"),
        "thread_major_diameter": ("port_opening",),
    }[circle.name]
    return [p for p in model.parts if p.label in labels and p.instance == circle.instance]


@pytest.mark.parametrize(("seed", "split"), SEEDS)
def test_every_part_is_a_closed_solid(seed, split):
    for part in pump(seed, split).parts:
        assert part.mesh.is_watertight
        assert part.mesh.is_winding_consistent
        assert part.mesh.volume > 0.0, part.label


@pytest.mark.parametrize(("seed", "split"), SEEDS)
def test_true_circles_lie_on_mesh_edges(seed, split):
    """Vertices in the circle's plane meet its radius within 0.05 mm over a good part of its round."""
    model = pump(seed, split)
    for circle in model.circles:
        if circle.name == "bolt_circle_diameter":
            continue
        found = []
        for part in parts_of(model, circle):
            radius, height = in_circle_frame(part, circle)
            near = (np.abs(height) < ON_MESH_MM) & (np.abs(radius - circle.diameter_mm / 2.0) < ON_MESH_MM)
            found.append(part.mesh.vertices[near])
        points = np.concatenate(found) - circle.center_mm
        a = np.cross(circle.normal, [0.3, 0.5, 0.81])
        a /= np.linalg.norm(a)
        angles = np.sort(np.arctan2(points @ np.cross(circle.normal, a), points @ a))
        assert len(np.unique(np.floor(angles / (np.pi / 18)))) >= 12, circle.name


@pytest.mark.parametrize(("seed", "split"), SEEDS)
def test_chamber_diameter_is_the_outermost_round_edge_and_the_front_most_place_it_is_reached(seed, split):
    model = pump(seed, split)
    for circle in (c for c in model.circles if c.name == "chamber_diameter"):
        bands = [p for p in parts_of(model, circle) if p.material in ("band", "wetted")]
        radius, height = in_circle_frame(bands[0], circle)  # the first is the ring itself, lugs are parts of their own
        assert abs(radius.max() - circle.diameter_mm / 2.0) < 0.01
        full = radius > circle.diameter_mm / 2.0 - 0.01
        assert abs(height[full].max()) < 0.01


@pytest.mark.parametrize(("seed", "split"), SEEDS)
def test_bolts_are_counted_and_stand_where_the_truth_says(seed, split):
    model = pump(seed, split)
    bolts = [p for p in model.parts if p.label == "bolt"]
    assert len({p.instance for p in bolts}) == len(bolts)
    corners = np.concatenate([p.mesh.vertices for p in bolts])
    for circle in model.circles:
        if circle.name == "chamber_diameter":
            assert len(circle.bolts_mm) == int(model.attributes["chamber_bolt_count"])
        if circle.name == "bolt_circle_diameter":
            assert len(circle.bolts_mm) == int(model.attributes["bolt_hole_count"])
            out = circle.bolts_mm - circle.center_mm
            flat = out - np.outer(out @ circle.normal, circle.normal)
            assert np.allclose(np.linalg.norm(flat, axis=1), circle.diameter_mm / 2.0, atol=1e-6)
        mated = model.attributes["mated" if circle.instance == 0 else "mated_inlet"] == "yes"
        if circle.name == "chamber_diameter" or (circle.name == "bolt_circle_diameter" and mated):
            for top in circle.bolts_mm:
                distance = np.linalg.norm(corners - top, axis=1)
                near = corners[distance < 15.0]
                assert np.abs((near - top) @ circle.normal).min() < 0.01


@pytest.mark.parametrize(("seed", "split"), SEEDS)
def test_overall_sizes_are_those_of_the_mesh(seed, split):
    """The pump stands on the floor; height and width are the extent without piping, hose and air fittings."""
    model = pump(seed, split)
    own = [p for p in model.parts if p.label != "companion" and p.material not in ("rubber", "accessory", "muffler")]
    vertices = np.concatenate([p.mesh.vertices for p in own])
    assert vertices[:, 2].min() == pytest.approx(0.0, abs=1e-6)
    assert vertices[:, 2].max() == pytest.approx(model.lengths_mm["overall_height"], abs=1e-6)
    assert np.ptp(vertices[:, 0]) == pytest.approx(model.lengths_mm["overall_width"], abs=1e-6)


@pytest.mark.parametrize(("seed", "split"), SEEDS)
def test_port_spacing_is_the_distance_of_the_port_axes(seed, split):
    model = pump(seed, split)
    heights = {
        c.instance: c.center_mm[2] for c in model.circles if c.name in ("flange_diameter", "thread_major_diameter")
    }
    if len(heights) == 2:
        assert heights[0] - heights[1] == pytest.approx(model.lengths_mm["port_spacing"], abs=1e-9)


@pytest.mark.parametrize(("seed", "split"), SEEDS)
def test_resting_places_stand_clear_of_the_dish(seed, split):
    """A pocket card (84 x 60 mm, long side along the rim) laid on a rim place does not cut the cover."""
    model = pump(seed, split)
    rests = [r for r in model.restings if r.card_at == "rim"]
    assert len(rests) == 4
    for rest in rests:
        for part in (
            p for p in model.parts if p.label in ("chamber_cover", "bolted_rim") and p.instance == rest.instance
        ):
            local = part.mesh.vertices - rest.center_mm
            across = local @ np.cross(rest.up, rest.normal)
            under = (np.abs(across) < 42.0) & (np.abs(local @ rest.up) < 30.0)
            assert np.max(local[under] @ rest.normal, initial=-1.0) < 0.05, part.label


def first_label_along(model: PumpModel, start: np.ndarray, direction: np.ndarray) -> str:
    """Label of the part a ray meets first (exact, by projecting the triangles along the ray)."""
    a = np.cross(direction, [0.3, 0.5, 0.81])
    a /= np.linalg.norm(a)
    axes = np.stack([a, np.cross(direction, a), direction], axis=1)
    best, label = np.inf, "nothing"
    for part in model.parts:
        local = (part.mesh.vertices - start) @ axes
        if np.any(local[:, :2].min(axis=0) > 0) or np.any(local[:, :2].max(axis=0) < 0):
            continue
        corners = local[part.mesh.faces]
        u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
        area = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
        with np.errstate(divide="ignore", invalid="ignore"):
            s = (-corners[:, 0, 0] * v[:, 1] + corners[:, 0, 1] * v[:, 0]) / area
            t = (corners[:, 0, 0] * u[:, 1] - corners[:, 0, 1] * u[:, 0]) / area
            inside = (s >= 0) & (t >= 0) & (s + t <= 1) & np.isfinite(s)
        depth = corners[inside, 0, 2] + s[inside] * u[inside, 2] + t[inside] * v[inside, 2]
        depth = depth[depth > 0]
        if len(depth) and depth.min() < best:
            best, label = float(depth.min()), part.label
    return label


@pytest.mark.parametrize(("seed", "split"), SEEDS)
def test_through_an_open_port_only_its_passage_is_seen(seed, split):
    model = pump(seed, split)
    for circle in (c for c in model.circles if c.name == "port_bore"):
        a = np.cross(circle.normal, [0.3, 0.5, 0.81])
        a /= np.linalg.norm(a)
        b = np.cross(circle.normal, a)
        for angle in np.arange(6) * np.pi / 3:
            for share in (0.3, 0.8):
                aside = 0.5 * share * circle.diameter_mm * (np.cos(angle) * a + np.sin(angle) * b)
                start = circle.center_mm + 0.5 * circle.normal + aside
                assert first_label_along(model, start, -circle.normal) == "port_opening"


def test_the_same_seed_gives_the_same_pump_vertex_for_vertex():
    one, two = (sample_pump(np.random.default_rng(11), "train") for _ in range(2))
    assert len(one.parts) == len(two.parts)
    for a, b in zip(one.parts, two.parts, strict=True):
        assert np.array_equal(a.mesh.vertices, b.mesh.vertices)
        assert np.array_equal(a.mesh.faces, b.mesh.faces)
    assert one.lengths_mm == two.lengths_mm
    other = sample_pump(np.random.default_rng(12), "train")
    assert other.lengths_mm != one.lengths_mm


def test_test_pumps_use_shape_kinds_that_training_never_sees():
    """Whole kinds are held out, not seeds: in the named choices no kind is shared at all."""
    seen = {
        split: [sample_shape(np.random.default_rng(seed), split).choices for seed in range(120)]
        for split in ("train", "val", "test")
    }
    for split, drawn in seen.items():
        for choices in drawn:
            for choice, kind in choices.items():
                assert kind in kinds_for(choice, split), (split, choice, kind)
    for choice in TEST_MUST_DIFFER:
        trained = {c[choice] for split in ("train", "val") for c in seen[split] if choice in c}
        tested = {c[choice] for c in seen["test"] if choice in c}
        assert trained
        assert tested
        assert not trained & tested


def test_free_kinds_are_for_training_alone():
    for choice, table in KINDS.items():
        for kind in filter(is_free, table):
            assert kind in kinds_for(choice, "train")
            assert kind not in kinds_for(choice, "test")
            assert kind not in kinds_for(choice, "family")


def test_a_free_part_has_another_form_in_every_pump_and_keeps_within_its_room():
    """One shape with three seeds: other blocks, valves, runs and feet, in the same places and sizes."""
    shape = sample_shape(np.random.default_rng(4), "train")
    shape = replace(
        shape,
        air=replace(shape.air, block="free_block", valve="free_valve"),
        manifold=replace(shape.manifold, kind="free_run", neck="free_neck"),
        feet=replace(shape.feet, kind="free_feet"),
    )
    models = [build_pump(replace(shape, seed=seed)) for seed in (1, 2, 3)]
    for label in ("air_section", "air_valve", "manifold", "feet"):
        bodies = [np.concatenate([p.mesh.vertices for p in m.parts if p.label == label]) for m in models]
        volumes = {round(sum(p.mesh.volume for p in m.parts if p.label == label)) for m in models}
        assert len(volumes) == len(models), label
        sizes = np.array([np.ptp(vertices, axis=0) for vertices in bodies])
        assert np.all(sizes.max(axis=0) < 1.35 * sizes.min(axis=0)), label
    top = shape.outlet_z_mm + top_of_run(shape.manifold)
    for model in models:
        runs = [p for p in model.parts if p.label == "manifold" and p.instance == 0]
        assert max(p.mesh.vertices[:, 2].max() for p in runs) <= top + 0.01
        assert model.lengths_mm["port_spacing"] == models[0].lengths_mm["port_spacing"]


def test_a_quarter_to_half_of_all_kinds_is_held_out():
    kinds = [splits for table in KINDS.values() for splits in table.values()]
    held_out = sum(splits == frozenset({"test"}) for splits in kinds) / len(kinds)
    assert 0.25 < held_out < 0.45
    assert all("train" in splits or "val" in splits or splits == {"test"} for splits in kinds)


@pytest.mark.parametrize(
    ("port", "outside_mm", "bolt_circle_mm", "holes", "hole_mm"),
    [
        ("ASME B16.5 Class 150|2", 152.4, 120.7, 4, 19.1),  # ASME B16.5 class 150, NPS 2 (inch edition)
        ("ASME B16.5 Class 150|4", 228.6, 190.5, 8, 19.1),  # ASME B16.5 class 150, NPS 4
        ("EN 1092-1 PN10/16|1-1/2", 150.0, 110.0, 4, 18.0),  # EN 1092-1 PN 16, DN 40
        ("JIS B2220 10K|3", 185.0, 150.0, 8, 19.0),  # JIS B 2220 10K, 80A
    ],
)
def test_flange_meshes_have_the_published_sizes(port, outside_mm, bolt_circle_mm, holes, hole_mm):
    model = shaped(port)
    circle = next(c for c in model.circles if c.name == "bolt_circle_diameter" and c.instance == 0)
    plate = next(p for p in model.parts if p.label == "flange" and p.instance == 0)
    radius, height = in_circle_frame(plate, circle)
    assert 2.0 * radius.max() == pytest.approx(outside_mm, abs=0.01)
    mouth = plate.mesh.vertices[np.abs(height) < 0.01]
    between = mouth[np.abs(np.linalg.norm(mouth - circle.center_mm, axis=1) - bolt_circle_mm / 2.0) < 0.6 * hole_mm]
    centers = circle.bolts_mm
    assert len(centers) == holes
    nearest = np.linalg.norm(between[:, None] - centers[None], axis=2).min(axis=1)
    at_holes = nearest[nearest < 0.6 * hole_mm]
    assert len(at_holes) >= 24 * holes
    assert np.allclose(2.0 * at_holes, hole_mm, atol=0.01)


@pytest.mark.parametrize(
    ("port", "tpi", "major_mm"),
    [("BSP|1", 11.0, 33.249), ("BSP|1/2", 14.0, 20.955), ("NPT|1", 11.5, 33.401), ("NPT|2", 11.5, 60.325)],
)  # ISO 228-1 (G 1, G 1/2); ASME B1.20.1 (major = pipe outside diameter)
def test_thread_grooves_have_true_pitch_and_mouth(port, tpi, major_mm):
    model = shaped(port)
    circle = next(c for c in model.circles if c.name == "thread_major_diameter" and c.instance == 0)
    assert circle.diameter_mm == pytest.approx(major_mm, abs=0.001)
    lining = next(p for p in model.parts if p.label == "port_opening" and p.instance == 0 and p.material == "wetted")
    radius, height = in_circle_frame(lining, circle)
    taper = 1.0 / 32.0
    bottoms = np.abs(radius + height * -taper - major_mm / 2.0) < 0.01  # groove bottoms follow the 1:16 taper
    local = lining.mesh.vertices - circle.center_mm
    a = np.cross(circle.normal, [0.0, 0.0, 1.0])
    angle = np.arctan2(local @ np.cross(circle.normal, a), local @ a)
    one_line = np.sort(-height[bottoms & (np.abs(angle) < 0.01) & (height < -0.5)])
    starts = one_line[:-1][np.diff(one_line) > 0.3 * 25.4 / tpi]
    assert len(starts) >= 3
    assert np.allclose(np.diff(starts), 25.4 / tpi, atol=0.01)
    assert model.lengths_mm["thread_pitch"] == pytest.approx(25.4 / tpi, abs=0.001)


def test_bolt_heads_have_published_widths():
    """ISO 4014 M10: 16 across flats, 6.4 high; old DIN 931 M10: 17; ASME B18.2.1 3/8 in: 9/16 in = 14.29."""
    for system, size, flats_mm, height_mm in (
        ("metric", "M10", 16.0, 6.4),
        ("old_din", "M10", 17.0, 6.4),
        ("inch", "3/8", 14.29, 6.35),
    ):
        made = head("hex", system, size)
        radius = np.linalg.norm(made.mesh.vertices[:, :2], axis=1).max()
        assert radius * np.sqrt(3.0) == pytest.approx(flats_mm, abs=0.01)
        assert made.height_mm == pytest.approx(height_mm, abs=0.01)


def test_sampled_pumps_keep_to_the_trades_proportions():
    """Chamber and height ranges by port size: common practice, no source; a tenth beyond is let pass."""
    heights = {"1/2": (200, 320), "1": (290, 450), "1-1/2": (440, 640), "2": (540, 800), "3": (700, 1000)}
    checked = 0
    for seed, split in SEEDS:
        model = pump(seed, split)
        low, high = heights.get(model.attributes["port_nominal_in"], (0.0, 2000.0))
        assert 0.9 * low < model.lengths_mm["overall_height"] < 1.1 * high
        assert 1.1 < model.lengths_mm["overall_width"] / model.circles[0].diameter_mm < 2.6
        checked += low > 0
    assert checked >= 5


def test_a_pump_is_built_fast_and_stays_small(capsys):
    """Thousands are rendered; the bound is loose because test machines are shared."""
    times, faces = [], []
    for seed in range(6):
        start = time.perf_counter()
        model = sample_pump(np.random.default_rng([seed, 3]), "train")
        times.append(time.perf_counter() - start)
        faces.append(sum(len(p.mesh.faces) for p in model.parts))
    with capsys.disabled():
        print(f"\npump build: median {np.median(times):.2f} s, largest {max(times):.2f} s")
        print(f"triangles: {min(faces)} to {max(faces)}")
    assert np.median(times) < 3.0
    assert 15_000 < np.median(faces) < 250_000
