"""Pipe threads as a photo shows them: helical grooves of an empty female port, and male thread ends."""

import numpy as np

from reference_geometry.standards import PipeThread
from tools.render.solids import Mesh, lathe, mesh_of

_ROWS = ((0.0, "root"), (0.09, "root"), (0.455, "crest"), (0.545, "crest"), (0.91, "root"))
"""One groove: share of the pitch, and whether the wall is at the root (major) or the crest (minor)."""


def female_thread(thread: PipeThread, depth_mm: float) -> Mesh:
    """The lining of an empty female port; its mouth lies at z = 0 and it reaches into z < 0.

    The countersink starts at the face with the thread's major diameter and meets the crests (minor diameter)
    at `countersink_depth(thread)`; that circle is the port's bore, the first one the thread's major diameter
    (ASME B1.20.1 and ISO 7-1 leave the countersink to the maker; to the major diameter is common practice).

    Args:
        thread: published sizes; taper is followed.
        depth_mm: depth of the lining.
    """
    major, minor = thread.major_diameter_mm / 2.0, thread.minor_diameter_mm / 2.0
    start = countersink_depth(thread)
    n = 96
    pitch, taper = thread.pitch_mm, thread.taper_on_diameter / 2.0
    turns = int(np.ceil((depth_mm - start) / pitch)) + 1
    rows = [(k * pitch + share * pitch, at) for k in range(-1, turns + 1) for share, at in _ROWS[:-1]]
    per_turn = len(_ROWS) - 1
    angles = np.arange(n) * 2.0 * np.pi / n
    vertices: list[tuple[float, float, float]] = []

    def ring(radius: float, depth: float) -> list[int]:
        first = len(vertices)
        vertices.extend((radius * np.cos(a), radius * np.sin(a), -depth) for a in angles)
        return list(range(first, first + n))

    mouth, first_crest = ring(major, 0.0), ring(minor, start)
    last_crest = ring(minor - taper * depth_mm, depth_mm)
    grid = np.empty((len(rows), n), dtype=np.int64)
    for row, (along, place) in enumerate(rows):
        for column, angle in enumerate(angles):
            depth = start + along + pitch * angle / (2.0 * np.pi)
            if depth <= start + 0.02 * pitch:
                grid[row, column] = first_crest[column]
            elif depth >= depth_mm - 0.02 * pitch:
                grid[row, column] = last_crest[column]
            else:
                radius = (major if place == "root" else minor) - taper * depth
                grid[row, column] = len(vertices)
                vertices.append((radius * np.cos(angle), radius * np.sin(angle), -depth))
    outer = major + 1.5
    back, front = ring(outer, depth_mm), ring(outer, 1.5)
    faces = [_band(np.array(mouth), np.array(first_crest))]
    faces.append(_helix(grid, per_turn))
    for a, b in ((last_crest, back), (back, front), (front, mouth)):
        faces.append(_band(np.array(a), np.array(b)))
    triangles = np.concatenate(faces)
    proper = (
        (triangles[:, 0] != triangles[:, 1])
        & (triangles[:, 1] != triangles[:, 2])
        & (triangles[:, 2] != triangles[:, 0])
    )
    return mesh_of(np.array(vertices), triangles[proper])


def countersink_depth(thread: PipeThread) -> float:
    """How far behind the face the thread's crests begin: a 90 degree countersink from the major diameter."""
    return (thread.major_diameter_mm - thread.minor_diameter_mm) / 2.0


def male_thread(thread: PipeThread, z0: float, z1: float) -> Mesh:
    """A male thread end as rings at true pitch from z0 to z1, axis z (most of it sits in its port)."""
    major, minor = thread.major_diameter_mm / 2.0, thread.minor_diameter_mm / 2.0
    turns = max(round((z1 - z0) / thread.pitch_mm), 1)
    line: list[tuple[float, float]] = [(0.0, z0), (minor, z0)]
    for k in range(turns):
        line.append((major, z0 + (k + 0.5) * (z1 - z0) / turns))
        line.append((minor, z0 + (k + 1.0) * (z1 - z0) / turns))
    line.append((0.0, z1))
    return lathe(line, 64)


def _band(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    a, b, c, d = first, np.roll(first, -1), second, np.roll(second, -1)
    return np.concatenate([np.column_stack([a, d, b]), np.column_stack([a, c, d])])


def _helix(grid: np.ndarray, per_turn: int) -> np.ndarray:
    """Cells of rows that climb a pitch per turn: past the last column, row k goes on as row k + per_turn."""
    rows = len(grid)
    beyond = np.minimum(np.arange(rows) + per_turn, rows - 1)
    following = np.concatenate([grid[:, 1:], grid[beyond, :1]], axis=1)
    a, b, c, d = grid[:-1], following[:-1], grid[1:], following[1:]
    first = np.stack([a, d, b], axis=-1).reshape(-1, 3)
    return np.concatenate([first, np.stack([a, c, d], axis=-1).reshape(-1, 3)])
