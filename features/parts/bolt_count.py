"""How many fasteners sit round a circle, from those that are seen: a distribution, honest about hidden ones.

Fasteners of a joint are equally spaced (common practice). Every count says where its fasteners must sit once the turn
of the ring is chosen; places that are in plain view must hold one, places that are hidden need not.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SEEN_CHANCE = 0.93
"""Chance that a fastener in plain view is found."""
HIDDEN_CHANCE = 0.12
"""Chance that one at a hidden place is found all the same: it peeps out."""
STRAY_CHANCE = 0.06
"""Share of findings on the ring that are no fasteners."""
ANGLE_SD_RAD = 0.05
"""Spread of a fastener's place along the ring in front of the ellipse's own error, at most a share of the pitch."""
RING_WIDTH = 0.09
"""Fasteners lie within this share of the ring's radius."""
LEAST_SEEN = 3
MOST_ASIDE, ASIDE_SD = 0.3, 0.2
"""How far a ring's center lies beside the outline's, in its radii, and the usual spread: bolts that stand a tenth of
the radius before the outline's plane, seen 45 deg aslant, lie a tenth beside."""
_STEPS = np.linspace(-MOST_ASIDE, MOST_ASIDE, 13)
ASIDE = np.stack(np.meshgrid(_STEPS, _STEPS), axis=-1).reshape(-1, 2)
"""(C, 2) centers that are tried."""
TURNS = 24
WARP_SD_RAD, ENOUGH_TO_WARP = 0.04, 5
"""Seen aslant from near by, a ring's middle is not its ellipse's: angles are off by a sine of this size. It takes so
many fasteners to tell."""


@dataclass(frozen=True, eq=False)
class CountedRing:
    """The fasteners of one ring.

    Attributes:
        likelihood: probability of each count, all counts equally likely beforehand.
        members: (N,) which of the given places are its fasteners, one each: a head told twice counts once.
        radius: of the ring, where the joint's outline has radius 1.
        count: likeliest; angles_rad: (count,) where its fasteners sit.
        hidden: how many of them sit at hidden places.
    """

    likelihood: dict[int, float]
    members: NDArray[np.bool_]
    radius: float
    count: int
    angles_rad: Array
    hidden: int


def count_ring(
    places: Array, scores: Array, counts: Sequence[int], in_view: Callable[[Array], NDArray[np.bool_]]
) -> CountedRing | None:
    """Count the fasteners of a ring.

    Args:
        places: (N, 2) where they were seen, the joint's outline being the unit circle.
        scores: (N,) how sure each is.
        counts: possible counts.
        in_view: tells for (M, 2) such places whether a fastener there would be in plain view.

    Returns:
        The counted ring; None when too few are seen to say anything.
    """
    members, middle, radius = _ring_of(places, scores)
    if members.sum() < LEAST_SEEN:
        return None
    own = places[members] - middle
    angles = np.arctan2(own[:, 1], own[:, 0])
    fits = [_fit(angles, count, lambda a: in_view(middle + radius * np.stack([np.cos(a), np.sin(a)], 1)))
            for count in counts]  # fmt: skip
    logs = np.array([fit[0] for fit in fits])
    share = np.exp(logs - logs.max())
    share /= share.sum()
    best = int(np.argmax(logs))
    _, turn, hidden = fits[best]
    slots = turn + 2 * np.pi * np.arange(counts[best]) / counts[best]
    likelihood = dict(zip(counts, share.tolist(), strict=True))
    members[members] = _one_each(angles, turn, counts[best])
    return CountedRing(likelihood, members, radius, counts[best], slots, hidden)


def _one_each(angles: Array, turn: float, count: int) -> NDArray[np.bool_]:
    """(N,) which angles are the nearest to a slot of the ring, and near it."""
    off, slot, closest = (one[0] for one in _from_slots(angles[None], np.array([turn]), count))
    return np.asarray((off == closest[slot]) & (off < 3 * _angle_sd(count)))


def _from_slots(angles: Array, turns: Array, count: int) -> tuple[Array, NDArray[np.int64], Array]:
    """How angles lie to the slots of a ring, for each of T turns of it.

    Returns:
        (T, N) distances of (T, N) angles from their nearest slot, (T, N) which one, (T, count) each slot's least one.
    """
    pitch = 2 * np.pi / count
    near = np.rint((angles - turns[:, None]) / pitch)
    off, slot = np.abs(angles - turns[:, None] - near * pitch), near.astype(np.int64) % count
    closest = np.full((len(turns), count), np.inf)
    np.minimum.at(closest, (np.arange(len(turns))[:, None], slot), off)
    return off, slot, closest


def _angle_sd(count: int) -> float:
    return min(ANGLE_SD_RAD, 0.12 * 2 * np.pi / count)


def _ring_of(places: Array, scores: Array) -> tuple[NDArray[np.bool_], Array, float]:
    """Members, center and radius of the ring that most of the places lie on, not far from the unit circle.

    Heads stand in front of the plane of the joint's outline, or behind it, so a slant moves the whole ring aside.
    """
    nothing = np.zeros(len(places), bool)
    if len(places) < LEAST_SEEN:
        return nothing, np.zeros(2), 1.0
    distance = np.linalg.norm(places[None] - ASIDE[:, None], axis=2)
    possible = (distance > 0.55) & (distance < 1.25)
    near = np.abs(distance[:, :, None] - distance[:, None, :]) < RING_WIDTH
    votes = np.einsum("cij,cj,j->ci", near, possible, scores) * possible
    votes *= np.exp(-0.5 * (np.linalg.norm(ASIDE, axis=1) / ASIDE_SD) ** 2)[:, None]
    which, first = np.unravel_index(int(np.argmax(votes)), votes.shape)
    middle, radius = ASIDE[which], float(distance[which, first])
    members = possible[which] & near[which, first]
    for _ in range(3):
        if members.sum() < LEAST_SEEN:
            return nothing, middle, radius
        if members.sum() >= 5:
            x, y = places[members].T
            solved = np.linalg.lstsq(np.column_stack([2 * x, 2 * y, np.ones(len(x))]), x * x + y * y, rcond=None)[0]
            middle = np.clip(solved[:2], -MOST_ASIDE, MOST_ASIDE)
        away = np.linalg.norm(places - middle, axis=1)
        radius = float(np.median(away[members]))
        members = (np.abs(away - radius) < RING_WIDTH) & (away > 0.5)
    return (members if members.sum() >= LEAST_SEEN else nothing), middle, radius


def _fit(angles: Array, count: int, in_view: Callable[[Array], NDArray[np.bool_]]) -> tuple[float, float, int]:
    """Log likelihood of a count, its best turn, and how many places are hidden then."""
    pitch, sd = 2 * np.pi / count, _angle_sd(count)
    start = float(np.angle(np.exp(1j * count * angles).sum())) / count
    turns = start + pitch * np.arange(TURNS) / TURNS
    plain, penalty = _unwarped(angles, turns, count, sd)
    off, slot, closest = _from_slots(plain, turns, count)
    filled = closest < 3 * sd
    places = turns[:, None] + pitch * np.arange(count)
    view = in_view(places.ravel()).reshape(places.shape)
    chance = np.where(view, SEEN_CHANCE, HIDDEN_CHANCE)
    on_place = (off == np.take_along_axis(closest, slot, axis=1)) & np.take_along_axis(filled, slot, axis=1)
    density = np.where(on_place, np.exp(-0.5 * (off / sd) ** 2) / (sd * np.sqrt(2 * np.pi)), 0.0)
    each = (1 - STRAY_CHANCE) * density / count + STRAY_CHANCE / (2 * np.pi)
    logs = np.log(each).sum(axis=1) + np.log(np.where(filled, chance, 1 - chance)).sum(axis=1) - penalty
    best = int(np.argmax(logs))
    return float(logs[best]), float(turns[best]), int((~view[best]).sum())


def _unwarped(angles: Array, turns: Array, count: int, sd: float) -> tuple[Array, Array]:
    """(T, N) angles freed, for each turn, of the likeliest warp that brings them nearer their slots, and (T,) its cost.

    The cost is the warp's own improbability and the share of possible warps that would do as well (Laplace).
    """
    if len(angles) < ENOUGH_TO_WARP:
        return np.tile(angles, (len(turns), 1)), np.zeros(len(turns))
    pitch = 2 * np.pi / count
    away = angles - turns[:, None]
    away -= pitch * np.rint(away / pitch)
    near = np.abs(away) < 0.45 * pitch
    waves = np.column_stack([np.cos(angles), np.sin(angles)])
    products = (waves[:, :, None] * waves[:, None, :]).reshape(len(angles), 4)
    precision = (near @ products).reshape(-1, 2, 2) / sd**2 + np.eye(2) / WARP_SD_RAD**2
    warp = np.linalg.solve(precision, ((near * away) @ waves / sd**2)[..., None])[..., 0]
    own = 0.5 * (warp**2).sum(axis=1) / WARP_SD_RAD**2
    return angles - warp @ waves.T, own + 0.5 * np.log(np.linalg.det(precision * WARP_SD_RAD**2))
