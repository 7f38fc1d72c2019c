"""How many fasteners sit round a circle, from those that are seen: a distribution, honest about hidden ones.

Fasteners of a joint are equally spaced (common practice). Every count says where its fasteners must sit once the turn
of the ring is chosen; places that are in plain view must hold one, places that are hidden need not.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MOST_SEEN, LEAST_SEEN_CHANCE, SURELY_SEEN, LESS_SEEN = 0.9, 0.5, 0.85, 0.45
"""Chance that a fastener in plain view is found: the first where those found are told with the third score, less by so
much a unit of score below, never below the second (found on renders: 0.64 by a median score of 0.35, 0.9 by 0.9)."""
HIDDEN_CHANCE = 0.12
"""Chance that one at a hidden place is found all the same: it peeps out."""
EVEN_SCORE, STRAY_SLOPE = 0.21, 12.0
"""A finding of this score is as likely none of the joint's fasteners; the odds fall by a factor of e every twelfth
above it (found on renders: 32 of 100 at 0.28, 10 at 0.45, one at 0.6)."""
ANYWHERE = 1 / (2 * np.pi)
"""Density of the angle of a finding that is no fastener."""
ODD_CHANCE = 0.15
"""How likely an odd count is beside an even one: a pump is built alike on both sides of the plane through its ports,
and so are nearly all joints (common practice)."""
ANGLE_SD_RAD = 0.08
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
NEAREST, FARTHEST = 0.55, 1.25
"""Between these distances from its middle a ring may lie."""
STARTS, MOST_RINGS = 30, 5
"""Of the likeliest rings by votes so many are fitted, and so many different ones kept."""
OVAL_SD = 0.08
"""Usual share by which an outline told a little wrong makes a ring oval."""
ENOUGH_TO_FIT = 4
"""So many fasteners tell their middle."""
TURNS = 24
WARP_SD_RAD, ENOUGH_TO_WARP = 0.07, 4
"""Seen aslant from near by, a ring's middle is not its ellipse's: angles are off by a sine of this size. It takes so
many fasteners to tell."""


@dataclass(frozen=True, eq=False)
class CountedRing:
    """The fasteners of one ring.

    Attributes:
        likelihood: probability of each count, all even counts equally likely beforehand.
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
    rings = _rings_of(places, scores)
    if not rings:
        return None
    angles = [ring.angles_of(places) for ring in rings]
    strays = _stray_chances(scores)
    fits = [
        [_fit(own, strays[ring.members], _seen_chance(scores[ring.members]), n, ring.seen_by(in_view)) for n in counts]
        for ring, own in zip(rings, angles, strict=True)
    ]
    logs = np.array([[fit[0] for fit in row] for row in fits]) + np.array([[ring.log_chance] for ring in rings])
    logs += np.log([ODD_CHANCE if n % 2 else 1.0 for n in counts])
    share = np.exp(logs - logs.max()).sum(axis=0)
    share /= share.sum()
    which, best = (int(k) for k in np.unravel_index(int(np.argmax(logs)), logs.shape))
    ring, (_, turn, hidden) = rings[which], fits[which][best]
    slots = turn + 2 * np.pi * np.arange(counts[best]) / counts[best]
    likelihood = dict(zip(counts, share.tolist(), strict=True))
    members = ring.members.copy()
    members[members] = _one_each(angles[which], turn, counts[best])
    return CountedRing(likelihood, members, ring.radius, counts[best], slots, hidden)


@dataclass(frozen=True, eq=False)
class _Ring:
    """A ring on which some of the places may lie.

    Attributes:
        members: (N,) which do.
        middle, radius: of the ring, the joint's outline being the unit circle.
        oval: (2,) how its radius swells with the cosine and the sine of twice the angle.
        log_chance: of its middle, and of the places it leaves out.
    """

    members: NDArray[np.bool_]
    middle: Array
    radius: float
    oval: Array
    log_chance: float

    def angles_of(self, places: Array) -> Array:
        """(K,) angles of its members round its middle."""
        own = places[self.members] - self.middle
        return np.asarray(np.arctan2(own[:, 1], own[:, 0]))

    def seen_by(self, in_view: Callable[[Array], NDArray[np.bool_]]) -> Callable[[Array], NDArray[np.bool_]]:
        """Tells for angles whether a fastener there would be in plain view."""
        return lambda a: in_view(
            self.middle + (self.radius + _twofold(a) @ self.oval)[:, None] * np.stack([np.cos(a), np.sin(a)], 1)
        )


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


def _rings_of(places: Array, scores: Array) -> list[_Ring]:
    """Rings that many of the places lie on, not far from the unit circle; the likeliest first.

    Heads stand in front of the plane of the joint's outline, or behind it, so a slant moves the whole ring aside; an
    outline told a little wrong does so too. Which ring it is often shows only by how evenly its members stand.
    """
    if len(places) < LEAST_SEEN:
        return []
    distance = np.linalg.norm(places[None] - ASIDE[:, None], axis=2)
    possible = (distance > NEAREST) & (distance < FARTHEST)
    near = np.abs(distance[:, :, None] - distance[:, None, :]) < RING_WIDTH
    votes = np.einsum("cij,cj,j->ci", near, possible, scores) * possible
    votes *= np.exp(-0.5 * (np.linalg.norm(ASIDE, axis=1) / ASIDE_SD) ** 2)[:, None]
    rings: dict[bytes, _Ring] = {}
    tried: set[bytes] = set()
    for best in np.argsort(-votes, axis=None):
        which, first = np.unravel_index(int(best), votes.shape)
        start = possible[which] & near[which, first]
        if start.tobytes() in tried:
            continue
        if len(tried) >= STARTS or votes[which, first] <= 0:
            break
        tried.add(start.tobytes())
        ring = _settled(places, scores, start, ASIDE[which], float(distance[which, first]))
        if ring is not None:
            rings.setdefault(ring.members.tobytes(), ring)
    return sorted(rings.values(), key=lambda ring: -ring.log_chance)[:MOST_RINGS]


def _settled(places: Array, scores: Array, members: NDArray[np.bool_], middle: Array, radius: float) -> _Ring | None:
    """The ring with its middle and radius fitted to its members, and its members to these; None when few are left."""
    away, oval = np.linalg.norm(places - middle, axis=1), np.zeros(2)
    for _ in range(3):
        if members.sum() < LEAST_SEEN:
            return None
        if members.sum() >= ENOUGH_TO_FIT:
            middle = np.clip(_middle_of(places[members], radius), -MOST_ASIDE, MOST_ASIDE)
        own = places - middle
        away, waves = np.linalg.norm(own, axis=1), _twofold(np.arctan2(own[:, 1], own[:, 0]))
        radius = float(np.median(away[members]))
        if members.sum() >= ENOUGH_TO_FIT:
            rows = np.column_stack([waves, np.ones(len(waves))])[members] / RING_WIDTH
            usual = np.column_stack([np.eye(2) / OVAL_SD, np.zeros(2)])
            known = np.concatenate([away[members] / RING_WIDTH, np.zeros(2)])
            *oval, radius = np.linalg.lstsq(np.vstack([rows, usual]), known, rcond=None)[0]
            oval = np.array(oval)
        members = (np.abs(away - radius - waves @ oval) < RING_WIDTH) & (away > 0.5)
    out = ~members & (away > NEAREST) & (away < FARTHEST)
    left_out = float(np.log(_stray_chances(scores[out]) * ANYWHERE).sum())
    usual_log = -0.5 * float((middle**2).sum() / ASIDE_SD**2 + (oval**2).sum() / OVAL_SD**2)
    return _Ring(members, middle, float(radius), oval, left_out + usual_log) if members.sum() >= LEAST_SEEN else None


def _twofold(angles: Array) -> Array:
    """(N, 2) cosine and sine of twice the angles."""
    return np.column_stack([np.cos(2 * angles), np.sin(2 * angles)])


def _middle_of(places: Array, radius: float) -> Array:
    """(2,) middle of the circle through places (N, 2), drawn a little to the outline's own middle."""
    x, y = places.T
    rows = np.column_stack([2 * x, 2 * y, np.ones(len(x))]) / (radius * RING_WIDTH)
    usual = np.eye(3)[:2] / ASIDE_SD
    known = np.concatenate([(x * x + y * y) / (radius * RING_WIDTH), np.zeros(2)])
    return np.asarray(np.linalg.lstsq(np.vstack([rows, usual]), known, rcond=None)[0][:2])


def _stray_chances(scores: Array) -> Array:
    """(N,) chances that findings of these scores are none of the joint's fasteners."""
    return np.asarray(1 / (1 + np.exp(STRAY_SLOPE * (scores - EVEN_SCORE))))


def _seen_chance(scores: Array) -> float:
    """Chance that a fastener in plain view is found where those found have these scores."""
    return float(np.clip(MOST_SEEN - LESS_SEEN * (SURELY_SEEN - np.median(scores)), LEAST_SEEN_CHANCE, MOST_SEEN))


def _fit(
    angles: Array, strays: Array, seen: float, count: int, in_view: Callable[[Array], NDArray[np.bool_]]
) -> tuple[float, float, int]:
    """Log likelihood of a count, its best turn, and how many places are hidden then.

    Args:
        angles: (K,) of what was found on the ring; strays: (K,) chances that these are no fasteners.
        seen: chance that a fastener in plain view is found.
        count: to try.
        in_view: tells for (M,) angles whether a fastener there would be in plain view.
    """
    pitch, sd = 2 * np.pi / count, _angle_sd(count)
    start = float(np.angle(np.exp(1j * count * angles).sum())) / count
    turns = start + pitch * np.arange(TURNS) / TURNS
    plain, penalty = _unwarped(angles, turns, count, sd)
    off, slot, closest = _from_slots(plain, turns, count)
    filled = closest < 3 * sd
    places = turns[:, None] + pitch * np.arange(count)
    view = in_view(places.ravel()).reshape(places.shape)
    chance = np.where(view, seen, HIDDEN_CHANCE)
    on_place = (off == np.take_along_axis(closest, slot, axis=1)) & np.take_along_axis(filled, slot, axis=1)
    density = np.where(on_place, np.exp(-0.5 * (off / sd) ** 2) / (sd * np.sqrt(2 * np.pi)), 0.0)
    each = (1 - strays) * density / count + strays * ANYWHERE
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
    waves = np.column_stack([np.cos(angles), np.sin(angles), _twofold(angles)])
    products = (waves[:, :, None] * waves[:, None, :]).reshape(len(angles), 16)
    precision = (near @ products).reshape(-1, 4, 4) / sd**2 + np.eye(4) / WARP_SD_RAD**2
    warp = np.linalg.solve(precision, ((near * away) @ waves / sd**2)[..., None])[..., 0]
    own = 0.5 * (warp**2).sum(axis=1) / WARP_SD_RAD**2
    return angles - warp @ waves.T, own + 0.5 * np.log(np.linalg.det(precision * WARP_SD_RAD**2))
