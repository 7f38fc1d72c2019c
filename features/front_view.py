"""Guesses at a pump seen from the front: where its places come to lie in the photo.

Pump frame: x to the right and y away from the viewer of a front that is squarely seen, z up; the origin lies between
the ports. All that is guessed stands in one row of numbers, lengths over the port spacing but for that itself.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from features.camera import Cameras

Array = NDArray[np.float64]

TURN, PLACE, SIZE = slice(0, 3), slice(3, 6), 6
INLET_AT, TOP_AT, LEFT_AT, RIGHT_AT, FOOT_AT, REACH_AT, ROUND_AT = 7, 8, 9, 10, 11, 12, slice(13, 15)
FEET_AT, FOCAL, LENS = slice(15, 17), 17, 18
REF_TURN, REF_MOVE, PRINT, BEND = slice(19, 22), slice(22, 25), 25, slice(26, 29)
COUNT = 29


@dataclass(frozen=True, eq=False)
class PumpView:
    """K guesses at a pump before K cameras."""

    xs: Array
    cameras: Cameras

    @cached_property
    def rotations(self) -> Array:
        """(K, 3, 3) pump axes to camera axes."""
        turn, rise, roll = self.xs[:, TURN].T
        no, one = np.zeros_like(turn), np.ones_like(turn)
        base = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
        about_z = _matrix([[np.cos(turn), -np.sin(turn), no], [np.sin(turn), np.cos(turn), no], [no, no, one]])
        about_x = _matrix([[one, no, no], [no, np.cos(rise), -np.sin(rise)], [no, np.sin(rise), np.cos(rise)]])
        about_sight = _matrix([[np.cos(roll), -np.sin(roll), no], [np.sin(roll), np.cos(roll), no], [no, no, one]])
        return np.asarray(about_sight @ about_x @ base @ about_z)

    @cached_property
    def middles(self) -> Array:
        """(K, 3) the pump's origin in camera axes."""
        away = np.exp(self.xs[:, 5])
        aside = self.xs[:, 3:5] / self.cameras.focal_px[:, None] * away[:, None]
        return np.concatenate([aside, away[:, None]], axis=1)

    @cached_property
    def size(self) -> Array:
        """(K,) port spacings."""
        return np.asarray(np.exp(self.xs[:, SIZE]))

    @cached_property
    def floor(self) -> Array:
        """(K,) height of the floor, below the origin."""
        return -(0.5 + self.xs[:, INLET_AT]) * self.size

    def in_camera(self, points: Array) -> Array:
        """(K, N, 3) pump points to camera axes."""
        return np.asarray(points @ np.swapaxes(self.rotations, 1, 2) + self.middles[:, None])

    def sight(self, points: Array) -> Array:
        """(K, 3) lines of sight to points (K, 3), in pump axes."""
        eye = -np.einsum("kji,kj->ki", self.rotations, self.middles)
        return np.asarray(points - eye)

    def oval(self, middle: Array, radius_px: float) -> Array:
        """(2, K) how oval a circle about pump points (K, 3) that faces the viewer is seen, as `oval_of` has it."""
        angle = np.linspace(0, 2 * np.pi, 16, endpoint=False)
        radius = radius_px / self.cameras.focal_px * np.exp(self.xs[:, 5])
        flat = np.stack([np.cos(angle), 0 * angle, np.sin(angle)], axis=1)
        px = self.cameras.project(self.in_camera(middle[:, None] + radius[:, None, None] * flat))
        off = px - px.mean(axis=1, keepdims=True)
        return oval_of(np.moveaxis(np.einsum("kni,knj->kij", off, off), 0, -1))

    def off_line(
        self, place_px: Array, point: tuple[Array, Array, Array], axis: int, along_px: Array | None = None
    ) -> tuple[Array, Array, Array]:
        """How far a place of the photo lies off a line of the pump.

        Args:
            place_px: (2,) place.
            point: (K,) x, y, z of a point of the line; axis: of the pump that it runs along.
            along_px: (2,) the line's direction as seen.

        Returns:
            (K,) pixels across it, radians between it and `along_px`, pixels along it from the point.
        """
        points = np.stack(np.broadcast_arrays(*point), axis=1)
        step = np.zeros(3)
        step[axis] = 0.2
        ends = points[:, None] + np.array([-1.0, 0.0, 1.0])[:, None] * step * self.size[:, None, None]
        px = self.cameras.project(self.in_camera(ends))
        way = px[:, 2] - px[:, 0]
        way /= np.linalg.norm(way, axis=1, keepdims=True)
        off = place_px - px[:, 1]
        across = way[:, 0] * off[:, 1] - way[:, 1] * off[:, 0]
        turn = np.zeros(len(px)) if along_px is None else way[:, 0] * along_px[1] - way[:, 1] * along_px[0]
        return across, turn, np.einsum("ki,ki->k", way, off)


def oval_of(square: Array) -> Array:
    """(2, ...) the two ways in which an ellipse is no circle, from the square (2, 2, ...) of its shape."""
    both = square[0, 0] + square[1, 1]
    return np.stack([(square[0, 0] - square[1, 1]) / both, 2.0 * square[0, 1] / both])


def _matrix(rows: list[list[Array]]) -> Array:
    """(K, 3, 3) from rows of (K,)."""
    return np.stack([np.stack(row, axis=1) for row in rows], axis=1)
