"""Unwraps a whole pump into one square texture, and tells for each texel where on the pump it lies.

Faces that look along the same box direction and belong to the same part form one chart: their plain projection. Charts
are packed on shelves. Where a part folds over itself in projection its layers share texels, which for weathering marks
does no harm. With positions and normals per texel, marks are painted in space and have no seams.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import trimesh
from numpy.typing import NDArray

from tools.render.mesh_shading import Floats, ShadedMesh, box_coordinates, join, split_by_direction

GUTTER_PX = 2
SMALL_BOX_PX = 80
"""Triangles whose bounding box has more texels than this are filled one by one."""


@dataclass(frozen=True, eq=False)
class Atlas:
    """A mesh with texture coordinates of its own atlas, and the filled texels.

    Attributes:
        mesh: the pump; its faces are those of the parts, in order.
        part_of_face: (faces,) index of the part each face came from.
        size_px: texels per side.
        row, column: (T,) filled texels; row 0 is v = 0.
        positions, normals: (T, 3) on the pump.
        flat_mm: (T, 2) box-projected coordinates, for marks painted from flat pictures.
        part: (T,) index of the part of each texel.
        texel_mm: side of a texel.
    """

    mesh: ShadedMesh
    part_of_face: NDArray[np.int64]
    size_px: int
    row: NDArray[np.int64]
    column: NDArray[np.int64]
    positions: Floats
    normals: Floats
    flat_mm: Floats
    part: NDArray[np.int64]
    texel_mm: float

    def picture(self, values: NDArray[np.float32], empty: float) -> NDArray[np.float32]:
        """Texel values (T,) or (T, C) as an image."""
        shape = (self.size_px, self.size_px, *values.shape[1:])
        image = np.full(shape, empty, np.float32)
        image[self.row, self.column] = values
        return image


def unwrap(parts: Sequence[trimesh.Trimesh], size_px: int) -> Atlas:
    """Unwrap the parts of one pump together."""
    split = [split_by_direction(part) for part in parts]
    mesh = join([m for m, _ in split])
    direction = np.concatenate([d for _, d in split])
    part_of_vertex = np.repeat(np.arange(len(split)), [len(d) for _, d in split])
    part_of_face = np.repeat(np.arange(len(split)), [len(m.faces) for m, _ in split])
    _, chart = np.unique(part_of_vertex * 6 + direction, return_inverse=True)
    flat = box_coordinates(mesh.positions, direction // 2)
    low = np.full((chart.max() + 1, 2), np.inf)
    high = np.full((chart.max() + 1, 2), -np.inf)
    np.minimum.at(low, chart, flat)
    np.maximum.at(high, chart, flat)
    corner, texel_mm = _pack(high - low, size_px)
    texel = corner[chart] + GUTTER_PX + (flat - low[chart]) / texel_mm
    mesh = ShadedMesh(mesh.positions, mesh.normals, (texel + 0.5) / size_px, mesh.faces)
    face_at = _grown(_rasterize(texel, mesh.faces, size_px))
    row, column = np.nonzero(face_at >= 0)
    face = face_at[row, column]
    weights = _barycentric(texel[mesh.faces[face]], np.stack([column, row], axis=1).astype(np.float64))
    corners = mesh.faces[face]
    positions = np.einsum("tk,tkj->tj", weights, mesh.positions[corners])
    normals = np.einsum("tk,tkj->tj", weights, mesh.normals[corners])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True) + 1e-9
    flat_mm = np.einsum("tk,tkj->tj", weights, flat[corners])
    return Atlas(
        mesh, part_of_face, size_px, row, column, positions, normals, flat_mm, part_of_face[face], texel_mm
    )  # fmt: skip


def _pack(extents_mm: Floats, size_px: int) -> tuple[Floats, float]:
    """Lower corner (charts, 2) of each chart in texels, and the texel size at which all fit."""
    area = float((extents_mm[:, 0] * extents_mm[:, 1]).sum())
    texel_mm = float(np.sqrt(area / (0.82 * size_px**2)))
    order = np.argsort(-extents_mm[:, 1], kind="stable")
    while True:
        sizes = np.ceil(extents_mm / texel_mm).astype(np.int64) + 2 * GUTTER_PX + 1
        corner = np.zeros(extents_mm.shape, np.float64)
        x = y = shelf = 0
        fits = bool((sizes <= size_px).all())
        for k in order:
            width, height = int(sizes[k, 0]), int(sizes[k, 1])
            if x + width > size_px:
                x, y, shelf = 0, y + shelf, 0
            corner[k] = x, y
            x, shelf = x + width, max(shelf, height)
            if y + shelf > size_px:
                fits = False
                break
        if fits:
            return corner, texel_mm
        texel_mm *= 1.06


def _rasterize(texel: Floats, faces: NDArray[np.int64], size_px: int) -> NDArray[np.int32]:
    """(size, size) face covering each texel center, -1 for none."""
    image = np.full((size_px, size_px), -1, np.int32)
    corners = texel[faces]
    low = np.ceil(corners.min(axis=1) - 1e-6).astype(np.int64)
    high = np.floor(corners.max(axis=1) + 1e-6).astype(np.int64)
    size = np.maximum(high - low + 1, 0)
    boxes = size[:, 0] * size[:, 1]
    small = np.flatnonzero((boxes > 0) & (boxes <= SMALL_BOX_PX))
    for number in np.flatnonzero(boxes > SMALL_BOX_PX):
        points = np.rint(corners[number] * 256).astype(np.int32)
        cv2.fillConvexPoly(image, points, float(number), cv2.LINE_8, 8)
    counts = boxes[small]
    owner = np.repeat(small, counts)
    place = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    width = size[owner, 0]
    column, row = low[owner, 0] + place % width, low[owner, 1] + place // width
    weights = _barycentric(corners[owner], np.stack([column, row], axis=1).astype(np.float64))
    inside = (weights > -1e-6).all(axis=1)
    image[row[inside], column[inside]] = owner[inside]
    return image


def _barycentric(corners: Floats, points: Floats) -> Floats:
    """(N, 3) weights of the corners (N, 3, 2) at points (N, 2), kept within reach of thin triangles."""
    a, b, c = corners.transpose(1, 0, 2)
    ab, ac, ap = b - a, c - a, points - a
    area = ab[:, 0] * ac[:, 1] - ab[:, 1] * ac[:, 0]
    area = np.where(np.abs(area) < 1e-9, 1e-9, area)
    v = (ap[:, 0] * ac[:, 1] - ap[:, 1] * ac[:, 0]) / area
    w = (ab[:, 0] * ap[:, 1] - ab[:, 1] * ap[:, 0]) / area
    return np.stack([1 - v - w, v, w], axis=1)


def _grown(face_at: NDArray[np.int32]) -> NDArray[np.int32]:
    """Extend charts into their gutters, so that texture filtering at their borders finds paint."""
    for _ in range(GUTTER_PX):
        for axis in (0, 1):
            for step in (1, -1):
                neighbor = np.roll(face_at, step, axis=axis)
                face_at = np.where((face_at < 0) & (neighbor >= 0), neighbor, face_at)
    return face_at
