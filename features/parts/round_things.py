"""How much a set of concentric circles looks like the face of a port."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from features.parts.bolt_ring import BoltRing, find_bolt_ring
from features.parts.concentric import ConcentricSet
from features.parts.front_on import FrontOn
from reference_geometry.standards.flanges import flanges

Array = NDArray[np.float64]

PORT_MM = (18.0, 260.0)
"""Outside diameters that ports of 1/4 to 4 in. pumps have, with some room (common practice)."""

CIRCLE_SHARE = (
    min(f.bolt_circle_diameter_mm / max(f.flange_diameters_mm) for f in flanges()) - 0.02,
    max(f.bolt_circle_diameter_mm / min(f.flange_diameters_mm) for f in flanges()) + 0.02,
)
"""Range of bolt circle over outside diameter of all tabulated flanges; rings of chamber bolts lie further out."""


@dataclass(frozen=True, eq=False)
class RoundThing:
    """A concentric set with its reading.

    Attributes:
        circles: the set.
        outer: radius of its outermost well-supported circle, squared-up pixels.
        port_ring: repeating ring where a flange has its bolts.
        bore: radius of a well-supported dark opening, 0 when none.
        port_score: how well it reads as a port, about 0..1.
    """

    circles: ConcentricSet
    outer: float
    port_ring: BoltRing
    bore: float
    port_score: float


def read_round_thing(front: FrontOn, circles: ConcentricSet) -> RoundThing:
    """Read one concentric set; bolts near its outer edge speak for a chamber, so against a port."""
    outer = outer_radius(circles)
    edge_ring = find_bolt_ring(front, circles.center, outer, CIRCLE_SHARE[1], 1.0)
    port_ring = find_bolt_ring(front, circles.center, outer, CIRCLE_SHARE[0], CIRCLE_SHARE[1])
    bore, darkness = _bore(front, circles, outer)
    size_mm = 2 * outer * front.mm_per_px
    port = _plausible(size_mm, PORT_MM) * circles.supports.max()
    is_flange_ring = port_ring.strength * (1.0 if port_ring.count in (4, 8) else 0.3)
    lean = 4.0 * (is_flange_ring - edge_ring.strength) + 2.0 * darkness - 0.3
    share = float(1 / (1 + np.exp(-4 * lean)))
    return RoundThing(circles, outer, port_ring, bore, float(port * share))


def outer_radius(circles: ConcentricSet) -> float:
    """Outermost circle that stands out: the rim, not the wall behind it."""
    strongest = float(circles.supports.max())
    enough = min(max(0.35, 0.55 * strongest), strongest)
    return float(circles.radii[circles.supports >= enough].max())


def _plausible(size_mm: float, limits: tuple[float, float]) -> float:
    if size_mm <= 0:
        return 0.7
    return 1.0 if limits[0] <= size_mm <= limits[1] else 0.15


def _bore(front: FrontOn, circles: ConcentricSet, outer: float) -> tuple[float, float]:
    """The dark opening of a port: its radius and how much darker it is than the face, 0..1."""
    best, best_dark = 0.0, 0.0
    for radius, support in zip(circles.radii, circles.supports, strict=True):
        if support < 0.4 or not 0.12 * outer < radius < 0.7 * outer:
            continue
        inside = _mean_ring(front, circles.center, 0.2 * radius, 0.9 * radius)
        around = _mean_ring(front, circles.center, 1.1 * radius, 1.35 * radius)
        dark = float(np.clip((around - inside) / max(around, 8.0), 0, 1)) * float(support)
        if dark > best_dark:
            best, best_dark = float(radius), dark
    return best, best_dark


def _mean_ring(front: FrontOn, center: Array, inner: float, outer: float) -> float:
    y, x = np.ogrid[: front.gray.shape[0], : front.gray.shape[1]]
    square = (x - center[0]) ** 2 + (y - center[1]) ** 2
    ring = (square >= inner**2) & (square <= outer**2) & front.valid
    return float(front.gray[ring].mean()) if ring.any() else 0.0
