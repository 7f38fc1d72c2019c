"""What stands and lies about in shops and yards: boxes, drums, tools, hoses, and round things that are no pump.

A thing stands on its own: its lowest points are what it rests on.
"""

from collections.abc import Callable

import numpy as np
import trimesh
from numpy.typing import NDArray

from tools.render.materials import Surface
from tools.render.splits import Kind
from tools.render.trimesh_types import together, turned_by
from tools.render.worn_surfaces import card_board, cast_or_steel, painted_metal, plastic, raw_wood

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


def _along(mesh: trimesh.Trimesh, axis: str) -> trimesh.Trimesh:
    """Lay a z-axis thing along x or y."""
    direction = [0, 1, 0] if axis == "x" else [1, 0, 0]
    mesh.apply_transform(turned_by(np.pi / 2, direction))
    return mesh


def _turned(profile: list[tuple[float, float]], sections: int = 48) -> trimesh.Trimesh:
    """A turned body from (radius, z) points, its faces looking outward whichever way round the points go."""
    body = trimesh.creation.revolve(np.array(profile), sections=sections)
    if body.volume < 0:
        body.invert()
    return body


def _carton(rng: np.random.Generator) -> Thing:
    return trimesh.creation.box(rng.uniform([180, 150, 120], [600, 450, 450])), card_board(rng)


def _drum(rng: np.random.Generator) -> Thing:
    r, h = float(rng.uniform(200, 300)), float(rng.uniform(600, 900))
    ring = [(r, z + dz) if dz in (-12, 12) else (r * 1.03, z) for z in (h / 3, 2 * h / 3) for dz in (-12, 0, 12)]
    body = _turned([(0, 0), (r, 0), (r * 1.02, 8), (r, 16), *ring, (r, h - 16), (r * 1.02, h - 8), (r, h),
                    (r * 0.97, h), (r * 0.97, h - 18), (0, h - 18)], 64)  # fmt: skip
    return body, painted_metal(rng) if rng.random() < 0.7 else plastic(rng, (0.03, 0.07, 0.17))


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
    return body, plastic(rng, (0.5, 0.5, 0.48) if rng.random() < 0.4 else None)


def _pipe_run(rng: np.random.Generator) -> Thing:
    r, length = float(rng.uniform(15, 60)), float(rng.uniform(500, 2200))
    parts = [_along(trimesh.creation.cylinder(r, length, sections=32), "x")]
    for x in rng.uniform(-length / 2, length / 2, int(rng.integers(1, 4))):
        flange = _along(trimesh.creation.cylinder(r * 1.9, r * 0.4, sections=40), "x")
        flange.apply_translation([x, 0, 0])
        parts.append(flange)
    return together(parts), cast_or_steel(rng) if rng.random() < 0.6 else painted_metal(rng)


def _tool(rng: np.random.Generator) -> Thing:
    """A spanner or screwdriver lying flat."""
    if rng.random() < 0.5:
        shaft = trimesh.creation.box([float(rng.uniform(120, 260)), 14, 6])
        length = float(shaft.extents[0])
        head = trimesh.creation.annulus(9, 19, 9, sections=24)
        head.apply_translation([length / 2 + 12, 0, 0])
        tail = trimesh.creation.annulus(11, 22, 9, sections=6)
        tail.apply_translation([-length / 2 - 14, 0, 0])
        return together([shaft, head, tail]), cast_or_steel(rng)
    handle = _along(_turned([(0, 0), (12, 0), (15, 20), (13, 60), (15, 95), (8, 110), (0, 110)]), "x")
    return handle, plastic(rng)


def _hose(rng: np.random.Generator) -> Thing:
    steps = int(rng.integers(8, 16))
    heading = np.cumsum(rng.normal(0, 0.5, steps))
    points = np.cumsum(np.stack([np.cos(heading), np.sin(heading), np.zeros(steps)], axis=1) * 90, axis=0)
    return tube(points, float(rng.uniform(4, 18))), plastic(rng, None if rng.random() < 0.4 else (0.03, 0.03, 0.03))


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
    """A trolley wheel lying flat."""
    r = float(rng.uniform(60, 150))
    tire = trimesh.creation.torus(r * 0.8, r * 0.2, major_sections=48, minor_sections=16)
    hub = trimesh.creation.cylinder(r * 0.62, r * 0.25, sections=40)
    boss = trimesh.creation.cylinder(r * 0.2, r * 0.4, sections=24)
    return together([tire, hub, boss]), plastic(rng, (0.04, 0.04, 0.04))


def _lid(rng: np.random.Generator) -> Thing:
    """A round lid or blank flange, lying or leaning against a block: a circle that is no pump."""
    r = float(rng.uniform(70, 220))
    body = _turned([(0, 14), (r * 0.5, 14), (r * 0.55, 8), (r * 0.93, 8), (r * 0.95, 14), (r, 14), (r, 0), (0, 0)], 64)
    if rng.random() < 0.5:
        body = together([body, *_bolt_heads(r, int(rng.choice([4, 8])))])
    if rng.random() < 0.6:
        angle = np.radians(rng.uniform(62, 82))
        body.apply_transform(turned_by(angle, [0, 1, 0]))
        tall, deep = 1.5 * r * np.sin(angle), r * rng.uniform(0.6, 1.2)
        block = trimesh.creation.box([deep, r * rng.uniform(0.9, 1.6), tall])
        block.apply_translation([-0.5 * r * np.cos(angle) - deep / 2, 0, tall / 2 - r * np.sin(angle)])
        body = together([body, block])
    return body, painted_metal(rng) if rng.random() < 0.5 else cast_or_steel(rng)


def _bolt_heads(r: float, count: int) -> list[trimesh.Trimesh]:
    bolts = []
    for k in range(count):
        bolt = trimesh.creation.cylinder(r * 0.06, 12, sections=6)
        a = 2 * np.pi * k / count
        bolt.apply_translation([r * 0.78 * np.cos(a), r * 0.78 * np.sin(a), 16])
        bolts.append(bolt)
    return bolts


def _gauge(rng: np.random.Generator) -> Thing:
    """A dial lying on its back, its stub to one side."""
    r = float(rng.uniform(25, 60))
    body = _turned([(0, 0), (r, 0), (r, 22), (r * 1.08, 22), (r * 1.08, 30), (r * 0.95, 30), (r * 0.95, 26), (0, 26)])
    stub = _along(trimesh.creation.cylinder(7, r, sections=16), "x")
    stub.apply_translation([1.4 * r, 0, 8])
    return together([body, stub]), painted_metal(rng, (0.45, 0.45, 0.44))


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
    foot.apply_translation([-length / 2 if body.centroid[0] < 0 else length / 2, 0, -r - 1])
    return together([body, foot]), painted_metal(rng)


def _canister(rng: np.random.Generator) -> Thing:
    w = rng.uniform([140, 200, 260], [220, 300, 400])
    body = trimesh.creation.box(w)
    cap = trimesh.creation.cylinder(28, 30, sections=32)
    cap.apply_translation([0, w[1] * 0.3, w[2] / 2 + 15])
    return together([body, cap]), plastic(rng, (0.5, 0.5, 0.47) if rng.random() < 0.6 else (0.05, 0.09, 0.18))


def _hand_wheel(rng: np.random.Generator) -> Thing:
    """A valve's hand wheel lying flat."""
    r = float(rng.uniform(70, 150))
    parts = [trimesh.creation.torus(r, r * 0.1, major_sections=48, minor_sections=12)]
    count = int(rng.integers(3, 6))
    for k in range(count):
        spoke = trimesh.creation.cylinder(r * 0.06, r, sections=10)
        spoke.apply_translation([0, 0, r / 2])
        spoke = _along(spoke, "x")
        spoke.apply_transform(turned_by(2 * np.pi * k / count, [0, 0, 1]))
        parts.append(spoke)
    parts.append(trimesh.creation.cylinder(r * 0.2, r * 0.24, sections=24))
    return together(parts), painted_metal(rng)


def _gas_bottle(rng: np.random.Generator) -> Thing:
    r, h = float(rng.uniform(80, 115)), float(rng.uniform(700, 1300))
    dome = [(r * np.cos(a), h + r * np.sin(a)) for a in np.linspace(0, 1.3, 8)]
    return _turned([(0, 0), (r, 0), *dome, (r * 0.25, h + 1.2 * r), (0, h + 1.2 * r)]), painted_metal(rng)


def _crate(rng: np.random.Generator) -> Thing:
    """A slatted crate with corner posts and a bottom."""
    w = rng.uniform([300, 250, 150], [600, 400, 320])
    bottom = trimesh.creation.box([w[0], w[1], 14])
    bottom.apply_translation([0, 0, 7])
    pieces = [bottom]
    for side in (-1, 1):
        for end in (-1, 1):
            post = trimesh.creation.box([30, 30, w[2]])
            post.apply_translation([end * (w[0] / 2 - 15), side * (w[1] / 2 - 15), w[2] / 2])
            pieces.append(post)
        for k in range(4):
            slat = trimesh.creation.box([w[0] + 28, 14, w[2] / 6])
            slat.apply_translation([0, side * (w[1] / 2 + 6), (k + 0.5) * w[2] / 4])
            cross = trimesh.creation.box([14, w[1], w[2] / 6])
            cross.apply_translation([side * (w[0] / 2 + 6), 0, (k + 0.5) * w[2] / 4])
            pieces += [slat, cross]
    return together(pieces), raw_wood(rng) if rng.random() < 0.7 else plastic(rng)


def _pulley(rng: np.random.Generator) -> Thing:
    """A belt pulley lying flat."""
    r = float(rng.uniform(70, 200))
    body = _turned([(0, 0), (r * 0.3, 0), (r * 0.3, 12), (r * 0.8, 12), (r * 0.8, 0), (r, 0), (r * 0.86, 14),
                    (r * 0.86, 24), (r, 38), (r * 0.8, 38), (r * 0.8, 24), (r * 0.3, 24), (r * 0.3, 38),
                    (0, 38)], 64)  # fmt: skip
    return body, cast_or_steel(rng)


def _coil(rng: np.random.Generator) -> Thing:
    r, wire = float(rng.uniform(120, 260)), float(rng.uniform(5, 14))
    t = np.linspace(0, 2 * np.pi * rng.integers(3, 6), 90)
    points = np.stack([r * np.cos(t) * (1 + 0.05 * np.sin(2.3 * t)), r * np.sin(t), t * wire * 0.3 + wire], axis=1)
    return tube(points, wire), plastic(rng)


def _toolbox(rng: np.random.Generator) -> Thing:
    w = rng.uniform([350, 170, 160], [520, 240, 260])
    body = trimesh.creation.box(w)
    handle = tube(np.array([[-80, 0, w[2] / 2], [-80, 0, w[2] / 2 + 50], [80, 0, w[2] / 2 + 50], [80, 0, w[2] / 2]]), 8)
    return together([body, handle]), painted_metal(rng)


MAKERS: dict[str, Callable[[np.random.Generator], Thing]] = {
    "carton": _carton, "drum": _drum, "bucket": _bucket, "pipe_run": _pipe_run, "tool": _tool, "hose": _hose,
    "wheel": _wheel, "lid": _lid, "gauge": _gauge, "motor": _motor, "canister": _canister, "hand_wheel": _hand_wheel,
    "gas_bottle": _gas_bottle, "crate": _crate, "pulley": _pulley, "coil": _coil, "toolbox": _toolbox,
}  # fmt: skip
