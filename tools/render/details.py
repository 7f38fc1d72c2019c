"""Small marks of casting and handling: parting ridges, flow arrows, plugs, lifting eyes, an earth screw."""

import numpy as np

from tools.render.fasteners import hexagon, pan_screw
from tools.render.manifolds import Run, run_path
from tools.render.outlines import Points, circle, rounded_rectangle
from tools.render.pieces import Pieces, piece, together
from tools.render.pump_shape import PumpShape
from tools.render.solids import Mesh, clear_of, drum, join, placed, pose, prism, shifted, sweep


def manifold_details(shape: PumpShape, run: Run, passage: Mesh | None) -> Pieces:
    """Marks on one manifold and its necks, in the manifold frame; an open port's passage is kept clear."""
    wanted = shape.details
    bodies: list[Mesh] = []
    if "parting" in wanted and shape.manifold.kind in ("pipe_elbow", "bolted_tee"):
        bodies.append(_parting_ridge(shape, run))
    if "arrow" in wanted:
        bodies += [_arrow(shape, run, side) for side in (-1.0, 1.0)]
    if "plugs" in wanted:
        bodies += [_neck_plug(shape, run, side) for side in (-1.0, 1.0)]
    if passage is not None:
        bodies = clear_of(passage, bodies)
    return piece(join(bodies), "manifold", "wetted") if bodies else Pieces()


def block_details(shape: PumpShape) -> Pieces:
    """Lifting eyes and an earth screw on the air section, in the pump frame."""
    parts = []
    top = shape.center_z_mm + shape.air.block_z_mm
    clear = shape.outlet_z_mm - shape.manifold.pipe_radius_mm - top
    size = 0.045 * shape.joint.diameter_mm
    if "eyes" in shape.details and clear > 4.5 * size:
        for y in (-0.45, 0.45):
            eye = placed(_eye(size), shifted(0.0, y * shape.air.block_y_mm, top))
            parts.append(piece(eye, "other", "fastener"))
    if "earth" in shape.details:
        sign = 1.0 if shape.air.valve_side == "front" else -1.0
        spot = (0.0, sign * shape.air.block_y_mm, shape.center_z_mm - 0.7 * shape.air.block_z_mm)
        screw = join([pan_screw(4.0), drum(6.0, -1.0, 1.2, 0.2, 32)])
        parts.append(piece(placed(screw, pose(spot, (0.0, sign, 0.0))), "bolt", "fastener"))
    return together(parts)


def _parting_ridge(shape: PumpShape, run: Run) -> Mesh:
    """The thin ridge the mold's halves leave along the run, in the plane of its bends."""
    plate = rounded_rectangle(1.0 + 0.004 * shape.joint.diameter_mm, 2.0 * shape.manifold.pipe_radius_mm + 1.6, 0.4, 2)
    return sweep(run_path(shape, run), plate, up=(-1.0, 0.0, 0.0))


def _arrow(shape: PumpShape, run: Run, side: float) -> Mesh:
    """A raised arrow on a neck's front, pointing with the flow (toward this manifold on both sides)."""
    rn = shape.manifold.neck_radius_mm
    s = 0.42 * rn
    outline = s * np.array([(0, 1.3), (-0.75, 0.3), (-0.3, 0.3), (-0.3, -1.2), (0.3, -1.2), (0.3, 0.3), (0.75, 0.3)])
    arrow = prism(outline, -0.25 * rn, 0.04 * rn + 0.6, 0.02 * rn)
    height = run.joint_z - 2.2 * rn
    return placed(arrow, pose((side * run.neck_x, -rn, height), (0.0, -1.0, 0.0)))


def _neck_plug(shape: PumpShape, run: Run, side: float) -> Mesh:
    """A screwed plug on a boss at a neck's back."""
    rn = shape.manifold.neck_radius_mm
    plug = join([drum(0.42 * rn, -0.4 * rn, 0.18 * rn, 0.05 * rn), hexagon(0.5 * rn, 0.1 * rn, 0.42 * rn)])
    return placed(plug, pose((side * run.neck_x, 0.96 * rn, run.joint_z - 1.9 * rn), (0.0, 1.0, 0.0)))


def _eye(size: float) -> Mesh:
    """An eye bolt: collar, shank and ring, standing on z = 0."""
    angles = np.linspace(0.15, 2.0 * np.pi - 0.15, 40) - np.pi / 2.0
    ring = np.column_stack([size * np.cos(angles), np.zeros(40), 1.75 * size + size * np.sin(angles)])
    return join(
        [
            drum(0.8 * size, -1.0, 0.35 * size, 0.08 * size),
            drum(0.4 * size, 0.0, 1.0 * size),
            _ring(ring, 0.3 * size),
        ]
    )


def _ring(path: Points, radius: float) -> Mesh:
    return sweep(path, circle(radius, 20), up=(0.0, 1.0, 0.0))
