"""Coins with an invented relief: only size and metal follow the named coin."""

import cv2
import numpy as np
import trimesh

from reference_geometry.standards.coins import Coin, coins, find_coin
from tools.render import textures as tx
from tools.render.materials import Surface
from tools.render.mesh_shading import ShadedMesh, shade
from tools.render.reference_objects import Bend, Piece, ReferenceObject


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
    relief = tx.blurred(np.where(number > 0, np.float32(0.3), relief), 1.2)
    tarnish = tx.fractal_noise(rng, n, 1.6)[..., None]
    grime = float(rng.uniform(0, 0.5))
    return np.asarray(color * (1 - grime * tarnish * (1 - 0.4 * relief[..., None])), np.float32), relief
