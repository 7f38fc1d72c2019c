"""Things of known size as the scene holds them: a plate with its true points, flat or bent, with tape over it.

Reference frame (mm): the face lies in z = 0, x to the right and y down as a reader sees it, z away from the reader
into the thing; the origin is the top left corner of the printed pattern or outline (a coin: its middle).
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from features.scale.card_boards import CARDS
from tools.render import textures as tx
from tools.render.materials import Surface
from tools.render.mesh_shading import ShadedMesh, flat_grid, join

Floats = NDArray[np.float64]
ReferenceKind = Literal["scale_card", "bank_card", "coin", "sheet"]
PAPER_THICKNESS_MM = 0.76


@dataclass(frozen=True)
class Bend:
    """How a card or sheet is curved: part of a cylinder, tangent at its middle.

    Attributes:
        radius_mm: of the cylinder; inf is flat. Negative: the edges come towards the reader.
        axis_deg: direction of the cylinder's axis in the face, from x towards y.
    """

    radius_mm: float = np.inf
    axis_deg: float = 0.0


@dataclass(frozen=True, eq=False)
class Piece:
    """One mesh of a reference in its own frame; tape over it is no reference and tells its strips singly too."""

    mesh: ShadedMesh
    surface: Surface
    is_reference: bool = True
    strips: tuple[ShadedMesh, ...] = ()


@dataclass(frozen=True, eq=False)
class ReferenceObject:
    """A thing of known size with its true points.

    Attributes:
        kind, name: "scale_card"/"pocket", "bank_card"/"id-1", "coin"/"us-25c", "sheet"/"a4".
        pieces: what is drawn.
        outline_mm: (4, 3) corners, clockwise from the top left (a coin: 72 points of its rim, at its widest).
        corners_mm: (K, 3) inner chessboard corners (cards only); corner_ids: their ChArUco ids.
        size_mm: width and height over all (a coin: its diameter, twice).
        thickness_mm: from the face down to what it lies on.
        middle_mm: (3,) middle of the face.
        bend: as given.
    """

    kind: ReferenceKind
    name: str
    pieces: tuple[Piece, ...]
    outline_mm: Floats
    corners_mm: Floats
    corner_ids: tuple[int, ...]
    size_mm: tuple[float, float]
    thickness_mm: float
    middle_mm: Floats
    bend: Bend


def bent(points_mm: Floats, middle_mm: Floats, bend: Bend) -> Floats:
    """Roll points of the flat thing onto its cylinder, keeping lengths along the surface. (N, 3) to (N, 3)."""
    if not np.isfinite(bend.radius_mm):
        return points_mm
    angle = np.radians(bend.axis_deg)
    along, across = (
        np.array([np.cos(angle), np.sin(angle), 0.0]),
        np.array([-np.sin(angle), np.cos(angle), 0.0]),
    )
    flat = points_mm - middle_mm
    s, t, depth = flat @ across, flat @ along, flat[:, 2]
    turn = s / bend.radius_mm
    reach = bend.radius_mm - depth
    s_bent, z_bent = reach * np.sin(turn), bend.radius_mm - reach * np.cos(turn)
    return np.asarray(middle_mm + np.outer(s_bent, across) + np.outer(t, along) + np.outer(z_bent, [0, 0, 1]))


def _plate(width: float, height: float, thickness: float, radius: float = 0.0) -> ShadedMesh:
    """A thin plate with its face at z = 0 (reader at -z), top left at the origin, picture upright on the face."""
    face = flat_grid(width, height, 28, 20)
    positions = np.column_stack([face.uvs[:, 0] * width, face.uvs[:, 1] * height, np.zeros(len(face.uvs))])
    uvs = np.column_stack([face.uvs[:, 0], 1 - face.uvs[:, 1]])
    if radius:
        positions[:, :2] = _rounded(positions[:, :2], width, height, radius)
        uvs = np.column_stack([positions[:, 0] / width, 1 - positions[:, 1] / height])
    front = ShadedMesh(positions, np.tile([0.0, 0.0, -1.0], (len(positions), 1)), uvs, face.faces[:, ::-1])
    down = np.array([0.0, 0.0, thickness])
    back = ShadedMesh(positions + down, -front.normals, uvs * 0 + 0.002, face.faces)
    return join([front, back, _skirt(front, face.uvs, thickness)])


def _skirt(front: ShadedMesh, grid: Floats, thickness: float) -> ShadedMesh:
    """The edge all round a plate."""
    u, v = grid.T
    sides = [
        np.flatnonzero(v == 0),
        np.flatnonzero(u == 1),
        np.flatnonzero(v == 1)[::-1],
        np.flatnonzero(u == 0)[::-1],
    ]
    loop = np.concatenate([side[:-1] for side in sides])
    rim = front.positions[loop]
    n = len(loop)
    middle = rim.mean(axis=0)
    outward = rim - middle
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    a, b = np.arange(n), (np.arange(n) + 1) % n
    faces = np.concatenate([np.stack([a, b, b + n], axis=1), np.stack([a, b + n, a + n], axis=1)])
    positions = np.concatenate([rim, rim + np.array([0.0, 0.0, thickness])])
    return ShadedMesh(positions, np.tile(outward, (2, 1)), np.full((2 * n, 2), 0.002), faces)


def _rounded(points: Floats, width: float, height: float, radius: float) -> Floats:
    """Squeeze the points of a rectangle grid into a rectangle with rounded corners."""
    middle = np.array([width, height]) / 2
    offset = points - middle
    inner = middle - radius
    beyond = np.maximum(np.abs(offset) - inner, 0)
    both = (beyond > 0).all(axis=1)
    # A square corner cell is mapped to a quarter disc by shrinking along the ray from the corner's center.
    b = beyond[both]
    scale = b.max(axis=1) / np.maximum(np.linalg.norm(b, axis=1), 1e-9)
    moved = offset.copy()
    moved[both] = np.sign(offset[both]) * (inner + b * scale[:, None])
    return np.asarray(moved + middle)


def flat_object(
    kind: ReferenceKind, name: str, color: tx.Color, size_mm: tuple[float, float], pattern_at_mm: tuple[float, float],
    thickness_mm: float, bend: Bend, roughness: float, rng: np.random.Generator, radius_mm: float = 0.0,
) -> ReferenceObject:  # fmt: skip
    """A card or sheet from its picture; `pattern_at_mm` is where the frame's origin lies on it."""
    width, height = size_mm
    shift = np.array([-pattern_at_mm[0], -pattern_at_mm[1], 0.0])
    is_card = kind == "scale_card"
    if is_card:
        board = CARDS["pocket" if name == "pocket" else "large"]
        outline = np.column_stack([board.outline_mm, np.zeros(4)])
        corners = np.column_stack([board.corners_mm, np.zeros(24)])
        middle = np.array([board.width_mm / 2, board.height_mm / 2, 0.0])
    else:
        outline = np.array([[0, 0, 0], [width, 0, 0], [width, height, 0], [0, height, 0]], np.float64)
        corners = np.zeros((0, 3))
        middle = np.array([width / 2, height / 2, 0.0])
    flat = _plate(width, height, thickness_mm, radius_mm)
    mesh = ShadedMesh(
        bent(flat.positions + shift, middle, bend),
        _bent_normals(flat, shift, middle, bend),
        flat.uvs,
        flat.faces,
    )
    pieces = [Piece(mesh, Surface(color[::-1], roughness))]
    if kind != "coin" and rng.random() < 0.4:
        pieces += _tape(width, height, shift, middle, bend, rng)
    return ReferenceObject(
        kind, name, tuple(pieces), bent(outline, middle, bend), bent(corners, middle, bend),
        tuple(range(len(corners))), (width, height), thickness_mm, middle, bend,
    )  # fmt: skip


def _bent_normals(flat: ShadedMesh, shift: Floats, middle: Floats, bend: Bend) -> Floats:
    """Normals after bending, by moving a little along them."""
    if not np.isfinite(bend.radius_mm):
        return flat.normals
    start = bent(flat.positions + shift, middle, bend)
    moved = bent(flat.positions + shift + 0.01 * flat.normals, middle, bend) - start
    return np.asarray(moved / np.linalg.norm(moved, axis=1, keepdims=True))


def _tape(
    width: float, height: float, shift: Floats, middle: Floats, bend: Bend, rng: np.random.Generator
) -> list[Piece]:  # fmt: skip
    """Strips of tape across some corners or edges."""
    color: tx.Rgb = ((0.5, 0.42, 0.25), (0.03, 0.03, 0.035), (0.45, 0.46, 0.47), (0.03, 0.1, 0.35))[rng.integers(4)]
    picture = np.full((8, 8, 3), color, np.float32)
    strips = []
    for corner in rng.permutation(4)[: rng.integers(1, 5)]:
        at = np.array([width * (corner in (1, 2)), height * (corner in (2, 3)), -0.12])
        inward = np.array([1 - 2 * (corner in (1, 2)), 1 - 2 * (corner in (2, 3)), 0.0])
        flat = flat_grid(rng.uniform(25, 45), rng.uniform(9, 16), 10, 4)
        turn = np.radians(rng.choice([45, -45, 0, 90]) + rng.normal(0, 8))
        rotation = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
        positions = flat.positions @ rotation.T + at + inward * rng.uniform(1, 7)
        mesh = ShadedMesh(
            bent(positions + shift, middle, bend),
            np.tile([0.0, 0.0, -1.0], (len(positions), 1)),
            flat.uvs,
            flat.faces[:, ::-1],
        )
        strips.append(mesh)
    return [Piece(join(strips), Surface(picture, 0.3), is_reference=False, strips=tuple(strips))]
