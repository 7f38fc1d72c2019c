"""Where things must lie so that nothing collides: necks, manifold heights and how far the ports reach."""

import numpy as np

from tools.render.fasteners import head
from tools.render.necks import joint_half_height
from tools.render.pump_shape import JointShape, ManifoldShape, PortShape


def head_height(joint: JointShape) -> float:
    """How far bolt heads stand before the rim, mm (0 for a band)."""
    if joint.housing_joint == "clamp_band":
        return 0.0
    made = head(joint.bolt_head, joint.bolt_system, joint.bolt_size)
    return max(0.0, made.height_mm + joint.bolt_seat_mm)


def joint_front(joint: JointShape) -> float:
    """Distance of the joint's front face from its plane, mm."""
    return joint.front_mm if joint.housing_joint == "clamp_band" else joint.front_mm + joint.seam_mm / 2.0


def least_neck_offset(joint: JointShape, neck_radius: float) -> float:
    """Least distance of a valve housing's axis before the joint plane, so that it clears band or bolts."""
    face = joint_front(joint)
    if joint.housing_joint == "clamp_band":
        return face + 2.0 + neck_radius
    radius = joint.diameter_mm / 2.0 - joint.bolt_inset_mm
    angles = joint.clock_rad + np.arange(joint.bolt_count) * 2 * np.pi / joint.bolt_count
    seat = head(joint.bolt_head, joint.bolt_system, joint.bolt_size).seat_radius_mm
    beside = np.abs(radius * np.sin(angles)).min() if joint.bolt_count else np.inf
    if beside > neck_radius + seat + 1.0:
        return face + 0.25 * neck_radius
    return face + head_height(joint) + 1.0 + neck_radius


def joint_top(joint: JointShape) -> float:
    """Highest reach of the joint above the diaphragm axis, lugs excluded, mm."""
    share = {"rim_square_plate": 1.02, "rim_octagon_plate": 1.0}.get(joint.kind, 1.0)
    return share * joint.diameter_mm / 2.0


def least_half_spacing(joint: JointShape, manifold: ManifoldShape, drop: float) -> float:
    """Least distance of a manifold's center line from the diaphragm axis."""
    top = joint_top(joint)
    under_run = top + manifold.pipe_radius_mm * 1.05 + 2.0
    if manifold.joint == "plain":
        return under_run
    return max(under_run, top + joint_half_height(manifold) + 2.0 + drop)


def port_half_width(port: PortShape) -> float:
    """Half the outside diameter of the port's widest part."""
    return port.flange_diameter_mm / 2.0 if port.connection == "flanged" else port.boss_mm


def least_center_reach(
    port: PortShape, wide: float, joint: JointShape, joint_x: float, half_spacing: float, pipe_radius: float
) -> float:
    """Least distance of a center port's face from the middle: its flange stays clear of the joints."""
    own = pipe_radius + (3.0 * port.thickness_mm if port.connection == "flanged" else 1.1 * wide) + 6.0
    back = joint_front(joint) + 3.0 if joint.housing_joint == "clamp_band" else joint.back_mm + 6.0
    gap = joint_x - back
    if wide <= gap:
        return own
    low = half_spacing - np.sqrt(wide**2 - gap**2)
    radius = joint_top(joint) + 3.0
    if abs(low) >= radius:
        return own
    return max(own, float(np.sqrt(radius**2 - max(low, 0.0) ** 2)) + 1.3 * port.thickness_mm + 4.0)


def least_end_reach(port: PortShape, wide: float, manifold: ManifoldShape, cover_front: float, neck_x: float) -> float:
    """Least distance of an end port's face beyond the neck's axis: its flange clears neck and cover."""
    hub = {"hub": 2.7, "loose": 2.0, "gusseted": 2.2}.get(port.build, 1.3)
    own = (
        1.15 * manifold.neck_radius_mm + (hub * port.thickness_mm if port.connection == "flanged" else 0.9 * wide) + 3.0
    )
    return max(own, cover_front - neck_x + port.thickness_mm)


def neck_side_reach(manifold: ManifoldShape) -> float:
    """How far the necks, their joints and a header's ends reach sideways from a neck's axis, mm."""
    shares = {
        "round_flange": 1.62,
        "square_flange": 1.38,
        "oval_flange": 1.17,
        "small_band": 1.32,
        "union_nut": 1.46,
    }
    reach = shares.get(manifold.joint, 1.08) * manifold.neck_radius_mm
    if manifold.kind == "straight_header":
        return max(reach, 1.35 * manifold.neck_radius_mm + 0.55 * manifold.pipe_radius_mm)
    if manifold.kind == "block_header":
        return max(reach, 1.2 * manifold.neck_radius_mm + 0.3 * manifold.pipe_radius_mm)
    return max(reach, manifold.pipe_radius_mm * 1.1)
