"""The circles of a port's face: rim, bolt circle with its holes or bolts, and the opening."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from features.circle_sighting import CircleSighting
from features.parts.finder import FoundCircle
from features.parts.front_on import FrontOn
from features.parts.round_things import RoundThing
from features.parts.trace import Squared, TracedCircle, trace_circle

Array = NDArray[np.float64]

_HOLE_SHARES = (0.075, 0.095, 0.12, 0.15)
"""Hole radius over flange radius to try; tabulated flanges have 0.09 to 0.18 of diameter over diameter."""


@dataclass(frozen=True, eq=False)
class PortFace:
    """What was traced on a port's face.

    Attributes:
        circles: rim, bolt circle, holes and opening as far as they were seen.
        bolts_px: (K, 2) centers of holes or bolts in the photo.
        is_flange: whether a ring of bolts or holes was seen where a flange has it.
    """

    circles: tuple[FoundCircle, ...]
    bolts_px: Array
    is_flange: bool


def trace_port(gray: NDArray[np.uint8], front: FrontOn, thing: RoundThing, photo: str, slant_known: bool) -> PortFace:
    """Trace the circles of a port that was read from a concentric set."""
    center = thing.circles.center
    ring = thing.port_ring
    is_flange = ring.strength > 0.2 and ring.count in (4, 8, 12)
    circles: list[FoundCircle] = []
    rim = trace_circle(gray, front, center, thing.outer, "outermost", round_in_front=slant_known)
    if rim and is_flange:
        circles.append(_found("flange_diameter", photo, rim, 0.3))
    if thing.bore > 0:
        bore = trace_circle(gray, front, center, thing.bore, "strongest", reach=0.1, round_in_front=slant_known)
        if bore:
            circles.append(_found("port_bore", photo, bore, 0.3))
    around = np.stack([np.cos(ring.angles_rad), np.sin(ring.angles_rad)], axis=1)
    holes = trace_holes(gray, front, center + ring.radius * around, thing.outer) if is_flange else []
    centers = np.array([hole.ellipse.center_px for hole in holes]).reshape(-1, 2)
    if len(holes) >= max(3, ring.count // 2):
        sighting = CircleSighting("bolt_circle_diameter", photo, centers)
        circles.append(FoundCircle(sighting, len(holes) / ring.count, 0.3))
        middle = sorted(holes, key=lambda hole: hole.ellipse.semi_axes_px[0])[len(holes) // 2]
        circles.append(_found("bolt_hole_diameter", photo, middle, 0.3))
    return PortFace(tuple(circles), centers, is_flange)


def _found(name: str, photo: str, traced: TracedCircle, shared_px: float) -> FoundCircle:
    shared = max(shared_px, 0.001 * float(traced.ellipse.semi_axes_px.mean()))
    return FoundCircle(CircleSighting(name, photo, traced.points_px), traced.coverage, shared)


def trace_holes(gray: NDArray[np.uint8], front: Squared, places: Array, outer: float) -> list[TracedCircle]:
    """Trace the hole (or bolt head) at every expected place of a flange; keep those of like size.

    Args:
        gray: (H, W) photo.
        front: the squared-up picture; places: (K, 2) in its pixels; outer: the flange's radius there.
    """
    traced: list[TracedCircle] = []
    for at in places:
        best: TracedCircle | None = None
        for share in _HOLE_SHARES:
            one = trace_circle(gray, front, at, share * outer, "strongest", reach=0.3, lines=72)
            if one and one.coverage > 0.55 and (best is None or one.coverage > best.coverage + 0.05):
                best = one
        if best is not None:
            traced.append(best)
    if not traced:
        return []
    usual = float(np.median([hole.ellipse.semi_axes_px[0] for hole in traced]))
    return [hole for hole in traced if 0.75 < hole.ellipse.semi_axes_px[0] / usual < 1.33]
