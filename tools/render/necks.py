"""Valve housings on the chambers (necks) and their joints to the manifold: flanges, small band, union nut.

Manifold frame: origin in the middle of the pump, z toward the manifold's side.
"""

import numpy as np

from tools.render.fasteners import head, nearest_size
from tools.render.free_runs import free_neck
from tools.render.outlines import Points, bent_path, circle, rounded_polyline, rounded_rectangle
from tools.render.pieces import Pieces, piece, together
from tools.render.pump_shape import ManifoldShape, PumpShape
from tools.render.solids import (
    Mesh,
    box,
    clear_of,
    drum,
    join,
    lathe,
    placed,
    pose,
    prism,
    shifted,
    sweep,
    tube,
)


def neck(shape: PumpShape, joint_z: float, side: int, passage: Mesh | None) -> Pieces:
    """One valve housing with its joint.

    Args:
        shape: the pump.
        joint_z: height of the joint to the manifold.
        side: 1 for the +x chamber, -1 for the other.
        passage: what an open port clears out of it.
    """
    here = shifted(side * shape.neck_x_mm, 0.0, 0.0)
    housing = _housing(shape, joint_z, side)
    if passage is not None:
        housing = clear_of(passage, [housing])[0]
    parts = [piece(housing, "manifold", "wetted")]
    parts += [p.moved(here @ shifted(z=joint_z)) for p in _JOINTS[shape.manifold.joint](shape)]
    return together(parts)


def _housing(shape: PumpShape, joint_z: float, side: int) -> Mesh:
    """The housing: a bulb with a round lower end, or a duct that bends into the dish, of one section or free form."""
    m = shape.manifold
    rn = m.neck_radius_mm
    low = min(0.25 * shape.joint.diameter_mm, joint_z - 2.2 * rn)
    if m.neck in ("bulb", "tapered"):
        narrow = 0.8 if m.neck == "tapered" else 1.0
        line = rounded_polyline(
            [(0, low), (0.96 * rn, low), (rn, low + 1.2 * rn), (narrow * rn, joint_z), (0, joint_z)],
            [0, 0.9 * rn, 0.5 * rn, 0, 0],
            7,
        )
        return placed(lathe(line), shifted(side * shape.neck_x_mm))
    turn_z = min(max(low + 0.9 * rn, 0.3 * shape.joint.diameter_mm), joint_z - 0.8 * rn)
    x = side * shape.neck_x_mm
    corners = [(x, 0.0, joint_z), (x, 0.0, turn_z), (x - side * 1.3 * rn, 0.0, turn_z - 1.5 * rn)]
    path = bent_path(corners, 1.1 * rn, 8)
    if m.neck == "free_neck":
        return free_neck(shape, path, side)
    section = circle(rn) if m.neck == "elbow" else rounded_rectangle(1.9 * rn, 1.9 * rn, 0.35 * rn)
    flare = 1.0 + 0.18 * np.linspace(0.0, 1.0, len(path)) ** 3
    return sweep(path, section, up=(0.0, 1.0, 0.0), scale=flare)


def joint_half_height(m: ManifoldShape) -> float:
    """How far a joint reaches over and under its plane, mm."""
    shares = {"small_band": 0.3, "plain": 0.25, "union_nut": 0.45}
    return shares[m.joint] * m.neck_radius_mm if m.joint in shares else max(0.22 * m.neck_radius_mm, 5.0)


def joint_bolts(shape: PumpShape, spots: Points, thick: float) -> list[Pieces]:
    """Bolts with nuts through a pair of flanges that lies about z = 0.

    Args:
        shape: gives the bolts' size.
        spots: (K, 2) their places.
        thick: thickness of each flange, mm.
    """
    system = shape.joint.bolt_system
    size = nearest_size(system, max(0.28 * shape.manifold.neck_radius_mm, 5.0))
    top = head("hex_washer", system, size).mesh
    nut = head("nut_stud", system, size).mesh
    flip = np.diag([1.0, -1.0, -1.0, 1.0])
    return [
        piece(
            join([placed(top, shifted(x, y, thick)), placed(nut, shifted(x, y, -thick) @ flip)]),
            "bolt",
            "fastener",
        )
        for x, y in spots
    ]


def _round_joint(shape: PumpShape) -> list[Pieces]:
    rn, thick = shape.manifold.neck_radius_mm, joint_half_height(shape.manifold)
    outer, count = 1.62 * rn, max(shape.manifold.joint_bolts, 3)
    angles = np.pi / count + np.arange(count) * 2 * np.pi / count
    spots = 1.32 * rn * np.column_stack([np.cos(angles), np.sin(angles)])
    body = join(
        [
            drum(outer, -thick, -0.5, 0.12 * thick),
            drum(outer, 0.5, thick, 0.12 * thick),
            drum(0.98 * outer, -0.7, 0.7),
        ]
    )
    return [piece(body, "manifold", "wetted"), *joint_bolts(shape, spots, thick)]


def _square_joint(shape: PumpShape) -> list[Pieces]:
    rn, thick = shape.manifold.neck_radius_mm, joint_half_height(shape.manifold)
    outline = rounded_rectangle(2.75 * rn, 2.75 * rn, 0.5 * rn)
    spots = 1.02 * rn * np.array([(1, 1), (-1, 1), (-1, -1), (1, -1)])
    body = join([prism(outline, -thick, -0.5, 0.12 * thick), prism(outline, 0.5, thick, 0.12 * thick)])
    return [piece(body, "manifold", "wetted"), *joint_bolts(shape, spots, thick)]


def _oval_joint(shape: PumpShape) -> list[Pieces]:
    rn, thick = shape.manifold.neck_radius_mm, joint_half_height(shape.manifold)
    t = np.arange(64) * 2 * np.pi / 64
    reach = 1.15 + 0.72 * np.abs(np.sin(t)) ** 3
    outline = rn * np.column_stack([reach * np.cos(t), reach * np.sin(t)])
    spots = np.array([(0.0, 1.45 * rn), (0.0, -1.45 * rn)])
    body = join([prism(outline, -thick, -0.5, 0.12 * thick), prism(outline, 0.5, thick, 0.12 * thick)])
    return [piece(body, "manifold", "wetted"), *joint_bolts(shape, spots, thick)]


def _band_joint(shape: PumpShape) -> list[Pieces]:
    """A small clamp band with one bolt across two lugs."""
    rn = shape.manifold.neck_radius_mm
    half, thick = 0.3 * rn, max(0.07 * rn, 1.5)
    outer = 1.3 * rn
    section = [
        (outer - 0.6 * half, -half),
        (outer, -0.4 * half),
        (outer, 0.4 * half),
        (outer - 0.6 * half, half),
    ]
    section += [(r - thick, 0.9 * z) for r, z in section[::-1]]
    ferrule = lathe([(0, -0.8 * half), (1.18 * rn, -0.8 * half), (1.18 * rn, 0.8 * half), (0, 0.8 * half)])
    lug = box((0.16 * rn, 0.62 * rn, 1.5 * half), 0.05 * rn, 0.03 * rn)
    lugs = [placed(lug, shifted(s * 0.2 * rn, outer + 0.2 * rn)) for s in (-1, 1)]
    system = shape.joint.bolt_system
    size = nearest_size(system, max(0.24 * rn, 5.0))
    out = pose((0.28 * rn, outer + 0.26 * rn, 0.0), (1.0, 0.0, 0.0))
    back = pose((-0.28 * rn, outer + 0.26 * rn, 0.0), (-1.0, 0.0, 0.0))
    bolt = join(
        [
            placed(head("nut_stud", system, size).mesh, out),
            placed(head("hex", system, size).mesh, back),
            placed(drum(0.1 * rn, -0.5 * rn, 0.0, 0.0, 24), out),
        ]
    )
    turn = shifted(turn=float(np.pi / 4))
    return [
        piece(placed(join([lathe(section), *lugs]), turn), "manifold", "band"),
        piece(ferrule, "manifold", "wetted"),
        piece(placed(bolt, turn), "bolt", "fastener"),
    ]


def _plain_joint(shape: PumpShape) -> list[Pieces]:
    rn = shape.manifold.neck_radius_mm
    return [piece(tube(0.5 * rn, 1.08 * rn, -0.25 * rn, 0.25 * rn, 0.08 * rn), "manifold", "wetted")]


def _union_joint(shape: PumpShape) -> list[Pieces]:
    """A union nut with grip ribs."""
    rn = shape.manifold.neck_radius_mm
    ribs = [
        placed(
            prism(rounded_rectangle(0.12 * rn, 0.16 * rn, 0.03 * rn, 2), -0.42 * rn, 0.42 * rn, 0.03 * rn),
            shifted(turn=k * np.pi / 8) @ shifted(y=1.36 * rn),
        )
        for k in range(16)
    ]
    return [piece(join([drum(1.36 * rn, -0.45 * rn, 0.45 * rn, 0.1 * rn), *ribs]), "manifold", "wetted")]


_JOINTS = {
    "round_flange": _round_joint,
    "square_flange": _square_joint,
    "oval_flange": _oval_joint,
    "small_band": _band_joint,
    "plain": _plain_joint,
    "union_nut": _union_joint,
}
