"""What is seen through an open port: the walls of the passage and, far in, the dark.

Local port frame: z outward, the port's face at z = 0.
"""

from tools.render.pieces import Pieces, piece, together
from tools.render.pump_shape import PortShape
from tools.render.solids import Mesh, drum, join, lathe

WALL_MM = 1.5


def inner_radius(port: PortShape, pipe_radius: float) -> float:
    """Radius of the passage within the manifold: a little under the bore, and inside the pipe's wall."""
    return min(0.465 * port.bore_mm, pipe_radius - 2.0)


def passage(
    port: PortShape, radius: float, start: float, reach: float, depth: float, pipe_radius: float,
    mouth: Mesh | None = None,
) -> Pieces:  # fmt: skip
    """The lining of a port, from behind its lip to deep in the manifold.

    Args:
        port: gives the width within the manifold.
        radius: of the passage at the port, mm.
        start: depth at which the lining begins.
        reach: depth to which the port's own neck goes; beyond it the passage runs inside the manifold's pipe.
        depth: where the dark end lies.
        pipe_radius: outside radius of the manifold's pipe.
        mouth: lining already made in front (a thread), joined to this one.
    """
    inner, step = inner_radius(port, pipe_radius), max(reach - pipe_radius, start + 1.0)
    walls = lathe(
        [
            (radius, -start),
            (radius, -step + 0.5),
            (inner, -step),
            (inner, -depth),
            (inner + WALL_MM, -depth),
            (inner + WALL_MM, -step),
            (radius + 2.0, -step),
            (radius + 2.0, -start),
        ]
    )
    end = drum(inner + 0.5 * WALL_MM, -depth - 1.0, -depth + 0.5)
    lining = walls if mouth is None else join([mouth, walls])
    return together([piece(lining, "port_opening", "wetted"), piece(end, "port_opening", "inside")])


def passage_tool(port: PortShape, depth: float, pipe_radius: float) -> Mesh:
    """The body that clears the manifold for the passage; its cut stays hidden behind the lining."""
    return drum(inner_radius(port, pipe_radius) + 0.6 * WALL_MM, -depth - 0.5, 5.0)
