"""The dished liquid chamber covers: turned profiles, ribs, center bosses and the raised liquid passage.

Local chamber frame: origin on the diaphragm axis in the joint plane, z outward, y up. The dish starts at
radius `start` in the plane `base` (the joint's front face).
"""

from collections.abc import Callable

import numpy as np

from tools.render.draws import between
from tools.render.fasteners import hexagon
from tools.render.free_round import free_profile
from tools.render.outlines import Points, rounded_polyline, rounded_rectangle
from tools.render.pieces import Pieces, piece
from tools.render.pump_shape import CoverShape
from tools.render.solids import Mesh, drum, join, lathe, loft, placed, prism, shifted, tube

HeightAt = Callable[[float], float]


def cover(shape: CoverShape, start_mm: float, base_mm: float) -> tuple[Pieces, HeightAt]:
    """The whole cover, and its height (local z) at a radius.

    Args:
        shape: kinds and sizes.
        start_mm: radius where the dish leaves the joint's face.
        base_mm: local z of that face.
    """
    line = cover_profile(shape, start_mm) + np.array([0.0, base_mm])

    def height(radius: float) -> float:
        return float(np.interp(radius, line[:, 0], line[:, 1]))

    bodies = [lathe(np.concatenate([line, [[line[-1, 0], base_mm - 3.0], [0.0, base_mm - 3.0]]]))]
    bodies += _ribs(shape, start_mm, base_mm, height)
    bodies += _boss(shape, height(0.0))
    if shape.channel:
        bodies.append(_channel(shape, start_mm, base_mm, height))
    return piece(join(bodies), "chamber_cover", "wetted"), height


def cover_profile(shape: CoverShape, start_mm: float) -> Points:
    """(N, 2) the dish as (r, z) from the axis outward to a small fillet into the joint's face at z = 0."""
    r, h = start_mm, shape.depth_mm
    corners = free_profile(shape.form, r, h) if shape.profile == "free_profile" else _PROFILES[shape.profile](r, h)
    if shape.ribs == "concentric":
        corners = _with_rings(corners, shape.rib_count, shape.rib_height_mm, shape.rib_thickness_mm)
    fillet = 0.05 * r
    return np.concatenate([corners[:-1], rounded_polyline([corners[-2], (r, 0.0), (r + fillet, -0.15)], fillet, 4)[1:]])


def _sphere(r: float, h: float) -> Points:
    ball = (r * r + h * h) / (2.0 * h)
    angles = np.linspace(0.0, np.arcsin(min(r / ball, 1.0)), 25)
    if h > r:
        angles = np.linspace(0.0, np.pi - np.arcsin(r / ball), 25)
    return np.column_stack([ball * np.sin(angles), ball * np.cos(angles) - (ball - h)])


def _ellipsoid(r: float, h: float) -> Points:
    angles = np.linspace(0.0, np.pi / 2.0, 25)
    return np.column_stack([r * np.sin(angles), h * np.cos(angles)])


def _pillow(r: float, h: float) -> Points:
    t = np.linspace(0.0, np.pi / 2.0, 29)
    return np.column_stack([r * np.sin(t) ** (2.0 / 3.2), h * np.cos(t) ** (2.0 / 3.2)])


def _bell(r: float, h: float) -> Points:
    t = np.linspace(0.0, 1.0, 29)
    return np.column_stack([r * t, h * (0.5 + 0.5 * np.cos(np.pi * t**1.25))])


def _polyline(points: list[tuple[float, float]], rounding: float) -> Callable[[float, float], Points]:
    """A profile through shares of (r, h), its corners rounded by a share of r."""

    def profile(r: float, h: float) -> Points:
        return rounded_polyline(np.array(points) * (r, h), rounding * r, 5)

    return profile


_PROFILES: dict[str, Callable[[float, float], Points]] = {
    "sphere": _sphere,
    "ellipsoid": _ellipsoid,
    "pillow": _pillow,
    "bell": _bell,
    "cone": _polyline([(0, 1), (0.3, 1), (0.93, 0.16), (1, 0)], 0.15),
    "flat_step": _polyline([(0, 1), (0.74, 1), (0.84, 0.45), (0.93, 0.38), (1, 0)], 0.05),
    "stepped_dome": _polyline([(0, 1), (0.28, 0.97), (0.5, 0.84), (0.56, 0.52), (0.86, 0.4), (1, 0)], 0.07),
    "saucer": _polyline([(0, 1), (0.5, 0.95), (0.88, 0.55), (1, 0)], 0.2),
    "ring_bulge": _polyline([(0, 0.55), (0.18, 0.55), (0.36, 1), (0.66, 1), (0.95, 0.25), (1, 0)], 0.1),
    "double_cone": _polyline([(0, 1), (0.16, 1), (0.52, 0.78), (0.93, 0.13), (1, 0)], 0.04),
}


def _with_rings(corners: Points, count: int, height: float, width: float) -> Points:
    """Raised rings on the profile between 30 and 85 percent of the radius."""
    rim = corners[-1, 0]
    radii = np.linspace(0.3, 0.85, count) * rim
    half = min(width, 0.2 * rim / max(count, 1))
    fine = np.unique(
        np.concatenate([np.linspace(0.0, rim, 60)] + [radii + s * half for s in (-1, -0.6, -0.3, 0, 0.3, 0.6, 1)])
    )
    order = np.maximum.accumulate(corners[:, 0])
    z = np.interp(fine, order, corners[:, 1])
    for radius in radii:
        share = np.clip(1.0 - np.abs(fine - radius) / half, 0.0, 1.0)
        z += height * np.sin(0.5 * np.pi * share) ** 0.7
    z[-1] = corners[-1, 1]
    keep = fine > 0.97 * rim
    return np.concatenate([np.column_stack([fine, z])[~keep], corners[corners[:, 0] > 0.975 * rim], corners[-1:]])


def _wall(along: Points, low: Points, high: Points, thickness: float) -> Mesh:
    """A rib standing on a line: (K, 2) plan points, bottom and top heights (K,), with drafted sides."""
    direction = along[-1] - along[0]
    direction = direction / np.linalg.norm(direction)
    across = np.array([-direction[1], direction[0]])
    sections = []
    for point, z0, z1 in zip(along, low, high, strict=True):
        bevel = min(0.25 * thickness, 0.4 * (z1 - z0))
        shape = [(-0.5, z0), (0.5, z0), (0.42, z1 - bevel), (0.26, z1), (-0.26, z1), (-0.42, z1 - bevel)]
        sections.append(np.array([(*(point + v * thickness * across), z) for v, z in shape]))
    return loft(sections)


def _ribs(shape: CoverShape, start: float, base: float, height: HeightAt) -> list[Mesh]:
    if shape.ribs in ("radial", "gussets"):
        return _spokes(shape, start, base, height, shape.rib_count)
    if shape.ribs == "cross":
        return _spokes(shape, start, base, height, 4, 2.2)
    if shape.ribs in ("waffle", "parallel"):
        directions = (0.0, np.pi / 2.0) if shape.ribs == "waffle" else (0.0,)
        return [rib for turn in directions for rib in _grid(shape, start, base, height, turn)]
    if shape.ribs == "free_ribs":
        return _free_ribs(shape, start, base, height)
    return []


def _free_ribs(shape: CoverShape, start: float, base: float, height: HeightAt) -> list[Mesh]:
    """Spokes of any number and breadth, a grid at any turn, or both."""
    rng = np.random.default_rng([shape.form, 5])
    spokes, grids = int(rng.integers(3, 25)), int(rng.choice([0, 1, 1, 2]))
    ribs = []
    if rng.random() < 0.6 or not grids:
        ribs += _spokes(shape, start, base, height, spokes, between(rng, 0.4, 2.6))
    for turn in rng.uniform(0.0, np.pi, grids) if rng.random() < 0.5 else ():
        ribs += _grid(shape, start, base, height, float(turn))
    return ribs


def _spokes(
    shape: CoverShape, start: float, base: float, height: HeightAt, count: int, broad: float = 1.0
) -> list[Mesh]:
    inner = 0.6 * shape.boss_radius_mm if shape.boss != "none" else 0.12 * start
    outer = 0.985 * start
    radii = np.linspace(inner, outer, 16)
    z = np.array([height(r) for r in radii])
    t = (radii - inner) / (outer - inner)
    if shape.ribs == "gussets":
        top = np.maximum(
            z + 0.25 * shape.rib_height_mm,
            (1 - t) * (z[0] + shape.rib_height_mm) + t * (base + 0.6 * shape.rib_height_mm),
        )
    else:
        top = z + shape.rib_height_mm * np.clip((1.0 - t) / 0.12, 0.15, 1.0)
    low = np.minimum(z - 2.0, base + 0.6 * (z - base)) - 1.0
    rib = _wall(np.column_stack([np.zeros_like(radii), radii]), low, top, broad * shape.rib_thickness_mm)
    offset = np.pi / count
    return [placed(rib, shifted(turn=offset + k * 2.0 * np.pi / count)) for k in range(count)]


def _grid(shape: CoverShape, start: float, base: float, height: HeightAt, turn: float) -> list[Mesh]:
    count = max(3, shape.rib_count // 2)
    ribs = []
    for offset in (np.arange(count) - (count - 1) / 2.0) * 1.7 * start / count:
        reach = np.sqrt(max((0.96 * start) ** 2 - offset**2, 0.0))
        if reach < 0.2 * start:
            continue
        along = np.linspace(-reach, reach, 25)
        z = np.array([height(float(np.hypot(offset, a))) for a in along])
        top = z + shape.rib_height_mm * np.clip((1.0 - np.abs(along) / reach) / 0.1, 0.15, 1.0)
        rib = _wall(
            np.column_stack([np.full_like(along, offset), along]),
            base + 0.5 * (z - base) - 2.0,
            top,
            shape.rib_thickness_mm,
        )
        ribs.append(placed(rib, shifted(turn=turn)))
    return ribs


def _boss(shape: CoverShape, top: float) -> list[Mesh]:
    r, h = shape.boss_radius_mm, shape.boss_height_mm
    low = top - 0.35 * shape.depth_mm
    if shape.boss == "plain":
        line = rounded_polyline(
            [(0, low), (1.12 * r, low), (r, top + h), (0, top + h)], [0, 0, min(0.2 * r, 0.6 * h), 0], 4
        )
        return [lathe(line)]
    if shape.boss == "disk":
        groove = [
            (0, low),
            (r, low),
            (r, top + 0.5 * h),
            (0.93 * r, top + 0.5 * h + 0.06 * r),
            (0.88 * r, top + 0.5 * h),
        ]
        return [lathe([*groove, (0.84 * r, top + 0.2 * h), (0, top + 0.2 * h)])]
    if shape.boss == "hex_plug":
        seat = lathe(
            [
                (0, low),
                (1.25 * r, low),
                (1.2 * r, top + 0.3 * h),
                (1.1 * r, top + 0.36 * h),
                (0, top + 0.36 * h),
            ]
        )
        return [seat, hexagon(1.6 * r, top, top + h + 0.3 * r)]
    if shape.boss == "dimple":
        ring = rounded_polyline(
            [(0.62 * r, low), (r, low), (0.95 * r, top + h), (0.8 * r, top + h), (0.62 * r, top + 0.15 * h)],
            0.08 * r,
            3,
        )
        return [lathe(ring), drum(0.63 * r, low, top + 0.12 * h, 0.0)]
    if shape.boss == "ring":
        return [tube(0.75 * r, r, low, top + h, 0.12 * r), drum(0.3 * r, low, top + 0.7 * h, 0.06 * r)]
    if shape.boss == "square_plug":
        seat = drum(1.2 * r, low, top + 0.4 * h, 0.1 * r)
        return [seat, prism(rounded_rectangle(1.1 * r, 1.1 * r, 0.1 * r), top, top + h + 0.4 * r, 0.08 * r)]
    return []


def _channel(shape: CoverShape, start: float, base: float, height: HeightAt) -> Mesh:
    """The raised passage from the lower to the upper valve housing, a rounded back over the dish."""
    along = np.linspace(-0.97 * start, 0.97 * start, 29)
    half = 0.2 * start
    sections = []
    for y in along:
        ridge = height(abs(float(y))) + 0.06 * shape.depth_mm
        low = base - 1.0
        angles = np.linspace(0.0, np.pi, 13)
        arch = np.column_stack(
            [half * np.cos(angles), np.full(13, y), ridge - half * 0.7 + 0.7 * half * np.sin(angles)]
        )
        arch[:, 2] = np.maximum(arch[:, 2], low + 0.5)
        foot = np.array([(-half * 1.05, y, low), (half * 1.05, y, low)])
        sections.append(np.concatenate([arch, foot]))
    return loft(sections)
