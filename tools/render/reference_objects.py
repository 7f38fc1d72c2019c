"""Things of known size laid into the scene: printed scale cards, a bank card, coins, sheets of paper.

Reference frame (mm): the face lies in z = 0, x to the right and y down as a reader sees it, z away from the reader
into the thing; the origin is the top left corner of the printed pattern or outline (a coin: its middle).
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import cv2
import numpy as np
import trimesh
from numpy.typing import NDArray

from features.scale.card_boards import CARDS, CardSize, opencv_board
from reference_geometry.standards.coins import Coin, coins, find_coin
from reference_geometry.standards.flat_references import find_flat_reference
from tools.render import textures as tx
from tools.render.materials import Surface
from tools.render.mesh_shading import ShadedMesh, flat_grid, join, shade

Floats = NDArray[np.float64]
ReferenceKind = Literal["scale_card", "bank_card", "coin", "sheet"]
SQUARE_PX = 168
"""Texture pixels per chessboard square: a multiple of 28, so that every marker module has whole pixels."""
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
    """One mesh of a reference in its own frame; `is_reference` is False for tape or dirt lying over it."""

    mesh: ShadedMesh
    surface: Surface
    is_reference: bool = True


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


def _sheet_mesh(width: float, height: float, thickness: float, radius: float = 0.0) -> ShadedMesh:
    """A thin plate with its face at z = 0 (reader at -z), top left at the origin, picture upright on the face."""
    face = flat_grid(width, height, 28, 20)
    positions = np.column_stack([face.uvs[:, 0] * width, face.uvs[:, 1] * height, np.zeros(len(face.uvs))])
    uvs = np.column_stack([face.uvs[:, 0], 1 - face.uvs[:, 1]])
    if radius:
        positions[:, :2] = _rounded(positions[:, :2], width, height, radius)
        uvs = np.column_stack([positions[:, 0] / width, 1 - positions[:, 1] / height])
    front = ShadedMesh(positions, np.tile([0.0, 0.0, -1.0], (len(positions), 1)), uvs, face.faces[:, ::-1])
    back = ShadedMesh(positions + [0, 0, thickness], -front.normals, uvs * 0 + 0.002, face.faces)
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
    positions = np.concatenate([rim, rim + [0, 0, thickness]])
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


@lru_cache(maxsize=2)
def _board_picture(size: CardSize) -> NDArray[np.uint8]:
    """The printed pattern, 255 = paper, row 0 at the top."""
    board = CARDS[size]
    picture = opencv_board(size).generateImage((7 * SQUARE_PX, 5 * SQUARE_PX), marginSize=0, borderBits=1)
    assert picture.shape == (5 * SQUARE_PX, 7 * SQUARE_PX)
    assert abs(board.width_mm / board.square_mm - 7) < 1e-9
    return np.asarray(picture, np.uint8)


def scale_card(size: CardSize, bend: Bend, rng: np.random.Generator) -> ReferenceObject:
    """A printed scale card cut out with some margin, as a user makes it."""
    board = CARDS[size]
    px_per_mm = SQUARE_PX / board.square_mm
    unit = board.square_mm / 12
    left, right, top = rng.uniform(4, 12, 3) * unit
    bottom = rng.uniform(9, 16) * unit
    width, height = board.width_mm + left + right, board.height_mm + top + bottom
    picture = np.full((round(height * px_per_mm), round(width * px_per_mm)), 255, np.uint8)
    # Snap the margins to whole texture pixels so that the truth is exact.
    x0, y0 = round(left * px_per_mm), round(top * px_per_mm)
    left, top = x0 / px_per_mm, y0 / px_per_mm
    width, height = picture.shape[1] / px_per_mm, picture.shape[0] / px_per_mm
    pattern = _board_picture(size)
    picture[y0 : y0 + pattern.shape[0], x0 : x0 + pattern.shape[1]] = pattern
    _print_legend(picture, size, x0, y0 + pattern.shape[0], px_per_mm, unit)
    return _flat_object(
        "scale_card", size, _printed(picture, rng), (width, height), (left, top), PAPER_THICKNESS_MM, bend,
        roughness=float(rng.choice([0.12, 0.3, 0.6, 0.8], p=[0.15, 0.2, 0.35, 0.3])), rng=rng,
    )  # fmt: skip


def _print_legend(picture: NDArray[np.uint8], size: str, x0: int, y1: int, px_per_mm: float, unit: float) -> None:
    """Words and the 50 mm check bar below the pattern."""
    y = y1 + int(4.2 * unit * px_per_mm)
    bar = int(50 * px_per_mm) if size == "pocket" else int(100 * px_per_mm)
    cv2.line(picture, (x0, y), (x0 + bar, y), 0, max(1, int(0.35 * unit * px_per_mm)))
    for end in (x0, x0 + bar):
        cv2.line(picture, (end, y - int(1.2 * unit * px_per_mm)), (end, y + int(1.2 * unit * px_per_mm)), 0, 3)
    words = f"scale card {size}   check bar {50 if size == 'pocket' else 100} mm"
    scale = 0.028 * unit * px_per_mm * 1.6
    cv2.putText(
        picture,
        words,
        (x0, y + int(3.6 * unit * px_per_mm)),
        cv2.FONT_HERSHEY_SIMPLEX,
        scale,
        30,
        2,
        cv2.LINE_AA,
    )


def _printed(picture: NDArray[np.uint8], rng: np.random.Generator) -> tx.Color:
    """Paper and toner reflectance with wear: smudges, creases, faded print, yellowed paper."""
    height, width = picture.shape
    paper = np.array([1.0, rng.uniform(0.96, 1.0), rng.uniform(0.86, 1.0)]) * rng.uniform(0.6, 0.84)
    ink = rng.uniform(0.02, 0.07)
    weight = picture.astype(np.float32)[..., None] / 255
    color = ink * (1 - weight) + paper.astype(np.float32) * weight
    noise = cv2.resize(tx.fractal_noise(rng, 256, 2.0), (width, height), interpolation=cv2.INTER_CUBIC)
    smudge = tx.smooth_threshold(noise, float(rng.uniform(0.6, 1.15)), 0.35)[..., None]
    color = color * (1 - 0.55 * smudge) + 0.02 * smudge
    if rng.random() < 0.3:
        creases = cv2.resize(tx.scratches(rng, 512, int(rng.integers(1, 4)), 0.5), (width, height))[..., None]
        color = color * (1 - 0.35 * creases) + 0.12 * creases
    return np.asarray(color, np.float32)


def _flat_object(
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
    flat = _sheet_mesh(width, height, thickness_mm, radius_mm)
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
    return [Piece(join(strips), Surface(picture, 0.3), is_reference=False)]


def bank_card(bend: Bend, rng: np.random.Generator) -> ReferenceObject:
    """An ID-1 card of an invented, neutral design: no bank, no network, no readable number."""
    card = find_flat_reference("id-1")
    assert card is not None, "the standards table has no ID-1 card"
    size = (card.width_mm, card.height_mm)
    picture = _card_picture(size, rng)
    return _flat_object(
        "bank_card", "id-1", picture, size, (0.0, 0.0), card.thickness_mm or PAPER_THICKNESS_MM, bend,
        roughness=float(rng.uniform(0.12, 0.35)), rng=rng, radius_mm=card.corner_radius_mm or 3.18,
    )  # fmt: skip


def _card_picture(size: tuple[float, float], rng: np.random.Generator) -> tx.Color:
    """Two-colored swoosh, chip, rows of bars where digits would be."""
    width, height = int(size[0] * 12), int(size[1] * 12)
    u, v = np.meshgrid(np.linspace(0, 1, width), np.linspace(0, 1, height))
    wave = tx.smooth_threshold(
        (v + 0.3 * np.sin(3 * u + rng.uniform(0, 6)) + rng.uniform(-0.2, 0.2)).astype(np.float32), 0.5, 0.02
    )
    first, second = np.exp(rng.uniform(np.log(0.02), np.log(0.7), (2, 3)))
    first += (first.mean() - first) * rng.uniform(0.1, 0.9)
    color = tx.mix(tuple(first), tuple(np.clip(0.6 * first + 0.5 * second, 0, 0.8)), wave)
    chip = (int(10 * 12), int(19 * 12), int(21.5 * 12), int(29 * 12))
    cv2.rectangle(color, chip[:2], chip[2:], (0.55, 0.45, 0.2), -1)
    for y in (22.5, 25.5):
        cv2.line(color, (chip[0], int(y * 12)), (chip[2], int(y * 12)), (0.2, 0.16, 0.06), 2)
    ink = (0.8, 0.8, 0.78) if first.mean() < 0.25 else (0.04, 0.04, 0.05)
    for block in range(4):
        for digit in range(4):
            x = int((10 + block * 17 + digit * 3.6) * 12)
            cv2.rectangle(color, (x, int(34 * 12)), (x + 24, int(37.5 * 12)), ink, -1)
    words = np.zeros((height, width), np.uint8)
    cv2.putText(words, "SPECIMEN", (int(10 * 12), int(47 * 12)), cv2.FONT_HERSHEY_SIMPLEX, 1.6, 255, 3, cv2.LINE_AA)
    color = tx.mix(color, ink, (words / 255).astype(np.float32))
    wear = tx.scratches(rng, 512, int(rng.integers(0, 60)), 0.05)
    worn = cv2.resize(wear, (width, height))[..., None] * 0.3
    return np.asarray(color * (1 - worn) + 0.5 * worn, np.float32)


def round_coins() -> tuple[Coin, ...]:
    """Coins that are round, unpierced and of known thickness."""
    return tuple(c for c in coins() if c.shape == "round" and c.thickness_mm and not c.hole_mm)


def coin(name: str, rng: np.random.Generator) -> ReferenceObject:
    """A coin with an invented relief; only its size and metal follow the named coin.

    Raises:
        ValueError: no such coin.
    """
    found = find_coin(name)
    if not found:
        raise ValueError(f"no coin {name!r}")
    assert isinstance(found, Coin)
    radius, thickness = found.diameter_mm / 2, found.thickness_mm or 2.0
    edge = 0.12
    profile = np.array([
        [0.0, 0.12], [0.9 * radius, 0.12], [0.915 * radius, 0.0], [radius - edge, 0.0], [radius, edge],
        [radius, thickness - edge], [radius - edge, thickness], [0.0, thickness],
    ])  # fmt: skip
    solid = trimesh.creation.revolve(profile[::-1], sections=160)
    shaded = shade(solid)
    uvs = shaded.positions[:, :2] / (2 * radius) * [1, -1] + 0.5
    mesh = ShadedMesh(shaded.positions, shaded.normals, uvs, shaded.faces)
    if mesh.normals[np.argmin(np.linalg.norm(mesh.positions, axis=1)), 2] > 0:
        mesh = ShadedMesh(mesh.positions, -mesh.normals, uvs, mesh.faces[:, ::-1])
    angle = np.radians(np.arange(0, 360, 5))
    rim = np.column_stack([radius * np.cos(angle), radius * np.sin(angle), np.full(72, edge)])
    color, relief = _coin_faces(found, rng)
    surface = Surface(_engraved(color, relief), float(rng.uniform(0.22, 0.45)), 1.0)
    return ReferenceObject(
        "coin", found.name, (Piece(mesh, surface),), rim, np.zeros((0, 3)), (), (2 * radius, 2 * radius),
        thickness, np.zeros(3), Bend(),
    )  # fmt: skip


def _engraved(color: tx.Color, relief: tx.Gray) -> tx.Color:
    """Relief painted as light and shade, at the size of a card's picture."""
    slope = cv2.Sobel(relief, cv2.CV_32F, 1, 0) + cv2.Sobel(relief, cv2.CV_32F, 0, 1)
    shaded = color * (1 + 0.12 * np.clip(slope, -2.5, 2.5)[..., None])
    return np.asarray(cv2.resize(np.asarray(shaded, np.float32), (512, 512), interpolation=cv2.INTER_LINEAR))


def _coin_faces(found: Coin, rng: np.random.Generator) -> tuple[tx.Color, tx.Gray]:
    """Metal color (two metals for 1 and 2 euro) and an invented relief of a polygon, dots and bars."""
    n = 256
    copper, brass, nickel = (0.5, 0.25, 0.14), (0.56, 0.43, 0.2), (0.52, 0.51, 0.48)
    label = found.label.lower()
    small = any(word in f" {label}" for word in (" 1 cent", " 2 cent", " 5 cent", "penny", " 2 pence"))
    main = copper if small and "us 5" not in label else brass if "euro" in label and "cent" in label else nickel
    y, x = np.mgrid[0:n, 0:n] / (n - 1) * 2 - 1
    r = np.hypot(x, y).astype(np.float32)
    color = np.broadcast_to(np.asarray(main, np.float32), (n, n, 3)).copy()
    if found.currency == "EUR" and "cent" not in label:
        inner, outer = (nickel, brass) if "1 euro" in label else (brass, nickel)
        color = tx.mix(inner, outer, tx.smooth_threshold(r, 0.71, 0.02))
    relief = np.zeros((n, n), np.float32)
    sides = int(rng.integers(3, 9))
    turn = rng.uniform(0, 2 * np.pi)
    angles = turn + np.arange(sides) * 2 * np.pi / sides
    shape = np.stack([n / 2 + 0.33 * n * np.cos(angles), n / 2 + 0.33 * n * np.sin(angles)], axis=1)
    cv2.fillPoly(relief, [shape.astype(np.int32)], 1.0)
    for k in range(int(rng.integers(8, 24))):
        a = k * 2 * np.pi / 16
        cv2.circle(relief, (int(n / 2 + 0.4 * n * np.cos(a)), int(n / 2 + 0.4 * n * np.sin(a))), 4, 1.0, -1)
    number = np.zeros((n, n), np.uint8)
    cv2.putText(number, str(rng.integers(1, 100)), (n // 2 - 40, n // 2 + 25), cv2.FONT_HERSHEY_SIMPLEX, 2.4, 255, 9)
    relief = cv2.GaussianBlur(np.where(number > 0, np.float32(0.3), relief), (0, 0), 1.2)
    tarnish = tx.fractal_noise(rng, n, 1.6)[..., None]
    grime = float(rng.uniform(0, 0.5))
    return np.asarray(color * (1 - grime * tarnish * (1 - 0.4 * relief[..., None])), np.float32), relief


def sheet(name: str, bend: Bend, rng: np.random.Generator) -> ReferenceObject:
    """A sheet of paper: blank, written on, or printed with lines of gray text-like bars.

    Raises:
        ValueError: no such sheet.
    """
    paper = find_flat_reference(name)
    if paper is None:
        raise ValueError(f"no sheet {name!r}")
    size = (paper.width_mm, paper.height_mm)
    width, height = int(size[0] * 3), int(size[1] * 3)
    picture = np.full((height, width), 255, np.uint8)
    kind = rng.choice(["blank", "print", "scribble"])
    if kind == "print":
        for y in range(70, height - 70, int(rng.integers(14, 22))):
            x = 60
            while x < width - 90 and rng.random() > 0.04:
                step = int(rng.integers(10, 50))
                cv2.rectangle(picture, (x, y), (min(x + step, width - 60), y + 6), int(rng.integers(40, 120)), -1)
                x += step + 8
    elif kind == "scribble":
        for _ in range(int(rng.integers(2, 7))):
            points = np.cumsum(rng.normal(0, 18, (40, 2)), axis=0) + rng.uniform(100, min(width, height) - 100, 2)
            cv2.polylines(picture, [points.astype(np.int32)], False, 60, 3, cv2.LINE_AA)
    return _flat_object(
        "sheet", name, _printed(picture, rng), size, (0.0, 0.0), 0.1, bend, roughness=0.8, rng=rng
    )  # fmt: skip
