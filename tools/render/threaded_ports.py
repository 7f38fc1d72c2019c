"""Threaded liquid ports: bosses of several forms, empty with their thread or with a fitting screwed in.

Local port frame: z outward, the boss's face at z = 0, y up; the neck runs into z < 0.
"""

import numpy as np

from reference_geometry.standards import PipeThread, find_pipe, find_thread
from tools.render.fasteners import hexagon
from tools.render.free_round import free_boss_outline
from tools.render.outlines import bent_path, circle, rounded_polyline, rounded_rectangle
from tools.render.pieces import Pieces, local_circle, piece, together
from tools.render.port_passage import passage
from tools.render.pump_model import Resting
from tools.render.pump_shape import PortShape
from tools.render.solids import Mesh, cut, drum, hollow_pipe, join, lathe, placed, prism, shifted, sweep, tube
from tools.render.threads import countersink_depth, female_thread, male_thread


def threaded_port(shape: PortShape, neck_radius: float, reach: float, depth: float) -> Pieces:
    """The boss with its thread or fitting and its neck back to z = -reach.

    An empty port is seen into as far as `depth`.

    Raises:
        ValueError: the standard has no thread of that size.
    """
    thread = find_thread(shape.standard, shape.nominal_in)
    if thread is None:
        raise ValueError(f"{shape.standard} has no {shape.nominal_in} thread")
    engaged = thread.useful_length_mm or 0.3 * thread.major_diameter_mm
    length = min(1.5 * engaged + 3.0, 0.9 * reach)
    outer = shape.boss_mm
    parts = [piece(_boss(shape, length, thread.major_diameter_mm / 2.0), "threaded_boss", "wetted")]
    parts.append(
        piece(
            tube(thread.minor_diameter_mm / 2.0 - 1.0, max(neck_radius, outer * 0.82), -reach, -0.85 * length),
            "manifold",
            "wetted",
        )
    )
    if shape.mated:
        parts.append(piece(placed(_fitting(shape, thread), shifted(turn=shape.run_turn_rad)), "companion", "companion"))
        return together(parts)
    core = thread.minor_diameter_mm / 2.0 - thread.taper_on_diameter * length / 2.0
    lining = female_thread(thread, length)
    parts.append(passage(shape, 0.97 * core, length - 0.05, reach, depth, neck_radius, lining))
    parts.append(
        Pieces(
            circles=(
                local_circle("thread_major_diameter", thread.major_diameter_mm, 0.0),
                local_circle("port_bore", thread.minor_diameter_mm, -countersink_depth(thread)),
            ),
            restings=(
                Resting(
                    card_at="flange",
                    instance=0,
                    center_mm=np.array([0.0, -(thread.major_diameter_mm / 2.0 + 32.0), 0.0]),
                    normal=np.array([0.0, 0.0, 1.0]),
                    up=np.array([0.0, 1.0, 0.0]),
                    radius_mm=30.0,
                ),
            ),
        )
    )
    return together(parts)


def _boss(shape: PortShape, length: float, mouth: float) -> Mesh:
    """A boss with a through hole of the mouth's radius."""
    build, outer = shape.build, shape.boss_mm
    bevel = 0.05 * outer
    if build in ("hex", "octagon", "free_boss"):
        corners = 6 if build == "hex" else 8
        outline = (
            free_boss_outline(shape.form, outer)
            if build == "free_boss"
            else circle(outer, corners, turn=np.pi / corners)
        )
        body = prism(outline, -length, 0.0, bevel)
        return cut(body, [drum(mouth, -length - 1.0, 1.0)])
    if build == "flared":
        line = rounded_polyline(
            [(mouth, 0.0), (outer, 0.0), (outer, -0.35 * length), (0.82 * outer, -length), (mouth, -length)],
            [0, bevel, bevel, 0, 0],
            4,
        )
        return lathe(line)
    body = tube(mouth, outer, -length, 0.0, bevel)
    if build == "ribbed":
        count = 8
        body = tube(mouth, 0.9 * outer, -length, 0.0, bevel)
        rib = prism(rounded_rectangle(0.15 * outer, 0.28 * outer, 0.05 * outer), -length, -0.1 * length, 0.04 * outer)
        ribs = [placed(rib, shifted(turn=k * 2 * np.pi / count) @ shifted(y=0.84 * outer)) for k in range(count)]
        collar = tube(mouth + 1.0, outer, -0.2 * length, -0.02, bevel)
        return join([body, collar, *ribs])
    return body


def _fitting(shape: PortShape, thread: PipeThread) -> Mesh:
    """What is screwed in: a nipple, an elbow, a plug or a hose barb."""
    pipe = find_pipe(shape.nominal_in)
    radius = (pipe.outside_diameter_mm if pipe else thread.major_diameter_mm) / 2.0
    show = 0.25 * (thread.useful_length_mm or 8.0)
    bodies = [male_thread(thread, -6.0, show)]
    if shape.fitting == "plug":
        bodies.append(hexagon(2.1 * radius, show, show + 0.9 * radius))
    elif shape.fitting == "barb":
        bodies.append(hexagon(2.25 * radius, show, show + 0.7 * radius))
        line: list[tuple[float, float]] = [(0.0, show)]
        z = show + 0.7 * radius
        for _ in range(4):
            line += [(0.98 * radius, z), (0.84 * radius, z + 0.45 * radius)]
            z += 0.45 * radius
        bodies.append(lathe([*line, (0.0, z)]))
    elif shape.fitting == "elbow":
        socket = 1.28 * radius
        path = bent_path(
            [(0, 0, show), (0, 0, show + 1.9 * socket), (0.0, 1.9 * socket, show + 1.9 * socket)],
            1.25 * socket,
        )
        bodies.append(sweep(path, circle(socket), up=(1.0, 0.0, 0.0)))
        for matrix in (shifted(z=show), None):
            if matrix is not None:
                bodies.append(placed(tube(0.5 * radius, 1.15 * socket, 0.0, 0.6 * radius, 0.08 * radius), matrix))
        run = [
            (0.0, 1.5 * socket, show + 1.9 * socket),
            (0.0, 1.9 * socket + shape.run_mm, show + 1.9 * socket),
        ]
        bodies.append(hollow_pipe(run, radius))
    else:
        bodies.append(
            hexagon(2.15 * radius, show, show + 0.55 * radius) if shape.fitting == "nipple" else drum(radius, 0, 1)
        )
        bodies.append(hollow_pipe([(0.0, 0.0, show), (0.0, 0.0, show + shape.run_mm)], radius))
    return join(bodies)
