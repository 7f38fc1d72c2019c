"""Closed triangle meshes from profiles: lathe, prism, loft and sweep, with bevels that catch the light.

Every maker returns a watertight `trimesh.Trimesh` in millimeters with outward faces. Circles are polygons
whose corners lie on the true circle, so a true diameter is met exactly at the vertices and missed by the
sagitta (below 0.04 mm for the pumps drawn here) between them.
"""

from collections.abc import Sequence

import manifold3d
import numpy as np
import trimesh
from numpy.typing import ArrayLike, NDArray

from tools.render.outlines import Points, circle, inset, rounded_rectangle, segments_for

Mesh = trimesh.Trimesh


def mesh_of(vertices: ArrayLike, faces: ArrayLike) -> Mesh:
    """Wraps vertices (V, 3) and faces (F, 3), turning the faces outward if the volume comes out negative."""
    corners = np.asarray(vertices, dtype=np.float64)
    triangles = np.asarray(faces, dtype=np.int64)
    a, b, c = (corners[triangles[:, k]] for k in range(3))
    if np.einsum("ij,ij->", a, np.cross(b, c)) < 0.0:
        triangles = triangles[:, ::-1]
    return trimesh.Trimesh(vertices=corners, faces=triangles, process=False, validate=False)


def join(meshes: Sequence[Mesh]) -> Mesh:
    """One mesh of several closed ones; they may overlap."""
    if len(meshes) == 1:
        return meshes[0]
    offsets = np.cumsum([0] + [len(mesh.vertices) for mesh in meshes[:-1]])
    vertices = np.concatenate([mesh.vertices for mesh in meshes])
    faces = np.concatenate([mesh.faces + offset for mesh, offset in zip(meshes, offsets, strict=True)])
    return trimesh.Trimesh(vertices=vertices, faces=faces, process=False, validate=False)


def pose(origin: ArrayLike, normal: ArrayLike, up: ArrayLike = (0.0, 0.0, 1.0)) -> Points:
    """(4, 4) from a local frame (z along `normal`, y along `up` as far as it can) to the pump frame."""
    z_axis = np.asarray(normal, dtype=np.float64)
    z_axis = z_axis / np.linalg.norm(z_axis)
    y_axis = np.asarray(up, dtype=np.float64)
    y_axis = y_axis - (y_axis @ z_axis) * z_axis
    if np.linalg.norm(y_axis) < 1e-6:
        y_axis = np.array([0.0, 1.0, 0.0]) - z_axis[1] * z_axis
    y_axis = y_axis / np.linalg.norm(y_axis)
    matrix = np.eye(4)
    matrix[:3, :3] = np.column_stack([np.cross(y_axis, z_axis), y_axis, z_axis])
    matrix[:3, 3] = origin
    return matrix


def shifted(x: float = 0.0, y: float = 0.0, z: float = 0.0, turn: float = 0.0) -> Points:
    """(4, 4) that turns by `turn` radians about z, then moves."""
    matrix = np.eye(4)
    matrix[:2, :2] = [[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]
    matrix[:3, 3] = (x, y, z)
    return matrix


def placed(mesh: Mesh, matrix: Points) -> Mesh:
    """The mesh moved by a rigid (4, 4)."""
    vertices = mesh.vertices @ matrix[:3, :3].T + matrix[:3, 3]
    return trimesh.Trimesh(vertices=vertices, faces=mesh.faces, process=False, validate=False)


def at(matrix: Points, point: ArrayLike) -> Points:
    """A local point (3,) or points (N, 3) in the outer frame of `matrix`."""
    return np.asarray(np.asarray(point, dtype=np.float64) @ matrix[:3, :3].T + matrix[:3, 3], dtype=np.float64)


def lathe(profile: ArrayLike, count: int | None = None) -> Mesh:
    """Turns an (N, 2) profile of (r, z) about the z axis.

    Args:
        profile: an open line from axis to axis (first and last r = 0) for a full body, else a closed loop for
            a ring.
        count: corners of a circle; by default from the largest radius.
    """
    line = np.asarray(profile, dtype=np.float64)
    keep = np.concatenate([[True], np.linalg.norm(np.diff(line, axis=0), axis=1) > 1e-9])
    line = line[keep]
    full = bool(line[0, 0] < 1e-9 and line[-1, 0] < 1e-9)
    rings = line[1:-1] if full else line
    n = count or segments_for(float(line[:, 0].max()))
    angles = np.arange(n) * 2.0 * np.pi / n
    xyz = np.empty((len(rings), n, 3))
    xyz[..., 0] = rings[:, :1] * np.cos(angles)
    xyz[..., 1] = rings[:, :1] * np.sin(angles)
    xyz[..., 2] = rings[:, 1:]
    index = np.arange(len(rings) * n).reshape(len(rings), n)
    lower = index if not full else index[:-1]
    upper = np.roll(index, -1, axis=0) if not full else index[1:]
    faces = [quads(lower, upper)]
    vertices = xyz.reshape(-1, 3)
    if full:
        first, last = len(vertices), len(vertices) + 1
        vertices = np.concatenate([vertices, [[0.0, 0.0, line[0, 1]], [0.0, 0.0, line[-1, 1]]]])
        next0, next1 = np.roll(index[0], -1), np.roll(index[-1], -1)
        faces.append(np.column_stack([np.full(n, first), next0, index[0]]))
        faces.append(np.column_stack([np.full(n, last), index[-1], next1]))
    return mesh_of(vertices, np.concatenate(faces))


def tube(
    inner_mm: float, outer_mm: float, z0: float, z1: float, bevel_mm: float = 0.0, count: int | None = None
) -> Mesh:
    """A ring of rectangular section with beveled outer edges; radii, not diameters."""
    b = min(bevel_mm, 0.4 * (z1 - z0), 0.8 * (outer_mm - inner_mm))
    section = [
        (inner_mm, z0),
        (outer_mm - b, z0),
        (outer_mm, z0 + b),
        (outer_mm, z1 - b),
        (outer_mm - b, z1),
        (inner_mm, z1),
    ]
    return lathe(section, count)


def drum(radius_mm: float, z0: float, z1: float, bevel_mm: float = 0.0, count: int | None = None) -> Mesh:
    """A full cylinder with beveled edges."""
    b = min(bevel_mm, 0.4 * abs(z1 - z0), 0.8 * radius_mm)
    line = [
        (0, z0),
        (radius_mm - b, z0),
        (radius_mm, z0 + b),
        (radius_mm, z1 - b),
        (radius_mm - b, z1),
        (0, z1),
    ]
    return lathe(line, count)


def prism(outline: Points, z0: float, z1: float, bevel_mm: float = 0.0, bevel_bottom_mm: float | None = None) -> Mesh:
    """A straight body over a plane outline (N, 2), with beveled rims at top (z1) and bottom (z0)."""
    top = min(bevel_mm, 0.45 * (z1 - z0))
    bottom = min(bevel_mm if bevel_bottom_mm is None else bevel_bottom_mm, 0.45 * (z1 - z0))
    layers = [(inset(outline, bottom), z0), (outline, z0 + bottom)] if bottom > 0.0 else [(outline, z0)]
    layers += [(outline, z1 - top), (inset(outline, top), z1)] if top > 0.0 else [(outline, z1)]
    return loft([np.column_stack([shape, np.full(len(shape), z)]) for shape, z in layers], flat_ends=True)


def box(size: ArrayLike, corner_mm: float, bevel_mm: float, center: ArrayLike = (0.0, 0.0, 0.0)) -> Mesh:
    """A block with edges rounded about z (`corner_mm`) and beveled at top and bottom."""
    sx, sy, sz = np.asarray(size, dtype=np.float64)
    body = prism(rounded_rectangle(sx, sy, corner_mm), -sz / 2.0, sz / 2.0, bevel_mm)
    return placed(body, shifted(*np.asarray(center, dtype=np.float64)))


def loft(sections: Sequence[Points], flat_ends: bool = False) -> Mesh:
    """Skins closed sections (N, 3) of one count, capped at both ends.

    Args:
        sections: corners in matching order.
        flat_ends: triangulate the ends as plane figures (they need not be star-shaped); else a fan about
            their mean.
    """
    n = len(sections[0])
    vertices = np.concatenate(sections)
    index = np.arange(len(vertices)).reshape(len(sections), n)
    faces = [quads(index[:-1], index[1:])]
    if flat_ends:
        outline = sections[0][:, :2]
        area = np.sum(outline[:, 0] * np.roll(outline[:, 1], -1) - np.roll(outline[:, 0], -1) * outline[:, 1])
        order = np.arange(n) if area > 0.0 else np.arange(n)[::-1]
        first = order[np.asarray(manifold3d.triangulate([np.ascontiguousarray(sections[0][order, :2])]))]
        last = order[np.asarray(manifold3d.triangulate([np.ascontiguousarray(sections[-1][order, :2])]))]
        if area < 0.0:
            first, last = first[:, ::-1], last[:, ::-1]
        faces += [first[:, ::-1], last + index[-1, 0]]
    else:
        ends = np.array([sections[0].mean(axis=0), sections[-1].mean(axis=0)])
        first_id, last_id = len(vertices), len(vertices) + 1
        vertices = np.concatenate([vertices, ends])
        faces.append(np.column_stack([np.full(n, first_id), np.roll(index[0], -1), index[0]]))
        faces.append(np.column_stack([np.full(n, last_id), index[-1], np.roll(index[-1], -1)]))
    return mesh_of(vertices, np.concatenate(faces))


def sweep(path: ArrayLike, section: Points, up: ArrayLike = (0.0, 0.0, 1.0), scale: ArrayLike | None = None) -> Mesh:
    """Moves a plane section along a path (K, 3), carried without twist.

    Args:
        path: points of the middle line.
        section: corners (N, 2), or (K, N, 2) for one section at each point; the second axis starts along `up`.
        up: direction the section's second axis starts from.
        scale: optional (K,) factor on the section at each point.
    """
    line = np.asarray(path, dtype=np.float64)
    tangents = np.gradient(line, axis=0)
    tangents /= np.linalg.norm(tangents, axis=1, keepdims=True)
    y_axis = pose(line[0], tangents[0], up)[:3, 1]
    factors = np.ones(len(line)) if scale is None else np.asarray(scale, dtype=np.float64)
    outlines = np.broadcast_to(section, (len(line), *section.shape[-2:]))
    rings = []
    for point, tangent, factor, outline in zip(line, tangents, factors, outlines, strict=True):
        y_axis = y_axis - (y_axis @ tangent) * tangent
        y_axis = y_axis / np.linalg.norm(y_axis)
        x_axis = np.cross(y_axis, tangent)
        rings.append(point + factor * (outline[:, :1] * x_axis + outline[:, 1:] * y_axis))
    return loft(rings)


def hollow_pipe(path: ArrayLike, radius: float) -> Mesh:
    """A pipe along a path, open at its far end: what is cut off there is seen as a ring with a dark mouth."""
    line = np.asarray(path, dtype=np.float64)
    depth = min(4.0 * radius, 0.9 * float(np.linalg.norm(line[-1] - line[-2])))
    toward = (line[-1] - line[-2]) / np.linalg.norm(line[-1] - line[-2])
    outline = circle(radius)
    outer = sweep(np.concatenate([line[:-1], [line[-1] - 0.5 * depth * toward]]), outline, up=(1.0, 0.0, 0.0))
    end = lathe(
        [
            (0.0, -depth),
            (0.99 * radius, -depth),
            (radius, -0.97 * depth),
            (radius, -0.6),
            (radius - 0.5, 0.0),
            (0.86 * radius, 0.0),
            (0.86 * radius, -0.9 * depth),
            (0.0, -0.9 * depth),
        ]
    )
    return join([outer, placed(end, pose(line[-1], toward, (1.0, 0.0, 0.0)))])


def cut(body: Mesh, tools: Sequence[Mesh]) -> Mesh:
    """The body with the tools taken away (exact boolean)."""
    taken = manifold3d.Manifold.batch_boolean([solid_of(tool) for tool in tools], manifold3d.OpType.Add)
    return _from_manifold(solid_of(body) - taken)


def clear_of(tool: Mesh, bodies: Sequence[Mesh]) -> list[Mesh]:
    """The bodies, with the tool taken out of those it touches; one wholly taken away is left out."""
    low, high = tool.bounds
    out = []
    for body in bodies:
        meets = bool(np.all(body.bounds[0] < high) and np.all(low < body.bounds[1]))
        left = cut(body, [tool]) if meets else body
        if len(left.faces):
            out.append(left)
    return out


def common(first: Mesh, second: Mesh) -> Mesh:
    """What two bodies share (exact boolean)."""
    return _from_manifold(solid_of(first) ^ solid_of(second))


def quads(lower: NDArray[np.int64], upper: NDArray[np.int64]) -> NDArray[np.int64]:
    """Two triangles for each cell between neighboring closed rings of vertex numbers (K, N)."""
    a, b = lower.reshape(-1), np.roll(lower, -1, axis=1).reshape(-1)
    c, d = upper.reshape(-1), np.roll(upper, -1, axis=1).reshape(-1)
    return np.concatenate([np.column_stack([a, b, d]), np.column_stack([a, d, c])])


def solid_of(mesh: Mesh) -> manifold3d.Manifold:
    """The exact solid of a closed mesh.

    Raises:
        ValueError: it is not closed, or empty.
    """
    body = manifold3d.Manifold(
        manifold3d.Mesh64(
            vert_properties=np.ascontiguousarray(mesh.vertices, dtype=np.float64),
            tri_verts=np.ascontiguousarray(mesh.faces, dtype=np.uint64),
        )
    )
    if body.status() != manifold3d.Error.NoError or body.is_empty():
        raise ValueError(f"a mesh of {len(mesh.faces)} faces is not a closed solid: {body.status()}")
    return body


def _from_manifold(body: manifold3d.Manifold) -> Mesh:
    shape = body.to_mesh64()
    return trimesh.Trimesh(
        vertices=np.array(shape.vert_properties[:, :3], dtype=np.float64),
        faces=np.array(shape.tri_verts, dtype=np.int64),
        process=False,
        validate=False,
    )
