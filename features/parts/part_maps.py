"""Reads the part model's maps: ellipses of round parts, points of fasteners, and which part a pixel shows."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from features.parts.part_model import PartMaps
from features.parts.part_vocabulary import (
    CENTER_UNIT_PX,
    PART_CLASSES,
    POINT_CLASSES,
    POINT_STRIDE,
    ROUND_CLASSES,
    ROUND_STRIDE,
    SIZE_UNIT_PX,
)

Array = NDArray[np.float64]
SAME_PART = 0.35
"""Tellings whose centers and sizes lie this near each other are one part told twice."""
LEAST_CENTER, LEAST_POINT = 0.2, 0.25
"""Peaks below these probabilities are not told."""
LEAST_BORDER_PX = 32
"""A place with a shorter border is a speck."""


@dataclass(frozen=True, eq=False)
class RoundPart:
    """A round part as the model sees it.

    Attributes:
        name: of `ROUND_CLASSES`.
        score: 0..1.
        center_px: (2,) of its ellipse in the photo; shape_px: (2, 2) symmetric positive matrix M whose columns map the
            unit circle to the ellipse: outline = center + M @ (cos, sin).
    """

    name: str
    score: float
    center_px: Array
    shape_px: Array

    @classmethod
    def of_square(cls, name: str, score: float, center_px: Array, square_px2: Array) -> "RoundPart":
        """A part from the square M @ M.T of its shape, whose eigenvalues are the squared semi-axes."""
        values, vectors = np.linalg.eigh(square_px2)
        root = (vectors * np.sqrt(np.maximum(values, 1e-6))) @ vectors.T
        return cls(name, score, center_px, np.asarray(root, float))

    @classmethod
    def of_outline(cls, name: str, outline_px: Array) -> "RoundPart":
        """A part from points (N, 2) evenly round an ellipse: their spread is half the square of its shape."""
        center = np.asarray(outline_px.mean(axis=0), float)
        return cls.of_square(name, 1.0, center, 2.0 * np.cov((outline_px - center).T, bias=True))

    def resembles(self, other: "RoundPart", within: float) -> bool:
        """Whether centers and logarithms of size lie within a share of the other's size of each other."""
        away = float(np.linalg.norm(other.unit_places(self.center_px[None])))
        size = abs(float(np.log(np.linalg.det(self.shape_px) / np.linalg.det(other.shape_px)))) / 2
        return away < within and size < within

    @property
    def semi_axes_px(self) -> Array:
        """(2,) the larger first."""
        return np.sort(np.linalg.eigvalsh(self.shape_px))[::-1]

    def outline_px(self, count: int = 120, stretch: float = 1.0) -> Array:
        """(count, 2) points of the outline, or of one `stretch` times as large."""
        angle = np.linspace(0, 2 * np.pi, count, endpoint=False)
        return self.center_px + stretch * np.stack([np.cos(angle), np.sin(angle)], 1) @ self.shape_px.T

    def unit_places(self, xy: Array) -> Array:
        """(N, 2) photo pixels to where they lie when the ellipse is the unit circle."""
        return (np.asarray(xy, float) - self.center_px) @ np.linalg.inv(self.shape_px).T


@dataclass(frozen=True, eq=False)
class PointPart:
    """Fasteners or holes of one class: places (K, 2) in photo pixels and probabilities (K,)."""

    name: str
    places_px: Array
    scores: Array


def round_parts(maps: PartMaps) -> tuple[RoundPart, ...]:
    """All round parts, surest first; several tellings of one part are made one."""
    found = []
    for k, name in enumerate(ROUND_CLASSES):
        rows, columns = _peaks(maps.centers[k], LEAST_CENTER, 2)
        for row, column in zip(rows, columns, strict=True):
            numbers = maps.shapes[k, :, row, column].astype(float)
            cell = (np.array([column, row]) + 0.5) * ROUND_STRIDE - 0.5
            center = maps.window.to_photo((cell + CENTER_UNIT_PX * numbers[:2])[None])[0]
            shape = SIZE_UNIT_PX * maps.window.scale * _matrix_exponential(*numbers[2:])
            found.append(RoundPart(name, float(maps.centers[k, row, column]), center, shape))
    return tuple(_without_doubles(sorted(found, key=lambda part: -part.score)))


def point_parts(maps: PartMaps) -> dict[str, PointPart]:
    """Points by class name, surest first."""
    parts = {}
    for k, name in enumerate(POINT_CLASSES):
        heat = maps.points[k]
        rows, columns = _peaks(heat, LEAST_POINT, 1)
        at = np.array([_refined(heat, r, c) for r, c in zip(rows, columns, strict=True)]).reshape(-1, 2)
        places = maps.window.to_photo((at + 0.5) * POINT_STRIDE - 0.5)
        parts[name] = PointPart(name, places, heat[rows, columns].astype(float))
    return parts


def part_share(maps: PartMaps, names: tuple[str, ...]) -> float:
    """Share of the window that the named parts fill."""
    return float(np.isin(maps.likeliest, [PART_CLASSES.index(name) for name in names]).mean())


def share_inside(maps: PartMaps, name: str, outline_px: Array) -> float:
    """Mean probability of a part inside an outline (M, 2) of photo pixels; 0 outside the window."""
    cells = maps.window.to_cells(outline_px, maps.cell_px)
    share = maps.shares[PART_CLASSES.index(name)]
    inside = np.zeros(share.shape, np.uint8)
    cv2.fillPoly(inside, [np.rint(cells).astype(np.int32)], 1)
    return float(share[inside > 0].mean()) if inside.any() else 0.0


def part_outlines(maps: PartMaps, name: str) -> tuple[Array, ...]:
    """(M, 2) outlines in photo pixels of the places that a part may fill, the largest first."""
    share = maps.shares[PART_CLASSES.index(name)]
    areas, _ = cv2.findContours((share > 0.3).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    large = sorted(
        (area for area in areas if len(area) * maps.cell_px >= LEAST_BORDER_PX), key=lambda area: -cv2.contourArea(area)
    )
    return tuple(maps.window.to_photo((area.reshape(-1, 2) + 0.5) * maps.cell_px - 0.5) for area in large)


def part_at(maps: PartMaps, places_px: Array) -> NDArray[np.int64]:
    """(N,) class of `PART_CLASSES` at photo pixels; -1 outside the window."""
    cells = np.rint(maps.window.to_cells(places_px, maps.cell_px)).astype(int)
    best = maps.likeliest
    inside = ((cells >= 0) & (cells < [best.shape[1], best.shape[0]])).all(axis=1)
    classes = np.full(len(cells), -1, np.int64)
    classes[inside] = best[cells[inside, 1], cells[inside, 0]]
    return classes


def _peaks(heat: NDArray[np.float32], least: float, reach: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and columns of local maxima, highest first."""
    around = cv2.dilate(heat, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8))
    rows, columns = np.nonzero((heat >= around) & (heat >= least))
    order = np.argsort(-heat[rows, columns])
    return rows[order].astype(np.int64), columns[order].astype(np.int64)


def _refined(heat: NDArray[np.float32], row: int, column: int) -> tuple[float, float]:
    """Column and row of a peak between cells, from the weights round it."""
    top, left = max(row - 1, 0), max(column - 1, 0)
    patch = heat[top : row + 2, left : column + 2].astype(float)
    y, x = np.mgrid[top : top + patch.shape[0], left : left + patch.shape[1]]
    return float((patch * x).sum() / patch.sum()), float((patch * y).sum() / patch.sum())


def _matrix_exponential(xx: float, yy: float, xy: float) -> Array:
    """Exponential of the symmetric matrix [[xx, xy], [xy, yy]], within sane sizes."""
    values, vectors = np.linalg.eigh(np.array([[xx, xy], [xy, yy]]))
    return np.asarray((vectors * np.exp(np.clip(values, -4.0, 4.0))) @ vectors.T, float)


def _without_doubles(parts: list[RoundPart]) -> list[RoundPart]:
    """Drop tellings whose ellipse nearly equals a surer one of the same name."""
    kept: list[RoundPart] = []
    for part in parts:
        if not any(part.resembles(other, SAME_PART) for other in kept if other.name == part.name):
            kept.append(part)
    return kept
