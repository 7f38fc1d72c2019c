"""The chamber joint behind a domed cover: found from what is concentric with it but nearer to the camera.

Boss, ribs and rim of a cover share one axis. Squared up, whatever lies in front of the rim is shifted away from the
picture's foot point by its height over the distance, so the rim's center lies on the line from a boss's center to
that foot. Along this line the joint is the largest circle with edges enough, the better if bolts repeat inside it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from features.parts.bolt_ring import BoltRing, find_bolt_ring
from features.parts.concentric import ConcentricSet, EdgeField, support_profile
from features.parts.front_on import FrontOn
from features.parts.round_things import CIRCLE_SHARE

Array = NDArray[np.float64]

SHIFTS = (0.0, 0.025, 0.05, 0.075, 0.1, 0.125, 0.15, 0.18)
"""Heights of boss over rim as shares of the camera's distance."""

BOLTS_FROM = 0.82
"""Chamber bolts lie outside this share of the rim's radius (common practice)."""

_LEAST_SUPPORT = 0.24


@dataclass(frozen=True, eq=False)
class Joint:
    """A possible chamber joint.

    Attributes:
        center, radius: in squared-up pixels.
        support: share of directions with an edge there.
        ring: the repeating ring inside its edge.
        score: how well it fits, for comparing.
    """

    center: Array
    radius: float
    support: float
    ring: BoltRing
    score: float


def find_joints(
    front: FrontOn, field: EdgeField, sets: Sequence[ConcentricSet], least: float, most: float, keep: int = 8
) -> list[Joint]:
    """Possible joints, best first.

    Args:
        front: squared-up picture.
        field: its edges.
        sets: concentric sets whose axes may be a chamber's.
        least, most: range of the joint's radius in squared-up pixels.
        keep: how many of the best-supported circles are looked at closely.

    Returns:
        Joints in order of score.
    """
    found: list[tuple[float, Array, float, float]] = []
    for one in sets:
        for shift in SHIFTS:
            center = one.center + shift * (front.foot - one.center)
            rims = _rims(front, field, center, least, most)
            found += [(merit, center, radius, support) for merit, radius, support in rims]
    found.sort(key=lambda f: -f[0])
    joints: list[Joint] = []
    for merit, center, radius, support in found:
        if any(_same(center, radius, joint) for joint in joints):
            continue
        if is_flange(front, center, radius):
            continue
        ring = find_bolt_ring(front, center, radius, BOLTS_FROM, 1.0)
        strength = ring.strength if ring.count >= 4 else 0.0
        joints.append(Joint(center, radius, support, ring, merit + 0.8 * strength))
        if len(joints) == keep:
            break
    joints.sort(key=lambda joint: -joint.score)
    return _outlines_first(joints)


def is_flange(front: FrontOn, center: Array, radius: float) -> bool:
    """Whether a circle is the rim of a port flange: 4 or 8 strong repeats well inside its edge."""
    drilling = find_bolt_ring(front, center, radius, *CIRCLE_SHARE)
    return drilling.count in (4, 8) and drilling.strength > 0.4


def _outlines_first(joints: list[Joint]) -> list[Joint]:
    """Spokes and steps of a cover repeat and are round too: a well-seen circle just outside them is the joint."""
    if not joints:
        return joints
    best = joints[0]
    outside = [
        joint
        for joint in joints[1:]
        if 1.04 < joint.radius / best.radius < 1.4
        and joint.support >= max(0.45, 0.8 * best.support)
        and np.linalg.norm(joint.center - best.center) < 0.2 * best.radius
    ]
    if not outside:
        return joints
    outer = max(outside, key=lambda joint: joint.support)
    return [outer, *[joint for joint in joints if joint is not outer]]


def _rims(
    front: FrontOn, field: EdgeField, center: Array, least: float, most: float
) -> list[tuple[float, float, float]]:
    """(merit, radius, support) of circles about one center that could be a rim."""
    profile = support_profile(field, center, most)
    smooth = np.convolve(profile, [0.25, 0.5, 0.25], mode="same")
    peak = (smooth[1:-1] >= smooth[:-2]) & (smooth[1:-1] > smooth[2:]) & (profile[1:-1] >= _LEAST_SUPPORT)
    radii = np.nonzero(peak)[0] + 1
    radii = radii[radii >= least]
    longest = min(front.gray.shape)
    out = []
    for radius in radii:
        # A rim with nothing concentric outside it is an outline, and outlines are what is wanted.
        beyond = profile[int(1.04 * radius) : int(1.35 * radius)]
        outside = float(beyond.max()) if len(beyond) else 0.0
        merit = 0.8 * float(profile[radius]) + min(radius / longest, 0.4) - 0.25 * outside
        out.append((merit, float(radius), float(profile[radius])))
    return out


def _same(center: Array, radius: float, joint: Joint) -> bool:
    return bool(np.linalg.norm(center - joint.center) < 0.03 * radius and abs(radius / joint.radius - 1) < 0.02)
