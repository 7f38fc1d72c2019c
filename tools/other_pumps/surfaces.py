"""Closed triangle meshes of fields: marching cubes, evaluated only near the surface, then drawn on to it."""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from skimage.measure import marching_cubes

from tools.other_pumps.fields import Field, Values
from tools.render.solids import Mesh, mesh_of, solid_of

BLOCK = 4
"""Grid cells along a block that is evaluated or left out as a whole."""
_SAFETY = 2.0
"""How much more than the truth a field may tell as distance."""
FLAT_TOLERANCE = 0.012
"""Part of a cell by which flat triangles may be merged."""


def surface(field: Field, low: ArrayLike, high: ArrayLike, cell_mm: float) -> Mesh:
    """The surface where a field is zero.

    Args:
        field: (N, 3) -> (N,), negative inside; positive on the box's border.
        low, high: (3,) box around the body.
        cell_mm: grid spacing; details below two cells are lost.

    Raises:
        ValueError: the field has no inside in the box.
    """
    start = np.asarray(low, np.float64) - 1.5 * cell_mm
    span = np.asarray(high, np.float64) + 1.5 * cell_mm - start
    blocks = np.maximum(1, np.ceil(span / (cell_mm * BLOCK)).astype(int))
    grid = _sampled(field, start, blocks, cell_mm)
    if not (grid < 0).any():
        raise ValueError("a field without an inside")
    grid[0], grid[-1], grid[:, 0], grid[:, -1], grid[:, :, 0], grid[:, :, -1] = (
        np.maximum(face, 0.05 * cell_mm)
        for face in (grid[0], grid[-1], grid[:, 0], grid[:, -1], grid[:, :, 0], grid[:, :, -1])
    )
    vertices, faces, _, _ = marching_cubes(grid, 0.0, spacing=(cell_mm,) * 3)  # type: ignore[no-untyped-call]
    vertices = _onto(field, (vertices + start).astype(np.float32), cell_mm)
    return _lightened(mesh_of(vertices, faces), FLAT_TOLERANCE * cell_mm)


def _sampled(field: Field, start: NDArray[np.float64], blocks: NDArray[np.int64], cell: float) -> Values:
    """Field values on a grid; far from the surface only their sign is right."""
    middles = [start[k] + (np.arange(blocks[k]) + 0.5) * BLOCK * cell for k in range(3)]
    centers = np.stack(np.meshgrid(*middles, indexing="ij"), axis=-1).reshape(-1, 3).astype(np.float32)
    coarse = field(centers).reshape(tuple(blocks))
    reach = np.sqrt(3) / 2 * BLOCK * cell * _SAFETY
    grid = np.repeat(np.repeat(np.repeat(coarse, BLOCK, 0), BLOCK, 1), BLOCK, 2)
    active = np.argwhere(np.abs(coarse) < reach)
    inner = np.stack(np.meshgrid(*[np.arange(BLOCK)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    index = (active[:, None, :] * BLOCK + inner[None]).reshape(-1, 3)
    values = np.empty(len(index), np.float32)
    for first in range(0, len(index), 200_000):
        part = index[first : first + 200_000]
        values[first : first + 200_000] = field((start + part * cell).astype(np.float32))
    values[np.abs(values) < 1e-4 * cell] = 1e-4 * cell
    grid[tuple(index.T)] = values
    return np.asarray(grid, np.float32)


def _onto(field: Field, points: Values, cell: float) -> NDArray[np.float64]:
    """Points moved on to the surface by one Newton step."""
    step = np.float32(0.08 * cell)
    value = field(points)
    slope = np.stack([field(points + step * np.eye(3, dtype=np.float32)[k]) - value for k in range(3)], axis=1) / step
    size = np.maximum((slope * slope).sum(axis=1), 0.25)
    way = np.clip(value / size, -0.4 * cell, 0.4 * cell)
    return np.asarray(points - way[:, None] * slope, np.float64)


def _lightened(mesh: Mesh, tolerance: float) -> Mesh:
    """The mesh with triangles of flat places merged."""
    try:
        body = solid_of(mesh)
    except ValueError:
        return mesh
    light = body.simplify(tolerance).to_mesh64()
    return mesh_of(np.array(light.vert_properties[:, :3]), np.array(light.tri_verts, np.int64))
