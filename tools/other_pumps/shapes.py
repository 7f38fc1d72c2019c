"""Sharp parts: plates with rounded edges, turned rings and arcs, rings with a radius of their own at each angle."""

from collections.abc import Callable, Sequence

import manifold3d
import numpy as np
from numpy.typing import ArrayLike, NDArray

from tools.render.outlines import Points, inset
from tools.render.pieces import Pieces
from tools.render.pump_model import Part, Resting, TrueCircle
from tools.render.solids import Mesh, loft, mesh_of, quads

FINE = 192
"""Corners of a circle that is measured."""
FLIP_X = np.array([-1.0, 1.0, 1.0])


def quarter(edge: float, steps: int = 4) -> list[tuple[float, float]]:
    """(inset, depth below the face) of a rounded edge, from the side up to the face."""
    turns = np.linspace(0.0, np.pi / 2, steps + 1)
    return [(float(edge * (1 - np.cos(t))), float(edge * (1 - np.sin(t)))) for t in turns]


def slab(outline: Points, z0: float, z1: float, edge: float = 0.8, back_edge: float | None = None) -> Mesh:
    """A plate over an outline (N, 2), its front (z1) and back edges rounded."""
    thick = z1 - z0
    front, back = min(edge, 0.45 * thick), min(edge if back_edge is None else back_edge, 0.45 * thick)
    layers = [(i, z0 + d) for i, d in reversed(quarter(back))] + [(i, z1 - d) for i, d in quarter(front)]
    return loft([np.column_stack([inset(outline, i), np.full(len(outline), z)]) for i, z in layers], flat_ends=True)


def wavy_outline(radius: Callable[[Points], Points], count: int = FINE) -> Points:
    """Corners (N, 2) of an outline given by its radius at each angle."""
    turns = np.arange(count) * 2 * np.pi / count
    return np.asarray(radius(turns)[:, None] * np.column_stack([np.cos(turns), np.sin(turns)]))


def rounded_loop(corners: ArrayLike, radius: float, steps: int = 4) -> Points:
    """A closed outline (K, 2) with rounded corners."""
    points = np.asarray(corners, np.float64)
    out = []
    for k, here in enumerate(points):
        back, ahead = points[k - 1] - here, points[(k + 1) % len(points)] - here
        lb, la = np.linalg.norm(back), np.linalg.norm(ahead)
        back, ahead = back / lb, ahead / la
        half = 0.5 * np.arccos(np.clip(back @ ahead, -1, 1))
        reach = min(radius / max(np.tan(half), 1e-3), 0.45 * lb, 0.45 * la)
        for t in np.linspace(0, 1, steps + 1):
            # A quadratic curve through the corner's two tangent points.
            out.append(here + reach * ((1 - t) ** 2 * back + t**2 * ahead))
    return np.array(out)


def turned_arc(section: ArrayLike, start: float, stop: float, count: int) -> Mesh:
    """A closed section (K, 2) of (r, z) swept about z between two angles (a full turn makes a ring)."""
    line = np.asarray(section, np.float64)
    full = abs(stop - start) >= 2 * np.pi - 1e-9
    turns = np.linspace(start, stop, count + 1)[: count if full else None]
    rings = np.empty((len(turns), len(line), 3))
    rings[..., 0] = np.cos(turns)[:, None] * line[:, 0]
    rings[..., 1] = np.sin(turns)[:, None] * line[:, 0]
    rings[..., 2] = line[:, 1]
    faces = _grid_faces(len(turns), len(line), full)
    if not full:
        cap = np.asarray(manifold3d.triangulate([np.ascontiguousarray(_counterclockwise(line))]))
        order = np.arange(len(line)) if _area(line) > 0 else np.arange(len(line))[::-1]
        cap = order[cap]
        last = (len(turns) - 1) * len(line)
        inward = cap[:, ::-1] if _area(line) > 0 else cap
        faces = np.concatenate([faces, inward, inward[:, ::-1] + last])
    return mesh_of(rings.reshape(-1, 3), faces)


def stacked_rings(rings: Sequence[Points]) -> Mesh:
    """A ring-shaped body from loops (N, 3) that follow one another round its section."""
    grid = np.array(rings)
    return mesh_of(grid.reshape(-1, 3), _grid_faces(len(grid), grid.shape[1], True))


def _grid_faces(rows: int, columns: int, wrap_rows: bool) -> NDArray[np.int64]:
    index = np.arange(rows * columns).reshape(rows, columns)
    return quads(index, np.roll(index, -1, axis=0)) if wrap_rows else quads(index[:-1], index[1:])


def _area(line: Points) -> float:
    x, y = line.T
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def _counterclockwise(line: Points) -> Points:
    return line if _area(line) > 0 else line[::-1]


def mirrored_mesh(mesh: Mesh, signs: Points = FLIP_X) -> Mesh:
    """A mesh mirrored in one coordinate plane."""
    return mesh_of(mesh.vertices * signs, mesh.faces[:, ::-1])


def mirrored_pieces(pieces: Pieces, instance: int) -> Pieces:
    """The same on the other side (x to -x), under another instance number."""
    return Pieces(
        tuple(Part(mirrored_mesh(p.mesh), p.label, instance, p.material) for p in pieces.parts),
        tuple(
            TrueCircle(c.name, instance, c.center_mm * FLIP_X, c.normal * FLIP_X, c.diameter_mm, c.bolts_mm * FLIP_X)
            for c in pieces.circles
        ),
        tuple(
            Resting(r.card_at, instance, r.center_mm * FLIP_X, r.normal * FLIP_X, r.up * FLIP_X, r.radius_mm)
            for r in pieces.restings
        ),
    )
