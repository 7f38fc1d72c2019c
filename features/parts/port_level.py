"""Whether a port is near the pump's feet or near its top, by how much of the pump is seen above it and below it."""

import numpy as np

from features.parts.closer_look import pump_cells
from features.parts.part_maps import RoundPart
from features.parts.part_model import PartMaps
from features.placement import PortLevel

MORE = 2.0
"""So many times as much of the pump must be seen on one side of a port as on the other: of 174 ports on renders all of
the 84 inlets had more above them, all others more below."""
FILLED = 0.5
"""Share of a row as wide as the port that the pump fills where it is there."""


def port_level(maps: PartMaps, port: RoundPart) -> PortLevel:
    """Where a port is on the pump.

    Args:
        maps: of a look at the whole pump, or at all that the photo shows of it.
        port: its told outline.
    """
    pump = pump_cells(maps)
    column, row = np.rint(maps.window.to_cells(port.center_px[None], maps.cell_px)[0]).astype(int)
    half = max(1, round(float(port.semi_axes_px[0]) / maps.window.scale / maps.cell_px))
    strip = pump[:, max(0, column - half) : max(0, column + half + 1)]
    if not strip.size:
        return "unknown"
    filled = np.flatnonzero(strip.mean(axis=1) > FILLED)
    if not len(filled):
        return "unknown"
    above, below = row - int(filled[0]), int(filled[-1]) - row
    if above > MORE * max(below, 1):
        return "low"
    return "high" if below > MORE * max(above, 1) else "unknown"
