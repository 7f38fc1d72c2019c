"""Where the pump stands and what stands around it: ground, walls, clutter, round things that are no pump, occluders.

The pump's own plane z = 0 is the ground it stands on: a floor, a bench top, a pallet's deck. Everything is placed after
the camera is known, so that the background fills the view and nothing but a wanted occluder gets in front.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import trimesh
from numpy.typing import NDArray

from tools.render import ground_pictures as pic
from tools.render import materials
from tools.render import textures as tx
from tools.render.cameras import Camera
from tools.render.clutter import Ground, Stage, Wall, scatter
from tools.render.materials import Surface
from tools.render.mesh_shading import ShadedMesh, flat_grid, shade
from tools.render.splits import Kind, Split, draw
from tools.render.worn_surfaces import cast_or_steel, raw_wood

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
    "wash_room": ("tiles", "terrazzo"),
    "steel_skid": ("checker_plate",),
    "gravel_pad": ("gravel", "pavers"),
}
WALLS = (Kind("plaster", 3), Kind("bricks", 1.5), Kind("boards", 1), Kind("tiled_wall", 1, held_out=True),
         Kind("sheet_metal", 0.8, held_out=True), Kind("formed_concrete", 1.2, held_out=True))  # fmt: skip

PAINTERS: dict[str, Callable[[np.random.Generator, int], tuple[tx.Color, tx.Gray]]] = {
    "concrete": pic.concrete,
    "painted_floor": pic.painted_floor,
    "planks": pic.planks,
    "steel_sheet": pic.steel_sheet,
    "rubber_mat": pic.rubber_mat,
    "asphalt": pic.asphalt,
    "grass": pic.grass,
    "tiles": pic.tiles,
    "checker_plate": pic.checker_plate,
    "gravel": pic.gravel,
    "pavers": pic.pavers,
    "terrazzo": pic.terrazzo,
    "formed_concrete": pic.formed_concrete,
    "plaster": pic.plaster,
    "timber": pic.timber,
    "laminate": pic.laminate,
    "bricks": pic.bricks,
    "boards": pic.planks,
    "tiled_wall": pic.tiles,
    "sheet_metal": pic.profiled_sheet,
}
PERIOD_MM: dict[str, float] = {
    "concrete": 1400, "painted_floor": 1200, "planks": 900, "steel_sheet": 900, "rubber_mat": 450, "asphalt": 600,
    "grass": 500, "tiles": 800, "checker_plate": 420, "gravel": 500, "plaster": 2200, "timber": 700, "laminate": 900,
    "bricks": 1100, "pavers": 800, "terrazzo": 600, "formed_concrete": 2400,
    "boards": 1200, "tiled_wall": 900, "sheet_metal": 1000,
}  # fmt: skip
ROUGHNESS: dict[str, tuple[float, float, float]] = {
    "steel_sheet": (0.3, 0.55, 0.9), "sheet_metal": (0.35, 0.6, 0.0), "checker_plate": (0.35, 0.6, 0.7),
    "tiles": (0.12, 0.4, 0.0), "tiled_wall": (0.1, 0.3, 0.0), "painted_floor": (0.2, 0.6, 0.0),
    "plaster": (0.5, 0.9, 0.0), "laminate": (0.2, 0.6, 0.0), "terrazzo": (0.15, 0.5, 0.0),
    "formed_concrete": (0.5, 0.8, 0.0),
}  # fmt: skip
"""Lowest and highest roughness, and metalness; others are 0.6 to 0.95 and no metal."""
ENDLESS_MM = 40_000.0
RELIEF_MM: dict[str, float] = {"gravel": 6.0, "checker_plate": 1.6, "grass": 8.0, "rubber_mat": 2.0, "bricks": 3.0,
                               "asphalt": 1.5, "planks": 1.0, "timber": 0.8, "boards": 1.0, "tiles": 1.0,
                               "tiled_wall": 1.0,
                               "sheet_metal": 14.0, "pavers": 2.5, "formed_concrete": 2.0}  # fmt: skip


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
    place: Place, cameras: list[Camera], low_mm: Floats, high_mm: Floats, piping_mm: Floats, texture_px: int,
    split: Split, rng: np.random.Generator,
) -> list[Prop]:  # fmt: skip
    """Build the surroundings of one scene.

    Args:
        place: kinds.
        cameras: all cameras of the scene; the background is put opposite the first one.
        low_mm, high_mm: box of pump and references.
        piping_mm: (K, 2, 3) boxes of pipes and hoses that lead away from the pump.
        texture_px: size of ground pictures.
        split: whose kinds may be used.
        rng: random source.
    """
    stage = Stage(cameras, low_mm, high_mm, piping_mm)
    props, ground = _ground(place, stage, texture_px, split, rng)
    stage = replace(stage, ground=ground)
    if not place.outdoors or rng.random() < 0.5:
        wall_props, walls = _walls(place, stage, texture_px, split, rng)
        props += wall_props
        stage = replace(stage, walls=walls)
    return props + [Prop(mesh, surface) for mesh, surface in scatter(stage, place.kind, split, rng)]


def _ground(
    place: Place, stage: Stage, size: int, split: Split, rng: np.random.Generator
) -> tuple[list[Prop], Ground]:  # fmt: skip
    """What the pump stands on, and the floor below it."""
    surface = textured(place.ground, split, size, rng)
    period = PERIOD_MM[place.ground] * float(rng.uniform(0.8, 1.25))
    if place.kind not in ("bench", "pallet", "steel_skid"):
        return [Prop(_plane([*stage.middle[:2], 0.0], ENDLESS_MM, period, rng), surface)], Ground()
    floor = textured("concrete" if split != "test" else "tiles", split, size, rng)
    low, high = _deck_box(stage)
    if place.kind == "bench":
        extents = high - low + [rng.uniform(300, 1500), rng.uniform(300, 700)]
        height = float(rng.uniform(780, 920))
    elif place.kind == "pallet":
        extents, height = np.maximum([1200.0, 800.0], high - low + 200), 144.0
        if (high - low + 200 < 800.0).all() and rng.random() < 0.5:
            extents = extents[::-1].copy()
    else:
        extents, height = high - low + [rng.uniform(150, 900), rng.uniform(150, 600)], float(rng.uniform(80, 200))
    spare = np.maximum(extents - (high - low) - 60, 0) / 2
    middle = (low + high) / 2 + np.clip(rng.normal(0, 50, 2), -spare, spare)
    ground = Ground(middle - extents / 2, middle + extents / 2, -height)
    props = [Prop(_plane([*middle, -height], ENDLESS_MM, 1350.0, rng), floor)]
    if place.kind == "pallet":
        return props + [Prop(mesh, surface) for mesh in _pallet(middle, extents, period, rng)], ground
    thick = 40.0 if place.kind == "bench" else 12.0
    props.append(Prop(_slab([*middle, -thick / 2], [*extents, thick], period, rng), surface))
    below = cast_or_steel(rng) if place.kind == "steel_skid" or rng.random() < 0.6 else raw_wood(rng)
    beams = _legs if place.kind == "bench" else _skid_beams
    props += [Prop(mesh, below) for mesh in beams(middle, extents, thick, height, rng)]
    return props, ground


def _deck_box(stage: Stage) -> tuple[Floats, Floats]:
    """(2,) corners of what must lie on a deck: the pump, its references, and hoses lying on the ground."""
    lying = stage.piping[stage.piping[:, 0, 2] < 30.0] if len(stage.piping) else stage.piping
    lows, highs = np.vstack([stage.low, lying[:, 0]]), np.vstack([stage.high, lying[:, 1]])
    return lows.min(axis=0)[:2], highs.max(axis=0)[:2]


def _legs(
    middle: Floats, extents: Floats, thick: float, height: float, rng: np.random.Generator
) -> list[ShadedMesh]:  # fmt: skip
    """Four legs, rails under the top and, at times, a shelf."""
    side, half = float(rng.uniform(40, 90)), extents / 2
    meshes = []
    for sx in (-1, 1):
        for sy in (-1, 1):
            at = middle + np.array([sx, sy]) * (half - side)
            meshes.append(_slab([*at, -(height + thick) / 2], [side, side, height - thick], 400.0, rng))
    for sy in (-1, 1):
        rail = [middle[0], middle[1] + sy * (half[1] - side), -thick - 45.0]
        meshes.append(_slab(rail, [extents[0] - 2 * side, 25.0, 90.0], 400.0, rng))
    if rng.random() < 0.5:
        shelf = [*middle, -height + 180.0]
        meshes.append(_slab(shelf, [extents[0] - 2 * side, extents[1] - 2 * side, 25.0], 400.0, rng))
    return meshes


def _skid_beams(
    middle: Floats, extents: Floats, thick: float, height: float, rng: np.random.Generator
) -> list[ShadedMesh]:  # fmt: skip
    """Two long beams and two cross beams under a skid's plate."""
    deep = height - thick
    long_ones = [([0.0, s * (extents[1] / 2 - 45)], [extents[0] - 20, 70.0, deep]) for s in (-1, 1)]
    cross = [([s * (extents[0] / 2 - 60), 0.0], [70.0, extents[1] - 90, deep]) for s in (-1, 1)]
    return [_slab([*(middle + xy), -thick - deep / 2], size, 400.0, rng) for xy, size in long_ones + cross]


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


def _pallet(middle: Floats, extents: Floats, period_mm: float, rng: np.random.Generator) -> list[ShadedMesh]:
    """Deck boards with gaps on three bearers; the boards run along the longer side."""
    turned = extents[1] > extents[0]
    length, width = (extents[1], extents[0]) if turned else (extents[0], extents[1])
    meshes = []
    count = int(rng.integers(6, 9)) if width < 900 else round(width / 120)
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
    return [mesh.moved(rotation, np.array([*middle, 0.0])) for mesh in meshes]


def _walls(
    place: Place, stage: Stage, size: int, split: Split, rng: np.random.Generator
) -> tuple[list[Prop], tuple[Wall, ...]]:
    """One wall behind the pump, at times a second one meeting it."""
    surface = textured(place.wall, split, size, rng)
    period = PERIOD_MM[place.wall] * float(rng.uniform(0.8, 1.3))
    near, far = (30, 500) if place.kind == "bench" else (250, 2600)
    behind = stage.azimuth + np.pi + rng.normal(0, 0.35)
    angles = [behind] if rng.random() < 0.6 else [behind, behind + rng.choice([-1, 1]) * np.pi / 2]
    props, walls = [], []
    for angle in angles:
        outward = np.array([np.cos(angle), np.sin(angle)])
        distance = _reach(stage, outward) + float(rng.uniform(near, far))
        if angle != behind:
            beside = max(float((c.position_mm - stage.middle)[:2] @ outward) for c in stage.cameras)
            distance = max(distance, 1.2 * beside + 400)
        walls.append(Wall(outward, distance))
        normal = np.array([*-outward, 0.0])
        across = np.array([-normal[1], normal[0], 0.0])
        height, width = 4200.0, 9000.0
        grid = flat_grid(width, height, 2, 2)
        rotation = np.stack([across, [0.0, 0.0, 1.0], normal], axis=1)
        uvs = (grid.uvs - 0.5) * [width / period, height / period] + rng.uniform(0, 1, 2)
        wall = ShadedMesh(grid.positions, grid.normals, uvs, grid.faces)
        center = stage.middle * [1, 1, 0] - normal * distance
        lift = height / 2 + stage.ground.floor_mm
        props.append(Prop(wall.moved(rotation, center + np.array([0.0, 0.0, lift])), surface))
    return props, tuple(walls)


def _reach(stage: Stage, outward: Floats) -> float:
    """How far pump, references and deck reach from the middle towards a wall."""
    low, high = _deck_box(stage)
    if stage.ground.deck_low is not None and stage.ground.deck_high is not None:
        low, high = np.minimum(low, stage.ground.deck_low), np.maximum(high, stage.ground.deck_high)
    corners = np.array([[x, y] for x in (low[0], high[0]) for y in (low[1], high[1])])
    return float(((corners - stage.middle[:2]) @ outward).max())
