"""The camera of one photo: pinhole, one radial distortion term, principal point in the middle of the picture.

Axes: x right, y down, z forward. Pixel centers lie at integers. Distortion acts on normalized coordinates,
`x_d = x (1 + k1 r^2)` (the first term of the Brown model that OpenCV uses).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

K1_PRIOR_SD = 0.02
"""Prior standard deviation of k1 for phones. They correct their lenses before they save; what is left bends a line
at the edge of the picture by a few pixels (common practice, checked on the benchmarks' real photographs).
"""

CENTER_PRIOR_SD = 0.01
"""Prior standard deviation of the principal point's place, per axis, over the focal length: lenses are not mounted in
the exact middle, and stabilizers move them (common practice)."""

UNKNOWN_K1_SD = 0.15
"""Prior standard deviation of k1 for a camera that may be no phone: webcams and modules bend lines strongly, k1 of -0.1
to -0.4 is usual (common practice, from memory; OpenCV's sample camera has -0.27)."""


@dataclass(frozen=True)
class Camera:
    """Intrinsic camera.

    Attributes:
        focal_px: focal length.
        center_x_px, center_y_px: principal point.
        k1: radial distortion.
    """

    focal_px: float
    center_x_px: float
    center_y_px: float
    k1: float = 0.0

    @classmethod
    def of_size(cls, width_px: int, height_px: int, focal_px: float, k1: float = 0.0) -> "Camera":
        """Camera of an uncropped photo: the principal point is the middle of the pixel grid."""
        return cls(focal_px, (width_px - 1) / 2, (height_px - 1) / 2, k1)

    @classmethod
    def of_shape(cls, shape: tuple[int, ...], focal_px: float) -> "Camera":
        """The same from the shape (rows, columns, ...) of a picture's array."""
        return cls.of_size(shape[1], shape[0], focal_px)

    @property
    def matrix(self) -> Array:
        """(3, 3) camera matrix."""
        return np.array([[self.focal_px, 0, self.center_x_px], [0, self.focal_px, self.center_y_px], [0, 0, 1.0]])

    def project(self, points_camera: Array) -> Array:
        """(..., 3) points in camera axes to (..., 2) pixels."""
        x = points_camera[..., :2] / points_camera[..., 2:3]
        r2 = np.sum(x * x, axis=-1, keepdims=True)
        distorted = x * (1.0 + self.k1 * r2)
        projected: Array = distorted * self.focal_px + np.array([self.center_x_px, self.center_y_px])
        return projected

    def rays(self, points_px: Array) -> Array:
        """(..., 2) pixels to (..., 3) viewing directions with z = 1, distortion removed."""
        distorted = (np.asarray(points_px, float) - [self.center_x_px, self.center_y_px]) / self.focal_px
        seen = np.sqrt(np.sum(distorted * distorted, axis=-1, keepdims=True))
        r = seen
        for _ in range(4 if self.k1 else 0):  # Newton's method on r (1 + k1 r^2) = seen
            slope = np.maximum(1.0 + 3.0 * self.k1 * r * r, 0.2)  # beyond the lens's fold there is no answer
            r = r - (r * (1.0 + self.k1 * r * r) - seen) / slope
        x = distorted * (r / np.maximum(seen, 1e-12)) if self.k1 else distorted
        return np.concatenate([x, np.ones_like(x[..., :1])], axis=-1)


@dataclass(frozen=True, eq=False)
class Cameras:
    """K guesses at the camera of one photo, looked through at once.

    Attributes:
        focal_px: (K,); center_px: (K, 2); k1: (K,), as in `Camera`.
    """

    focal_px: Array
    center_px: Array
    k1: Array

    def one(self, index: int) -> Camera:
        """One of them."""
        x_px, y_px = self.center_px[index]
        return Camera(float(self.focal_px[index]), float(x_px), float(y_px), float(self.k1[index]))

    def project(self, points_camera: Array) -> Array:
        """(K, N, 3) points in the axes of each camera to (K, N, 2) pixels."""
        x = points_camera[..., :2] / points_camera[..., 2:3]
        stretch = self.focal_px[:, None] * (1.0 + self.k1[:, None] * np.einsum("kni,kni->kn", x, x))
        return np.asarray(x * stretch[..., None] + self.center_px[:, None])

    def rays(self, points_px: Array) -> Array:
        """(N, 2) pixels to (K, N, 3) viewing directions with z = 1, distortion removed."""
        seen = (points_px - self.center_px[:, None]) / self.focal_px[:, None, None]
        square = np.einsum("kni,kni->kn", seen, seen)
        k1, share = self.k1[:, None], np.ones_like(square)
        for _ in range(4):  # Newton's method on s (1 + k1 s^2 r^2) = 1, s the undistorted share of the distance seen
            bend = k1 * square * share * share
            share = share - (share * (1.0 + bend) - 1.0) / np.maximum(1.0 + 3.0 * bend, 0.2)
        return np.concatenate([seen * share[..., None], np.ones((*seen.shape[:2], 1))], axis=2)


def rotation_from_vector(vector: Array) -> Array:
    """(3,) rotation vector to (3, 3) matrix (Rodrigues)."""
    return np.asarray(rotations_from_vectors(vector[None])[0])


def rotations_from_vectors(vectors: Array) -> Array:
    """(K, 3) rotation vectors to (K, 3, 3) matrices (Rodrigues)."""
    angle = np.sqrt(np.einsum("ki,ki->k", vectors, vectors))
    x, y, z = (vectors / np.maximum(angle, 1e-12)[:, None]).T
    none = np.zeros_like(x)
    cross = np.stack([none, -z, y, z, none, -x, -y, x, none], axis=1).reshape(-1, 3, 3)
    sine, versine = np.sin(angle)[:, None, None], (1.0 - np.cos(angle))[:, None, None]
    return np.asarray(np.eye(3) + sine * cross + versine * (cross @ cross))


def rotation_taking_z_to(normal: Array) -> Array:
    """Smallest rotation (3, 3) that turns the z axis onto a unit normal."""
    z = np.array([0.0, 0.0, 1.0])
    axis = np.cross(z, normal)
    sine = float(np.linalg.norm(axis))
    if sine < 1e-12:
        return np.eye(3) if normal[2] > 0 else np.diag([1.0, -1.0, -1.0])
    return rotation_from_vector(axis / sine * np.arctan2(sine, float(normal[2])))
