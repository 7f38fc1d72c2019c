"""Bolt heads, nuts and studs of standard sizes, seated at z = 0 and pointing along +z."""

from dataclasses import dataclass

import numpy as np

from reference_geometry.standards import find_fastener
from tools.other_pumps.shapes import slab
from tools.render.outlines import Points, circle
from tools.render.pieces import Pieces, piece, together
from tools.render.solids import Mesh, common, cut, drum, join, lathe, placed, pose, tube

HEADS = ("hex", "hex_washer", "hex_flange", "socket", "nut", "nut_washer", "dome", "button")
_SIZES = ((110.0, "M5"), (150.0, "M6"), (240.0, "M8"), (330.0, "M10"), (1e9, "M12"))


@dataclass(frozen=True, eq=False)
class Head:
    """One fastener's visible end.

    Attributes:
        mesh: seated at z = 0.
        height_mm: of its top; wide_mm: its greatest diameter.
    """

    mesh: Mesh
    height_mm: float
    wide_mm: float


def size_for(chamber_mm: float, smaller: int = 0) -> str:
    """A metric size that suits a part of this size."""
    place = next(k for k, (limit, _) in enumerate(_SIZES) if chamber_mm < limit)
    return _SIZES[max(0, place - smaller)][1]


def head(kind: str, size: str) -> Head:
    """A fastener end by kind (of HEADS) and metric size, as ISO 4014, ISO 4032 and ISO 4762 have them."""
    bolt = find_fastener("ISO 4014/4017", "hex bolt", size)
    nut = find_fastener("ISO 4032", "hex nut", size)
    if bolt is None or nut is None or not (bolt.across_flats_mm and bolt.height_mm and nut.height_mm):
        raise LookupError(f"no fastener of size {size}")
    d, flats = bolt.thread_diameter_mm, bolt.across_flats_mm
    washer = 0.16 * d + 0.4
    if kind == "socket":
        return Head(_with_socket(drum(0.75 * d, 0, d, 0.1 * d, 48), 0.87 * d, d), d, 1.5 * d)
    if kind == "button":
        line = [(0, 0), (0.95 * d, 0), (0.93 * d, 0.15 * d), (0.7 * d, 0.42 * d), (0.35 * d, 0.55 * d), (0, 0.55 * d)]
        return Head(_with_socket(lathe(line, 40), 0.65 * d, 0.55 * d), 0.55 * d, 1.9 * d)
    low, parts = 0.0, []
    if kind in ("hex_washer", "nut_washer", "dome"):
        parts.append(tube(0.3 * d, 1.05 * d, 0.0, washer, 0.15, 40))
        low = washer
    if kind == "hex_flange":
        parts.append(lathe([(0, 0), (1.08 * d, 0), (1.08 * d, 0.12 * d), (0.85 * d, 0.34 * d), (0, 0.34 * d)], 40))
    if kind in ("hex", "hex_washer", "hex_flange"):
        top = low + bolt.height_mm
        parts.append(_hexagon(flats, low, top))
        return Head(join(parts), top, max(flats / np.cos(np.pi / 6), 2.1 * d if len(parts) > 1 else 0.0))
    top = low + nut.height_mm
    parts.append(_hexagon(flats, low, top))
    if kind == "dome":
        parts.append(lathe([(0, low), (0.46 * flats, top - 1), *_cap(0.46 * flats, top - 1)], 40))
        return Head(join(parts), top - 1 + 0.46 * flats, 2.1 * d)
    end = top + 0.45 * d
    parts.append(drum(d / 2, low, end, 0.12 * d, 32))
    return Head(join(parts), end, max(flats / np.cos(np.pi / 6), 2.1 * d))


def _cap(radius: float, z: float) -> list[tuple[float, float]]:
    turns = np.linspace(0.0, np.pi / 2, 7)
    return [(float(radius * np.cos(t)) if t < 1.57 else 0.0, float(z + radius * np.sin(t))) for t in turns]


def _hexagon(flats: float, z0: float, z1: float) -> Mesh:
    """A hexagon whose top corners are turned off."""
    prism = slab(circle(flats / np.sqrt(3), 6), z0, z1, 0.05)
    corner = flats / np.sqrt(3)
    turned_off = lathe(
        [(0, z0 - 1), (corner + 1, z0 - 1), (corner + 1, z1 - 0.16 * flats), (0.47 * flats, z1), (0, z1)], 48
    )
    return common(prism, turned_off)


def _with_socket(body: Mesh, key: float, height: float) -> Mesh:
    return cut(body, [slab(circle(0.5 * key / np.cos(np.pi / 6), 6), 0.45 * height, height + 2, 0.01)])


def heads_at(made: Head, points: Points, normal: Points, up: Points, rng: np.random.Generator) -> Pieces:
    """Fasteners seated at points (N, 3), each turned by chance."""
    out = []
    for point in points:
        turn = rng.uniform(0, 2 * np.pi)
        side = np.cross(up, normal)
        way = np.cos(turn) * up + np.sin(turn) * side
        out.append(piece(placed(made.mesh, pose(point, normal, way)), "bolt", "fastener"))
    return together(out)


def through_bolt(start: Points, end: Points, size: str, rng: np.random.Generator) -> Pieces:
    """A bolt through something: its head beyond `end`, a nut beyond `start`."""
    way = (end - start) / np.linalg.norm(end - start)
    up = np.array([0.0, 0.0, 1.0]) if abs(way[2]) < 0.9 else np.array([0.0, 1.0, 0.0])
    bolt, nut = head("hex_washer", size), head("nut", size)
    return together([heads_at(bolt, end[None], way, up, rng), heads_at(nut, start[None], -way, up, rng)])
