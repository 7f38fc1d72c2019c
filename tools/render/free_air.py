"""An air section's block and an air valve of random form, within the sizes of the shape."""

import numpy as np

from tools.render.draws import between
from tools.render.free_forms import form_rng, free_body, free_course, free_outline, lofted
from tools.render.outlines import Points, rounded_rectangle
from tools.render.pump_shape import PumpShape
from tools.render.solids import Mesh, box, drum, join, placed, pose, prism

_ALONG = {"x": (1.0, 0.0, 0.0), "y": (0.0, 1.0, 0.0), "z": (0.0, 0.0, 1.0)}


def free_block(shape: PumpShape, half_x: float) -> Mesh:
    """The block about the pump's middle: a free body along one axis, a pad for valve and muffler, fins, lumps.

    Args:
        shape: the pump.
        half_x: half width along the diaphragm axis, mm.
    """
    rng = form_rng(shape, "air_block")
    y, z = shape.air.block_y_mm, shape.air.block_z_mm
    axis = str(rng.choice(["x", "y", "z"], p=[0.6, 0.1, 0.3]))
    across_a, across_b, half = {"x": (y, z, half_x), "y": (half_x, z, y), "z": (half_x, y, z)}[axis]
    up = _ALONG["y" if axis == "z" else "z"]
    body = free_body(rng, across_a, across_b, -half, half)
    least_pad = 1.0 if "eyes" in shape.details else 0.8 if "earth" in shape.details else 0.6
    pad = (2.0 * between(rng, 0.45, 0.95) * half_x, 2.0 * y, 2.0 * max(least_pad, between(rng, 0.6, 1.0)) * z)
    bodies = [
        placed(body, pose((0.0, 0.0, 0.0), _ALONG[axis], up)),
        box(pad, between(rng, 0.05, 0.5) * min(half_x, y), between(rng, 0.02, 0.15) * z),
    ]
    if rng.random() < 0.4:
        bodies += _fins(rng, half_x, y, z)
    bodies += [_lump(rng, half_x, y, z) for _ in range(int(rng.integers(0, 4)))]
    return join(bodies)


def _fins(rng: np.random.Generator, half_x: float, y: float, z: float) -> list[Mesh]:
    """Plates across the diaphragm axis or lying, at even distances."""
    count, reach = int(rng.integers(2, 10)), between(rng, 0.5, 0.9)
    thick = between(rng, 0.15, 0.5) * 2.0 * reach / count
    tall = between(rng, 0.85, 1.0)
    corner = between(rng, 0.02, 0.6)
    if rng.random() < 0.55:
        outline = rounded_rectangle(2.0 * tall * z, 2.0 * y, corner * min(y, z))
        along, half, up = "x", half_x, _ALONG["y"]
    else:
        outline = rounded_rectangle(2.0 * tall * half_x, 2.0 * y, corner * min(y, half_x))
        along, half, up = "z", z, _ALONG["y"]
    fin = prism(outline, -0.5 * thick * half, 0.5 * thick * half, 0.1 * thick * half)
    return [
        placed(fin, pose(place * np.array(_ALONG[along]), _ALONG[along], up))
        for place in np.linspace(-reach, reach, count) * half
    ]


def _lump(rng: np.random.Generator, half_x: float, y: float, z: float) -> Mesh:
    """A boss on the top, the bottom or the side, round or square, standing out a little."""
    size = between(rng, 0.08, 0.3) * min(half_x, y, z)
    normal = np.array(_ALONG[str(rng.choice(["y", "z"]))]) * float(rng.choice([-1.0, 1.0]))
    along = between(rng, -0.6, 0.6) * np.array([half_x, y, z])
    out = between(rng, 1.0, 1.05) * np.abs(normal) @ np.array([y, y, z])
    spot = along * (1.0 - np.abs(normal)) + out * normal
    body = drum(size, -0.5 * out, 0.0, 0.1 * size, 40)
    if rng.random() < 0.4:
        body = prism(rounded_rectangle(2.0 * size, between(rng, 1.0, 4.0) * size, 0.3 * size), -0.5 * out, 0.0, 1.0)
    return placed(body, pose(spot, normal, _ALONG["x"]))


def free_valve(shape: PumpShape) -> tuple[Mesh, float, list[tuple[float, float]]]:
    """One to three layers of one free outline, or a barrel on a base; its screwed face and the screws' places.

    Local frame: the block's face at z = 0, z outward, y up; the body keeps within the valve's size.
    """
    rng = form_rng(shape, "air_valve")
    w, d, h = shape.air.valve_size_mm
    outline = free_outline(rng)
    stepped = rng.random() < 0.5
    base = np.array([between(rng, 0.85, 1.0), between(rng, 0.85, 1.0)]) * (0.5 * w, 0.5 * h)
    face = d * (between(rng, 0.3, 0.7) if stepped else 1.0)
    if stepped:
        ratio = rng.uniform(0.35, 0.7, 2)
        above = _barrel if rng.random() < 0.5 else _tower
        bodies = [_layer(rng, outline, base, -2.0, face), above(rng, outline, base * ratio, face, d)]
        screws_at = base * 0.5 * (1.0 + float(ratio.max()))
    else:
        split = d * between(rng, 0.25, 0.85)
        lid = base * rng.uniform(0.82, 1.0, 2)
        if rng.random() < 0.3:
            lid, base = base, lid
        bodies = [_layer(rng, outline, base, -2.0, split), _layer(rng, outline, lid, split - 1.0, d)]
        screws_at = 0.85 * lid
    if shape.air.muffler_at == "valve":
        outlet = drum(1.1 * shape.air.muffler_radius_mm, 0.0, 0.3 * h, 1.0)
        bodies.append(placed(outlet, pose((0.26 * w, -0.18 * h, 0.45 * d), (0.0, -1.0, 0.0), (0.0, 0.0, 1.0))))
    return join(bodies), face, _around(outline * screws_at, shape.air.valve_screws)


def _layer(rng: np.random.Generator, outline: Points, half: Points, low: float, high: float) -> Mesh:
    """A straight or gently shaped slab of the outline; its outer face has the full outline."""
    course = free_course(rng, 0.0, between(rng, 0.02, 0.08))
    return lofted(outline, outline, course, half[0], half[1], low, high)


def _tower(rng: np.random.Generator, outline: Points, half: Points, low: float, high: float) -> Mesh:
    """One or two further layers, the upper one smaller."""
    middle = low + between(rng, 0.4, 1.0) * (high - low)
    first = _layer(rng, outline, half, low - 1.0, middle)
    if middle > low + 0.85 * (high - low):
        return first
    return join([first, _layer(rng, outline, between(rng, 0.6, 0.9) * half, middle - 1.0, high)])


def _barrel(rng: np.random.Generator, _: Points, half: Points, low: float, high: float) -> Mesh:
    """A free body lying across or standing along the base, sunk into it."""
    tall = 0.5 * (high - low) * between(rng, 1.0, 1.5)
    if rng.random() < 0.7:
        body = free_body(rng, half[1], tall, -half[0], half[0], 0.35)
        return placed(body, pose((0.0, 0.0, high - tall), (1.0, 0.0, 0.0), (0.0, 0.0, 1.0)))
    body = free_body(rng, half[0], tall, -half[1], half[1], 0.35)
    return placed(body, pose((0.0, 0.0, high - tall), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)))


def _around(outline: Points, count: int) -> list[tuple[float, float]]:
    """Screw places on an outline (N, 2): the four corners first, then the middles of the sides."""
    unit = outline / np.abs(outline).max(axis=0)
    angles = np.arctan2(unit[:, 1], unit[:, 0])
    wanted = np.deg2rad([45.0, 135.0, -135.0, -45.0, 0.0, 180.0, 90.0, -90.0])
    nearest = np.abs(np.angle(np.exp(1j * (angles[None] - wanted[:, None])))).argmin(axis=1)
    places = [(float(x), float(y)) for x, y in outline[nearest]]
    return places[: 4 if count < 6 else 6 if count < 8 else 8]
