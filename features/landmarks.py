"""Places of the scene that two photos show alike, whatever they are: they tie one camera to the other.

A card of a hand's size tells how a camera is turned to a third of a degree or so, and that moves a circle two hands
beside it by a percent. Spots, stains and corners that both photos show tell how the cameras stand to one another far
better (Longuet-Higgins 1981), and leave it to the card to tell the size.
"""

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from features.camera import Camera, Cameras
from features.reduced import halved, in_halved

Array = NDArray[np.float64]

LONGEST_PX = 1600
"""Longer side of the picture in which landmarks are looked for."""
MOST, FAINTEST = 2000, 0.02
"""How many are looked for, the plainest first, and the contrast of the faintest: painted metal has few."""
GUIDE, TURNED, LARGER = 0.01, 0.6, 0.7
"""How far from its line in the other photo a landmark may lie, over the focal length, as a card tells to half a degree
how a camera is turned; by how much, in rad and as a logarithm, it may be turned or larger than one on a plane that
faces the camera."""
HIDDEN = 1.25
"""A printed card is larger than its pattern; what is this much larger than a reference is not looked at."""
PLAIN = 128
"""Gray that references are given."""
EDGE_PX = 15
"""Half of that from such a place its edge itself would be seen."""
RATIO, LIKEST, SAME_PLACE = 0.85, 5, 0.5
"""A landmark's nearest likeness must be this much nearer than the next one (Lowe 2004), of so many that are looked at;
one so near, over its size, is the same."""
OFF_LINE_PX, TRUST = 1.5, 0.999
ENOUGH, MOST_PART = 25, 0.4
"""So many likenesses, and so large a share of all, must fit one pair of views: chance fits fewer. Of 69 a pair that 38
pairs of renders kept 98.6 % lay within two pixels of where they ought to."""
KEPT, CELLS = 80, 12
"""So many ties are kept, spread over the picture; more would tell no more, as neighbors err alike."""
TIE_SD_PX = 1.0
"""Standard uncertainty of a kept tie: twice what 38 pairs of renders have, as a lens's bend moves neighbors alike."""

View = tuple[Camera, Array, Array]
"""A camera with its rotation (3, 3) and translation (3,) from the reference's frame to its axes."""
Views = tuple[Cameras, Array, Array]
"""The same of K guesses at once."""


@dataclass(frozen=True)
class NoTies:
    """Why two photos are not tied. Falsy."""

    reason: str

    def __bool__(self) -> Literal[False]:
        return False


@dataclass(frozen=True, eq=False)
class Ties:
    """Places seen in two photos: (N, 2) pixels of each, and the standard uncertainty of a place in pixels of each."""

    first_px: Array
    second_px: Array
    first_sd_px: float
    second_sd_px: float

    def some(self, which: NDArray[np.bool_]) -> "Ties":
        """Those of an (N,) mask."""
        return replace(self, first_px=self.first_px[which], second_px=self.second_px[which])


@dataclass(frozen=True, eq=False)
class Seen:
    """N landmarks of a photo: where, how large, turned how far, and what each looks like.

    Attributes:
        places_px: (N, 2) in the photo; sizes_px, angles_rad: (N,), angles from x to y.
        looks: (N, 128) unit vectors (Lowe 2004; Arandjelovic and Zisserman 2012).
    """

    places_px: Array
    sizes_px: Array
    angles_rad: Array
    looks: NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Landmarks:
    """What may be seen alike in another photo, looked for when it is asked for.

    Attributes:
        plain: (h, w) the photo, halved to no less than the size at which it is looked at; references are made plain:
            they are read already, and what is written on bank cards is not kept.
        px_per_px: the photo's pixels per pixel of the size at which it is looked at.
        hidden_px: (M, 2) outlines of the references, a little larger, in pixels of that size.
    """

    plain: NDArray[np.uint8]
    px_per_px: float
    hidden_px: tuple[NDArray[np.int32], ...] = ()

    @classmethod
    def of(cls, gray: NDArray[np.uint8], hidden_px: tuple[Array, ...]) -> "Landmarks":
        """Those of a photo (H, W), none on the outlines (M, 2)."""
        px_per_px = max(1.0, max(gray.shape) / LONGEST_PX)
        times = _halvings(px_per_px)
        plain = halved(gray, times).copy()
        larger = [outline.mean(axis=0) + HIDDEN * (outline - outline.mean(axis=0)) for outline in hidden_px]
        for outline in larger:
            cv2.fillConvexPoly(plain, _hull(in_halved(outline, times)), PLAIN)
        return cls(plain, px_per_px, tuple(_hull((outline + 0.5) / px_per_px - 0.5) for outline in larger))

    @cached_property
    def gray(self) -> NDArray[np.uint8]:
        """(h, w) the photo as small as it is looked at."""
        share = 2 ** _halvings(self.px_per_px) / self.px_per_px
        if share == 1.0:
            return self.plain
        size = (round(self.plain.shape[1] * share), round(self.plain.shape[0] * share))
        return np.asarray(cv2.resize(self.plain, size, interpolation=cv2.INTER_AREA), np.uint8)

    @cached_property
    def free(self) -> NDArray[np.uint8]:
        """(h, w) 0 where references are and close by."""
        free = np.full(self.gray.shape, 255, np.uint8)
        for outline in self.hidden_px:
            cv2.fillConvexPoly(free, outline, 0)
        return np.asarray(cv2.erode(free, np.ones((EDGE_PX, EDGE_PX), np.uint8)), np.uint8)

    @cached_property
    def found(self) -> "Seen":
        """All of them."""
        finder = cv2.SIFT.create(nfeatures=MOST, contrastThreshold=FAINTEST)
        points, seen = finder.detectAndCompute(self.gray, self.free)
        if not points:
            return Seen(np.zeros((0, 2)), np.zeros(0), np.zeros(0), np.zeros((0, 128), np.float32))
        places = (np.array([point.pt for point in points], float) + 0.5) * self.px_per_px - 0.5
        sizes = self.px_per_px * np.array([point.size for point in points])
        share = np.sqrt(seen / np.maximum(seen.sum(axis=1, keepdims=True), 1e-9))
        return Seen(places, sizes, np.radians([point.angle for point in points]), np.asarray(share, np.float32))


def _halvings(px_per_px: float) -> int:
    """How often a photo may be halved and still be no smaller than it is looked at."""
    return int(np.log2(px_per_px))


def _hull(outline_px: Array) -> NDArray[np.int32]:
    return np.asarray(cv2.convexHull(np.rint(outline_px).astype(np.int32)), np.int32)


def ties_of(one: Landmarks, other: Landmarks, views: tuple[View, View]) -> Ties | NoTies:
    """What two photos show alike, all of it as seen of one still scene.

    Args:
        one, other: of the photos; views: about, where they were taken from.
    """
    a, b = one.found, other.found
    if min(len(a.looks), len(b.looks)) < ENOUGH:
        return NoTies("too little to see in one of them")
    first, second, alike = _alike(a, b, views)
    if len(first) < ENOUGH:
        return NoTies("too little that both show")
    a_px, b_px = a.places_px[first], b.places_px[second]
    small = a_px / one.px_per_px, b_px / other.px_per_px
    _, on_line = cv2.findFundamentalMat(*small, cv2.USAC_MAGSAC, OFF_LINE_PX, TRUST, 5000)
    if on_line is None or on_line.sum() < max(ENOUGH, MOST_PART * len(first)):
        return NoTies("what both show fits no two views of one scene")
    kept = _spread(small[0], np.flatnonzero(on_line.ravel()), alike)
    sds = TIE_SD_PX * one.px_per_px, TIE_SD_PX * other.px_per_px
    return Ties(a_px[kept], b_px[kept], *sds)


def _alike(a: Seen, b: Seen, views: tuple[View, View]) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
    """Indices of landmarks of two photos that are each other's likeness, and cosines between their looks.

    The likeness must be possible, and much more alike than the next one, which need not be: what looks the same
    elsewhere says how much looks alike by chance.
    """
    alike = a.looks @ b.looks.T
    rows = np.arange(len(alike))
    likest = np.argpartition(-alike, LIKEST, axis=1)[:, :LIKEST]
    apart = _distances(alike[rows[:, None], likest])
    possible = _may_be_one(views, a, b, likest)
    at = np.argmin(np.where(possible, apart, np.inf), axis=1)
    chosen = likest[rows, at]
    away_px = np.linalg.norm(b.places_px[likest] - b.places_px[chosen][:, None], axis=2)
    next_apart = np.where(away_px > SAME_PLACE * b.sizes_px[chosen][:, None], apart, np.inf).min(axis=1)
    kept = np.flatnonzero(possible[rows, at] & (apart[rows, at] < RATIO * next_apart))
    # Of several that chose one the likest keeps it.
    kept = kept[np.argsort(apart[kept, at[kept]])]
    kept = kept[np.unique(chosen[kept], return_index=True)[1]]
    return kept, chosen[kept], np.asarray(alike[kept, chosen[kept]], float)


def _distances(cosines: NDArray[np.float32]) -> Array:
    """Between unit vectors."""
    return np.asarray(np.sqrt(np.maximum(2.0 - 2.0 * cosines, 0.0)), float)


def _spread(places: Array, indices: NDArray[np.int64], alike: Array) -> NDArray[np.int64]:
    """Of some places the most alike, not many of them side by side."""
    low, span = places.min(axis=0), np.maximum(np.ptp(places, axis=0), 1.0)
    cells = (CELLS * (places - low) / span).astype(int) @ [1, CELLS + 1]
    taken: dict[int, int] = {}
    ranked = []
    for index in indices[np.argsort(-alike[indices])]:
        taken[cells[index]] = taken.get(cells[index], 0) + 1
        ranked.append((taken[cells[index]], int(index)))
    ranked.sort(key=lambda one: one[0])
    return np.array([index for _, index in ranked[:KEPT]])


def off_lines(ties: Ties, first: Views, second: Views) -> Array:
    """(K, N) distances of ties from the lines they must lie on, in standard uncertainties (Sampson 1982).

    Args:
        ties: of two photos; first, second: K guesses at their cameras.
    """
    (camera_a, turn_a, move_a), (camera_b, turn_b, move_b) = first, second
    essential = _essential(turn_b @ np.swapaxes(turn_a, 1, 2), move_a, move_b)
    rays_a, rays_b = camera_a.rays(ties.first_px), camera_b.rays(ties.second_px)
    line_b, line_a = rays_a @ np.swapaxes(essential, 1, 2), rays_b @ essential
    miss = np.einsum("kni,kni->kn", rays_b, line_b)
    slope_a, slope_b = (np.einsum("kni,kni->kn", line[..., :2], line[..., :2]) for line in (line_a, line_b))
    sd_a, sd_b = ties.first_sd_px / camera_a.focal_px[:, None], ties.second_sd_px / camera_b.focal_px[:, None]
    # From one and the same place there are no such lines, and nothing is off them.
    return np.asarray(miss / np.sqrt(slope_a * sd_a**2 + slope_b * sd_b**2 + 1e-30))


def _essential(turn: Array, move_a: Array, move_b: Array) -> Array:
    """(K, 3, 3) what takes a line of sight of one camera to the plane of its places before the other."""
    x, y, z = (move_b - (turn @ move_a[..., None])[..., 0]).T
    none = np.zeros_like(x)
    cross = np.stack([none, -z, y, z, none, -x, -y, x, none], axis=1).reshape(-1, 3, 3)
    return np.asarray(cross @ turn)


def _may_be_one(views: tuple[View, View], a: Seen, b: Seen, which: NDArray[np.int64]) -> NDArray[np.bool_]:
    """(N, L) whether landmarks lie, are turned and are as large as one thing seen from both places would be.

    Args:
        views: the cameras.
        a, b: landmarks of each.
        which: (N, L) those of the second that are asked for each of the first.
    """
    (camera_a, turn_a, move_a), (camera_b, turn_b, move_b) = views
    turn = turn_b @ turn_a.T
    essential = _essential(turn[None], move_a[None], move_b[None])[0]
    lines, rays_b = camera_a.rays(a.places_px) @ essential.T, camera_b.rays(b.places_px)[which]
    lines /= np.maximum(np.linalg.norm(lines[:, :2], axis=1, keepdims=True), 1e-12)
    near = np.abs(np.einsum("ni,nli->nl", lines, rays_b)) < GUIDE
    # A short way across one picture, as it would be seen in the other one about as far away as the reference.
    across = np.stack([np.cos(a.angles_rad), np.sin(a.angles_rad), 0.0 * a.angles_rad], axis=1) @ turn.T
    seen = across[:, None, :2] - across[:, None, 2:] * rays_b[..., :2]
    turned = np.angle(np.exp(1j * (np.arctan2(seen[..., 1], seen[..., 0]) - b.angles_rad[which])))
    grown = camera_b.focal_px / camera_a.focal_px * move_a[2] / move_b[2]
    larger = np.log(b.sizes_px[which] / a.sizes_px[:, None] / grown)
    return np.asarray(near & (np.abs(turned) < TURNED) & (np.abs(larger) < LARGER))
