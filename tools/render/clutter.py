"""Things lying and standing about: boxes, drums, pipes, tools, hoses, and round things that are no pump."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import trimesh
from numpy.typing import NDArray

from tools.render import textures as tx
from tools.render.cameras import Camera
from tools.render.materials import Surface
from tools.render.mesh_shading import ShadedMesh, join, shade
from tools.render.splits import Kind, Split, draw

Floats = NDArray[np.float64]
Thing = tuple[trimesh.Trimesh, Surface]

THINGS = (
    Kind("carton", 2),
    Kind("drum", 1.5),
    Kind("bucket", 1.2),
    Kind("pipe_run", 2),
    Kind("tool", 1.5),
    Kind("hose", 1.5),
    Kind("wheel", 1.2),
    Kind("lid", 1.2),
    Kind("gauge", 1),
    Kind("motor", 1),
    Kind("canister", 1),
    Kind("hand_wheel", 1.2, held_out=True),
    Kind("gas_bottle", 1, held_out=True),
    Kind("crate", 1.5, held_out=True),
    Kind("pulley", 1.2, held_out=True),
    Kind("coil", 1, held_out=True),
    Kind("toolbox", 1, held_out=True),
)


@dataclass(frozen=True, eq=False)
class Stage:
    """The pump's box and the cameras, to know what is behind, beside and in front."""

    cameras: list[Camera]
    low: Floats
    high: Floats

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
        """True when a thing stands clear of the pump and out of every camera's way to it."""
        gap = np.maximum(np.maximum(self.low[:2] - center[:2], center[:2] - self.high[:2]), 0)
        if np.hypot(*gap) < radius + 25:
            return False
        for camera in self.cameras:
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


def scatter(stage: Stage, place: str, split: Split, rng: np.random.Generator) -> list[tuple[ShadedMesh, Surface]]:
    """Strew things behind and beside the pump, and now and then one cable or pipe in front of it."""
    placed: list[tuple[ShadedMesh, Surface]] = []
    wanted = int(rng.choice([0, 2, 4, 6, 9], p=[0.1, 0.25, 0.3, 0.2, 0.15]))
    taken: list[tuple[Floats, float]] = []
    for _ in range(wanted * 3):
        if len(placed) >= wanted:
            break
        mesh, surface = MAKERS[draw(THINGS, split, rng)](rng)
        if place == "bench":
            scale = min(1.0, 260.0 / float(mesh.extents.max()))
            mesh.apply_scale(scale)
        _drop(mesh, rng)
        radius = float(np.hypot(*mesh.extents[:2]) / 2)
        half = float(np.hypot(*(stage.high - stage.low)[:2]) / 2)
        angle = stage.azimuth + np.pi + rng.normal(0, 1.1)
        distance = half * 0.7 + radius + rng.exponential(250 if place == "bench" else 600)
        center = stage.middle * [1, 1, 0] + distance * np.array([np.cos(angle), np.sin(angle), 0])
        if not stage.is_free(center, radius) or any(np.hypot(*(center - c)[:2]) < radius + r for c, r in taken):
            continue
        taken.append((center, radius))
        shaded = shade(mesh, 400.0, uv_shift=(float(rng.uniform()), float(rng.uniform())))
        placed.append((shaded.moved(np.eye(3), center), surface))
    if rng.random() < 0.5:
        placed += _backdrop_pipes(stage, rng)
    if rng.random() < 0.06:
        placed.append(_occluder(stage, rng))
    return placed


def _drop(mesh: trimesh.Trimesh, rng: np.random.Generator) -> None:
    """Turn about the vertical and stand it on z = 0."""
    mesh.apply_transform(trimesh.transformations.rotation_matrix(rng.uniform(0, 2 * np.pi), [0, 0, 1]))
    mesh.apply_translation([-mesh.bounds.mean(axis=0)[0], -mesh.bounds.mean(axis=0)[1], -mesh.bounds[0, 2]])


def _painted(rng: np.random.Generator, color: tx.Rgb | None = None, metal: float = 0.0) -> Surface:
    """A worn one-colored surface."""
    base = np.asarray(color if color is not None else np.exp(rng.uniform(np.log(0.02), np.log(0.6), 3)), np.float32)
    wear = tx.fractal_noise(rng, 128, 1.6)
    picture = base * (0.75 + 0.4 * wear[..., None])
    if rng.random() < 0.5:
        rust = tx.smooth_threshold(tx.fractal_noise(rng, 128, 1.4), float(rng.uniform(0.6, 0.95)), 0.1)
        picture = tx.mix(picture, (0.15, 0.06, 0.025), rust)
    return Surface(np.clip(picture, 0.004, 0.9), float(rng.uniform(0.25, 0.8)), metal)


def _steel(rng: np.random.Generator) -> Surface:
    return _painted(rng, (0.45, 0.45, 0.44), metal=0.9)


def _along(mesh: trimesh.Trimesh, axis: str) -> trimesh.Trimesh:
    """Lay a z-axis thing along x or y."""
    direction = [0, 1, 0] if axis == "x" else [1, 0, 0]
    mesh.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, direction))
    return mesh


def _turned(profile: list[tuple[float, float]], sections: int = 48) -> trimesh.Trimesh:
    """A turned body from (radius, z) points, its faces looking outward whichever way round the points go."""
    body = trimesh.creation.revolve(np.array(profile), sections=sections)
    if body.volume < 0:
        body.invert()
    return body


def _carton(rng: np.random.Generator) -> Thing:
    box = trimesh.creation.box(rng.uniform([180, 150, 120], [600, 450, 450]))
    picture = np.full((128, 128, 3), (0.36, 0.24, 0.13), np.float32) * rng.uniform(0.7, 1.2)
    picture *= 0.85 + 0.2 * tx.fractal_noise(rng, 128, 1.2)[..., None]
    picture[58:70] = picture[58:70] * 0.4 + np.array([0.3, 0.2, 0.1], np.float32) * 0.6
    return box, Surface(picture, 0.85)


def _drum(rng: np.random.Generator) -> Thing:
    r, h = float(rng.uniform(200, 300)), float(rng.uniform(600, 900))
    ring = [(r, z + dz) if dz in (-12, 12) else (r * 1.03, z) for z in (h / 3, 2 * h / 3) for dz in (-12, 0, 12)]
    body = _turned([(0, 0), (r, 0), (r * 1.02, 8), (r, 16), *ring, (r, h - 16), (r * 1.02, h - 8), (r, h), (r * 0.97, h),
                    (r * 0.97, h - 18), (0, h - 18)], 64)  # fmt: skip
    return body, _painted(rng)


def _bucket(rng: np.random.Generator) -> Thing:
    r, h = float(rng.uniform(110, 160)), float(rng.uniform(220, 380))
    body = _turned(
        [
            (0, 0),
            (r * 0.85, 0),
            (r, h - 30),
            (r * 1.05, h - 30),
            (r * 1.05, h),
            (r * 0.98, h),
            (r * 0.83, 8),
            (0, 8),
        ]
    )
    return body, _painted(rng, (0.6, 0.6, 0.58) if rng.random() < 0.5 else None)


def _pipe_run(rng: np.random.Generator) -> Thing:
    r, length = float(rng.uniform(15, 60)), float(rng.uniform(500, 2200))
    parts = [_along(trimesh.creation.cylinder(r, length, sections=32), "x")]
    for x in rng.uniform(-length / 2, length / 2, int(rng.integers(1, 4))):
        flange = _along(trimesh.creation.cylinder(r * 1.9, r * 0.4, sections=40), "x")
        flange.apply_translation([x, 0, 0])
        parts.append(flange)
    if rng.random() < 0.5:
        riser = trimesh.creation.cylinder(r, length / 2, sections=32)
        riser.apply_translation([length / 2, 0, length / 4])
        parts.append(riser)
    return trimesh.util.concatenate(parts), _steel(rng) if rng.random() < 0.5 else _painted(rng)


def _tool(rng: np.random.Generator) -> Thing:
    """A spanner or screwdriver lying flat."""
    if rng.random() < 0.5:
        shaft = trimesh.creation.box([float(rng.uniform(120, 260)), 14, 6])
        length = float(shaft.extents[0])
        head = trimesh.creation.annulus(9, 19, 9, sections=24)
        head.apply_translation([length / 2 + 12, 0, 0])
        tail = trimesh.creation.annulus(11, 22, 9, sections=6)
        tail.apply_translation([-length / 2 - 14, 0, 0])
        return trimesh.util.concatenate([shaft, head, tail]), _steel(rng)
    handle = _along(_turned([(0, 0), (12, 0), (15, 20), (13, 60), (15, 95), (8, 110), (0, 110)]), "x")
    return handle, _painted(rng)


def _hose(rng: np.random.Generator) -> Thing:
    steps = int(rng.integers(8, 16))
    heading = np.cumsum(rng.normal(0, 0.5, steps))
    points = np.cumsum(np.stack([np.cos(heading), np.sin(heading), np.zeros(steps)], axis=1) * 90, axis=0)
    return tube(points, float(rng.uniform(4, 18))), _painted(rng)


def tube(points: Floats, radius: float, sections: int = 14) -> trimesh.Trimesh:
    """A round tube along a smoothed polyline."""
    n = len(points)
    t = np.linspace(0, n - 1, n * 6)
    smooth = np.stack([np.interp(t, np.arange(n), points[:, k]) for k in range(3)], axis=1)
    kernel = np.ones(9) / 9
    padded = np.pad(smooth, ((4, 4), (0, 0)), mode="edge")
    smooth = np.stack([np.convolve(padded[:, k], kernel, mode="valid") for k in range(3)], axis=1)
    ring = np.stack([np.cos(np.linspace(0, 2 * np.pi, sections, endpoint=False)),
                     np.sin(np.linspace(0, 2 * np.pi, sections, endpoint=False))], axis=1) * radius  # fmt: skip
    tangent = np.gradient(smooth, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True) + 1e-9
    reference = np.where(np.abs(tangent[:, 2:]) < 0.9, [[0.0, 0.0, 1.0]], [[1.0, 0.0, 0.0]])
    a = np.cross(tangent, reference)
    a /= np.linalg.norm(a, axis=1, keepdims=True)
    b = np.cross(tangent, a)
    vertices = smooth[:, None, :] + ring[None, :, :1] * a[:, None, :] + ring[None, :, 1:] * b[:, None, :]
    rows, m = len(smooth), sections
    i, j = np.meshgrid(np.arange(rows - 1), np.arange(m), indexing="ij")
    p, q = i * m + j, i * m + (j + 1) % m
    faces = np.concatenate([np.stack([p, q, p + m], -1).reshape(-1, 3), np.stack([q, q + m, p + m], -1).reshape(-1, 3)])
    return trimesh.Trimesh(vertices.reshape(-1, 3), faces, process=False)


def _wheel(rng: np.random.Generator) -> Thing:
    """A trolley wheel or caster, standing."""
    r = float(rng.uniform(60, 180))
    tire = trimesh.creation.torus(r * 0.8, r * 0.2, major_sections=48, minor_sections=16)
    hub = trimesh.creation.cylinder(r * 0.62, r * 0.25, sections=40)
    boss = trimesh.creation.cylinder(r * 0.2, r * 0.5, sections=24)
    return _along(trimesh.util.concatenate([tire, hub, boss]), "y"), _painted(rng, (0.03, 0.03, 0.03))


def _lid(rng: np.random.Generator) -> Thing:
    """A round lid or blank flange leaning or lying: a circle that is no pump."""
    r = float(rng.uniform(70, 260))
    body = _turned([(0, 14), (r * 0.5, 14), (r * 0.55, 8), (r * 0.93, 8), (r * 0.95, 14), (r, 14), (r, 0), (0, 0)], 64)
    if rng.random() < 0.5:
        holes = int(rng.choice([4, 8]))
        bolts = []
        for k in range(holes):
            bolt = trimesh.creation.cylinder(r * 0.06, 12, sections=6)
            a = 2 * np.pi * k / holes
            bolt.apply_translation([r * 0.78 * np.cos(a), r * 0.78 * np.sin(a), 16])
            bolts.append(bolt)
        body = trimesh.util.concatenate([body, *bolts])
    if rng.random() < 0.6:
        body.apply_transform(trimesh.transformations.rotation_matrix(np.radians(rng.uniform(60, 88)), [0, 1, 0]))
    return body, _painted(rng) if rng.random() < 0.6 else _steel(rng)


def _gauge(rng: np.random.Generator) -> Thing:
    """A dial on a stub."""
    r = float(rng.uniform(25, 60))
    body = _turned([(0, 0), (r, 0), (r, 22), (r * 1.08, 22), (r * 1.08, 30), (r * 0.95, 30), (r * 0.95, 26), (0, 26)])
    body = _along(body, "x")
    stub = trimesh.creation.cylinder(7, r * 2, sections=16)
    stub.apply_translation([10, 0, -r * 1.6])
    return trimesh.util.concatenate([body, stub]), _painted(rng, (0.6, 0.6, 0.6))


def _motor(rng: np.random.Generator) -> Thing:
    """A finned motor on a foot."""
    r, length = float(rng.uniform(70, 140)), float(rng.uniform(200, 380))
    profile: list[tuple[float, float]] = [(0, 0), (r * 0.9, 0)]
    fins = int(rng.integers(8, 14))
    for k in range(fins):
        z = 20 + k * (length - 60) / fins
        step = (length - 60) / fins
        profile += [(r * 0.88, z), (r, z + 0.1 * step), (r, z + 0.4 * step), (r * 0.88, z + 0.5 * step)]
    profile += [(r * 0.97, length - 30), (r * 0.97, length), (0, length)]
    body = _along(_turned(profile), "x")
    foot = trimesh.creation.box([length * 0.5, r * 1.7, 12])
    foot.apply_translation([-length / 2 if body.centroid[0] < 0 else length / 2, 0, -r - 10])
    return trimesh.util.concatenate([body, foot]), _painted(rng)


def _canister(rng: np.random.Generator) -> Thing:
    w = rng.uniform([140, 200, 260], [220, 300, 400])
    body = trimesh.creation.box(w)
    cap = trimesh.creation.cylinder(28, 30, sections=32)
    cap.apply_translation([0, w[1] * 0.3, w[2] / 2 + 15])
    return trimesh.util.concatenate([body, cap]), _painted(
        rng, (0.5, 0.5, 0.48) if rng.random() < 0.5 else (0.03, 0.1, 0.4)
    )


def _hand_wheel(rng: np.random.Generator) -> Thing:
    r = float(rng.uniform(70, 170))
    parts = [trimesh.creation.torus(r, r * 0.1, major_sections=48, minor_sections=12)]
    for k in range(int(rng.integers(3, 6))):
        spoke = trimesh.creation.cylinder(r * 0.06, r, sections=10)
        spoke.apply_translation([0, 0, r / 2])
        spoke = _along(spoke, "x")
        spoke.apply_transform(trimesh.transformations.rotation_matrix(2 * np.pi * k / 5, [0, 0, 1]))
        parts.append(spoke)
    parts.append(trimesh.creation.cylinder(r * 0.2, r * 0.4, sections=24))
    return _along(trimesh.util.concatenate(parts), "y"), _painted(rng, (0.35, 0.03, 0.02))


def _gas_bottle(rng: np.random.Generator) -> Thing:
    r, h = float(rng.uniform(80, 115)), float(rng.uniform(700, 1300))
    dome = [(r * np.cos(a), h + r * np.sin(a)) for a in np.linspace(0, 1.3, 8)]
    return _turned([(0, 0), (r, 0), *dome, (r * 0.25, h + 1.2 * r), (0, h + 1.2 * r)]), _painted(rng)


def _crate(rng: np.random.Generator) -> Thing:
    w = rng.uniform([300, 250, 150], [600, 400, 320])
    slats = []
    for side in (-1, 1):
        for k in range(4):
            slat = trimesh.creation.box([w[0], 14, w[2] / 6])
            slat.apply_translation([0, side * w[1] / 2, (k + 0.5) * w[2] / 4])
            end = trimesh.creation.box([14, w[1], w[2] / 6])
            end.apply_translation([side * w[0] / 2, 0, (k + 0.5) * w[2] / 4])
            slats += [slat, end]
    return trimesh.util.concatenate(slats), _painted(rng, (0.4, 0.27, 0.14))


def _pulley(rng: np.random.Generator) -> Thing:
    r = float(rng.uniform(70, 200))
    body = _turned([(0, 0), (r * 0.3, 0), (r * 0.3, 12), (r * 0.8, 12), (r * 0.8, 0), (r, 0), (r * 0.86, 14), (r * 0.86, 24),
                    (r, 38), (r * 0.8, 38), (r * 0.8, 24), (r * 0.3, 24), (r * 0.3, 38), (0, 38)], 64)  # fmt: skip
    return _along(body, "y"), _steel(rng)


def _coil(rng: np.random.Generator) -> Thing:
    r, wire = float(rng.uniform(120, 260)), float(rng.uniform(5, 14))
    t = np.linspace(0, 2 * np.pi * rng.integers(3, 6), 90)
    points = np.stack([r * np.cos(t) * (1 + 0.05 * np.sin(2.3 * t)), r * np.sin(t), t * wire * 0.3 + wire], axis=1)
    return tube(points, wire), _painted(rng)


def _toolbox(rng: np.random.Generator) -> Thing:
    w = rng.uniform([350, 170, 160], [520, 240, 260])
    body = trimesh.creation.box(w)
    handle = tube(np.array([[-80, 0, w[2] / 2], [-80, 0, w[2] / 2 + 50], [80, 0, w[2] / 2 + 50], [80, 0, w[2] / 2]]), 8)
    return trimesh.util.concatenate([body, handle]), _painted(rng)


MAKERS: dict[str, Callable[[np.random.Generator], Thing]] = {
    "carton": _carton, "drum": _drum, "bucket": _bucket, "pipe_run": _pipe_run, "tool": _tool, "hose": _hose,
    "wheel": _wheel, "lid": _lid, "gauge": _gauge, "motor": _motor, "canister": _canister, "hand_wheel": _hand_wheel,
    "gas_bottle": _gas_bottle, "crate": _crate, "pulley": _pulley, "coil": _coil, "toolbox": _toolbox,
}  # fmt: skip


def _backdrop_pipes(stage: Stage, rng: np.random.Generator) -> list[tuple[ShadedMesh, Surface]]:
    """Level or upright pipes behind the pump, as on any plant wall."""
    away = np.array([-np.cos(stage.azimuth), -np.sin(stage.azimuth), 0.0])
    across = np.array([-away[1], away[0], 0.0])
    half = float(np.hypot(*(stage.high - stage.low)[:2]) / 2)
    meshes = []
    for _ in range(int(rng.integers(1, 5))):
        r = float(rng.uniform(10, 55))
        at = stage.middle * [1, 1, 0] + away * (half + r + rng.uniform(80, 900))
        if rng.random() < 0.6:
            z = float(rng.uniform(r, 1400))
            pipe = tube(np.stack([at + across * x + [0, 0, z] for x in (-4000.0, 0.0, 4000.0)]), r, 24)
        else:
            x = float(rng.normal(0, 700))
            pipe = tube(np.stack([at + across * x + [0, 0, z] for z in (-150.0, 1500.0, 3200.0)]), r, 24)
        meshes.append(shade(pipe, 500.0))
    return [(join(meshes), _painted(rng) if rng.random() < 0.6 else _steel(rng))]


def _occluder(stage: Stage, rng: np.random.Generator) -> tuple[ShadedMesh, Surface]:
    """A cable, rope or thin pipe crossing in front of the pump."""
    camera = stage.cameras[0]
    goal = stage.middle + rng.normal(0, 0.2, 3) * (stage.high - stage.low)
    at = camera.position_mm + (goal - camera.position_mm) * rng.uniform(0.5, 0.8)
    right, down = camera.rotation[0], camera.rotation[1]
    angle = rng.uniform(0, np.pi)
    along = np.cos(angle) * right + np.sin(angle) * down
    sag = rng.uniform(-60, 60)
    points = np.stack([at + along * s + down * sag * (1 - (s / 900) ** 2) for s in np.linspace(-900, 900, 9)])
    return shade(tube(points, float(rng.uniform(2.0, 6.0)))), _painted(rng)
