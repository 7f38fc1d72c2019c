"""What hangs on the air section: muffler, inlet fitting, hose, ball valve, regulator; local z is outward."""

import numpy as np

from tools.render.fasteners import hexagon
from tools.render.outlines import bent_path, circle, rounded_polyline
from tools.render.pieces import Pieces, piece, together
from tools.render.pump_shape import AirShape, PumpShape
from tools.render.solids import Mesh, box, drum, join, lathe, placed, pose, shifted, sweep


def muffler(air: AirShape) -> Pieces:
    """The exhaust muffler, standing on z = 0."""
    r, length = air.muffler_radius_mm, air.muffler_length_mm
    if air.muffler == "none":
        return piece(drum(0.7 * r, -2.0, 1.0, 0.3), "other", "inside")
    neck = drum(0.45 * r, -3.0, 0.3 * length, 0.0)
    return piece(join([neck, *_MUFFLERS[air.muffler](r, length)]), "other", "muffler")


def _cylinder(r: float, length: float) -> list[Mesh]:
    line = rounded_polyline(
        [(0, 0.12 * length), (r, 0.12 * length), (r, length), (0, length)], [0, 0.15 * r, 0.25 * r, 0], 4
    )
    return [lathe(line), hexagon(1.2 * r, 0.0, 0.14 * length)]


def _finned(r: float, length: float) -> list[Mesh]:
    line: list[tuple[float, float]] = [(0.0, 0.1 * length)]
    count = 9
    for k in range(count):
        z0, step = (0.1 + 0.85 * k / count) * length, 0.85 * length / count
        line += [(r, z0), (r, z0 + 0.55 * step), (0.8 * r, z0 + 0.6 * step), (0.8 * r, z0 + 0.98 * step)]
    return [lathe([*line, (0.95 * r, 0.95 * length), (0.8 * r, length), (0.0, length)])]


def _cone(r: float, length: float) -> list[Mesh]:
    return [
        lathe(
            [
                (0, 0.05 * length),
                (0.62 * r, 0.05 * length),
                (r, 0.5 * length),
                (r, 0.9 * length),
                (0.9 * r, length),
                (0, length),
            ]
        )
    ]


def _bullet(r: float, length: float) -> list[Mesh]:
    t = np.linspace(0.0, np.pi / 2.0, 12)
    tip = [(0.75 * r * np.cos(a), 0.4 * length + 0.6 * length * np.sin(a)) for a in t]
    tip[-1] = (0.0, length)
    return [hexagon(1.7 * r, 0.0, 0.28 * length), lathe([(0, 0.2 * length), (0.75 * r, 0.2 * length), *tip])]


def _canister(r: float, length: float) -> list[Mesh]:
    """A wide short can on an elbow."""
    elbow = sweep(
        bent_path([(0, 0, 0), (0, 0, 0.6 * length), (0, -0.6 * length, 0.6 * length)], 0.4 * length),
        circle(0.42 * r),
        up=(1, 0, 0),
    )
    can = placed(drum(1.25 * r, 0.0, 0.8 * length, 0.18 * r), pose((0, -0.5 * length, 0.6 * length), (0, -1, 0)))
    return [elbow, can]


_MUFFLERS = {
    "cylinder": _cylinder,
    "finned": _finned,
    "cone": _cone,
    "bullet": _bullet,
    "canister": _canister,
}


def air_line(shape: PumpShape, above_ground_mm: float | None) -> Pieces:
    """The air inlet and what is screwed into it, standing on z = 0.

    Args:
        shape: the pump.
        above_ground_mm: how far below (towards -y) the ground lies; None where the inlet does not stand upright.
    """
    kind = shape.air.air_line
    r = float(np.clip(0.028 * shape.joint.diameter_mm, 4.0, 12.0))
    if kind == "none":
        return piece(
            join([drum(1.5 * r, -2.0, 0.25 * r, 0.1 * r), drum(0.8 * r, 0.0, 0.3 * r)]),
            "air_valve",
            "air_section",
        )
    if kind == "plug":
        return piece(hexagon(1.9 * r, -1.0, 0.8 * r), "other", "accessory")
    end = 0.0
    parts: list[Pieces] = []
    if kind == "ball_valve":
        parts.append(piece(_ball_valve(r), "other", "accessory"))
        end = 5.4 * r
    elif kind == "regulator":
        parts += _regulator(r)
        end = 5.6 * r
    parts.append(piece(placed(_barb(r), shifted(z=end)), "other", "accessory"))
    if kind != "fitting":
        parts.append(piece(_hose(shape, r, end + 2.3 * r, above_ground_mm), "other", "rubber"))
    return together(parts)


def _barb(r: float) -> Mesh:
    line: list[tuple[float, float]] = [(0.0, 0.8 * r)]
    z = 0.9 * r
    for _ in range(4):
        line += [(0.86 * r, z), (0.7 * r, z + 0.6 * r)]
        z += 0.6 * r
    return join([hexagon(2.1 * r, -1.0, r), lathe([*line, (0.0, z)])])


def _hose(shape: PumpShape, r: float, start: float, above_ground_mm: float | None) -> Mesh:
    """A hose that droops to the ground, runs along it and ends in a coupling; or a short stub."""
    rng = np.random.default_rng(shape.seed + 7)
    aside, out, lying = rng.uniform([-0.8, 0.5, 0.2], [0.8, 1.0, 0.9]) * shape.joint.diameter_mm
    thick = 1.25 * r
    t = np.linspace(0.0, 1.0, 40)
    if above_ground_mm is None:
        drop, lying = 0.15 * shape.joint.diameter_mm, 0.0
    else:
        drop = above_ground_mm - thick
    out = max(out, 0.55 * drop)
    fall = np.column_stack([0.15 * aside * t**2, -drop * t**2 * (3 - 2 * t), start - 1.5 * r + out * t])
    path = fall
    if lying > 0.0:
        u = np.linspace(0.04, 1.0, 20)
        ends = fall[-1] + np.column_stack([0.3 * aside * u + 0.55 * aside * u**2, 0.0 * u, lying * u])
        path = np.concatenate([fall, ends])
    clamp = placed(drum(1.5 * r, 0.0, 1.2 * r, 0.1 * r), shifted(z=start - 1.2 * r))
    toward = path[-1] - path[-2]
    coupling = placed(
        join([drum(1.25 * thick, 0.0, 2.2 * r, 0.15 * r), drum(0.8 * r, 0.0, 4.6 * r, 0.2 * r)]),
        pose(path[-1] - 0.2 * r * toward / np.linalg.norm(toward), toward),
    )
    return join([sweep(path, circle(thick, 32), up=(0, 1, 0)), clamp, coupling])


def _ball_valve(r: float) -> Mesh:
    line = rounded_polyline(
        [
            (0, 0),
            (1.2 * r, 0),
            (1.2 * r, 1.2 * r),
            (1.7 * r, 1.8 * r),
            (1.7 * r, 3.4 * r),
            (1.2 * r, 4.2 * r),
            (1.2 * r, 5.4 * r),
            (0, 5.4 * r),
        ],
        0.2 * r,
        3,
    )
    stem = placed(drum(0.5 * r, 0.0, 2.6 * r, 0.1 * r), pose((0, 0, 2.6 * r), (0, 1, 0)))
    lever = box((0.9 * r, 0.25 * r, 8.0 * r), 0.1 * r, 0.1 * r, (0.0, 2.4 * r, 6.0 * r))
    return join([lathe(line), stem, lever, hexagon(2.5 * r, 0.2 * r, 0.9 * r)])


def _regulator(r: float) -> list[Pieces]:
    pipe = drum(0.8 * r, 0.0, 5.8 * r, 0.0)
    body = box((3.6 * r, 3.6 * r, 3.6 * r), 0.8 * r, 0.3 * r, (0.0, 0.0, 3.0 * r))
    bonnet = placed(
        lathe([(0, 0), (1.6 * r, 0), (1.6 * r, 2.6 * r), (1.2 * r, 3.2 * r), (0, 3.2 * r)]),
        pose((0, 1.5 * r, 3.0 * r), (0, 1, 0)),
    )
    knob = placed(drum(1.3 * r, 0.0, 1.6 * r, 0.2 * r), pose((0, 4.7 * r, 3.0 * r), (0, 1, 0)))
    bowl = placed(
        lathe(
            rounded_polyline([(0, 0), (1.4 * r, 0), (1.4 * r, 3.4 * r), (0.5 * r, 4.4 * r), (0, 4.4 * r)], 0.6 * r, 4)
        ),
        pose((0, -1.5 * r, 3.0 * r), (0, -1, 0)),
    )
    gauge = placed(drum(1.9 * r, 0.0, 1.5 * r, 0.2 * r), pose((1.7 * r, 0, 3.0 * r), (1, 0, 0)))
    return [
        piece(join([pipe, body, bonnet, bowl]), "other", "accessory"),
        piece(join([knob, gauge]), "other", "muffler"),
    ]
