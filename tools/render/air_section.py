"""The air section between the joints: two air chambers, the block, pilot caps and all that hangs on it."""

import numpy as np

from tools.render.air_fittings import air_line, muffler
from tools.render.air_valve import air_valve
from tools.render.fasteners import pan_screw
from tools.render.free_air import free_block
from tools.render.joints import Joint
from tools.render.outlines import circle, rounded_polyline, rounded_rectangle
from tools.render.pieces import Pieces, piece, together
from tools.render.pump_shape import PumpShape
from tools.render.solids import Mesh, box, drum, join, lathe, loft, placed, pose, prism, shifted


def air_section(shape: PumpShape, joint: Joint) -> Pieces:
    """Everything between the two joints and what hangs on it, in the pump frame."""
    air, z = shape.air, shape.center_z_mm
    sign = -1.0 if air.valve_side == "front" else 1.0
    block = placed(_BLOCKS[air.block](shape), shifted(z=z))
    parts = [piece(block, "air_section", "air_section")]
    for side in (-1.0, 1.0):
        dish = placed(_air_chamber(shape, joint), pose((side * shape.joint_x_mm, 0.0, z), (side, 0.0, 0.0)))
        parts.append(piece(dish, "air_section", "air_section"))
    front = pose((0.0, sign * air.block_y_mm, z), (0.0, sign, 0.0))
    rear = pose((0.0, -sign * air.block_y_mm, z), (0.0, -sign, 0.0))
    valve = air_valve(shape)
    parts.append(valve.pieces.moved(front))
    inlet = front @ valve.inlet
    drop = float(inlet[2, 3]) if inlet[2, 1] > 0.9 else None
    parts.append(air_line(shape, drop).moved(inlet))
    parts.append(muffler(air).moved(rear if air.muffler_at == "block" else front @ valve.exhaust))
    if air.pilot_caps:
        parts.append(_pilot_caps(shape).moved(rear))
    return together(parts)


def _air_chamber(shape: PumpShape, joint: Joint) -> Mesh:
    """The dish behind the joint, drawn in to the block; chamber frame."""
    outer, start = joint.back_radius_mm, joint.behind_mm + 0.5
    end = -(shape.joint_x_mm - 0.5 * block_half_x(shape))
    hub = max(0.42 * outer, 1.02 * min(shape.air.block_y_mm, shape.air.block_z_mm))
    hub = min(hub, 0.9 * outer)
    line = rounded_polyline(
        [
            (0, start + 2),
            (outer, start + 2),
            (outer, start - 0.12 * (start - end)),
            (hub, start - 0.62 * (start - end)),
            (hub * 0.97, end),
            (0, end),
        ],
        [0, 0, 0.06 * outer, 0.08 * outer, 0, 0],
        5,
    )
    if not shape.air.ribs:
        return lathe(line)
    tall, thick = 0.86 * (outer - hub), max(0.014 * outer, 2.0)
    outline = np.array(
        [
            (hub - 2.0, start),
            (hub + tall, start),
            (hub + tall, start - 0.1 * (start - end)),
            (hub - 2.0, start - 0.66 * (start - end)),
        ]
    )
    web = loft([np.column_stack([np.full(4, s * thick), outline]) for s in (-1.0, 1.0)])
    count = shape.air.ribs
    return join([lathe(line), *(placed(web, shifted(turn=(k + 0.5) * 2 * np.pi / count)) for k in range(count))])


def block_half_x(shape: PumpShape) -> float:
    """Half width of the block along the diaphragm axis."""
    return 0.62 * shape.joint_x_mm


def _rectangular(shape: PumpShape) -> Mesh:
    size = 2.0 * np.array([block_half_x(shape), shape.air.block_y_mm, shape.air.block_z_mm])
    return box(size, 0.06 * size[0], 0.03 * size[2])


def _rounded(shape: PumpShape) -> Mesh:
    """Rounded about the diaphragm axis."""
    outline = rounded_rectangle(2.0 * shape.air.block_z_mm, 2.0 * shape.air.block_y_mm, 0.6 * shape.air.block_y_mm, 10)
    half = block_half_x(shape)
    return placed(prism(outline, -half, half, 0.08 * half), pose((0, 0, 0), (1, 0, 0), (0, 1, 0)))


def _finned(shape: PumpShape) -> Mesh:
    """A block with cooling-fin-like stiffeners across it."""
    half, y, z = block_half_x(shape), shape.air.block_y_mm, shape.air.block_z_mm
    core = box((2 * half, 1.7 * y, 1.8 * z), 0.1 * half, 0.05 * z)
    count = 5
    fins = [
        box((0.09 * half * 2, 2.0 * y, 2.0 * z), 0.03 * half, 0.02 * z, (x, 0.0, 0.0))
        for x in np.linspace(-0.85, 0.85, count) * half
    ]
    pad = box((1.4 * half, 2.0 * y, 1.1 * z), 0.1 * half, 0.03 * z)
    return join([core, *fins, pad])


def _drum(shape: PumpShape) -> Mesh:
    half = block_half_x(shape)
    radius = max(shape.air.block_y_mm, 0.8 * shape.air.block_z_mm)
    body = placed(drum(0.93 * radius, -half, half, 0.05 * half), pose((0, 0, 0), (1, 0, 0)))
    pad = box((1.5 * half, 2.0 * shape.air.block_y_mm, 1.2 * shape.air.block_z_mm), 0.1 * half, 0.05 * half)
    return join([body, pad])


def _octagonal(shape: PumpShape) -> Mesh:
    half = block_half_x(shape)
    outline = circle(shape.air.block_z_mm / np.cos(np.pi / 8), 8, turn=np.pi / 8) * (
        1.0,
        shape.air.block_y_mm / shape.air.block_z_mm,
    )
    return placed(prism(outline, -half, half, 0.06 * half), pose((0, 0, 0), (1, 0, 0), (0, 1, 0)))


def _waisted(shape: PumpShape) -> Mesh:
    """Narrow in the middle, wide at the air chambers."""
    half, y, z = block_half_x(shape), shape.air.block_y_mm, shape.air.block_z_mm
    stations = np.linspace(-1.0, 1.0, 13)
    sections = []
    for s in stations:
        outline = rounded_rectangle(2 * y * (0.88 + 0.17 * s * s), 2 * z * (0.95 + 0.1 * s * s), 0.2 * y, 6)
        sections.append(np.column_stack([np.full(len(outline), s * half), outline]))
    pad = box((1.2 * half, 2.0 * y, 1.1 * z), 0.1 * half, 0.04 * z)
    return join([loft(sections), pad])


def _free(shape: PumpShape) -> Mesh:
    return free_block(shape, block_half_x(shape))


_BLOCKS = {
    "rectangular": _rectangular,
    "rounded": _rounded,
    "finned": _finned,
    "drum": _drum,
    "octagonal": _octagonal,
    "waisted": _waisted,
    "free_block": _free,
}


def _pilot_caps(shape: PumpShape) -> Pieces:
    """Two screwed caps on the side of the block that carries no valve; local frame, z outward."""
    radius = 0.2 * block_half_x(shape) + 3.0
    parts = []
    for up in (-0.55, 0.55):
        here = shifted(y=up * shape.air.block_z_mm)
        parts.append(piece(placed(drum(radius, -2.0, 0.4 * radius, 0.08 * radius), here), "air_section", "air_section"))
        for side in (-1, 1):
            screw = placed(pan_screw(round(0.16 * radius, 1)), here @ shifted(side * 0.7 * radius, 0.0, 0.4 * radius))
            parts.append(piece(screw, "bolt", "fastener"))
    return together(parts)
