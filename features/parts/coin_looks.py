"""Coins as the part model sees them: told by a look at the whole photo or at a quarter of it, looked at again alone.

A coin on a floor is a few pixels of the picture of the whole photo: a rust spot looks like it there, and its place is
known to a cell of the model's map only. Seen larger the spot is none, and the coin's outline is known well.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from features.parts.part_maps import LEAST_CENTER, RoundPart, round_parts
from features.parts.part_model import PartMaps, PartModel
from features.parts.part_vocabulary import PICTURE_PX, ROUND_STRIDE
from features.two_at_once import two_at_once

Array = NDArray[np.float64]
Pixels = NDArray[np.uint8]

NO_FINER, QUARTER = 1.5, 0.55
"""A photo this much longer than the model's picture is looked at in four pieces of this share of its sides."""
AGAIN_PX, TIMES_ITS_SIZE = 256, (4.0, 8.0)
"""Long side of the picture of a further look, and what it takes in, in sizes of the coin: near and wide."""
MOST_AGAIN, SMALL_PX = 4, 24.0
"""So many coins are looked at again, the surest, and those that are smaller than this in the model's picture: a larger
one was seen well."""
SURE = 0.25
"""A coin this sure after all looks is one: no further places are looked at."""
SAME_PLACE, SAME_SIZE = 0.3, 0.5
"""How far another look's coin may be off: share of its size, beside a cell of the map; and logarithm of the size."""
PLACE_SD = 0.2
"""How well the outline of a coin is told: center over its size, and logarithm of the size."""


@dataclass(frozen=True, eq=False)
class SeenCoin:
    """A coin in one place.

    Attributes:
        far: 0..1, of each large look that told it; near: of each further look at it alone, 0 where that saw none.
        outlines: as each look told it, the nearest look's first.
    """

    far: tuple[float, ...]
    near: tuple[float, ...]
    outlines: tuple[RoundPart, ...]

    @property
    def score(self) -> float:
        """What all looks say together, the large ones as one, 0..1; 0 where that is too little to tell a coin."""
        mean = float(np.mean([np.mean(self.far), *self.near]))
        return mean if mean > LEAST_CENTER else 0.0

    def likeness(self, told: RoundPart) -> float:
        """0..score, how much an outline is this coin's: full on it, next to nothing where it is another thing's."""

        def off(own: RoundPart) -> float:
            away = float(np.linalg.norm(own.unit_places(told.center_px[None])))
            size = float(np.log(np.linalg.det(told.shape_px) / np.linalg.det(own.shape_px))) / 2
            return away**2 + size**2

        return self.score * float(np.exp(-0.5 * min(map(off, self.outlines)) / PLACE_SD**2))


def seen_coins(model: PartModel, pixels_rgb: Pixels, whole: PartMaps) -> tuple[list[SeenCoin], list[PartMaps]]:
    """Coins of a photo, surest first, and the looks at large parts of it.

    Args:
        model: looks; pixels_rgb: the photo.
        whole: of a full, sharp look at all of it.
    """
    looks = [whole]
    places = _with_told([], model, pixels_rgb, looks)
    height, width = pixels_rgb.shape[:2]
    if max(height, width) > NO_FINER * PICTURE_PX and not any(place.score > SURE for place in places):
        wide, high = QUARTER * width, QUARTER * height
        corners = [(left, top) for top in (0.0, height - high) for left in (0.0, width - wide)]
        quarters = two_at_once(lambda at: model.look(pixels_rgb, (*at, at[0] + wide, at[1] + high)), corners)
        places = _with_told(places, model, pixels_rgb, quarters)
        looks += quarters
    return sorted(places, key=lambda place: -place.score), looks


def _with_told(
    places: Sequence[SeenCoin], model: PartModel, pixels_rgb: Pixels, looks: Sequence[PartMaps]
) -> list[SeenCoin]:
    """Places of coins, and what some looks tell of them and of others; the surest small ones looked at again alone."""
    told = sorted(((coin, maps) for maps in looks for coin in _coins(maps)), key=lambda one: -one[0].score)
    out = list(places)
    for coin, maps in told[:MOST_AGAIN]:
        known = [k for k, place in enumerate(out) if any(coin.resembles(own, SAME_SIZE) for own in place.outlines)]
        small = 2.0 * coin.semi_axes_px[0] < SMALL_PX * maps.window.scale
        if known:
            place = out[known[0]]
            out[known[0]] = SeenCoin((*place.far, coin.score), place.near, (*place.outlines, coin))
        elif small:
            again = _again(model, pixels_rgb, coin, ROUND_STRIDE * maps.window.scale)
            near = tuple(one.score if one else 0.0 for one in again)
            out.append(SeenCoin((coin.score,), near, (*(one for one in again if one), coin)))
        else:
            out.append(SeenCoin((coin.score,), (), (coin,)))
    return out


def _again(model: PartModel, pixels_rgb: Pixels, coin: RoundPart, cell_px: float) -> list[RoundPart | None]:
    """A coin told to a cell of the map as further looks tell it."""
    size_px = float(coin.semi_axes_px[0])
    may_be_off = SAME_PLACE * size_px + cell_px
    seen: list[RoundPart | None] = []
    for times in TIMES_ITS_SIZE:
        reach = times * size_px
        (left, top), (right, bottom) = coin.center_px - reach, coin.center_px + reach
        near = [
            one
            for one in _coins(model.look(pixels_rgb, (left, top, right, bottom), side_px=AGAIN_PX))
            if np.linalg.norm(one.center_px - coin.center_px) < may_be_off
            and abs(np.log(float(one.semi_axes_px[0]) / size_px)) < SAME_SIZE
        ]
        seen.append(near[0] if near else None)
    return seen


def _coins(maps: PartMaps) -> list[RoundPart]:
    return [part for part in round_parts(maps) if part.name == "coin"]
