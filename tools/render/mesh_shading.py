"""Triangle meshes made ready to be drawn: soft and sharp edges, box-projected texture coordinates.

Lengths are millimeters in the pump frame. Geometry meshes come welded and with sharp edges; a renderer wants one
vertex per smoothing group and texture coordinates.
"""

from dataclasses import dataclass

import numpy as np
import scipy.sparse
import trimesh
from numpy.typing import NDArray
from scipy.sparse.csgraph import connected_components

Floats = NDArray[np.float64]
CREASE_DEG = 32.0
"""Edges sharper than this stay sharp; below it the facets of a turned part are smoothed over."""


@dataclass(frozen=True, eq=False)
class ShadedMesh:
    """A mesh with everything a renderer interpolates over a triangle.

    Attributes:
        positions: (N, 3) in mm.
        normals: (N, 3) unit.
        uvs: (N, 2) texture coordinates; 1.0 is one texture period.
        faces: (M, 3) vertex indices.
    """

    positions: Floats
    normals: Floats
    uvs: Floats
    faces: NDArray[np.int64]

    def moved(self, rotation: Floats, translation_mm: Floats) -> "ShadedMesh":
        """The mesh after x -> rotation x + translation."""
        return ShadedMesh(self.positions @ rotation.T + translation_mm, self.normals @ rotation.T, self.uvs, self.faces)


def join(meshes: list[ShadedMesh]) -> ShadedMesh:
    """Several meshes as one."""
    starts = np.cumsum([0] + [len(mesh.positions) for mesh in meshes[:-1]])
    return ShadedMesh(
        np.concatenate([mesh.positions for mesh in meshes]),
        np.concatenate([mesh.normals for mesh in meshes]),
        np.concatenate([mesh.uvs for mesh in meshes]),
        np.concatenate([mesh.faces + start for mesh, start in zip(meshes, starts, strict=True)]),
    )


def shade(mesh: trimesh.Trimesh, texture_mm: float = 300.0, uv_shift: tuple[float, float] = (0.0, 0.0)) -> ShadedMesh:
    """Split at creases, and project a tiling texture from the three box directions.

    Args:
        mesh: welded triangles.
        texture_mm: length of one texture period.
        uv_shift: offset of the texture, so that two parts do not show the same marks.
    """
    split, direction = split_by_direction(mesh)
    uvs = box_coordinates(split.positions, direction // 2) / texture_mm + np.asarray(uv_shift)
    return ShadedMesh(split.positions, split.normals, uvs, split.faces)


def split_by_direction(mesh: trimesh.Trimesh) -> tuple[ShadedMesh, NDArray[np.int64]]:
    """Split a welded mesh at creases and where its faces turn to another of the six box directions.

    Returns:
        The mesh, with zero texture coordinates, and the direction of each vertex (2 axis + 1 if it faces the
        negative side).
    """
    faces = np.asarray(mesh.faces, np.int64)
    vertices = np.asarray(mesh.vertices, np.float64)
    face_normals, areas = _normals_and_areas(vertices, faces)
    keep = areas > 1e-9
    if not keep.all():
        mesh = trimesh.Trimesh(vertices, faces[keep], process=False)
        faces, face_normals, areas = faces[keep], face_normals[keep], areas[keep]
    group = _smoothing_groups(mesh, len(faces))
    axis = np.argmax(np.abs(face_normals), axis=1)
    negative = face_normals[np.arange(len(faces)), axis] < 0
    direction = np.repeat(2 * axis + negative, 3)
    corner_vertex = faces.ravel()
    key = corner_vertex * (int(group.max()) + 1) + np.repeat(group, 3)
    _, smooth = np.unique(key, return_inverse=True)
    weighted = face_normals * areas[:, None]
    summed = np.array([np.bincount(smooth, np.repeat(weighted[:, k], 3)) for k in range(3)], np.float64).T
    summed = summed / (np.linalg.norm(summed, axis=1, keepdims=True) + 1e-12)
    _, first, index = np.unique(smooth * 6 + direction, return_index=True, return_inverse=True)
    split = ShadedMesh(
        vertices[corner_vertex[first]], summed[smooth[first]], np.zeros((len(first), 2)), index.reshape(-1, 3)
    )
    return split, direction[first]


def flat_grid(width_mm: float, height_mm: float, columns: int, rows: int) -> ShadedMesh:
    """A flat sheet in the plane z = 0 facing +z, centered, u to +x and v to +y."""
    u, v = np.meshgrid(np.linspace(0, 1, columns + 1), np.linspace(0, 1, rows + 1))
    uvs = np.stack([u.ravel(), v.ravel()], axis=1)
    positions = np.column_stack([(uvs - 0.5) * [width_mm, height_mm], np.zeros(len(uvs))])
    start = (np.arange(rows)[:, None] * (columns + 1) + np.arange(columns)).ravel()
    lower = np.stack([start, start + 1, start + columns + 2], axis=1)
    upper = np.stack([start, start + columns + 2, start + columns + 1], axis=1)
    normals = np.tile([0.0, 0.0, 1.0], (len(uvs), 1))
    return ShadedMesh(positions, normals, uvs, np.concatenate([lower, upper]))


def _normals_and_areas(vertices: Floats, faces: NDArray[np.int64]) -> tuple[Floats, Floats]:
    a, b, c = vertices[faces].transpose(1, 0, 2)
    cross = np.cross(b - a, c - a)
    length = np.linalg.norm(cross, axis=1)
    return cross / (length[:, None] + 1e-15), length / 2


def _smoothing_groups(mesh: trimesh.Trimesh, face_count: int) -> NDArray[np.int64]:
    """Number of the smooth patch each face belongs to."""
    soft = mesh.face_adjacency[mesh.face_adjacency_angles < np.radians(CREASE_DEG)]
    graph = scipy.sparse.coo_matrix(
        (np.ones(len(soft), bool), (soft[:, 0], soft[:, 1])), shape=(face_count, face_count)
    )
    return np.asarray(connected_components(graph, directed=False)[1], np.int64)


def box_coordinates(positions: Floats, axis: NDArray[np.int64]) -> Floats:
    """(N, 2) coordinates in mm across an axis; the second runs along z on upright faces, so drips run down."""
    x, y, z = positions.T
    return np.stack([np.where(axis == 0, y, x), np.where(axis == 2, y, z)], axis=1)
