"""Which scale references a scene gets, and where a user of its view would lay them."""

import numpy as np
from numpy.typing import NDArray

from tools.render.build_pump import own_bounds
from tools.render.cameras import View, subject_of
from tools.render.orders import Wish
from tools.render.place_references import (
    REFERENCES,
    PlacedReference,
    Where,
    lay,
    make_reference,
    restings_for,
    surface_points,
)
from tools.render.pump_model import PumpModel, Resting
from tools.render.splits import Split, draw

Floats = NDArray[np.float64]


def lay_references(
    model: PumpModel, view: View, instance: int, wish: Wish, split: Split, rng: np.random.Generator
) -> tuple[PlacedReference, ...]:
    """Lay none, one or two references where a user of this view would."""
    names = wish.references
    if names is None:
        count = int(rng.choice([0, 1, 2], p=[0.12, 0.72, 0.16]))
        # References are no held-out kind: the program must know them all.
        names = tuple(draw(REFERENCES, "train", rng) for _ in range(count))
    cloud = surface_points(model, rng)
    placed: list[PlacedReference] = []
    for number, name in enumerate(names):
        thing = make_reference(name, rng, flat=wish.flat)
        first = wish.card_at if number == 0 else None
        for where in _where_order(view, first, rng):
            if where != "floor" and first is None and max(thing.size_mm) > 0.55 * _chamber_mm(model):
                continue
            spots: list[Resting] = restings_for(model, (where,), instance)
            if where == "floor" and not spots:
                spots = [_beside(model, view, instance, rng)]
            laid = next((p for p in (lay(thing, spot, cloud, rng) for spot in spots[:4]) if p is not None), None)
            if laid is not None:
                placed.append(laid)
                cloud = np.concatenate([cloud, *[laid.to_pump(piece.mesh.positions) for piece in thing.pieces]])
                break
    return tuple(placed)


def _chamber_mm(model: PumpModel) -> float:
    return max((c.diameter_mm for c in model.circles if c.name == "chamber_diameter"), default=300.0)


def _where_order(view: View, first: Where | None, rng: np.random.Generator) -> list[Where]:
    """Places to try, the likeliest of the view first."""
    weights: dict[View, tuple[float, float, float, float]] = {
        "chamber": (0.55, 0.28, 0.09, 0.08),
        "port": (0.16, 0.1, 0.66, 0.08),
        "front": (0.2, 0.2, 0.15, 0.45),
        "three_quarter": (0.3, 0.25, 0.15, 0.3),
    }
    places: tuple[Where, ...] = ("rim", "cover", "flange", "floor")
    order = [places[int(k)] for k in rng.choice(4, 4, replace=False, p=weights[view])]
    return [first, *[p for p in order if p != first]] if first else order


def _beside(model: PumpModel, view: View, instance: int, rng: np.random.Generator) -> Resting:
    """A spot on the ground between the pump and the observer."""
    toward = subject_of(model, view, instance, rng).toward
    flat = np.array([toward[0], toward[1], 0.0]) + rng.normal(0, 0.25, 3) * [1, 1, 0]
    flat /= np.linalg.norm(flat)
    low, high = own_bounds(model.parts)
    middle, half = (low + high) / 2, (high - low) / 2
    reach = float(np.abs(flat[:2]) @ half[:2])
    center = np.array([middle[0], middle[1], 0.0]) + flat * (reach + rng.uniform(60, 160))
    return Resting("floor", 0, center, np.array([0.0, 0.0, 1.0]), -flat, 120.0)
