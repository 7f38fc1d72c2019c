"""The second maker's pumps against their own truth, the standards' tables and the families they are built from."""

import numpy as np
import pytest
from manifold3d import Manifold

from reference_geometry.families import Family
from reference_geometry.standards import find_flange, find_thread
from reference_geometry.store import load_reference
from tools.other_pumps import other_pump
from tools.other_pumps.plan import LATER_STYLES, draw_plan
from tools.render.build_pump import own_bounds
from tools.render.outlines import Points
from tools.render.pump_model import Part, PumpModel, TrueCircle
from tools.render.solids import Mesh, drum, placed, pose, solid_of
from tools.render.splits import Split

FAMILIES = ("MQ-CAT-05M-N", "FW-BRY-10M-NC", "MQ-CAT-10P-D")
"""Threaded and bolted, threaded at the center with a band, flanged and bolted."""
BODIES = ("chamber_cover", "bolted_rim", "clamp_band", "flange", "threaded_boss", "manifold", "air_section", "feet")


def _family(family_id: str) -> Family:
    return next(f for f in load_reference(None).families if f.family_id == family_id)


@pytest.fixture(scope="module")
def pumps() -> list[tuple[Family | None, PumpModel]]:
    """Pumps of three families and a free one, all with open ports."""
    wanted = (*(_family(name) for name in FAMILIES), None)
    judged = [(f, other_pump(np.random.default_rng(100 + k), f, mated_chance=0.0)) for k, f in enumerate(wanted)]
    return judged + [_pump_of(style, k) for k, style in enumerate(LATER_STYLES)]


def _pump_of(style: str, place: int) -> tuple[Family | None, PumpModel]:
    """A pump of a training style: of a family at even places, else free."""
    family = None if place % 2 else _family(FAMILIES[place // 2 % 3])
    seed = next(s for s in range(300, 900) if draw_plan(np.random.default_rng(s), family, "train").style == style)
    return family, other_pump(np.random.default_rng(seed), family, "train", mated_chance=0.0)


def _circles(pump: PumpModel, name: str) -> list[TrueCircle]:
    return [c for c in pump.circles if c.name == name]


def _local(mesh: Mesh, circle: TrueCircle) -> tuple[Points, Points]:
    """Distance of each vertex from a circle's axis, and height over its plane."""
    off = mesh.vertices - circle.center_mm
    height = off @ circle.normal
    return np.linalg.norm(off - np.outer(height, circle.normal), axis=1), height


def _shared_volume(part: Part, tool: Mesh) -> float:
    apart = (part.mesh.bounds[0] > tool.bounds[1]) | (tool.bounds[0] > part.mesh.bounds[1])
    return 0.0 if apart.any() else float((solid_of(part.mesh) ^ solid_of(tool)).volume())


def test_all_meshes_are_closed(pumps: list[tuple[Family | None, PumpModel]]) -> None:
    for _, pump in pumps:
        assert all(part.mesh.is_watertight for part in pump.parts)
        assert sum(len(part.mesh.faces) for part in pump.parts) < 420_000


def test_joint_is_as_wide_as_its_circle(pumps: list[tuple[Family | None, PumpModel]]) -> None:
    for _, pump in pumps:
        for circle in _circles(pump, "chamber_diameter"):
            label = "clamp_band" if pump.attributes["housing_joint"] == "clamp_band" else "bolted_rim"
            widest = np.zeros(72)
            for part in pump.parts:
                if part.label != label or part.instance != circle.instance or part.material not in ("wetted", "band"):
                    continue
                radius, height = _local(part.mesh, circle)
                off = part.mesh.vertices - circle.center_mm
                sector = (np.degrees(np.arctan2(off[:, 2], off[:, 1])) // 5).astype(int) % 72
                near = np.abs(height) < 4.0
                np.maximum.at(widest, sector[near], radius[near])
            # Ears and notches take few of the sectors; most show the round edge itself.
            share = np.mean(np.abs(widest - circle.diameter_mm / 2) < 0.1)
            assert share > (0.4 if "scalloped" in pump.shape_kinds["other_joint"] else 0.7)


def test_chamber_bolts_end_where_told(pumps: list[tuple[Family | None, PumpModel]]) -> None:
    for family, pump in pumps:
        circle = _circles(pump, "chamber_diameter")[0]
        assert len(circle.bolts_mm) == int(pump.attributes["chamber_bolt_count"])
        if family is not None:
            assert len(circle.bolts_mm) == (family.chamber_bolt_count or 0)
        tops = np.array([p.mesh.vertices[p.mesh.vertices[:, 0].argmax()] for p in pump.parts if p.label == "bolt"])
        middles = np.array([p.mesh.vertices.mean(axis=0) for p in pump.parts if p.label == "bolt"])
        for bolt in circle.bolts_mm:
            nearest = int(np.argmin(np.linalg.norm(middles - bolt, axis=1)))
            assert abs(tops[nearest, 0] - bolt[0]) < 0.05
            assert np.linalg.norm((middles[nearest] - bolt)[1:]) < 1.0


def test_flange_is_drilled_by_its_standard(pumps: list[tuple[Family | None, PumpModel]]) -> None:
    seen = 0
    for _, pump in pumps:
        for circle in _circles(pump, "flange_diameter"):
            seen += 1
            row = find_flange(pump.attributes["port_standard"], pump.attributes["port_nominal_in"])
            assert row is not None
            assert min(abs(circle.diameter_mm / d - 1) for d in row.flange_diameters_mm) < 0.005
            meshes = [p.mesh for p in pump.parts if p.label == "flange" and p.instance == circle.instance]
            radius = np.concatenate([_local(mesh, circle)[0] for mesh in meshes])
            assert radius.max() == pytest.approx(circle.diameter_mm / 2, abs=0.02)
            drilled = next(c for c in _circles(pump, "bolt_circle_diameter") if c.instance == circle.instance)
            assert drilled.diameter_mm == pytest.approx(row.bolt_circle_diameter_mm, rel=0.005)
            assert len(drilled.bolts_mm) in row.bolt_hole_counts
            for hole in _circles(pump, "bolt_hole_diameter"):
                if hole.instance != circle.instance:
                    continue
                assert hole.diameter_mm == pytest.approx(row.bolt_hole_diameter_mm, rel=0.005)
                shaft = placed(drum(0.48 * hole.diameter_mm, -60.0, 30.0), pose(hole.center_mm, hole.normal))
                assert all(_shared_volume(p, shaft) < 1.0 for p in pump.parts if p.label == "flange")
                fat = placed(drum(0.53 * hole.diameter_mm, -5.0, 30.0), pose(hole.center_mm, hole.normal))
                assert sum(_shared_volume(p, fat) for p in pump.parts if p.label == "flange") > 1.0
    assert seen >= 2


def test_nothing_stands_in_a_bore(pumps: list[tuple[Family | None, PumpModel]]) -> None:
    for _, pump in pumps:
        bores = _circles(pump, "port_bore")
        assert len(bores) == 2
        for bore in bores:
            free = placed(
                drum(0.47 * bore.diameter_mm, -0.9 * bore.diameter_mm, 60.0), pose(bore.center_mm, bore.normal)
            )
            assert all(_shared_volume(part, free) < 1.0 for part in pump.parts)


def test_thread_has_the_pitch_of_its_standard(pumps: list[tuple[Family | None, PumpModel]]) -> None:
    seen = 0
    for _, pump in pumps:
        for circle in _circles(pump, "thread_major_diameter"):
            seen += 1
            row = find_thread(pump.attributes["port_standard"], pump.attributes["port_nominal_in"])
            assert row is not None
            assert circle.diameter_mm == pytest.approx(row.major_diameter_mm, rel=0.005)
            pitch = _pitch_of(pump, circle)
            assert pitch == pytest.approx(row.pitch_mm, rel=0.04)
            assert pump.lengths_mm["thread_pitch"] == pytest.approx(row.pitch_mm)
    assert seen >= 2


def _pitch_of(pump: PumpModel, circle: TrueCircle) -> float:
    """Period of the sleeve's inner radius with depth, along one line of its vertices."""
    sleeves = [p.mesh for p in pump.parts if p.label == "threaded_boss" and p.instance == circle.instance]
    mesh = max(sleeves, key=lambda m: len(m.vertices))
    radius, height = _local(mesh, circle)
    off = mesh.vertices - circle.center_mm
    axis = int(np.argmax(np.abs(circle.normal)))
    u, v = (off[:, k] for k in range(3) if k != axis)
    line = (np.abs(np.degrees(np.arctan2(v, u))) < 0.5) & (radius < circle.diameter_mm / 2 + 0.5) & (height < -4.0)
    depth, value = -height[line], radius[line]
    order = np.argsort(depth)
    even = np.arange(depth.min(), depth.max(), 0.05)
    wave = np.interp(even, depth[order], value[order])
    wave = (wave - np.polyval(np.polyfit(even, wave, 1), even)) * np.hanning(len(even))
    power = np.abs(np.fft.rfft(wave, 1 << 15))
    return float(1.0 / np.fft.rfftfreq(1 << 15, 0.05)[int(power.argmax())])


def test_lengths_are_those_of_meshes_and_family(pumps: list[tuple[Family | None, PumpModel]]) -> None:
    for family, pump in pumps:
        low, high = own_bounds(pump.parts)
        assert pump.lengths_mm["overall_height"] == pytest.approx(high[2], abs=0.01)
        assert pump.lengths_mm["overall_width"] == pytest.approx(high[0] - low[0], abs=0.01)
        assert -0.6 < low[2] < 0.6
        ports = _circles(pump, "port_bore")
        assert abs(ports[0].center_mm[2] - ports[1].center_mm[2]) == pytest.approx(pump.lengths_mm["port_spacing"])
        for name, known in {} if family is None else family.lengths.items():
            told = [c.diameter_mm for c in _circles(pump, name)] or [pump.lengths_mm[name]]
            # Four standard deviations of the spread; overall sizes also carry the bodies' grid.
            assert told == pytest.approx([known.mean_mm] * len(told), rel=0.01 if "overall" in name else 0.006)


def test_covers_end_at_the_joint_and_at_their_depth(pumps: list[tuple[Family | None, PumpModel]]) -> None:
    for family, pump in pumps:
        for circle in _circles(pump, "chamber_diameter"):
            covers = [p for p in pump.parts if p.label == "chamber_cover" and p.instance == circle.instance]
            assert covers
            local = [_local(part.mesh, circle) for part in covers]
            # What lies beyond the round joint is a neck, and called manifold.
            assert max(radius.max() for radius, _ in local) < circle.diameter_mm / 2 + 0.02
            if family is not None and (depth := family.extra_number("cover_depth_mm")):
                assert max(height.max() for _, height in local) == pytest.approx(depth, rel=0.03)


def test_all_parts_hang_together(pumps: list[tuple[Family | None, PumpModel]]) -> None:
    for _, pump in pumps:
        solids = [(p.mesh.bounds, solid_of(p.mesh)) for p in pump.parts if p.label in BODIES]
        reached, left = {0}, set(range(1, len(solids)))
        while new := {k for k in left if any(_touch(solids[k], solids[j]) for j in reached)}:
            reached |= new
            left -= new
        assert not left


def _touch(first: tuple[Points, Manifold], second: tuple[Points, Manifold]) -> bool:
    """Whether two solids share volume or come as near as parts that are screwed together."""
    (low, high), (start, stop) = first[0], second[0]
    if ((low > stop + 0.6) | (start > high + 0.6)).any():
        return False
    return bool(first[1].min_gap(second[1], 1.0) < 0.6)


def test_a_seed_tells_the_pump() -> None:
    first, again = (other_pump(np.random.default_rng(5), _family("MQ-CAT-02P-N")) for _ in range(2))
    other = other_pump(np.random.default_rng(6), _family("MQ-CAT-02P-N"))
    assert len(first.parts) == len(again.parts)
    assert all(np.array_equal(a.mesh.vertices, b.mesh.vertices) for a, b in zip(first.parts, again.parts, strict=True))
    assert first.lengths_mm["port_spacing"] != other.lengths_mm["port_spacing"]


def test_cards_lie_where_something_carries_them(pumps: list[tuple[Family | None, PumpModel]]) -> None:
    for _, pump in pumps:
        for circle in _circles(pump, "chamber_diameter"):
            rims = [r for r in pump.restings if r.card_at == "rim" and r.instance == circle.instance]
            assert len(rims) == 2
            for rest in rims:
                # Design, section 5.2: 4 to 10 mm before the joint's outermost edge.
                assert 3.5 < (rest.center_mm - circle.center_mm) @ circle.normal < 16.0
        for kind in ("cover", "flange", "floor"):
            assert any(r.card_at == kind for r in pump.restings)


def test_styles_of_training_are_not_those_it_is_judged_by() -> None:
    def styles(split: Split) -> set[str]:
        return {draw_plan(np.random.default_rng(s), None, split).style for s in range(60)}

    assert styles("train") == styles("val") == {"cast", "molded", *LATER_STYLES}
    assert styles("test") == {"turned", "sheet", "compact"}


def test_a_mated_flange_shows_bolts_and_no_holes() -> None:
    pump = other_pump(np.random.default_rng(3), _family("MQ-CAT-10P-D"), mated_chance=1.0)
    assert pump.attributes["mated"] == pump.attributes["mated_inlet"] == "yes"
    assert not _circles(pump, "port_bore")
    assert not _circles(pump, "bolt_hole_diameter")
    assert {p.instance for p in pump.parts if p.label == "companion"} == {0, 1}
    for circle in _circles(pump, "bolt_circle_diameter"):
        middles = np.array([p.mesh.vertices.mean(axis=0) for p in pump.parts if p.label == "bolt"])
        apart = np.linalg.norm(circle.bolts_mm[:, None] - middles[None], axis=2).min(axis=1)
        assert len(circle.bolts_mm) == 4
        assert apart.max() < 12.0
