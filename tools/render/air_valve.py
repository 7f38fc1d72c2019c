"""The air valve on the air section: box with a screwed cover, spool, plate, stepped box, upright spool or a free form.

Local frame: the mounting face of the block at z = 0, z outward, y up.
"""

from dataclasses import dataclass

import numpy as np

from tools.render.fasteners import hexagon, pan_screw
from tools.render.free_air import free_valve
from tools.render.outlines import Points, rounded_rectangle
from tools.render.pieces import Pieces, piece, together
from tools.render.pump_shape import PumpShape
from tools.render.solids import Mesh, box, drum, join, placed, pose, prism, shifted


@dataclass(frozen=True, eq=False)
class Valve:
    """The built valve and where air enters and leaves it (frames with z outward)."""

    pieces: Pieces
    inlet: Points
    exhaust: Points


def air_valve(shape: PumpShape) -> Valve:
    """The valve block with its screws and the nameplate's place."""
    w, d, h = shape.air.valve_size_mm
    body, face, screws_at = _body(shape)
    screw = pan_screw(round(float(np.clip(0.045 * min(w, h), 2.5, 7.0)), 1))
    parts = [piece(body, "air_valve", "air_section")]
    parts += [
        piece(placed(screw, shifted(x, y, face, turn=0.5 * k)), "bolt", "fastener")
        for k, (x, y) in enumerate(screws_at)
    ]
    covered = shape.air.valve == "free_valve" and face < d  # what stands on a free valve's face may lie over the plate
    parts.append(_nameplate("none" if covered else shape.air.nameplate, w, h, face))
    inlet = pose((0.0, -0.3 * h, face - 0.5), (0.0, 0.0, 1.0), (0.0, 1.0, 0.0))
    exhaust = pose((0.26 * w, -0.48 * h, 0.45 * d), (0.0, -1.0, 0.0), (0.0, 0.0, 1.0))
    return Valve(together(parts), inlet, exhaust)


def valve_screws(shape: PumpShape) -> int:
    """Screws of the valve's cover as built: the shape's count, rounded to one the cover's layout has."""
    return len(_body(shape)[2])


def _body(shape: PumpShape) -> tuple[Mesh, float, list[tuple[float, float]]]:
    """The body, the height of its screwed face and the screws' places on it."""
    if shape.air.valve == "free_valve":
        return free_valve(shape)
    w, d, h = shape.air.valve_size_mm
    return _VALVES[shape.air.valve](w, h, d, shape.air.valve_screws)


def _around(w: float, h: float, count: int, share: float = 0.42) -> list[tuple[float, float]]:
    """Screw places on a rectangle: corners first, then the middles of the long and short sides."""
    x, y = share * w, share * h
    places = [(-x, -y), (x, -y), (x, y), (-x, y), (x, 0.0), (-x, 0.0), (0.0, y), (0.0, -y)]
    return places[: 4 if count < 6 else 6 if count < 8 else 8]


def _box(w: float, h: float, d: float, screws: int) -> tuple[Mesh, float, list[tuple[float, float]]]:
    body = prism(rounded_rectangle(w, h, 0.1 * min(w, h)), -2.0, 0.8 * d, 0.04 * d)
    lid = prism(rounded_rectangle(0.96 * w, 0.96 * h, 0.1 * min(w, h)), 0.8 * d - 1.0, d, 0.04 * d)
    return join([body, lid]), d, _around(w, h, screws, 0.41)


def _plate(w: float, h: float, d: float, screws: int) -> tuple[Mesh, float, list[tuple[float, float]]]:
    body = prism(rounded_rectangle(w, h, 0.15 * min(w, h)), -2.0, 0.5 * d, 0.05 * d)
    middle = prism(rounded_rectangle(0.62 * w, 0.66 * h, 0.12 * min(w, h)), 0.5 * d - 1.0, 0.72 * d, 0.06 * d)
    return join([body, middle]), 0.5 * d, _around(w, h, screws, 0.43)


def _spool(w: float, h: float, d: float, screws: int) -> tuple[Mesh, float, list[tuple[float, float]]]:
    """A spool housing lying along the diaphragm axis, with hexagonal end caps."""
    base = prism(rounded_rectangle(0.94 * w, 0.9 * h, 0.1 * h), -2.0, 0.42 * d, 0.04 * d)
    radius = min(0.3 * h, 0.42 * d)
    barrel = placed(drum(radius, -0.5 * w, 0.5 * w, 0.08 * radius), pose((0.0, 0.12 * h, 0.5 * d), (1.0, 0.0, 0.0)))
    caps = [
        placed(hexagon(1.5 * radius, -1.0, 0.28 * radius), pose((s * 0.5 * w, 0.12 * h, 0.5 * d), (s, 0.0, 0.0)))
        for s in (-1, 1)
    ]
    return join([base, barrel, *caps]), 0.42 * d, _around(w * 0.9, h * 0.88, screws, 0.44)


def _upright_spool(w: float, h: float, d: float, screws: int) -> tuple[Mesh, float, list[tuple[float, float]]]:
    base = prism(rounded_rectangle(0.8 * w, h, 0.08 * h), -2.0, 0.4 * d, 0.04 * d)
    radius = min(0.34 * w, 0.5 * d)
    barrel = placed(drum(radius, -0.55 * h, 0.55 * h, 0.05 * radius), pose((0.0, 0.0, 0.5 * d), (0.0, 1.0, 0.0)))
    caps = [
        placed(
            drum(1.12 * radius, 0.0, 0.25 * radius, 0.08 * radius),
            pose((0.0, s * 0.5 * h, 0.5 * d), (0.0, s, 0.0)),
        )
        for s in (-1, 1)
    ]
    return join([base, barrel, *caps]), 0.4 * d, _around(w * 0.8, h, screws, 0.43)


def _stepped_box(w: float, h: float, d: float, screws: int) -> tuple[Mesh, float, list[tuple[float, float]]]:
    body = prism(rounded_rectangle(w, 0.94 * h, 0.06 * min(w, h)), -2.0, 0.55 * d, 0.04 * d)
    step = prism(rounded_rectangle(0.8 * w, 0.72 * h, 0.18 * min(w, h)), 0.55 * d - 1.0, d, 0.08 * d)
    ear = box((0.3 * w, 1.16 * h, 0.4 * d), 0.05 * w, 0.03 * d, (0.0, 0.0, 0.22 * d))
    return join([body, step, ear]), d, _around(0.8 * w, 0.72 * h, screws, 0.4)


_VALVES = {
    "box": _box,
    "plate": _plate,
    "spool": _spool,
    "upright_spool": _upright_spool,
    "stepped_box": _stepped_box,
}


def _nameplate(kind: str, w: float, h: float, face: float) -> Pieces:
    """A blank plate with its drive screws, or the holes a lost one left."""
    if kind == "none":
        return Pieces()
    width, tall, up = 0.5 * w, 0.22 * h, 0.17 * h
    corners = [(sx * 0.43 * width, up + sy * 0.36 * tall) for sx, sy in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    if kind == "missing":
        holes = [placed(drum(1.1, -1.0, 0.12, 0.0, 24), shifted(x, y, face)) for x, y in corners[::2]]
        return piece(join(holes), "other", "inside")
    plate = placed(prism(rounded_rectangle(width, tall, 0.12 * tall), -0.5, 0.9, 0.15), shifted(y=up, z=face))
    pins = [placed(drum(1.2, 0.0, 1.5, 0.4, 24), shifted(x, y, face)) for x, y in corners]
    return together([piece(plate, "other", "nameplate"), piece(join(pins), "other", "fastener")])
