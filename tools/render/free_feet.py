"""Feet of random form: a base of pads, bars or one sheet, and legs, walls or posts up to the inlet manifold."""

from collections.abc import Callable

import numpy as np

from tools.render.draws import Rng, between
from tools.render.free_forms import CORNERS, form_rng, free_outline, slab
from tools.render.outlines import Points, rounded_rectangle
from tools.render.pump_shape import PumpShape
from tools.render.solids import Mesh, box, cut, loft, placed, pose, prism, shifted

Drill = Callable[[Mesh, Points], Mesh]


def free_feet(shape: PumpShape, neck_x: float, places: Points, drill: Drill) -> list[Mesh]:
    """The bodies, standing on z = 0 and reaching into the run.

    Args:
        shape: the pump.
        neck_x: where the run bends up to the necks, mm.
        places: (4, 2) centers of the mounting holes.
        drill: cuts mounting holes at places (K, 2) through a body.
    """
    rng = form_rng(shape, "feet")
    base = str(rng.choice(["pads", "bars", "sheet"]))
    edge = between(rng, 1.5, 2.4) * shape.feet.hole_mm
    stand = {"pads": ("legs",), "bars": ("legs", "walls", "walls"), "sheet": ("legs", "walls", "posts", "posts")}[base]
    stands_on = str(rng.choice(stand))
    post_x = between(rng, 0.4, 0.7) * neck_x
    if base == "pads":
        bodies = _pads(rng, shape, places, edge, drill)
    elif base == "bars":
        bodies = _bars(rng, shape, places, edge, drill)
    else:
        window = 0.8 * (post_x - 0.9 * shape.manifold.pipe_radius_mm) if stands_on == "posts" else 0.3 * neck_x
        bodies = [_sheet(rng, shape, places, edge, window, drill)]
    if stands_on == "legs":
        return bodies + _legs(rng, shape, neck_x, places)
    if stands_on == "walls":
        return bodies + _walls(rng, shape, neck_x, edge)
    return bodies + _posts(rng, shape, post_x)


def _pads(rng: Rng, shape: PumpShape, places: Points, edge: float, drill: Drill) -> list[Mesh]:
    """One pad at each hole, at times tied across the pump."""
    f = shape.feet
    half = edge * rng.uniform(1.0, 1.4, 2)
    pad = slab(free_outline(rng), half[0], half[1], 0.0, f.thickness_mm, between(rng, 0.02, 0.15))
    bodies = [placed(drill(pad, np.zeros((1, 2))), shifted(x, y)) for x, y in places]
    gap = f.spacing_short_mm - 3.0 * f.hole_mm
    if rng.random() < 0.4 and gap > 2.0 * f.hole_mm:
        tie = (between(rng, 0.5, 2.0) * edge, gap, between(rng, 0.5, 0.9) * f.thickness_mm)
        bodies += [
            box(tie, 0.2 * tie[0], 0.1 * tie[2], (side * f.spacing_long_mm / 2.0, 0.0, 0.5 * f.thickness_mm))
            for side in (-1, 1)
        ]
    return bodies


def _bars(rng: Rng, shape: PumpShape, places: Points, edge: float, drill: Drill) -> list[Mesh]:
    """One bar with two holes below each chamber, across the pump."""
    f = shape.feet
    outline = rounded_rectangle(2.0 * edge, f.spacing_short_mm + 2.0 * edge, between(rng, 0.1, 0.98) * edge)
    bar = prism(outline, 0.0, f.thickness_mm, between(rng, 0.05, 0.4) * f.thickness_mm)
    bar = drill(bar, places[:2] * (0.0, 1.0))
    return [placed(bar, shifted(side * f.spacing_long_mm / 2.0)) for side in (-1, 1)]


def _sheet(rng: Rng, shape: PumpShape, places: Points, edge: float, window_x: float, drill: Drill) -> Mesh:
    """One sheet under all holes, at times with a window in its middle."""
    f = shape.feet
    outline = rounded_rectangle(
        f.spacing_long_mm + 2.0 * edge, f.spacing_short_mm + 2.0 * edge, between(rng, 0.2, 1.6) * edge
    )
    sheet = prism(outline, 0.0, f.thickness_mm, between(rng, 0.05, 0.3) * f.thickness_mm)
    half_y = between(rng, 0.2, 0.4) * f.spacing_short_mm
    if rng.random() < 0.5 and window_x > f.hole_mm:
        sheet = cut(sheet, [slab(free_outline(rng), window_x, half_y, -1.0, f.thickness_mm + 1.0, 0.0)])
    return drill(sheet, places)


def _legs(rng: Rng, shape: PumpShape, neck_x: float, places: Points) -> list[Mesh]:
    """Four legs from beside the holes up to the run: straight, arched or knock-kneed."""
    f, rp = shape.feet, shape.manifold.pipe_radius_mm
    outline = free_outline(rng)
    sizes = np.array(
        [between(rng, 0.6, 1.6) * f.hole_mm, between(rng, 0.4, 1.2) * f.hole_mm, between(rng, 0.4, 0.9) * rp]
    )
    flat, reach, bow = between(rng, 0.5, 1.5), between(rng, 0.45, 0.7), between(rng, 0.6, 1.6)
    bodies = []
    for place in places:
        target = np.array([np.sign(place[0]) * min(reach * neck_x, abs(place[0])), 0.0])
        away = max(float(np.linalg.norm(target - place)), 1e-6)
        clear = min(1.1 * f.hole_mm + sizes[0] * max(1.0, flat), 0.8 * away)
        start = place + clear * (target - place) / away
        sections = []
        for t in np.linspace(0.0, 1.0, 8):
            size = float(np.interp(t, [0.0, 0.5, 1.0], sizes))
            middle = start + t**bow * (target - start)
            height = (1.0 - t) * 0.3 * f.thickness_mm + t * shape.inlet_z_mm
            ring = outline * (size, min(size * flat, 0.9 * rp)) + middle
            sections.append(np.column_stack([ring, np.full(CORNERS, height)]))
        bodies.append(loft(sections))
    return bodies


def _walls(rng: Rng, shape: PumpShape, neck_x: float, edge: float) -> list[Mesh]:
    """Two walls across the pump, waisted or straight, thick or thin, at times with a window."""
    f, rp = shape.feet, shape.manifold.pipe_radius_mm
    low, top = 0.3 * f.thickness_mm, shape.inlet_z_mm
    halves = np.array([
        max(between(rng, 0.6, 1.0) * (0.5 * f.spacing_short_mm - 1.3 * f.hole_mm), 0.7 * rp),
        between(rng, 0.5, 1.1) * rp,
        between(rng, 0.6, 1.0) * rp,
    ])  # fmt: skip
    thick = between(rng, 0.25, 1.2) * edge * np.array([1.0, between(rng, 0.5, 1.0), between(rng, 0.5, 1.0)])
    outline = free_outline(rng, 3.0, 0.0)
    reach, knee = between(rng, 0.45, 0.7), between(rng, 0.25, 0.7)
    window = rng.random() < 0.5 and 0.6 * (top - rp) > 3.0 * f.hole_mm
    hole = slab(
        free_outline(rng), 0.3 * (top - rp), between(rng, 0.3, 0.6) * float(halves[1]), -2.0 * edge, 2.0 * edge, 0.0
    )
    bodies = []
    for side in (-1.0, 1.0):
        x = side * f.spacing_long_mm / 2.0
        top_x = side * min(reach * neck_x, abs(x))
        sections = []
        for t in np.linspace(0.0, 1.0, 9):
            half, half_x = (float(np.interp(t, [0.0, knee, 1.0], values)) for values in (halves, 0.5 * thick))
            ring = outline * (half_x, half) + np.array([x + t * (top_x - x), 0.0])
            sections.append(np.column_stack([ring, np.full(CORNERS, low + t * (top - low))]))
        wall = loft(sections)
        if window:
            height = 0.5 * (f.thickness_mm + top - rp)
            share = (height - low) / (top - low)
            wall = cut(
                wall, [placed(hole, pose((x + share * (top_x - x), 0.0, height), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0)))]
            )
        bodies.append(wall)
    return bodies


def _posts(rng: Rng, shape: PumpShape, post_x: float) -> list[Mesh]:
    """Two posts below the run, flared or waisted."""
    rp = shape.manifold.pipe_radius_mm
    outline = free_outline(rng)
    levels = np.array([0.3 * shape.feet.thickness_mm, between(rng, 0.2, 0.7) * shape.inlet_z_mm, shape.inlet_z_mm])
    halves = rp * np.column_stack([rng.uniform(0.3, 0.85, 3), rng.uniform(0.4, 0.95, 3)])
    sections = [
        np.column_stack([outline * half, np.full(CORNERS, level)]) for half, level in zip(halves, levels, strict=True)
    ]
    return [placed(loft(sections), shifted(side * post_x)) for side in (-1, 1)]
