"""Bolt heads, nuts, washers and screws of published sizes, closed meshes standing on z = 0, z outward."""

from dataclasses import dataclass
from functools import cache

import numpy as np

from reference_geometry.standards import Fastener, fasteners
from tools.render.outlines import circle
from tools.render.solids import Mesh, common, cut, drum, join, lathe, placed, prism, shifted, tube

HEAD_KINDS = (
    "hex",
    "hex_washer",
    "hex_flange",
    "socket",
    "socket_washer",
    "nut_stud",
    "nut_stud_washer",
    "cap_nut",
)
SYSTEMS = ("metric", "old_din", "inch")
"""Whose sizes: ISO, old DIN (other widths at M10, M12, M14, M22) or ASME inch."""

_BOLT_STANDARD = {"metric": "ISO 4014/4017", "old_din": "DIN 931/933", "inch": "ASME B18.2.1"}
_NUT_STANDARD = {"metric": "ISO 4032", "old_din": "DIN 934", "inch": "ASME B18.2.2"}


@dataclass(frozen=True)
class Head:
    """A fastener as seen from outside.

    Attributes:
        mesh: closed, standing on z = 0, reaching 1 mm below it into the part it clamps.
        height_mm: of the highest flat (head top, nut top or stud end).
        seat_radius_mm: radius of the place it needs on the part.
        size: thread size in words.
    """

    mesh: Mesh
    height_mm: float
    seat_radius_mm: float
    size: str


def bolt_sizes(system: str) -> tuple[Fastener, ...]:
    """Hex bolts of one system, smallest first."""
    return tuple(f for f in fasteners() if f.standard == _BOLT_STANDARD[system] and f.kind == "hex bolt")


def nearest_size(system: str, thread_mm: float) -> str:
    """The listed thread size nearest to a wanted thread diameter."""
    return min(bolt_sizes(system), key=lambda f: abs(f.thread_diameter_mm - thread_mm)).size


def thread_diameter(system: str, size: str) -> float:
    """Thread diameter of a listed size, mm."""
    return next(f.thread_diameter_mm for f in bolt_sizes(system) if f.size == size)


@cache
def head(kind: str, system: str, size: str) -> Head:
    """One fastener end: head, or nut on a stud, with or without a washer.

    Args:
        kind: one of HEAD_KINDS.
        system: one of SYSTEMS.
        size: a thread size that system lists.
    """
    thread = thread_diameter(system, size)
    washer_thickness, washer_radius = _washer(thread) if kind.endswith("washer") else (0.0, 0.0)
    pieces: list[Mesh] = []
    if washer_thickness:
        pieces.append(tube(thread * 0.45, washer_radius, -1.0, washer_thickness, 0.2, 32))
    base = washer_thickness if washer_thickness else -1.0
    if kind.startswith("socket"):
        row = _nearest("ISO 4762", "socket head", thread)
        radius, top = _mm(row.outside_diameter_mm) / 2.0, washer_thickness + _mm(row.height_mm)
        pieces.append(_socket(radius, base, top, _mm(row.socket_key_mm)))
        seat, height = radius, top
    elif kind.startswith("nut_stud"):
        row = _nearest(_NUT_STANDARD[system], "hex nut", thread)
        flats, top = _mm(row.across_flats_mm), washer_thickness + _mm(row.height_mm)
        height = top + 0.35 * thread
        pieces.append(hexagon(flats, base, top))
        pieces.append(_stud(thread, 0.5 * top, height))
        seat = flats / np.sqrt(3.0)
    elif kind == "cap_nut":
        row = _nearest(_NUT_STANDARD[system], "hex nut", thread)
        flats, nut = _mm(row.across_flats_mm), _mm(row.height_mm)
        height = nut + 0.42 * flats
        pieces.append(hexagon(flats, base, nut))
        angles = np.linspace(0.0, np.pi / 2.0, 9)
        dome = 0.44 * flats
        line = [
            (0.0, nut - 1.0),
            (dome, nut - 1.0),
            *zip(dome * np.cos(angles), nut + 0.42 * flats * np.sin(angles), strict=True),
        ]
        line[-1] = (0.0, height)
        pieces.append(lathe(line, 32))
        seat = flats / np.sqrt(3.0)
    else:
        row = _nearest(_BOLT_STANDARD[system], "hex bolt", thread)
        flats, top = _mm(row.across_flats_mm), washer_thickness + _mm(row.height_mm)
        if kind == "hex_flange":
            flare = 0.62 * flats * 2.0 / np.sqrt(3.0)
            pieces.append(
                lathe(
                    [
                        (0, -1),
                        (flare, -1),
                        (flare, 0.12 * flats),
                        (0.5 * flats, 0.3 * flats),
                        (0, 0.3 * flats),
                    ],
                    32,
                )
            )
            top += 0.12 * flats
        pieces.append(hexagon(flats, base, top))
        seat, height = flats / np.sqrt(3.0), top
    return Head(join(pieces), float(height), max(float(seat), washer_radius), size)


def hexagon(across_flats_mm: float, z0: float, z1: float, chamfered: bool = True) -> Mesh:
    """A hexagonal prism, its top corners turned off at 30 degrees as on bolt heads."""
    corner = across_flats_mm / np.sqrt(3.0)
    body = prism(circle(corner, 6), z0, z1)
    if not chamfered:
        return body
    inner = 0.475 * across_flats_mm
    low = z1 - (1.02 * corner - inner) * np.tan(np.radians(30.0))
    return common(body, lathe([(0, z0 - 1), (1.02 * corner, z0 - 1), (1.02 * corner, low), (inner, z1), (0, z1)], 36))


@cache
def pan_screw(radius_mm: float) -> Mesh:
    """A small round-headed screw with a hexagon socket, for cover plates and caps; stands on z = 0."""
    height = 0.9 * radius_mm
    body = lathe(
        [
            (0, -1),
            (radius_mm, -1),
            (radius_mm, 0.45 * height),
            (0.8 * radius_mm, 0.85 * height),
            (0.5 * radius_mm, height),
            (0, height),
        ],
        28,
    )
    return cut(body, [prism(circle(0.48 * radius_mm, 6), 0.45 * height, height + 1.0)])


@cache
def slotted_screw(radius_mm: float) -> Mesh:
    """A small slotted screw; stands on z = 0."""
    body = drum(radius_mm, -1.0, 0.7 * radius_mm, 0.2 * radius_mm, 28)
    slot = placed(prism(_slot_outline(radius_mm), 0.35 * radius_mm, radius_mm), shifted())
    return cut(body, [slot])


def _slot_outline(radius_mm: float) -> np.ndarray:
    half_width, half_length = 0.13 * radius_mm, 1.2 * radius_mm
    return np.array(
        [
            (-half_length, -half_width),
            (half_length, -half_width),
            (half_length, half_width),
            (-half_length, half_width),
        ]
    )


def _socket(radius: float, z0: float, z1: float, key: float) -> Mesh:
    body = drum(radius, z0, z1, 0.08 * radius, 32)
    return cut(body, [prism(circle(key / np.sqrt(3.0), 6), z1 - 0.55 * (z1 - max(z0, 0.0)), z1 + 1.0)])


def _stud(thread: float, z0: float, z1: float) -> Mesh:
    """The end of a stud: the thread as rings at its coarse pitch (rings, for the few turns that show)."""
    radius, pitch = thread / 2.0, 0.16 * thread
    turns = max(int((z1 - z0) / pitch), 2)
    line: list[tuple[float, float]] = [(0.0, z0)]
    for k in range(turns):
        low = z0 + k * (z1 - z0) / turns
        line += [(0.88 * radius, low), (radius, low + 0.5 * (z1 - z0) / turns)]
    line += [(0.85 * radius, z1), (0.0, z1)]
    return lathe(line, 28)


def _washer(thread: float) -> tuple[float, float]:
    row = _nearest("ISO 7089", "washer", thread)
    return _mm(row.height_mm), _mm(row.outside_diameter_mm) / 2.0


def _nearest(standard: str, kind: str, thread: float) -> Fastener:
    rows = [f for f in fasteners() if f.standard == standard and f.kind == kind]
    return min(rows, key=lambda f: abs(f.thread_diameter_mm - thread))


def _mm(value: float | None) -> float:
    if value is None:
        raise ValueError("the fastener table lacks a dimension its kind must have")
    return value
