"""Lays scale references on, beside and off the plane of a feature, resting on what is really there.

A card taped over bolt heads stands on the bolt heads: before laying it, the heights of all surfaces round the place
are sampled, and the card is lifted until it touches without cutting into anything.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import trimesh
from numpy.typing import NDArray

from tools.render.drawn_coins import coin, round_coins
from tools.render.mesh_shading import join
from tools.render.printed_references import bank_card, scale_card, sheet
from tools.render.pump_model import PumpModel, Resting
from tools.render.reference_objects import Bend, Piece, ReferenceObject
from tools.render.splits import Kind

Floats = NDArray[np.float64]
Where = Literal["rim", "flange", "cover", "floor"]

REFERENCES = (
    Kind("pocket", 5),
    Kind("large", 1.6),
    Kind("bank_card", 2.4),
    Kind("coin", 2.8),
    Kind("sheet", 0.6),
)
MAX_LIFT_MM = 14.0
TAPE_REACH_MM = np.array([13.0, 13.0, 9.0])
LEAST_SUPPORT, LEAST_COIN_SUPPORT = 0.1, 0.62
"""Least part of a card's and of a coin's back that must have the pump close behind it: what has less seems to float."""


@dataclass(frozen=True, eq=False)
class PlacedReference:
    """A reference in the pump frame.

    Attributes:
        thing: the object, in its own frame.
        rotation: (3, 3) reference frame to pump frame; origin_mm: (3,) where its origin lies.
        where: "rim", "flange", "cover" or "floor"; instance: which one.
        lift_mm: height of its back above the resting place's own surface.
    """

    thing: ReferenceObject
    rotation: Floats
    origin_mm: Floats
    where: Where
    instance: int
    lift_mm: float

    def to_pump(self, points_mm: Floats) -> Floats:
        """(N, 3) points of the reference's frame in the pump frame."""
        return np.asarray(points_mm @ self.rotation.T + self.origin_mm)

    @property
    def outline_pump_mm(self) -> Floats:
        """(N, 3) true outline in the pump frame."""
        return self.to_pump(self.thing.outline_mm)


def make_reference(name: str, rng: np.random.Generator, flat: bool = False) -> ReferenceObject:
    """A reference by name: "pocket", "large", "bank_card", "coin", "coin:us-25c", "sheet", "sheet:a4"."""
    kind, _, which = name.partition(":")
    bend = Bend() if flat else _draw_bend(kind, rng)
    match kind:
        case "pocket":
            return scale_card("pocket", bend, rng)
        case "large":
            return scale_card("large", bend, rng)
        case "bank_card":
            return bank_card(Bend(), rng)
        case "coin":
            known = round_coins()
            return coin(which or known[int(rng.integers(len(known)))].name, rng)
        case "sheet":
            return sheet(which or str(rng.choice(["a4", "letter", "a5"], p=[0.5, 0.35, 0.15])), bend, rng)
    raise ValueError(f"unknown reference {name!r}")


def _draw_bend(kind: str, rng: np.random.Generator) -> Bend:
    """Most cards lie nearly flat; a few curl visibly."""
    if rng.random() < 0.55:
        return Bend()
    size = {"pocket": 45.0, "large": 130.0, "sheet": 140.0}.get(kind, 40.0)
    sagitta = rng.exponential({"pocket": 0.5, "large": 1.2, "sheet": 2.5}.get(kind, 0.0) + 1e-6)
    radius = size**2 / (2 * max(float(sagitta), 1e-3))
    return Bend(float(radius * rng.choice([-1, 1])), float(rng.uniform(0, 180)))


def lay(
    thing: ReferenceObject, resting: Resting, surface_points_mm: Floats, rng: np.random.Generator,
    tries: int = 12, max_lift_mm: float = MAX_LIFT_MM,
) -> PlacedReference | None:  # fmt: skip
    """Lay a reference near the middle of a place, touching but not cutting the surfaces there.

    Args:
        thing: what to lay.
        resting: where.
        surface_points_mm: (N, 3) dense points on all surfaces of the pump and of references laid before.
        rng: random source.
        tries: positions tried; the one with the least lift wins.
        max_lift_mm: a place that would need more is refused.

    Returns:
        The placed reference, or None when it does not fit there.
    """
    best: PlacedReference | None = None
    best_cost = np.inf
    reach = float(np.hypot(*thing.size_mm)) / 2 + resting.radius_mm + 5
    near = (np.abs(surface_points_mm - resting.center_mm) < reach).all(axis=1)
    surface_points_mm = surface_points_mm[near]
    right = np.cross(resting.up, resting.normal)
    floor = resting.card_at == "floor"
    for attempt in range(tries):
        turn = _draw_turn(resting, rng)
        spread = resting.radius_mm * (0.5 if floor else min(0.5, 0.06 * attempt))
        shift = rng.uniform(-1, 1, 2) * spread
        x_axis = np.cos(turn) * right - np.sin(turn) * resting.up
        rotation = np.stack([x_axis, np.cross(-resting.normal, x_axis), -resting.normal], axis=1)
        middle = resting.center_mm + shift[0] * right + shift[1] * resting.up
        lift, support = _support(thing, (surface_points_mm - middle) @ rotation)
        if floor:
            lift, support = (0.0, 1.0) if lift < 0.5 else (np.inf, 0.0)
        elif _lowest(thing, middle, rotation) < 2.0:
            continue  # It would cut into the ground.
        cost = lift + 12.0 * (1 - support)
        least = LEAST_COIN_SUPPORT if thing.kind == "coin" else LEAST_SUPPORT
        if lift <= max_lift_mm and support >= least and cost < best_cost:
            face = middle + resting.normal * (lift + thing.thickness_mm + 0.05)
            origin = face - rotation @ thing.middle_mm
            best = PlacedReference(thing, rotation, origin, resting.card_at, resting.instance, lift)
            best_cost = cost
        if floor and best is not None:
            break
    if best is None or floor:
        return best
    return replace(best, thing=_with_tape_that_holds(best, surface_points_mm))


def _with_tape_that_holds(placed: PlacedReference, surface_points_mm: Floats) -> ReferenceObject:
    """The thing without the strips of tape that would stick to nothing."""
    local = (surface_points_mm - placed.origin_mm) @ placed.rotation
    pieces: list[Piece] = []
    for piece in placed.thing.pieces:
        middles = [strip.positions.mean(axis=0) for strip in piece.strips]
        held = [bool(((np.abs(local - m) < TAPE_REACH_MM).all(axis=1)).any()) for m in middles]
        strips = tuple(strip for strip, holds in zip(piece.strips, held, strict=True) if holds)
        if not piece.strips or all(held):
            pieces.append(piece)
        elif strips:
            pieces.append(replace(piece, mesh=join(list(strips)), strips=strips))
    return replace(placed.thing, pieces=tuple(pieces))


def _support(thing: ReferenceObject, local_mm: Floats) -> tuple[float, float]:
    """How far a thing must be lifted to clear all surfaces, and the part of its back that then has something near.

    Args:
        thing: what is laid.
        local_mm: (N, 3) surface points in the thing's directions, seen from the middle of its place.
    """
    half = np.array(thing.size_mm) / 2
    if thing.kind == "coin":
        under = np.hypot(local_mm[:, 0], local_mm[:, 1]) < half[0]
    else:
        under = (np.abs(local_mm[:, :2]) < half + 0.5).all(axis=1)
    points = local_mm[under & (local_mm[:, 2] > -400)]
    if not len(points):
        return 0.0, 0.0
    lift = max(0.0, float((-points[:, 2]).max()))
    # A card is stiff and taped on; a coin must lie on a flat.
    close_mm, count = (0.8, 4) if thing.kind == "coin" else (7.0, 12)
    near = points[-points[:, 2] > lift - close_mm]
    cells = np.clip(np.floor((near[:, :2] / half + 1) * count / 2).astype(np.int64), 0, count - 1)
    return lift, len(np.unique(cells @ [count, 1])) / count**2


def _lowest(thing: ReferenceObject, middle: Floats, rotation: Floats) -> float:
    """Height above the ground of a thing's lowest corner."""
    reach = np.abs(rotation[2, :2]) @ (np.array(thing.size_mm) / 2)
    return float(middle[2] - reach)


def _draw_turn(resting: Resting, rng: np.random.Generator) -> float:
    """Cards on upright surfaces hang roughly level, on the floor they lie anyhow."""
    if resting.card_at == "floor":
        return float(rng.uniform(0, 2 * np.pi))
    if resting.card_at == "rim":
        # The place's "up" points outward along the radius; the long side goes along the rim.
        return float(rng.choice([0.0, np.pi]) + rng.normal(0, 0.08))
    quarter = rng.choice([0.0, np.pi / 2, -np.pi / 2, np.pi], p=[0.7, 0.13, 0.13, 0.04])
    return float(quarter + rng.normal(0, 0.12))


def surface_points(model: PumpModel, rng: np.random.Generator, spacing_mm: float = 4.0) -> Floats:
    """Dense random points on all parts of a pump."""
    clouds = []
    for part in model.parts:
        count = int(min(8_000, part.mesh.area / spacing_mm**2 * 2))
        if count < 1:
            continue
        points, _ = trimesh.sample.sample_surface(part.mesh, count, seed=int(rng.integers(2**31)))
        clouds.append(np.asarray(points))
        clouds.append(np.asarray(part.mesh.vertices))
    return np.concatenate(clouds)


def restings_for(model: PumpModel, where: Sequence[Where], instance: int | None) -> list[Resting]:
    """The places of the wanted kinds, those of the wanted instance first."""
    found = [r for r in model.restings if r.card_at in where]
    if instance is None:
        return found
    return [r for r in found if r.instance == instance or r.card_at == "floor"] or found
