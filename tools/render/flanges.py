"""Flanged liquid ports: fixed, hubbed, gusseted or loose; open with holes or slots, or mated and bolted.

Local port frame: z outward, the sealing face at z = 0, y up; the neck runs into z < 0.

The circles lie where their edge is seen: the flange's diameter at the front-most place it is reached, the
bolt circle at the mouths of the holes, the bore at the sealing face. On a mated port the companion flange has
the same diameter and hides the pump's own, so both circles are those of the companion's outer face and the
bolts are the ends seen there.
A slot is no circle: slotted flanges have no hole circles, their slots' width is among the pump's lengths.
"""

from dataclasses import replace

import numpy as np

from reference_geometry.standards import find_pipe
from tools.render.fasteners import head, nearest_size, thread_diameter
from tools.render.outlines import Points, bent_path, circle
from tools.render.pieces import Pieces, local_circle, piece, together
from tools.render.port_passage import passage
from tools.render.pump_model import Resting, TrueCircle
from tools.render.pump_shape import PortShape
from tools.render.resting_places import CARD_HALF_MM
from tools.render.solids import Mesh, cut, drum, hollow_pipe, join, lathe, loft, placed, prism, shifted, tube

GASKET_MM = 3.0


def flange_port(shape: PortShape, neck_radius: float, reach: float, depth: float) -> Pieces:
    """The flange with its neck back to z = -reach.

    Args:
        shape: sizes and kinds.
        neck_radius: outside radius of the pipe behind the flange.
        reach: length of neck to draw behind the face.
        depth: how far one sees into an open port.
    """
    radius, bore = shape.flange_diameter_mm / 2.0, shape.bore_mm / 2.0
    front = _plate_front(shape)
    bevel = min(0.06 * shape.thickness_mm, 1.2)
    angles = hole_angles(shape)
    bolt_radius = shape.bolt_circle_mm / 2.0
    spots = np.column_stack([-bolt_radius * np.sin(angles), bolt_radius * np.cos(angles)])
    back = front - shape.thickness_mm
    plate = cut(tube(bore + 1.0, radius, back, front, bevel), _holes(shape, spots, angles, back, front))
    loose = shape.build == "loose"
    parts = [piece(plate, "flange", "band" if loose else "wetted"), _face(shape, neck_radius, front, back)]
    parts.append(piece(_neck(neck_radius, bore, reach), "manifold", "wetted"))
    if shape.build == "gusseted":
        parts.append(piece(join(_gussets(radius, max(neck_radius, bore + 2.5), back, angles)), "flange", "wetted"))
    if not shape.mated:
        hole_mouths = np.column_stack([spots, np.full(len(spots), front)])
        parts.append(passage(shape, bore + 0.02, 1.9, reach, depth, neck_radius))
        circles = [
            local_circle("flange_diameter", shape.flange_diameter_mm, front - bevel),
            local_circle("bolt_circle_diameter", shape.bolt_circle_mm, front, hole_mouths),
            local_circle("port_bore", shape.bore_mm, 0.0),
        ]
        if shape.slot_mm == 0.0:
            circles += [_hole_circle(shape, mouth) for mouth in hole_mouths]
        parts.append(Pieces(circles=tuple(circles), restings=(_rest_beside(bore),)))
    else:
        parts.append(_mate(shape, front, back, bevel, spots))
    return together(parts)


def hole_angles(shape: PortShape) -> Points:
    """(K,) angles of the holes from "up", counter-clockwise seen from outside."""
    return shape.clock_rad + np.arange(shape.hole_count) * 2.0 * np.pi / max(shape.hole_count, 1)


def _plate_front(shape: PortShape) -> float:
    """Local z of the bolted plate's front: behind the raised face, or behind a loose flange's stub end."""
    if shape.build == "loose":
        return -max(0.35 * shape.thickness_mm, 4.0)
    return -shape.raised_face_mm


def _face(shape: PortShape, neck_radius: float, front: float, back: float) -> Pieces:
    """The sealing face standing before the plate, with its bore; flat faces are part of the plate."""
    bore = shape.bore_mm / 2.0
    outer = shape.raised_face_diameter_mm / 2.0
    pieces: list[Mesh] = []
    if front < 0.0:
        outer = min(outer, shape.bolt_circle_mm / 2.0 - shape.hole_mm / 2.0 - shape.slot_mm / 2.0 - 1.0)
        pieces.append(
            lathe(
                [
                    (bore, 0.0),
                    (bore, -2.0),
                    (bore + 1.0, -2.0),
                    (bore + 1.0, front - 1.5),
                    (outer, front - 1.5),
                    (outer, -0.3),
                    (outer - 0.3, 0.0),
                ]
            )
        )
    else:
        pieces.append(lathe([(bore, 0.0), (bore, -2.0), (bore + 1.2, -2.0), (bore + 1.2, 0.0)]))
    if shape.build in ("hub", "gusseted"):
        hub = neck_radius + 0.35 * shape.thickness_mm
        pieces.append(
            lathe(
                [
                    (bore + 2.0, back - 1.6 * shape.thickness_mm),
                    (neck_radius, back - 1.6 * shape.thickness_mm),
                    (hub, back + 1.0),
                    (bore + 2.0, back + 1.0),
                ]
            )
        )
    elif shape.build == "loose":
        pieces.append(tube(bore + 1.0, neck_radius + 1.5, front - 0.5 * shape.thickness_mm, front - 0.5))
    return piece(join(pieces), "flange", "wetted")


def _neck(neck_radius: float, bore: float, reach: float) -> Mesh:
    outer = max(neck_radius, bore + 2.5)
    return tube(bore + 1.5, outer, -reach, -2.5)


def _holes(shape: PortShape, spots: Points, angles: Points, back: float, front: float) -> list[Mesh]:
    """Round bolt holes, or slots along the radius."""
    half, stretch = shape.hole_mm / 2.0, shape.slot_mm / 2.0
    outline = circle(half, 36)
    if stretch > 0.0:
        outline = outline + np.where(outline[:, 1:] >= 0.0, 1.0, -1.0) * (0.0, stretch)
    tool = prism(outline, back - 1.0, front + 1.0)
    return [placed(tool, shifted(x, y, turn=float(a))) for (x, y), a in zip(spots, angles, strict=True)]


def _hole_circle(shape: PortShape, mouth: Points) -> TrueCircle:
    return replace(local_circle("bolt_hole_diameter", shape.hole_mm, 0.0), center_mm=mouth)


def _gussets(radius: float, neck_radius: float, back: float, angles: Points) -> list[Mesh]:
    """Triangular ribs between the holes, from the neck up the plate's back."""
    tall, thick = 0.78 * radius, max(0.06 * radius, 3.0)
    outline = np.array(
        [
            (neck_radius - 0.8, back + 1.0),
            (neck_radius - 0.8, back - tall + neck_radius),
            (neck_radius, back - tall + neck_radius),
            (tall, back - 2.0),
            (tall, back + 1.0),
        ]
    )
    side = [np.column_stack([np.full(5, s * thick / 2.0), outline]) for s in (-1.0, 1.0)]
    web = loft(side)
    half_step = np.pi / len(angles)
    return [placed(web, shifted(turn=float(a) + half_step)) for a in angles]


def _rest_beside(bore: float) -> Resting:
    """A place on the sealing face beside the bore, so that a pocket card leaves the bore free."""
    return Resting(
        card_at="flange",
        instance=0,
        center_mm=np.array([0.0, -(bore + 4.0 + CARD_HALF_MM[1]), 0.0]),
        normal=np.array([0.0, 0.0, 1.0]),
        up=np.array([0.0, 1.0, 0.0]),
        radius_mm=CARD_HALF_MM[1],
    )


RISE_MM = 2400.0
"""Length of the pipe beyond an elbow: it leads out of the picture."""


def _mate(shape: PortShape, front: float, back: float, bevel: float, spots: Points) -> Pieces:
    """Gasket, companion flange, pipe and bolts."""
    radius = shape.flange_diameter_mm / 2.0
    pipe = find_pipe(shape.nominal_in)
    pipe_radius = pipe.outside_diameter_mm / 2.0 if pipe else 0.45 * shape.bore_mm + 5.0
    face = GASKET_MM
    thick = 0.9 * shape.thickness_mm
    plate_back = face - front
    outer = plate_back + thick
    gasket = tube(
        shape.bore_mm / 2.0,
        max(shape.raised_face_diameter_mm / 2.0, shape.bore_mm / 2.0 + 8.0),
        -0.2,
        face + 0.2,
    )
    plate = cut(
        drum(radius, plate_back, outer, bevel),
        [placed(drum(shape.hole_mm / 2.0, plate_back - 1, outer + 1), shifted(x, y)) for x, y in spots],
    )
    raised = drum(shape.raised_face_diameter_mm / 2.0, face, plate_back + 1.0)
    hub = lathe(
        [
            (0, outer - 1.0),
            (1.28 * pipe_radius, outer - 1.0),
            (1.2 * pipe_radius, outer + 0.5 * thick),
            (pipe_radius, outer + 1.1 * thick),
            (0, outer + 1.1 * thick),
        ]
    )
    path = np.array([(0.0, 0.0, outer), (0.0, 0.0, outer + shape.run_mm)])
    if shape.fitting == "elbow":
        path = bent_path(
            [
                (0, 0, outer),
                (0, 0, outer + 0.6 * shape.run_mm),
                (0.0, RISE_MM, outer + 0.6 * shape.run_mm),
            ],
            3.0 * pipe_radius,
        )
    run = placed(hollow_pipe(path, pipe_radius), shifted(turn=shape.run_turn_rad))
    system = shape.bolt_system
    size = nearest_size(system, shape.hole_mm - 2.5)
    end = head(shape.bolt_head, system, size)
    nut = head("nut_stud", system, size).mesh
    shank = drum(0.48 * thread_diameter(system, size), back - 0.5, outer + 0.5, 0.0, 24)
    flip = np.diag([1.0, -1.0, -1.0, 1.0])
    bolts = [
        piece(
            join(
                [
                    placed(end.mesh, shifted(x, y, outer, turn=1.1 * k)),
                    placed(nut, shifted(x, y, back) @ flip),
                    placed(shank, shifted(x, y)),
                ]
            ),
            "bolt",
            "fastener",
        )
        for k, (x, y) in enumerate(spots)
    ]
    tops = np.column_stack([spots, np.full(len(spots), outer + end.height_mm)])
    circles = (
        local_circle("flange_diameter", shape.flange_diameter_mm, outer - bevel),
        local_circle("bolt_circle_diameter", shape.bolt_circle_mm, outer, tops),
    )
    return together(
        [
            piece(gasket, "other", "rubber"),
            piece(join([plate, raised, hub, run]), "companion", "companion"),
            *bolts,
            Pieces(circles=circles),
        ]
    )
