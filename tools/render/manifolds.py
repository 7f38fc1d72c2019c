"""Manifolds: elbows and pipe, cast arch, bolted tee, straight header, diagonals, a block, a webbed pipe or a free form.

Manifold frame: origin in the middle of the pump (on the diaphragm axis), z toward this manifold's side; the
inlet manifold is the discharge one turned by half a turn about x.
"""

from dataclasses import dataclass

import numpy as np

from tools.render.fasteners import hexagon
from tools.render.free_runs import TOP, free_run
from tools.render.necks import joint_bolts, joint_half_height, neck
from tools.render.outlines import Points, bent_path, circle, divided, rounded_rectangle
from tools.render.pieces import Pieces, piece, together
from tools.render.pump_shape import ManifoldShape, PumpShape
from tools.render.solids import Mesh, clear_of, drum, join, placed, pose, prism, shifted, sweep


@dataclass(frozen=True)
class Run:
    """Where a manifold lies: necks at x = +-neck_x, joint plane, center line, end port's side (0: center)."""

    neck_x: float
    joint_z: float
    line_z: float
    end_side: int
    end_reach: float


def manifold_run(shape: PumpShape, toward: str) -> Run:
    """The lay of one manifold, from the pump's shape and the way its port faces (manifold frame)."""
    side = {"+x": 1, "-x": -1}.get(toward, 0)
    return Run(
        shape.neck_x_mm,
        shape.half_spacing_mm - drop_of(shape.manifold),
        shape.half_spacing_mm,
        side,
        shape.port_reach_mm,
    )


def manifold(shape: PumpShape, toward: str, passage: Mesh | None) -> Pieces:
    """Necks, their joints and the run of one side, without the port.

    Args:
        shape: the pump.
        toward: the way the port faces.
        passage: what an open port clears out of the run, None for a closed one.
    """
    run = manifold_run(shape, toward)
    parts = [neck(shape, run.joint_z, side, passage) for side in (-1, 1)]
    bodies = _BUILDERS[shape.manifold.kind](shape, run)
    if passage is not None:
        bodies = clear_of(passage, bodies)
    parts.append(piece(join(bodies), "manifold", "wetted"))
    if shape.manifold.kind == "bolted_tee":
        parts += _tee_bolts(shape, run)
    return together(parts)


def drop_of(m: ManifoldShape) -> float:
    """How far the joints to the chambers lie below the port's center line, mm: clear of the passage there."""
    shares = {"straight_header": 0.8, "block_header": 1.02, "diagonal_pipe": 1.5}
    own = shares[m.kind] * m.pipe_radius_mm if m.kind in shares else m.bend_mm + 0.15 * m.pipe_radius_mm
    return max(own, 0.77 * m.pipe_radius_mm + joint_half_height(m) + 0.5)


def top_of_run(m: ManifoldShape) -> float:
    """Highest reach of the run above the port's center line, mm."""
    return {"block_header": 1.05, "cast_arch": 1.22, "bolted_tee": 1.52, "diagonal_pipe": 1.3, "free_run": TOP}.get(
        m.kind, 1.02
    ) * m.pipe_radius_mm


def run_path(shape: PumpShape, run: Run) -> Points:
    """(K, 3) middle line of a bent run from neck to neck."""
    return bent_path(_corner_path(run), shape.manifold.bend_mm, 12)


def _corner_path(run: Run) -> list[tuple[float, float, float]]:
    """Corners of the middle line from neck to neck."""
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
    middle = placed(
        drum(1.12 * m.pipe_radius_mm, -1.25 * m.pipe_radius_mm, 1.25 * m.pipe_radius_mm, 0.1 * m.pipe_radius_mm),
        pose((0, 0, run.line_z), (1, 0, 0)),
    )
    bodies = [pipe, *_reach_out(shape, run)]
    return bodies if run.end_side else [*bodies, middle]


def _cast_arch(shape: PumpShape, run: Run) -> list[Mesh]:
    """A cast arch of rounded rectangular section, thicker over the middle, with a raised back."""
    m = shape.manifold
    bend = min(1.6 * m.bend_mm, 0.95 * (run.line_z - run.joint_z) + 0.1)
    path, share = divided(bent_path(_corner_path(run), bend, 14))
    section = rounded_rectangle(2.2 * m.pipe_radius_mm, 1.95 * m.pipe_radius_mm, 0.62 * m.pipe_radius_mm, 7)
    swell = 1.0 + 0.2 * np.exp(-(((share - 0.5) / 0.2) ** 2))
    bodies = [sweep(path, section, up=(0.0, 1.0, 0.0), scale=swell), *_reach_out(shape, run)]
    if not run.end_side:
        back = rounded_rectangle(0.5 * m.pipe_radius_mm, 0.3 * m.pipe_radius_mm, 0.08 * m.pipe_radius_mm, 3)
        line = bent_path(_corner_path(run), m.bend_mm, 10)[6:-6] + np.array([0.0, 0.0, 0.9 * m.pipe_radius_mm])
        bodies.append(sweep(line, back, up=(0.0, 1.0, 0.0)))
    return bodies


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
    made = together(joint_bolts(shape, spots, thick))
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
        line = bent_path(
            [
                (side * run.neck_x, 0, low),
                (side * run.neck_x, 0, run.joint_z + 0.5 * m.pipe_radius_mm),
                (0, 0, run.line_z),
            ],
            1.2 * m.pipe_radius_mm,
            8,
        )
        bodies.append(sweep(line, circle(m.pipe_radius_mm), up=(0.0, 1.0, 0.0)))
    hub = drum(1.3 * m.pipe_radius_mm, -1.2 * m.pipe_radius_mm, 1.2 * m.pipe_radius_mm, 0.25 * m.pipe_radius_mm)
    bodies.append(placed(hub, pose((0, 0, run.line_z), (0, 1, 0))))
    return [*bodies, *_reach_out(shape, run)]


def _webbed_pipe(shape: PumpShape, run: Run) -> list[Mesh]:
    """A molded pipe stiffened by a web in the plane of its bends and by rings."""
    m = shape.manifold
    core, line = 0.88 * m.pipe_radius_mm, run_path(shape, run)
    web = rounded_rectangle(0.2 * m.pipe_radius_mm, 2.0 * m.pipe_radius_mm, 0.06 * m.pipe_radius_mm, 3)
    bodies = [
        sweep(line, circle(core), up=(0.0, 1.0, 0.0)),
        sweep(line, web, up=(-1.0, 0.0, 0.0)),
        *_reach_out(shape, run),
    ]
    straight = run.neck_x - m.bend_mm
    for x in np.linspace(-straight, straight, 4):
        ring = drum(m.pipe_radius_mm, -0.09 * m.pipe_radius_mm, 0.09 * m.pipe_radius_mm, 0.03 * m.pipe_radius_mm)
        bodies.append(placed(ring, pose((x, 0.0, run.line_z), (1.0, 0.0, 0.0))))
    return bodies


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


def _free_run(shape: PumpShape, run: Run) -> list[Mesh]:
    return [*free_run(shape, _corner_path(run), with_hub=not run.end_side), *_reach_out(shape, run)]


_BUILDERS = {
    "pipe_elbow": _pipe_elbow,
    "cast_arch": _cast_arch,
    "bolted_tee": _bolted_tee,
    "straight_header": _straight_header,
    "diagonal_pipe": _diagonal_pipe,
    "block_header": _block_header,
    "webbed_pipe": _webbed_pipe,
    "free_run": _free_run,
}
