"""Euro coins of a photo: each in turn is the only scale, the others are circles to be measured.

Truth: legal diameters of euro coins (Council Regulation (EU) 729/2014). The coins lie in one plane, so this is the
in-plane case with the smallest reference there is. Where a coin lies and which it is was read by eye and stands in
the photographs' own table; its rim is traced as for a user who points at a coin. Measured twice: all others together,
as all circles of one photo are, so that they tell the slant in common; and with only one other coin in view, the
hardest case.
"""

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from features.circle_scale import RimToMeasure, measure_by_coin
from features.circle_sighting import CirclePrior, CircleSighting
from features.photo import Photo, load_photo
from features.problems import Problem
from features.scale.coin import RIM_RELATIVE_SD, find_coin
from features.scale.reference import ScaleReference, ScaleRequest

Array = NDArray[np.float64]
PAIRS_A_COIN = 6


@dataclass(frozen=True)
class CoinFigures:
    """What one photo gave: number of coins found, relative errors, stated relative uncertainties."""

    coins: int
    together: "Errors"
    alone: "Errors"


@dataclass(frozen=True, eq=False)
class Errors:
    """Relative errors, their stated standard uncertainties, and whether the interval held."""

    relative: Array
    stated: Array
    held: NDArray[np.bool_]

    @property
    def median(self) -> float:
        """Median size of the errors."""
        return float(np.median(np.abs(self.relative)))

    @property
    def width_over_needed(self) -> float:
        """Mean stated uncertainty over the root mean square of the errors: 1 is right, 2 twice too wide."""
        return float(self.stated.mean() / np.sqrt(np.mean(self.relative**2)))


def seen_coins(photo: Photo, table: Path) -> list[ScaleReference]:
    """Coins of the table whose rim was found where it says."""
    coins = []
    with table.open(newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if row["file"] != photo.name or row["within_3pct"] != "1":
                continue
            radius_px = 0.5 * float(row["fitted_diameter_px"])
            place = (float(row["x_px_upright"]), float(row["y_px_upright"]), radius_px)
            request = ScaleRequest(float(row["true_diameter_mm"]), row["x_px_upright"], coin_near_px=place)
            coin = find_coin(photo.pixels_rgb, photo.focal, request)
            if not isinstance(coin, Problem):
                coins.append(coin)
    return coins


def coin_figures(path: Path, table: Path) -> CoinFigures:
    """Measure the coins of a photo with every one as the only scale.

    Raises:
        ValueError: the photo cannot be read.
    """
    photo = load_photo(path)
    if not isinstance(photo, Photo):
        raise ValueError(str(photo))
    coins = seen_coins(photo, table)
    random = np.random.default_rng(0)
    together, alone = [], []
    for i, scale in enumerate(coins):
        others = [coin for j, coin in enumerate(coins) if j != i]
        together += list(_measured(photo, scale, others))
        for j in random.permutation(len(others))[:PAIRS_A_COIN]:
            alone += list(_measured(photo, scale, [others[j]]))
    return CoinFigures(len(coins), _errors(together), _errors(alone))


def _measured(photo: Photo, scale: ScaleReference, others: list[ScaleReference]) -> Iterator[tuple[float, float, bool]]:
    wanted = [_as_circle(photo, coin) for coin in others]
    solved = measure_by_coin(photo, scale, wanted)
    for coin, circle in zip(others, solved, strict=True):
        low, high = circle.length.interval_mm
        true_mm = coin.circle_diameter_mm
        yield circle.length.value_mm / true_mm - 1, circle.length.relative_sd, low <= true_mm <= high


def _as_circle(photo: Photo, coin: ScaleReference) -> RimToMeasure:
    """A coin as a circle of unknown size in the scale's plane; its rim is as doubtful as the scale's own."""
    radius_px = float(np.sqrt(2.0) * np.mean(np.std(coin.points_px, axis=0)))
    prior = CirclePrior(0.0, 0.1, tilt_sd_deg=0.5, edge_shared_px=RIM_RELATIVE_SD * radius_px)
    return RimToMeasure(CircleSighting("coin", photo.name, coin.points_px), prior)


def _errors(rows: list[tuple[float, float, bool]]) -> Errors:
    relative, stated, held = zip(*rows, strict=True) if rows else ((), (), ())
    return Errors(np.array(relative, float), np.array(stated, float), np.array(held, bool))
