"""Ports: drilled flanges and threaded mouths, about the local z axis, the port's face at z = 0 looking to +z."""

from dataclasses import dataclass

import numpy as np

from tools.other_pumps.plan import PortPlan
from tools.other_pumps.shapes import FINE, slab, stacked_rings
from tools.render.outlines import Points, circle
from tools.render.pieces import Pieces, local_circle, piece, together
from tools.render.pump_model import Resting
from tools.render.solids import Mesh, cut, drum, lathe

LINING_MM = 1.2
"""Wall of the dark lining of a passage; bodies leave this much room round a bore."""
CARD_HALF_MM = 30.0
_SAMPLES_A_PITCH = 8


@dataclass(frozen=True, eq=False)
class MadePort:
    """A port with its truth.

    Attributes:
        pieces: parts, circles and restings.
        back_z: where its own part ends; holes: (K, 2) places of the bolt holes.
        face_z: plane the bolt holes start from (0, or below a raised face).
    """

    pieces: Pieces
    back_z: float
    holes: Points
    face_z: float


def hole_places(port: PortPlan) -> Points:
    """(K, 2) centers of the flange's holes, straddling the axes as the standards ask."""
    turns = (np.arange(port.holes) + 0.5) * 2 * np.pi / port.holes
    return np.asarray(0.5 * port.circle_mm * np.column_stack([np.cos(turns), np.sin(turns)]))


def flange(port: PortPlan, depth: float, mated: bool, rng: np.random.Generator) -> MadePort:
    """A drilled flange with an open passage of the given depth; circles of a mated one are those still seen."""
    collar = rng.uniform(5.0, 9.0) if port.swivel else 0.0
    wide = min(port.face_mm or 0.5 * (port.bore_mm + port.circle_mm), port.circle_mm - port.hole_mm - 2.0)
    face_z = -(collar or (rng.uniform(1.2, 2.2) if port.face_mm else 0.0))
    edge = float(rng.uniform(0.3, 2.2))
    thick = port.thick_mm
    ring = slab(circle(port.flange_mm / 2, FINE), face_z - thick, face_z, edge, rng.uniform(0.3, 2.5))
    holes = hole_places(port)
    bore = _bore_tool(port.bore_mm, face_z - thick - 2)
    ring = cut(ring, [*(_hole_tool(port, at, face_z - thick) for at in holes), bore])
    parts = [piece(ring, "flange", "wetted")]
    if face_z < 0:
        face = slab(circle(wide / 2, FINE), face_z - 1.0, 0.0, min(0.4, -face_z / 3), 0.0)
        parts.append(piece(cut(face, [bore]), "flange", "wetted"))
    places = np.column_stack([holes, np.full(len(holes), face_z)])
    circles = [local_circle("flange_diameter", port.flange_mm, face_z - edge)]
    if not mated:
        parts.append(lining(port.bore_mm, depth))
        circles += [
            local_circle("bolt_circle_diameter", port.circle_mm, face_z, places),
            local_circle("port_bore", port.bore_mm, 0.0),
        ]
    made = together([*parts, Pieces(circles=tuple(circles))])
    if not mated:
        each = [Pieces(circles=(local_circle("bolt_hole_diameter", port.hole_mm, 0.0),)).moved(_at(p)) for p in places]
        made = together([made, *each, Pieces(restings=face_rests(port.bore_mm, 0.5 * port.flange_mm))])
    return MadePort(made, face_z - thick, holes, face_z)


def _at(point: Points) -> Points:
    matrix = np.eye(4)
    matrix[:3, 3] = point
    return matrix


def _bore_tool(bore: float, back: float) -> Mesh:
    r = bore / 2
    return lathe([(0, 1), (r, 1), (r, -0.6), (r + LINING_MM, -0.6), (r + LINING_MM, back), (0, back)], FINE)


def _hole_tool(port: PortPlan, at: Points, back: float) -> Mesh:
    """A drill, or a slot's cutter lying along the radius."""
    r, long = port.hole_mm / 2, port.slot_mm / 2
    turns = np.arange(64) * 2 * np.pi / 64
    out = np.column_stack([r * np.cos(turns) + np.where(np.cos(turns) > 1e-9, long, -long), r * np.sin(turns)])
    angle = np.arctan2(at[1], at[0])
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return slab(out @ turn.T + at, back - 2, 2.0, 0.01)


def lining(bore: float, depth: float, start: float = -0.6) -> Pieces:
    """The dark inside of a passage: a cup open at the face."""
    r = bore / 2
    outside = [(r, start), (r + LINING_MM, start), (r + LINING_MM, -depth - 2), (0, -depth - 2)]
    turns = np.linspace(0, np.pi / 2, 6)[1:]
    bottom = [(0.0, -depth), *((r * np.sin(t), -depth + 0.6 * r * (1 - np.cos(t))) for t in turns)]
    return piece(lathe([*bottom, *outside], 96), "port_opening", "inside")


def face_rests(bore: float, outer: float) -> tuple[Resting, ...]:
    """Places on a port's face for a card held below, beside or above the opening."""
    off = bore / 2 + 3.0 + CARD_HALF_MM
    ways = [(0.0, -1.0), (1.0, 0.0), (-1.0, 0.0), (0.0, 1.0)]
    up = np.array([0.0, 1.0, 0.0])
    return tuple(
        Resting("flange", 0, np.array([off * x, off * y, 0.0]), np.array([0.0, 0.0, 1.0]), up, min(CARD_HALF_MM, outer))
        for x, y in ways
    )


def threaded_mouth(port: PortPlan, depth: float, mated: bool, rng: np.random.Generator) -> MadePort:
    """A boss with a female thread cut as a true helix, countersunk to the major diameter at its face."""
    long = float(np.clip(0.9 * port.major_mm, 8 * port.pitch_mm, 14 * port.pitch_mm))
    boss = _boss(port, long, rng)
    if mated:
        plain = cut(boss, [drum(0.5 * port.major_mm, -long - 3, 2, 0.0, 96)])
        return MadePort(piece(plain, "threaded_boss", "wetted"), -long, np.zeros((0, 2)), 0.0)
    hollow = cut(boss, [drum(0.5 * port.major_mm + 0.8, -long - 3, 2, 0.0, 128)])
    parts = [piece(hollow, "threaded_boss", "wetted"), piece(_thread(port, long), "threaded_boss", "wetted")]
    parts.append(lining(port.bore_mm * 0.97, max(depth, long + 10.0), -long + 0.2))
    mouth = 0.5 * (port.major_mm - port.bore_mm)
    circles = (
        local_circle("thread_major_diameter", port.major_mm, 0.0),
        local_circle("port_bore", port.bore_mm, -mouth),
    )
    rests = face_rests(port.bore_mm, 0.5 * port.boss_mm)
    return MadePort(together([*parts, Pieces(circles=circles, restings=rests)]), -long, np.zeros((0, 2)), 0.0)


def _boss(port: PortPlan, long: float, rng: np.random.Generator) -> Mesh:
    edge = float(rng.uniform(0.6, 2.2))
    outer = port.boss_mm / 2
    if not port.hexed:
        return slab(circle(outer, 128), -long, 0.0, edge, 0.1)
    sides = int(rng.choice([6, 8]))
    turns = np.arange(FINE) * 2 * np.pi / FINE
    flat = outer * np.cos(np.pi / sides) / np.cos((turns % (2 * np.pi / sides)) - np.pi / sides)
    radius = np.minimum(flat, 0.97 * outer) * (outer / np.minimum(flat, 0.97 * outer).max())
    return slab(radius[:, None] * np.column_stack([np.cos(turns), np.sin(turns)]), -long, 0.0, edge, 0.1)


def _thread(port: PortPlan, long: float) -> Mesh:
    """The threaded sleeve inside a boss: its inner radius follows a helix of the standard's pitch and taper."""
    count = 96
    turns = np.arange(count) * 2 * np.pi / count
    crest, root = port.bore_mm / 2, port.major_mm / 2
    outer = root + 1.0
    mouth = root - crest
    depths = np.concatenate([[0.0], np.arange(0.02, long, port.pitch_mm / _SAMPLES_A_PITCH), [long]])

    def loop(radius: Points, z: float) -> Points:
        return np.column_stack([radius * np.cos(turns), radius * np.sin(turns), np.full(count, z)])

    inner = []
    for s in depths:
        phase = (s / port.pitch_mm - turns / (2 * np.pi)) % 1.0
        groove = np.clip(1.5 - np.abs(4 * phase - 2) * 1.25, 0.0, 1.0)
        radius = crest + (root - crest) * groove - 0.5 * port.taper * s
        # The countersink at the mouth takes the crests off.
        inner.append(loop(np.maximum(radius, root - s) if s < mouth else radius, -s))
    full = np.full(count, outer)
    return stacked_rings([loop(full, -0.01), *inner, loop(full, -long)])
