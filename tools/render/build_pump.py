"""Builds a pump from its shape: parts, true circles, resting places, lengths and attributes, pump frame."""

from dataclasses import replace

import numpy as np

from reference_geometry.standards import find_thread
from tools.render.air_section import air_section
from tools.render.air_valve import valve_screws
from tools.render.covers import cover
from tools.render.details import block_details, manifold_details
from tools.render.feet import feet
from tools.render.flanges import flange_port
from tools.render.joints import Joint, joint
from tools.render.manifolds import manifold, manifold_run
from tools.render.outlines import Points
from tools.render.pieces import Pieces, together
from tools.render.port_passage import passage_tool
from tools.render.pump_model import Part, PumpModel, Resting
from tools.render.pump_shape import PortShape, PumpShape
from tools.render.resting_places import cover_rest, rim_rests
from tools.render.solids import Mesh, placed, pose, shifted
from tools.render.threaded_ports import threaded_port

AXES = {
    "+x": np.array([1.0, 0.0, 0.0]),
    "-x": np.array([-1.0, 0.0, 0.0]),
    "+y": np.array([0.0, 1.0, 0.0]),
    "-y": np.array([0.0, -1.0, 0.0]),
}


def build_pump(shape: PumpShape) -> PumpModel:
    """The whole pump with its truth."""
    made_joint = joint(shape.joint)
    chamber = _chamber(shape, made_joint)
    pieces = [
        chamber.moved(pose((side * shape.joint_x_mm, 0.0, shape.center_z_mm), (side, 0.0, 0.0))).numbered(k)
        for k, side in enumerate((1.0, -1.0))
    ]
    for k, port in enumerate((shape.discharge, shape.suction)):
        pieces += _liquid_end(shape, port, k)
    pieces.append(air_section(shape, made_joint))
    pieces.append(block_details(shape))
    cleared = _cleared(shape, shape.suction, 1)
    pieces.append(feet(shape, manifold_run(shape, shape.suction.toward), cleared))
    whole = together(pieces)
    parts = number_bolts(whole.parts)
    low, high = own_bounds(parts)
    lengths = lengths_told(
        shape.outlet_z_mm - shape.inlet_z_mm,
        (low, high),
        (shape.feet.spacing_long_mm, shape.feet.spacing_short_mm),
    )
    thread = find_thread(shape.discharge.standard, shape.discharge.nominal_in)
    if thread is not None:
        lengths["thread_pitch"] = thread.pitch_mm
    if shape.discharge.slot_mm > 0.0:
        lengths["bolt_hole_diameter"] = shape.discharge.hole_mm
    floor = Resting(
        "floor",
        0,
        np.array([0.0, low[1] - 60.0, 0.0]),
        np.array([0.0, 0.0, 1.0]),
        np.array([0.0, 1.0, 0.0]),
        150.0,
    )
    return PumpModel(
        parts=parts,
        circles=whole.circles,
        restings=(*whole.restings, floor),
        lengths_mm=lengths,
        attributes=_attributes(shape),
        family_id=shape.family_id,
        shape_kinds=dict(shape.choices),
    )


def lengths_told(
    port_spacing_mm: float, bounds_mm: tuple[Points, Points], foot_spacings_mm: tuple[float, float]
) -> dict[str, float]:
    """True lengths of a pump that stands on z = 0, its least and greatest corner as `own_bounds` gives them."""
    low, high = bounds_mm
    return {
        "port_spacing": port_spacing_mm,
        "overall_height": float(high[2]),
        "overall_width": float(high[0] - low[0]),
        "foot_spacing_long": max(foot_spacings_mm),
        "foot_spacing_short": min(foot_spacings_mm),
    }


def is_own(part: Part) -> bool:
    """Whether a part counts for the overall sizes: not piping, nor what hangs on the air section."""
    return (
        part.label not in ("companion", "scale_reference")
        and part.material not in ("accessory", "muffler")
        and not (part.label == "other" and part.material == "rubber")
    )


def own_bounds(parts: tuple[Part, ...]) -> tuple[Points, Points]:
    """(3,) least and greatest corner of the pump's own parts."""
    boxes = [(p.mesh.vertices.min(axis=0), p.mesh.vertices.max(axis=0)) for p in parts if is_own(p)]
    return np.min([b[0] for b in boxes], axis=0), np.max([b[1] for b in boxes], axis=0)


def piping_bounds(parts: tuple[Part, ...]) -> Points:
    """(K, 2, 3) boxes of what leads away from the pump: mated pipes, fittings, hoses."""
    boxes = [p.mesh.bounds for p in parts if not is_own(p)]
    return np.array(boxes).reshape(-1, 2, 3)


def _chamber(shape: PumpShape, made: Joint) -> Pieces:
    body = cover(shape.cover, made.dish_start_mm, made.face_mm)[0]
    vertices = body.parts[0].mesh.vertices
    neck_front = shape.neck_x_mm - shape.joint_x_mm + shape.manifold.neck_radius_mm
    rests = rim_rests(made, vertices, shape.manifold.neck_radius_mm, neck_front)
    on_cover = cover_rest(vertices, shape.cover.boss_radius_mm, made.dish_start_mm)
    return together([made.pieces, body, Pieces(restings=(on_cover, *rests))])


def _liquid_end(shape: PumpShape, port: PortShape, instance: int) -> list[Pieces]:
    """One manifold with its marks and its port."""
    turned = np.eye(4) if instance == 0 else np.diag([1.0, -1.0, -1.0, 1.0])
    frame = shifted(z=shape.center_z_mm) @ turned
    tool = _cleared(shape, port, instance)
    cleared = None if tool is None else placed(tool, np.linalg.inv(frame))
    run = manifold_run(shape, port.toward)
    return [
        manifold(shape, port.toward, cleared).moved(frame).numbered(instance),
        manifold_details(shape, run, cleared).moved(frame).numbered(instance),
        _port(shape, port, instance),
    ]


def _port(shape: PumpShape, port: PortShape, instance: int) -> Pieces:
    reach = shape.port_reach_mm if port.at_center else 0.9 * shape.port_reach_mm
    make = flange_port if port.connection == "flanged" else threaded_port
    local = make(port, shape.manifold.pipe_radius_mm, reach, _sight(shape, port))
    return local.moved(_port_pose(shape, port, instance)).numbered(instance)


def _port_pose(shape: PumpShape, port: PortShape, instance: int) -> Points:
    """(4, 4) from the port's frame to the pump's."""
    height = shape.outlet_z_mm if instance == 0 else shape.inlet_z_mm
    distance = shape.port_reach_mm if port.at_center else shape.neck_x_mm + shape.port_reach_mm
    return pose(np.array([0.0, 0.0, height]) + distance * AXES[port.toward], AXES[port.toward])


def _cleared(shape: PumpShape, port: PortShape, instance: int) -> Mesh | None:
    """What an open port clears out of all that stands in its passage, in the pump frame."""
    if port.mated:
        return None
    tool = passage_tool(port, _sight(shape, port), shape.manifold.pipe_radius_mm)
    return placed(tool, _port_pose(shape, port, instance))


def _sight(shape: PumpShape, port: PortShape) -> float:
    """How far one sees into an open port, mm: to the far wall of the run, or along it."""
    beyond = 0.5 * shape.manifold.pipe_radius_mm if port.at_center else 0.75 * shape.neck_x_mm
    return shape.port_reach_mm + beyond


def number_bolts(parts: tuple[Part, ...]) -> tuple[Part, ...]:
    """Every fastener gets an instance number of its own."""
    count = 0
    out = []
    for part in parts:
        if part.label == "bolt":
            part = replace(part, instance=count)
            count += 1
        out.append(part)
    return tuple(out)


def _attributes(shape: PumpShape) -> dict[str, str]:
    port = shape.discharge
    words = {
        "connection": port.connection,
        "housing_joint": shape.joint.housing_joint,
        "chamber_bolt_count": str(shape.joint.bolt_count),
        "port_position": "center" if port.at_center else "end",
        "wetted_material": shape.wetted_material,
        "air_valve_side": shape.air.valve_side,
        "port_standard": port.standard,
        "port_nominal_in": port.nominal_in,
        "mated": yes_or_no(port.mated),
        "mated_inlet": yes_or_no(shape.suction.mated),
        "air_valve_screw_count": str(valve_screws(shape)),
    }
    if port.connection == "flanged":
        words |= {
            "bolt_hole_count": str(port.hole_count),
            "slotted": yes_or_no(port.slot_mm > 0.0),
            "swivel_flange": yes_or_no(port.swivel),
        }
    if shape.body_color:
        words["body_color"] = shape.body_color
    return words


def yes_or_no(value: bool) -> str:
    """As attributes tell it."""
    return "yes" if value else "no"
