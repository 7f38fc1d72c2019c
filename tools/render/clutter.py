"""Where things stand: behind and beside the pump, on its bench or on the floor, never in the air, seldom before it."""

from dataclasses import dataclass

import numpy as np
import trimesh
from numpy.typing import NDArray

from tools.render.cameras import Camera
from tools.render.materials import Surface
from tools.render.mesh_shading import ShadedMesh, join, shade
from tools.render.splits import Split, draw
from tools.render.things import MAKERS, THINGS, tube
from tools.render.trimesh_types import scaled, turned_by
from tools.render.worn_surfaces import cast_or_steel, painted_metal, plastic

Floats = NDArray[np.float64]
Placed = tuple[ShadedMesh, Surface]


@dataclass(frozen=True, eq=False)
class Wall:
    """A wall: the side facing the pump lies at `distance_mm` from the scene's middle along `outward` (2,)."""

    outward: Floats
    distance_mm: float


@dataclass(frozen=True, eq=False)
class Ground:
    """What the pump stands on: all of z = 0, or a deck above a lower floor.

    Attributes:
        deck_low, deck_high: (2,) corners of the deck, None where the ground is endless.
        floor_mm: height of the floor round the deck.
    """

    deck_low: Floats | None = None
    deck_high: Floats | None = None
    floor_mm: float = 0.0

    def level_at(self, center: Floats, radius: float) -> float | None:
        """Height on which a thing of some radius can stand there, None across an edge."""
        if self.deck_low is None or self.deck_high is None:
            return 0.0
        if (center[:2] - radius > self.deck_low).all() and (center[:2] + radius < self.deck_high).all():
            return 0.0
        gap = np.maximum(np.maximum(self.deck_low - center[:2], center[:2] - self.deck_high), 0)
        return self.floor_mm if np.hypot(*gap) > radius else None


@dataclass(frozen=True, eq=False)
class Stage:
    """What is there before things are strewn about.

    Attributes:
        cameras: all cameras of the scene.
        low, high: (3,) box of pump and references.
        piping: (K, 2, 3) boxes of pipes and hoses that lead away from the pump.
        ground: what it stands on; walls: round it.
    """

    cameras: list[Camera]
    low: Floats
    high: Floats
    piping: Floats
    ground: Ground = Ground()
    walls: tuple[Wall, ...] = ()

    @property
    def middle(self) -> Floats:
        """(3,) middle of the pump's box."""
        return np.asarray((self.low + self.high) / 2)

    @property
    def azimuth(self) -> float:
        """Direction from the pump to the first camera."""
        to_camera = self.cameras[0].position_mm - self.middle
        return float(np.arctan2(to_camera[1], to_camera[0]))

    def is_free(self, center: Floats, radius: float) -> bool:
        """True when a thing stands clear of pump, pipes and walls, and out of every camera's way to the pump."""
        lows, highs = np.vstack([self.low, self.piping[:, 0]]), np.vstack([self.high, self.piping[:, 1]])
        gaps = np.maximum(np.maximum(lows[:, :2] - center[:2], center[:2] - highs[:, :2]), 0)
        if (np.hypot(*gaps.T) < radius + 25).any():
            return False
        offset = center[:2] - self.middle[:2]
        if any(float(offset @ wall.outward) > wall.distance_mm - radius - 5 for wall in self.walls):
            return False
        return all(self._out_of_sight(camera, center, radius) for camera in self.cameras)

    def _out_of_sight(self, camera: Camera, center: Floats, radius: float) -> bool:
        start = camera.position_mm[:2]
        if np.hypot(*(center[:2] - start)) < radius + 250:
            return False
        for goal in (self.middle[:2], self.low[:2], self.high[:2],
                     np.array([self.low[0], self.high[1]]), np.array([self.high[0], self.low[1]])):  # fmt: skip
            way = goal - start
            t = float(np.clip((center[:2] - start) @ way / (way @ way), 0, 1))
            if t < 0.97 and np.hypot(*(start + t * way - center[:2])) < radius + 20:
                return False
        return True


def scatter(stage: Stage, place: str, split: Split, rng: np.random.Generator) -> list[Placed]:
    """Strew things behind and beside the pump, and now and then one cable in front of it."""
    placed: list[Placed] = []
    wanted = int(rng.choice([0, 2, 4, 6, 9], p=[0.1, 0.25, 0.3, 0.2, 0.15]))
    taken: list[tuple[Floats, float]] = []
    for _ in range(wanted * 4):
        if len(placed) >= wanted:
            break
        mesh, surface = MAKERS[draw(THINGS, split, rng)](rng)
        on_bench = place == "bench" and rng.random() < 0.75
        if on_bench:
            scaled(mesh, min(1.0, 260.0 / float(mesh.extents.max())))
        _drop(mesh, rng)
        radius = float(np.hypot(*mesh.extents[:2]) / 2)
        half = float(np.hypot(*(stage.high - stage.low)[:2]) / 2)
        angle = stage.azimuth + np.pi + rng.normal(0, 1.1)
        distance = half * 0.7 + radius + rng.exponential(250 if on_bench else 600)
        center = stage.middle * [1, 1, 0] + distance * np.array([np.cos(angle), np.sin(angle), 0])
        level = stage.ground.level_at(center, radius)
        apart = all(np.hypot(*(center - c)[:2]) > radius + r for c, r in taken)
        if level is None or not apart or not stage.is_free(center, radius):
            continue
        taken.append((center, radius))
        shaded = shade(mesh, 400.0, uv_shift=(float(rng.uniform()), float(rng.uniform())))
        placed.append((shaded.moved(np.eye(3), center + np.array([0.0, 0.0, level])), surface))
    if rng.random() < 0.5:
        placed += _backdrop_pipes(stage, rng)
    if rng.random() < 0.05:
        placed.append(_occluder(stage, rng))
    return placed


def _drop(mesh: trimesh.Trimesh, rng: np.random.Generator) -> None:
    """Turn about the vertical and stand it on z = 0."""
    mesh.apply_transform(turned_by(rng.uniform(0, 2 * np.pi), [0, 0, 1]))
    mesh.apply_translation([-mesh.bounds.mean(axis=0)[0], -mesh.bounds.mean(axis=0)[1], -mesh.bounds[0, 2]])


def _backdrop_pipes(stage: Stage, rng: np.random.Generator) -> list[Placed]:
    """Pipes along the wall on brackets, or from the floor to the ceiling; none where there is no wall."""
    if not stage.walls:
        return []
    wall = stage.walls[0]
    outward = np.array([*wall.outward, 0.0])
    across = np.array([-outward[1], outward[0], 0.0])
    floor = stage.ground.floor_mm
    meshes: list[trimesh.Trimesh] = []
    for _ in range(int(rng.integers(1, 4))):
        r = float(rng.choice([11, 17, 24, 30, 44, 57]))
        stand_off = r + float(rng.uniform(15, 60))
        foot = stage.middle * [1, 1, 0] + outward * (wall.distance_mm - stand_off)
        if rng.random() < 0.65:
            z = float(floor + rng.uniform(150, 2200))
            ends = [foot + across * x + [0, 0, z] for x in (-4000.0, 0.0, 4000.0)]
            holders = [foot + across * x + [0, 0, z] for x in rng.uniform(-1600, 1600, 4)]
        else:
            x = float(rng.normal(0, 700))
            ends = [foot + across * x + [0, 0, z] for z in (floor, 1500.0, 3300.0)]
            holders = [foot + across * x + [0, 0, floor + z] for z in (400.0, 1500.0, 2600.0)]
        meshes.append(tube(np.stack(ends), r, 24))
        turn = turned_by(np.arctan2(outward[1], outward[0]), [0, 0, 1])
        for at in holders:
            bracket = trimesh.creation.box([stand_off + 1.2 * r, 26.0 + r, 26.0 + r])
            bracket.apply_translation([(stand_off - 1.2 * r) / 2, 0, 0])
            bracket.apply_transform(turn)
            bracket.apply_translation(at)
            meshes.append(bracket)
    surface = cast_or_steel(rng) if rng.random() < 0.6 else painted_metal(rng)
    return [(join([shade(mesh, 500.0) for mesh in meshes]), surface)]


def _occluder(stage: Stage, rng: np.random.Generator) -> Placed:
    """A cable or rope crossing in front of the pump, from one side of the picture to the other."""
    camera = stage.cameras[0]
    goal = stage.middle + rng.normal(0, 0.2, 3) * (stage.high - stage.low)
    at = camera.position_mm + (goal - camera.position_mm) * rng.uniform(0.5, 0.8)
    right, down = camera.rotation[0], camera.rotation[1]
    angle = rng.normal(0, 0.5)
    along = np.cos(angle) * right + np.sin(angle) * down
    sag = rng.uniform(60, 350)
    points = np.stack([at + along * s + [0, 0, sag * (s / 1200) ** 2] for s in np.linspace(-3000, 3000, 25)])
    return shade(tube(points, float(rng.uniform(2.0, 5.0)))), plastic(rng, (0.03, 0.03, 0.03))
