"""Euro coins of a photo: each in turn is the only scale, every other coin is measured.

Truth: legal diameters of euro coins (Council Regulation (EU) 729/2014). The coins lie in one plane, so this is the
in-plane case with the smallest reference there is. Which coin is which was read by eye and stands in the photographs'
own table.
"""

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from features.circle_in_space import CirclePrior, CircleSighting, solve_circle
from features.photo import Photo, load_photo
from features.plane_pose import plane_poses
from features.scale.reference import ScaleReference
from features.scale.rim import find_coin_ellipses

Array = NDArray[np.float64]
IN_PLANE = CirclePrior(offset_mm=0.0, offset_sd_mm=0.1, tilt_sd_deg=0.5, edge_shared_px=0.5)


@dataclass(frozen=True, eq=False)
class SeenCoin:
    """A coin of the photo: its true diameter and (N, 2) points on its rim."""

    diameter_mm: float
    rim_px: Array


@dataclass(frozen=True)
class CoinFigures:
    """What one photo gave: number of coins found, relative errors of all pairs, share of intervals that hold."""

    coins: int
    errors: tuple[float, ...]
    covered: float


def seen_coins(photo: Photo, table: Path) -> list[SeenCoin]:
    """Coins of the table that were found in the photo."""
    rims = list(find_coin_ellipses(photo.pixels_rgb))
    coins = []
    with table.open(newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if row["file"] != photo.name or row["within_3pct"] != "1":
                continue
            at = np.array([float(row["x_px_upright"]), float(row["y_px_upright"])])
            size = float(row["fitted_diameter_px"])
            near = [rim for rim in rims if np.linalg.norm(rim.ellipse.center_px - at) < 0.25 * size]
            if near:
                best = min(near, key=lambda rim: abs(2 * float(rim.ellipse.semi_axes_px.mean()) / size - 1))
                coins.append(SeenCoin(float(row["true_diameter_mm"]), _thinned(best.points_px)))
    return coins


def _thinned(points_px: Array, most: int = 24) -> Array:
    at = np.linspace(0, len(points_px) - 1, min(most, len(points_px))).astype(int)
    return np.asarray(points_px[at], float)


def coin_figures(path: Path, table: Path) -> CoinFigures:
    """Measure every coin of a photo with every other as the only scale.

    Raises:
        ValueError: the photo cannot be read.
    """
    photo = load_photo(path)
    if not isinstance(photo, Photo):
        raise ValueError(str(photo))
    coins = seen_coins(photo, table)
    center = ((photo.width_px - 1) / 2, (photo.height_px - 1) / 2)
    errors, held = [], []
    for i, scale in enumerate(coins):
        reference = ScaleReference(
            "coin", "euro coin", np.zeros_like(scale.rim_px), scale.rim_px, 0.7, scale.rim_px, 0.002, "mint",
            is_circle=True, circle_diameter_mm=scale.diameter_mm,
        )  # fmt: skip
        poses = plane_poses(reference, photo)
        for j, other in enumerate(coins):
            if i == j or not poses:
                continue
            sighting = CircleSighting("coin", photo.name, other.rim_px)
            solved = [solve_circle(sighting, pose, reference, photo.focal, center, IN_PLANE) for pose in poses]
            length = min(solved, key=lambda circle: circle.cost).length
            low, high = length.interval_mm
            errors.append(length.value_mm / other.diameter_mm - 1)
            held.append(low <= other.diameter_mm <= high)
    return CoinFigures(len(coins), tuple(errors), float(np.mean(held)) if held else 0.0)
