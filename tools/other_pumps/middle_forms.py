"""Air sections and valve bodies of the later styles."""

import numpy as np

from tools.other_pumps import fields as f
from tools.other_pumps.fields import Field
from tools.other_pumps.plan import Plan
from tools.other_pumps.shapes import slab
from tools.render.outlines import Points, circle
from tools.render.pieces import Pieces, piece, together
from tools.render.solids import Mesh, box, drum, lathe, placed, pose

LATER_VALVES = ("cartridge", "bar", "louvered", "ends")


def later_core(kind: str, plan: Plan, inner: float, rng: np.random.Generator) -> tuple[float, Field]:
    """Depth from front to rear of the middle body, and the body, between the joints (|x| < inner)."""
    size, z, r = plan.chamber, plan.center_z, plan.radius
    if kind == "ribbed":
        radius = float(rng.uniform(0.5, 0.85)) * r
        body = f.drum((-0.98 * inner, 0, z), (0.98 * inner, 0, z), radius, 2.0)
        count, half = int(rng.integers(2, 6)), float(rng.uniform(0.012, 0.025)) * size
        rib_r = min(radius + float(rng.uniform(0.04, 0.1)) * size, 0.95 * r)
        rings = (
            f.drum((x - half, 0, z), (x + half, 0, z), rib_r, 0.5 * half) for x in np.linspace(-0.8, 0.8, count) * inner
        )
        return 2 * radius, f.union(body, *rings)
    if kind == "cube":
        deep, tall = float(rng.uniform(1.3, 1.75)) * r, float(rng.uniform(1.2, 1.8)) * r
        return deep, f.block((0, 0, z), (2 * inner, deep, tall), float(rng.uniform(2.0, 0.12 * size)))
    if kind == "posts":
        deep = float(rng.uniform(0.5, 0.8)) * r
        hub = f.block((0, 0, z), (2 * inner, deep, float(rng.uniform(0.6, 1.1)) * r), 0.15 * deep)
        rod = f.rod((-inner, 0, 0.75 * r), (inner, 0, 0.75 * r), float(rng.uniform(0.03, 0.07)) * size)
        return deep, f.union(hub, f.moved(f.around_x(rod, int(rng.integers(3, 9)), rng.uniform(0, 1)), (0, 0, z)))
    # A shroud over the air chambers, open in slots.
    radius = float(rng.uniform(0.88, 0.95)) * r
    hull = f.drum((-inner, 0, z), (inner, 0, z), radius, float(rng.uniform(1.0, 0.05 * size)))
    deep_slot = float(rng.uniform(0.03, 0.08)) * size
    slot = f.block(
        (0, 0, radius), (float(rng.uniform(0.6, 1.5)) * inner, float(rng.uniform(0.04, 0.3)) * size, 2 * deep_slot), 2.0
    )
    slots = f.moved(f.around_x(slot, int(rng.integers(3, 13)), rng.uniform(0, 1)), (0, 0, z))
    return 1.8 * radius, f.less(hull, slots, fillet=2.0)


def later_valve(kind: str, w: float, h: float, z0: float, deep: float, rng: np.random.Generator) -> Pieces:
    """A valve body on its plate: width, height, the plate's face and how far it may stand out, local frame."""
    if kind == "cartridge":
        r = 0.5 * min(w, h)
        line = [
            (0, z0 - 1),
            (r, z0 - 1),
            (r, z0 + 0.3 * deep),
            (0.75 * r, z0 + 0.35 * deep),
            (0.75 * r, z0 + 0.8 * deep),
        ]
        cap = slab(circle(0.5 * r, int(rng.choice([6, 48]))), z0 + 0.8 * deep - 1, z0 + deep, 0.8)
        body = lathe([*line, (0, z0 + 0.8 * deep)], 64)
        return together([piece(body, "air_valve", "air_section"), piece(cap, "air_valve", "fastener")])
    if kind == "ends":
        return together([piece(m, "air_valve", "air_section") for m in _capped(w, h, z0, deep, rng)])
    if kind == "bar":
        tall = float(rng.uniform(1.0, 1.5)) * h
        size = (float(rng.uniform(0.3, 0.55)) * w, tall, deep)
        meshes = [box(size, 4.0, 1.0, (0, 0, z0 + deep / 2 - 0.5))]
        meshes += [
            box((1.15 * size[0], 0.12 * tall, 0.9 * deep), 2.0, 1.0, (0, s * tall / 2, z0 + 0.45 * deep))
            for s in (-1, 1)
        ]
        return together([piece(m, "air_valve", "air_section") for m in meshes])
    count = int(rng.integers(3, 8))
    meshes = [box((w, h, 0.7 * deep), 3.0, 1.0, (0, 0, z0 + 0.35 * deep - 0.5))]
    meshes += [
        box((0.92 * w, 0.4 * h / count, deep), 1.0, 0.8, (0, float(y), z0 + deep / 2 - 0.5))
        for y in np.linspace(-0.42, 0.42, count) * h
    ]
    return together([piece(m, "air_valve", "air_section") for m in meshes])


def _capped(w: float, h: float, z0: float, deep: float, rng: np.random.Generator) -> list[Mesh]:
    """A block with a square plate and a knob at each end."""
    long = w * float(rng.uniform(1.0, 1.5))
    out = [box((long, 0.8 * h, deep), 2.0, 1.2, (0, 0, z0 + deep / 2 - 0.5))]
    for s in (-1.0, 1.0):
        out.append(box((0.1 * long, 0.95 * h, 1.0 * deep), 1.5, 0.8, (s * long / 2, 0, z0 + 0.5 * deep)))
        end: Points = pose((s * 0.55 * long, 0, z0 + 0.5 * deep), (s, 0, 0), (0, 0, 1))
        out.append(placed(drum(0.3 * min(h, deep), -1.0, 0.12 * long, 0.8, 40), end))
    return out
