"""Valve housings and manifolds: elbows and pipe, cast arch, bolted tee, straight header, diagonals or a block.

Manifold frame: origin in the middle of the pump (on the diaphragm axis), z toward this manifold's side; the inlet
manifold is the discharge one turned by half a turn about x.
"""

from dataclasses import dataclass

import numpy as np

from tools.render.fasteners import head, hexagon, nearest_size
from tools.render.pieces import Pieces, piece, together
from tools.render.pump_shape import ManifoldShape, PumpShape
from tools.render.solids import (
    Mesh,
    Points,
    bent_path,
    box,
    circle,
    drum,
    join,
    lathe,
    placed,
    pose,
    prism,
    rounded_polyline,
    rounded_rectangle,
    shifted,
    sweep,
    tube,
)


@dataclass(frozen=True)
class Run:
    """Where the manifold lies: neck axes at x = +-neck_x, joint plane, center line and end port side (0 for center)."""

    neck_x: float
    joint_z: float
    line_z: float
    end_side: int
    end_reach: float


def manifold_run(shape: PumpShape, toward: str) -> Run:
    """The lay of one manifold from the pump's shape and the direction its port faces (in the manifold frame)."""
    side = {"+x": 1, "-x": -1}.get(toward, 0)
    return Run(shape.neck_x_mm, shape.half_spacing_mm - drop_of(shape.manifold), shape.half_spacing_mm, side, shape.port_reach_mm)


def manifold(shape: PumpShape, toward: str) -> Pieces:
    """Necks, their joints and the run of one side, without the port."""
    run = manifold_run(shape, toward)
    parts = [_neck(shape, run, side) for side in (-1, 1)]
    parts.append(piece(join(_BUILDERS[shape.manifold.kind](shape, run)), "manifold", "wetted"))
    if shape.manifold.kind == "bolted_tee":
        parts += _tee_bolts(shape, run)
    return together(parts)


def drop_of(m: ManifoldShape) -> float:
    """How far the joints to the chambers lie below the port's center line, mm."""
    shares = {"straight_header": 0.8, "block_header": 1.02, "diagonal_pipe": 1.5}
    return shares[m.kind] * m.pipe_radius_mm if m.kind in shares else m.bend_mm + 0.15 * m.pipe_radius_mm


def top_of_run(m: ManifoldShape) -> float:
    """Highest reach of the run above the port's center line, mm."""
    return {"block_header": 1.05, "cast_arch": 1.22, "bolted_tee": 1.52, "diagonal_pipe": 1.3}.get(m.kind, 1.02) * m.pipe_radius_mm


# Necks and their joints --------------------------------------------------------------------------------------------


def _neck(shape: PumpShape, run: Run, side: int) -> Pieces:
    m = shape.manifold
    rn = m.neck_radius_mm
    low = 0.5 * shape.joint.diameter_mm / 2.0
    low = min(low, run.joint_z - 2.2 * rn)
    here = shifted(side * run.neck_x, 0.0, 0.0)
    if m.neck in ("bulb", "tapered"):
        narrow = 0.8 if m.neck == "tapered" else 1.0
        line = rounded_polyline(
            [(0, low), (0.96 * rn, low), (rn, low + 1.2 * rn), (narrow * rn, run.joint_z), (0, run.joint_z)], [0, 0.9 * rn, 0.5 * rn, 0, 0], 7
        )
        body = placed(lathe(line), here)
    else:
        turn_z = max(low + 0.9 * rn, 0.3 * shape.joint.diameter_mm)
        turn_z = min(turn_z, run.joint_z - 0.8 * rn)
        inside = (side * (run.neck_x - 1.3 * rn), 0.0, turn_z - 1.5 * rn)
        path = bent_path([(side * run.neck_x, 0.0, run.joint_z), (side * run.neck_x, 0.0, turn_z), inside], 1.1 * rn, 8)
        section = circle(rn) if m.neck == "elbow" else rounded_rectangle(1.9 * rn, 1.9 * rn, 0.35 * rn)
        body = sweep(path, section, up=(0.0, 1.0, 0.0), scale=1.0 + 0.18 * np.linspace(0.0, 1.0, len(path)) ** 3)
    parts = [piece(body, "manifold", "wetted")]
    parts += [p.moved(here @ shifted(z=run.joint_z)) for p in _JOINTS[m.joint](shape)]
    return together(parts)


def _flange_thickness(shape: PumpShape) -> float:
    return max(0.22 * shape.manifold.neck_radius_mm, 5.0)


def _joint_bolts(shape: PumpShape, spots: Points, thick: float) -> list[Pieces]:
    system = shape.joint.bolt_system
    size = nearest_size(system, max(0.28 * shape.manifold.neck_radius_mm, 5.0))
    top = head("hex_washer", system, size).mesh
    nut = head("nut_stud", system, size).mesh
    flip = np.diag([1.0, -1.0, -1.0, 1.0])
    return [
        piece(join([placed(top, shifted(x, y, thick)), placed(nut, shifted(x, y, -thick) @ flip)]), "bolt", "fastener")
        for x, y in spots
    ]


def _round_joint(shape: PumpShape) -> list[Pieces]:
    rn, thick = shape.manifold.neck_radius_mm, _flange_thickness(shape)
    outer, count = 1.62 * rn, max(shape.manifold.joint_bolts, 3)
    angles = np.pi / count + np.arange(count) * 2 * np.pi / count
    spots = 1.32 * rn * np.column_stack([np.cos(angles), np.sin(angles)])
    body = join([drum(outer, -thick, -0.5, 0.12 * thick), drum(outer, 0.5, thick, 0.12 * thick), drum(0.98 * outer, -0.7, 0.7)])
    return [piece(body, "manifold", "wetted"), *_joint_bolts(shape, spots, thick)]


def _square_joint(shape: PumpShape) -> list[Pieces]:
    rn, thick = shape.manifold.neck_radius_mm, _flange_thickness(shape)
    outline = rounded_rectangle(2.75 * rn, 2.75 * rn, 0.5 * rn)
    spots = 1.02 * rn * np.array([(1, 1), (-1, 1), (-1, -1), (1, -1)])
    body = join([prism(outline, -thick, -0.5, 0.12 * thick), prism(outline, 0.5, thick, 0.12 * thick)])
    return [piece(body, "manifold", "wetted"), *_joint_bolts(shape, spots, thick)]


def _oval_joint(shape: PumpShape) -> list[Pieces]:
    rn, thick = shape.manifold.neck_radius_mm, _flange_thickness(shape)
    t = np.arange(64) * 2 * np.pi / 64
    reach = 1.15 + 0.72 * np.abs(np.sin(t)) ** 3
    outline = rn * np.column_stack([reach * np.cos(t), reach * np.sin(t)])
    spots = np.array([(0.0, 1.45 * rn), (0.0, -1.45 * rn)])
    body = join([prism(outline, -thick, -0.5, 0.12 * thick), prism(outline, 0.5, thick, 0.12 * thick)])
    return [piece(body, "manifold", "wetted"), *_joint_bolts(shape, spots, thick)]


def _band_joint(shape: PumpShape) -> list[Pieces]:
    """A small clamp band with one bolt across two lugs."""
    rn = shape.manifold.neck_radius_mm
    half, thick = 0.3 * rn, max(0.07 * rn, 1.5)
    outer = 1.3 * rn
    section = [(outer - 0.6 * half, -half), (outer, -0.4 * half), (outer, 0.4 * half), (outer - 0.6 * half, half)]
    section += [(r - thick, 0.9 * z) for r, z in section[::-1]]
    ferrule = lathe([(0, -0.8 * half), (1.18 * rn, -0.8 * half), (1.18 * rn, 0.8 * half), (0, 0.8 * half)])
    lug = box((0.16 * rn, 0.62 * rn, 1.5 * half), 0.05 * rn, 0.03 * rn)
    lugs = [placed(lug, shifted(s * 0.2 * rn, outer + 0.2 * rn)) for s in (-1, 1)]
    system = shape.joint.bolt_system
    size = nearest_size(system, max(0.24 * rn, 5.0))
    out = pose((0.28 * rn, outer + 0.26 * rn, 0.0), (1.0, 0.0, 0.0))
    back = pose((-0.28 * rn, outer + 0.26 * rn, 0.0), (-1.0, 0.0, 0.0))
    bolt = join([placed(head("nut_stud", system, size).mesh, out), placed(head("hex", system, size).mesh, back), placed(drum(0.1 * rn, -0.5 * rn, 0.0, 0.0, 24), out)])
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
        placed(prism(rounded_rectangle(0.12 * rn, 0.16 * rn, 0.03 * rn, 2), -0.42 * rn, 0.42 * rn, 0.03 * rn), shifted(turn=k * np.pi / 8) @ shifted(y=1.36 * rn))
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


# Runs --------------------------------------------------------------------------------------------------------------


def run_path(shape: PumpShape, run: Run) -> Points:
    """(K, 3) middle line of a bent run from neck to neck."""
    return bent_path(_corner_path(run), shape.manifold.bend_mm, 12)


def _corner_path(run: Run) -> list[tuple[float, float, float]]:
    """Middle line from neck to neck; with an end port the run goes straight on past the neck on the port's side."""
    left, right = (-run.neck_x, 0.0, run.joint_z), (run.neck_x, 0.0, run.joint_z)
    return [left, (-run.neck_x, 0.0, run.line_z), (run.neck_x, 0.0, run.line_z), right]


def _reach_out(shape: PumpShape, run: Run) -> list[Mesh]:
    """The straight piece from the middle out to an end port, as far as the port's own neck."""
    if not run.end_side:
        return []
    line = np.array([(0.0, 0.0, run.line_z), (run.end_side * (run.neck_x + 0.35 * run.end_reach), 0.0, run.line_z)])
    return [sweep(line, circle(shape.manifold.pipe_radius_mm))]


def _pipe_elbow(shape: PumpShape, run: Run) -> list[Mesh]:
    m = shape.manifold
    pipe = sweep(run_path(shape, run), circle(m.pipe_radius_mm), up=(0.0, 1.0, 0.0))
    middle = placed(drum(1.12 * m.pipe_radius_mm, -1.25 * m.pipe_radius_mm, 1.25 * m.pipe_radius_mm, 0.1 * m.pipe_radius_mm), pose((0, 0, run.line_z), (1, 0, 0)))
    bodies = [pipe, *_reach_out(shape, run)]
    return bodies if run.end_side else [*bodies, middle]


def _cast_arch(shape: PumpShape, run: Run) -> list[Mesh]:
    """A cast arch of rounded rectangular section, thicker over the middle."""
    m = shape.manifold
    path = bent_path(_corner_path(run), min(1.6 * m.bend_mm, 0.95 * (run.line_z - run.joint_z) + 0.1), 14)
    swell = 1.0 + 0.2 * np.exp(-((path[:, 0] / (0.5 * run.neck_x)) ** 2))
    section = rounded_rectangle(2.2 * m.pipe_radius_mm, 1.95 * m.pipe_radius_mm, 0.62 * m.pipe_radius_mm, 7)
    arch = sweep(_refined(path), section, up=(0.0, 1.0, 0.0), scale=np.interp(*_along(path, swell)))
    rib = sweep(bent_path(_corner_path(run), m.bend_mm, 10)[6:-6] + (0, 0, 0.9 * m.pipe_radius_mm), rounded_rectangle(0.5 * m.pipe_radius_mm, 0.3 * m.pipe_radius_mm, 0.08 * m.pipe_radius_mm, 3), up=(0.0, 1.0, 0.0))
    bodies = [arch, *_reach_out(shape, run)]
    return bodies if run.end_side else [*bodies, rib]


def _refined(path: Points) -> Points:
    """The path with long straight pieces divided, so that a scale can vary along it."""
    stations = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    fine = np.unique(np.concatenate([stations, np.linspace(0.0, stations[-1], 33)]))
    return np.column_stack([np.interp(fine, stations, path[:, k]) for k in range(3)])


def _along(path: Points, values: Points) -> tuple[Points, Points, Points]:
    """Arguments of `np.interp` that carry values given at the path's points to the refined path."""
    stations = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    fine = np.unique(np.concatenate([stations, np.linspace(0.0, stations[-1], 33)]))
    middle = 1.0 + (values.max() - 1.0) * np.exp(-(((fine / stations[-1] - 0.5) / 0.2) ** 2))
    return fine, fine, middle


def _bolted_tee(shape: PumpShape, run: Run) -> list[Mesh]:
    m = shape.manifold
    pipe = sweep(run_path(shape, run), circle(m.pipe_radius_mm), up=(0.0, 1.0, 0.0))
    bodies = [pipe, *_reach_out(shape, run)]
    thick = _tee_thickness(shape)
    for x in _tee_planes(shape, run):
        disk = drum(1.5 * m.pipe_radius_mm, -thick, thick, 0.1 * thick)
        bodies.append(placed(disk, pose((x, 0.0, run.line_z), (1.0, 0.0, 0.0))))
    body = drum(1.18 * m.pipe_radius_mm, -1.3 * m.pipe_radius_mm, 1.3 * m.pipe_radius_mm, 0.1 * m.pipe_radius_mm)
    bodies.append(placed(body, pose((0.0, 0.0, run.line_z), (1.0, 0.0, 0.0))))
    return bodies


def _tee_thickness(shape: PumpShape) -> float:
    return max(0.24 * shape.manifold.pipe_radius_mm, 5.0)


def _tee_planes(shape: PumpShape, run: Run) -> tuple[float, float]:
    x = min(1.9 * shape.manifold.pipe_radius_mm, 0.8 * (run.neck_x - shape.manifold.bend_mm) + 2.0)
    return -x, x


def _tee_bolts(shape: PumpShape, run: Run) -> list[Pieces]:
    m = shape.manifold
    thick = _tee_thickness(shape)
    angles = np.pi / 4 + np.arange(4) * np.pi / 2
    spots = 1.27 * m.pipe_radius_mm * np.column_stack([np.cos(angles), np.sin(angles)])
    planes = _tee_planes(shape, run)
    made = together(_joint_bolts(shape, spots, thick))
    return [made.moved(pose((x, 0.0, run.line_z), (np.sign(x), 0.0, 0.0))) for x in planes]


def _straight_header(shape: PumpShape, run: Run) -> list[Mesh]:
    """A straight header over both necks with screwed end plugs; an end port replaces the plug on its side."""
    m = shape.manifold
    rp = m.pipe_radius_mm
    reach = run.neck_x + 1.35 * m.neck_radius_mm
    bodies = [placed(drum(rp, -reach, reach, 0.12 * rp), pose((0, 0, run.line_z), (1, 0, 0)))]
    for side in (-1, 1):
        collar = drum(1.12 * m.neck_radius_mm, -0.2 * rp, 0.55 * rp, 0.06 * rp)
        bodies.append(placed(collar, shifted(side * run.neck_x, 0.0, run.joint_z)))
        if side != run.end_side:
            plug = join([drum(0.92 * rp, -2.0, 0.22 * rp, 0.08 * rp), hexagon(0.95 * rp, 0.2 * rp, 0.55 * rp)])
            bodies.append(placed(plug, pose((side * reach, 0, run.line_z), (side, 0, 0))))
    return [*bodies, *_reach_out(shape, run)]


def _diagonal_pipe(shape: PumpShape, run: Run) -> list[Mesh]:
    """Straight diagonals from the necks to a hub."""
    m = shape.manifold
    bodies = []
    low = run.joint_z - 0.2 * m.pipe_radius_mm
    for side in (-1, 1):
        line = bent_path([(side * run.neck_x, 0, low), (side * run.neck_x, 0, run.joint_z + 0.5 * m.pipe_radius_mm), (0, 0, run.line_z)], 1.2 * m.pipe_radius_mm, 8)
        bodies.append(sweep(line, circle(m.pipe_radius_mm), up=(0.0, 1.0, 0.0)))
    hub = drum(1.3 * m.pipe_radius_mm, -1.2 * m.pipe_radius_mm, 1.2 * m.pipe_radius_mm, 0.25 * m.pipe_radius_mm)
    bodies.append(placed(hub, pose((0, 0, run.line_z), (0, 1, 0))))
    return [*bodies, *_reach_out(shape, run)]


def _block_header(shape: PumpShape, run: Run) -> list[Mesh]:
    """A machined block from neck to neck."""
    m = shape.manifold
    rp = m.pipe_radius_mm
    reach = run.neck_x + 1.2 * m.neck_radius_mm
    outline = rounded_rectangle(2.1 * rp, 2.1 * rp, 0.22 * rp)
    bar = placed(prism(outline, -reach, reach, 0.12 * rp), pose((0, 0, run.line_z), (1, 0, 0)))
    bodies = [bar]
    for side in (-1, 1):
        if side != run.end_side:
            bodies.append(placed(hexagon(1.1 * rp, -1.0, 0.3 * rp), pose((side * reach, 0, run.line_z), (side, 0, 0))))
    return [*bodies, *_reach_out(shape, run)]


_BUILDERS = {
    "pipe_elbow": _pipe_elbow,
    "cast_arch": _cast_arch,
    "bolted_tee": _bolted_tee,
    "straight_header": _straight_header,
    "diagonal_pipe": _diagonal_pipe,
    "block_header": _block_header,
}
