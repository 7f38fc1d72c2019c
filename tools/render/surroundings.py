"""Where the pump stands and what stands around it: ground, walls, clutter, round things that are no pump, occluders.

The pump's own plane z = 0 is the ground it stands on: a floor, a bench top, a pallet's deck. Everything is placed after
the camera is known, so that the background fills the view and nothing but a wanted occluder gets in front.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import trimesh
from numpy.typing import NDArray

from tools.render import clutter, materials
from tools.render import textures as tx
from tools.render.cameras import Camera
from tools.render.materials import Surface
from tools.render.mesh_shading import ShadedMesh, flat_grid, shade
from tools.render.splits import Kind, Split, draw

Floats = NDArray[np.float64]

PLACES = (
    Kind("shop_floor", 4),
    Kind("bench", 2.5),
    Kind("pallet", 1.5),
    Kind("yard", 1.5),
    Kind("lawn", 0.4),
    Kind("wash_room", 2, held_out=True),
    Kind("steel_skid", 2, held_out=True),
    Kind("gravel_pad", 1.2, held_out=True),
)
OUTDOOR_PLACES = ("yard", "lawn", "gravel_pad")
GROUNDS: dict[str, tuple[str, ...]] = {
    "shop_floor": ("concrete", "painted_floor", "concrete"),
    "bench": ("timber", "steel_sheet", "rubber_mat", "laminate", "laminate"),
    "pallet": ("timber",),
    "yard": ("asphalt", "concrete"),
    "lawn": ("grass",),
    "wash_room": ("tiles",),
    "steel_skid": ("checker_plate",),
    "gravel_pad": ("gravel",),
}
WALLS = (Kind("plaster", 3), Kind("bricks", 1.5), Kind("boards", 1), Kind("tiled_wall", 1, held_out=True),
         Kind("sheet_metal", 1, held_out=True))  # fmt: skip

PAINTERS: dict[str, Callable[[np.random.Generator, int], tuple[tx.Color, tx.Gray]]] = {
    "concrete": tx.concrete,
    "painted_floor": tx.painted_floor,
    "planks": tx.planks,
    "steel_sheet": tx.steel_sheet,
    "rubber_mat": tx.rubber_mat,
    "asphalt": tx.asphalt,
    "grass": tx.grass,
    "tiles": tx.tiles,
    "checker_plate": tx.checker_plate,
    "gravel": tx.gravel,
    "plaster": tx.plaster,
    "timber": tx.timber,
    "laminate": tx.laminate,
    "bricks": tx.bricks,
    "boards": tx.planks,
    "tiled_wall": tx.tiles,
    "sheet_metal": tx.steel_sheet,
}
PERIOD_MM: dict[str, float] = {
    "concrete": 1400, "painted_floor": 1200, "planks": 900, "steel_sheet": 900, "rubber_mat": 450, "asphalt": 600,
    "grass": 500, "tiles": 800, "checker_plate": 420, "gravel": 500, "plaster": 2200, "timber": 700, "laminate": 900, "bricks": 1100,
    "boards": 1200, "tiled_wall": 900, "sheet_metal": 1200,
}  # fmt: skip
ROUGHNESS: dict[str, tuple[float, float, float]] = {
    "steel_sheet": (0.3, 0.55, 0.9), "sheet_metal": (0.35, 0.5, 0.8), "checker_plate": (0.35, 0.6, 0.7),
    "tiles": (0.12, 0.4, 0.0), "tiled_wall": (0.1, 0.3, 0.0), "painted_floor": (0.2, 0.6, 0.0), "plaster": (0.5, 0.9, 0.0),
    "laminate": (0.2, 0.6, 0.0),
}  # fmt: skip
"""Lowest and highest roughness, and metalness; others are 0.6 to 0.95 and no metal."""
RELIEF_MM: dict[str, float] = {"gravel": 6.0, "checker_plate": 1.6, "grass": 8.0, "rubber_mat": 2.0, "bricks": 3.0,
                               "asphalt": 1.5, "planks": 1.0, "timber": 0.8, "boards": 1.0, "tiles": 1.0, "tiled_wall": 1.0}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Prop:
    """One thing of the surroundings in the pump frame."""

    mesh: ShadedMesh
    surface: Surface


@dataclass(frozen=True)
class Place:
    """The drawn kinds of a place, fixed before the camera is known."""

    kind: str
    ground: str
    wall: str

    @property
    def outdoors(self) -> bool:
        """True under open sky."""
        return self.kind in OUTDOOR_PLACES


def draw_place(split: Split, rng: np.random.Generator, kind: str | None = None) -> Place:
    """Draw the kind of place, its ground and its wall."""
    kind = kind or draw(PLACES, split, rng)
    return Place(kind, str(rng.choice(GROUNDS[kind])), draw(WALLS, split, rng))


def textured(kind: str, split: Split, size: int, rng: np.random.Generator) -> Surface:
    """A cached picture of a ground or wall kind as a surface."""
    variant = int(rng.integers(materials.VARIANTS))
    color, height = _picture(kind, variant, size, split)
    low, high, metal = ROUGHNESS.get(kind, (0.6, 0.95, 0.0))
    shade_by = float(np.exp(rng.normal(0, 0.2)))
    tone = rng.uniform(0.93, 1.07, 3).astype(np.float32)
    return Surface(
        np.clip(color * shade_by * tone, 0.004, 0.9),
        float(rng.uniform(low, high)),
        metal,
        height,
        RELIEF_MM.get(kind, 0.25),
    )


_PICTURES: dict[tuple[str, int, int, str], tuple[tx.Color, tx.Gray]] = {}


def _picture(kind: str, variant: int, size: int, split: Split) -> tuple[tx.Color, tx.Gray]:
    key = (kind, variant, size, "test" if split == "test" else "train")
    if key not in _PICTURES:
        if len(_PICTURES) > 48:
            _PICTURES.clear()
        _PICTURES[key] = PAINTERS[kind](np.random.default_rng(materials.texture_seed(split, kind, variant)), size)
    return _PICTURES[key]


def surround(
    place: Place, cameras: list[Camera], low_mm: Floats, high_mm: Floats, texture_px: int, split: Split,
    rng: np.random.Generator,
) -> list[Prop]:  # fmt: skip
    """Build the surroundings of one scene.

    Args:
        place: kinds.
        cameras: all cameras of the scene; the background is put opposite the first one.
        low_mm, high_mm: box of pump and references.
        texture_px: size of ground pictures.
        split: whose kinds may be used.
        rng: random source.
    """
    stage = clutter.Stage(cameras, low_mm, high_mm)
    props = _ground(place, stage, texture_px, split, rng)
    if not place.outdoors or rng.random() < 0.5:
        props += _walls(place, stage, texture_px, split, rng)
    props += [Prop(mesh, surface) for mesh, surface in clutter.scatter(stage, place.kind, split, rng)]
    return props


def _ground(place: Place, stage: clutter.Stage, size: int, split: Split, rng: np.random.Generator) -> list[Prop]:
    surface = textured(place.ground, split, size, rng)
    period = PERIOD_MM[place.ground] * float(rng.uniform(0.8, 1.25))
    span = stage.high - stage.low
    middle = stage.middle
    if place.kind == "bench":
        width, depth = span[0] + rng.uniform(300, 1500), span[1] + rng.uniform(300, 700)
        top = _slab(
            [middle[0] + rng.normal(0, 60), middle[1] + rng.normal(0, 60), -20.0],
            [width, depth, 40.0],
            period,
            rng,
        )
        floor = _plane([middle[0], middle[1], -880.0], 12_000.0, 1300.0, rng)
        return [
            Prop(top, surface),
            Prop(floor, textured("concrete" if split != "test" else "tiles", split, size, rng)),
        ]
    if place.kind == "pallet":
        floor = _plane([middle[0], middle[1], -144.0], 12_000.0, 1400.0, rng)
        props = [Prop(floor, textured("concrete", split, size, rng))]
        props += [Prop(mesh, surface) for mesh in _pallet(middle, span, period, rng)]
        return props
    if place.kind == "steel_skid":
        plate = _slab([middle[0], middle[1], -6.0], [span[0] + rng.uniform(150, 900), span[1] + rng.uniform(150, 600), 12.0],
                      period, rng)  # fmt: skip
        drop = -float(rng.uniform(80, 200))
        floor = _plane([middle[0], middle[1], drop], 12_000.0, 1300.0, rng)
        return [Prop(plate, surface), Prop(floor, textured("tiles", split, size, rng))]
    return [Prop(_plane([middle[0], middle[1], 0.0], 14_000.0, period, rng), surface)]


def _plane(center: list[float] | Floats, size_mm: float, period_mm: float, rng: np.random.Generator) -> ShadedMesh:
    grid = flat_grid(size_mm, size_mm, 2, 2)
    turn = float(rng.uniform(0, np.pi))
    c, s = np.cos(turn), np.sin(turn)
    rotation = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    uvs = (grid.uvs - 0.5) * size_mm / period_mm + rng.uniform(0, 1, 2)
    return ShadedMesh(grid.positions, grid.normals, uvs, grid.faces).moved(rotation, np.asarray(center, np.float64))


def _slab(center: list[float], extents: list[float], period_mm: float, rng: np.random.Generator) -> ShadedMesh:
    box = trimesh.creation.box(extents)
    shift = (float(rng.uniform()), float(rng.uniform()))
    return shade(box, period_mm, uv_shift=shift).moved(np.eye(3), np.asarray(center, np.float64))


def _pallet(middle: Floats, span: Floats, period_mm: float, rng: np.random.Generator) -> list[ShadedMesh]:
    """Deck boards with gaps on three bearers; big enough for the pump."""
    length, width = max(1200.0, span[0] + 200), max(800.0, span[1] + 200)
    turned = rng.random() < 0.5
    offset = np.array([middle[0] + rng.normal(0, 40), middle[1] + rng.normal(0, 40), 0.0])
    meshes = []
    count = int(rng.integers(6, 9))
    board = width / count * rng.uniform(0.78, 0.95)
    for k in range(count):
        y = (k + 0.5) * width / count - width / 2
        lift = 0.0 if 0 < k < count - 1 else float(rng.uniform(-1.5, 0))
        meshes.append(_slab([0, y, -11.0 + lift], [length * rng.uniform(0.995, 1), board, 22.0], period_mm, rng))
    for x in (-length / 2 + 60, 0.0, length / 2 - 60):
        meshes.append(_slab([x, 0, -33.0], [100, width, 22.0], period_mm, rng))
        for y in (-width / 2 + 70, 0.0, width / 2 - 70):
            meshes.append(_slab([x, y, -94.0], [100, 140, 100], period_mm, rng))
    rotation = np.array([[0.0, -1, 0], [1, 0, 0], [0, 0, 1]]) if turned else np.eye(3)
    return [mesh.moved(rotation, offset) for mesh in meshes]


def _walls(place: Place, stage: clutter.Stage, size: int, split: Split, rng: np.random.Generator) -> list[Prop]:
    """One wall behind the pump, at times a second one meeting it."""
    surface = textured(place.wall, split, size, rng)
    period = PERIOD_MM[place.wall] * float(rng.uniform(0.8, 1.3))
    near, far = (150, 900) if place.kind == "bench" else (250, 2600)
    behind = stage.azimuth + np.pi + rng.normal(0, 0.35)
    props = []
    angles = [behind] if rng.random() < 0.6 else [behind, behind + rng.choice([-1, 1]) * np.pi / 2]
    for angle in angles:
        outward = np.array([np.cos(angle), np.sin(angle), 0.0])
        reach = float((np.abs(outward[:2]) * (stage.high - stage.low)[:2] / 2).sum())
        distance = reach + float(rng.uniform(near, far))
        if angle != behind:
            distance = max(
                distance,
                1.2 * max(float((c.position_mm - stage.middle) @ outward) for c in stage.cameras) + 400,
            )
        center = stage.middle * [1, 1, 0] + outward * distance
        normal = -outward
        across = np.array([-normal[1], normal[0], 0.0])
        height, width = 4200.0, 9000.0
        grid = flat_grid(width, height, 2, 2)
        rotation = np.stack([across, [0.0, 0.0, 1.0], normal], axis=1)
        uvs = (grid.uvs - 0.5) * [width / period, height / period] + rng.uniform(0, 1, 2)
        wall = ShadedMesh(grid.positions, grid.normals, uvs, grid.faces)
        props.append(Prop(wall.moved(rotation, center + [0, 0, height / 2 - 900]), surface))
    return props
