"""Triangle meshes made ready to be drawn: soft and sharp edges, box-projected texture coordinates, fine enough triangles.

Lengths are millimeters in the pump frame. Geometry meshes come welded and with sharp edges; a renderer wants one
vertex per smoothing group, texture coordinates, and triangles small enough to carry colors on their vertices.
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
        return ShadedMesh(
            self.positions @ rotation.T + translation_mm, self.normals @ rotation.T, self.uvs, self.faces
        )


def join(meshes: list[ShadedMesh]) -> ShadedMesh:
    """Several meshes as one."""
    starts = np.cumsum([0] + [len(mesh.positions) for mesh in meshes[:-1]])
    return ShadedMesh(
        np.concatenate([mesh.positions for mesh in meshes]),
        np.concatenate([mesh.normals for mesh in meshes]),
        np.concatenate([mesh.uvs for mesh in meshes]),
        np.concatenate([mesh.faces + start for mesh, start in zip(meshes, starts, strict=True)]),
    )


def shade(
    mesh: trimesh.Trimesh,
    texture_mm: float = 300.0,
    max_edge_mm: float = np.inf,
    uv_shift: tuple[float, float] = (0.0, 0.0),
    max_faces: int = 120_000,
) -> ShadedMesh:
    """Split at creases, project textures from the six box directions, and refine.

    Args:
        mesh: welded triangles.
        texture_mm: length of one texture period.
        max_edge_mm: longest edge left (as far as `max_faces` allows).
        uv_shift: offset of the texture, so that two parts do not show the same marks.
        max_faces: refinement stops beyond this.
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
    corner_vertex = faces.ravel()
    corner_key = np.stack([corner_vertex, np.repeat(group, 3)], axis=1)
    _, smooth = np.unique(corner_key, axis=0, return_inverse=True)
    summed = np.zeros((smooth.max() + 1, 3))
    np.add.at(summed, smooth, np.repeat(face_normals * areas[:, None], 3, axis=0))
    summed /= np.linalg.norm(summed, axis=1, keepdims=True) + 1e-12

    _, first, index = np.unique(smooth * 3 + np.repeat(axis, 3), return_index=True, return_inverse=True)
    positions = vertices[corner_vertex[first]]
    normals = summed[smooth[first]]
    uvs = _box_uv(positions, np.repeat(axis, 3)[first], texture_mm) + np.asarray(uv_shift)
    shaded = ShadedMesh(positions, normals, uvs, index.reshape(-1, 3))
    return refine(shaded, max_edge_mm, max_faces)


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


def refine(mesh: ShadedMesh, max_edge_mm: float, max_faces: int) -> ShadedMesh:
    """Halve edges longer than a limit until none is left, never leaving a crack between neighbors.

    Edges are judged by their length alone, so two coincident edges of neighboring smoothing groups are halved alike.
    """
    positions, normals, uvs, faces = mesh.positions, mesh.normals, mesh.uvs, mesh.faces
    for _ in range(12):
        corners = positions[faces]
        long_edge = np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2) > max_edge_mm
        if not long_edge.any() or len(faces) + long_edge.sum() > max_faces:
            break
        edges = np.sort(np.stack([faces, np.roll(faces, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
        code = edges[:, 0] * len(positions) + edges[:, 1]
        halved, inverse = np.unique(code[long_edge.ravel()], return_inverse=True)
        middle = np.full(len(code), -1, np.int64)
        middle[long_edge.ravel()] = len(positions) + inverse
        a, b = halved // len(positions), halved % len(positions)
        mid_normals = normals[a] + normals[b]
        mid_normals /= np.linalg.norm(mid_normals, axis=1, keepdims=True) + 1e-12
        positions = np.concatenate([positions, (positions[a] + positions[b]) / 2])
        normals = np.concatenate([normals, mid_normals])
        uvs = np.concatenate([uvs, (uvs[a] + uvs[b]) / 2])
        faces = _split_faces(faces, middle.reshape(-1, 3))
    return ShadedMesh(positions, normals, uvs, faces)


def _split_faces(faces: NDArray[np.int64], middle: NDArray[np.int64]) -> NDArray[np.int64]:
    """Cut each triangle at its marked edge middles (column i: middle of edge i to i+1, or -1)."""
    count = (middle >= 0).sum(axis=1)
    parts = [faces[count == 0]]
    for wanted in (1, 2, 3):
        chosen = count == wanted
        if not chosen.any():
            continue
        f, m = faces[chosen], middle[chosen]
        if wanted == 3:
            a, b, c = f.T
            ab, bc, ca = m.T
            parts += [np.stack(t, axis=1) for t in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))]
            continue
        # Rotate each triangle so that its first edge is cut (1 cut), or its third one is not (2 cuts).
        turn = np.argmax(m >= 0, axis=1) if wanted == 1 else (np.argmax(m < 0, axis=1) + 1) % 3
        order = (turn[:, None] + np.arange(3)) % 3
        a, b, c = np.take_along_axis(f, order, axis=1).T
        ab, bc, _ = np.take_along_axis(m, order, axis=1).T
        triangles = ((a, ab, c), (ab, b, c)) if wanted == 1 else ((ab, b, bc), (a, ab, bc), (a, bc, c))
        parts += [np.stack(t, axis=1) for t in triangles]
    return np.concatenate(parts)


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


def _box_uv(positions: Floats, axis: NDArray[np.int64], texture_mm: float) -> Floats:
    """Project along the dominant axis of the face; v runs along z on upright faces, so drips run down."""
    x, y, z = positions.T
    u = np.where(axis == 0, y, x)
    v = np.where(axis == 2, y, z)
    return np.stack([u, v], axis=1) / texture_mm
