"""The photo as a camera turned square onto a plane would have taken it.

Turning a camera about its own center is a homography, whatever the distances: afterwards every circle parallel to the
plane, at any depth, is a circle in the picture. That is all the part finder needs to look for circles by their radius.
"""

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from features.camera import Camera, rotation_taking_z_to
from features.scale.homography import apply_homography

Array = NDArray[np.float64]


class Mapped:
    """Pixels of a squared-up picture and of the photo, each to the other."""

    photo_from_front: Array

    def to_photo(self, points: Array) -> Array:
        """(N, 2) squared-up pixels to photo pixels."""
        return apply_homography(self.photo_from_front, points)

    def from_photo(self, points_px: Array) -> Array:
        """(N, 2) photo pixels to squared-up pixels."""
        return apply_homography(np.asarray(np.linalg.inv(self.photo_from_front), float), points_px)


@dataclass(frozen=True, eq=False)
class FaceFrame(Mapped):
    """Where a squared-up picture's pixels lie in the photo, without the picture.

    Attributes:
        photo_from_front: (3, 3) homography from its pixels to the photo's.
        px_per_px: its pixels per photo pixel near the middle.
        width, height: of the picture.
        foot: (2,) where the plane's normal through the camera meets it.
        normal: (3,) of the plane, in camera axes.
    """

    photo_from_front: Array
    px_per_px: float
    width: int
    height: int
    foot: Array
    normal: Array


@dataclass(frozen=True, eq=False)
class FrontOn(Mapped):
    """A reduced, squared-up gray picture and the way back to the photo.

    Attributes:
        gray: (h, w) uint8.
        valid: (h, w) bool, pixels the photo covers.
        photo_from_front: (3, 3) homography from its pixels to the photo's.
        px_per_px: its pixels per photo pixel near the middle.
        mm_per_px: size of its pixels in the reference plane, 0 when not known.
        foot: (2,) where the plane's normal through the camera meets it: points in front of the plane move away
            from here.
    """

    gray: NDArray[np.uint8]
    valid: NDArray[np.bool_]
    photo_from_front: Array
    px_per_px: float
    mm_per_px: float
    foot: Array

    @cached_property
    def log_strength(self) -> NDArray[np.float32]:
        """(h, w) logarithm of the local edge strength."""
        smooth = cv2.GaussianBlur(self.gray, (0, 0), 1.0)
        strength = cv2.magnitude(cv2.Scharr(smooth, cv2.CV_32F, 1, 0), cv2.Scharr(smooth, cv2.CV_32F, 0, 1))
        return np.asarray(np.log1p(strength / 32), np.float32)


def face_plane(
    gray: NDArray[np.uint8], camera: Camera, normal: Array, distance_mm: float, longest_px: int = 800
) -> FrontOn:
    """Square a photo up to a plane.

    Args:
        gray: (H, W) the photo.
        camera: its camera.
        normal: (3,) unit normal of the plane in camera axes, z > 0.
        distance_mm: distance of the reference plane along its normal, 0 when not known.
        longest_px: longest side of the result.

    Returns:
        The squared-up picture. Parts more than about 65 degrees off the new axis are left out.
    """
    frame = face_frame(gray.shape, camera, normal, longest_px)
    source, reduce = _shrink_before_warp(gray, frame.px_per_px)
    warp, size = np.linalg.inv(frame.photo_from_front) @ reduce, (frame.width, frame.height)
    small = cv2.warpPerspective(source, warp, size, flags=cv2.INTER_LINEAR)
    valid = cv2.warpPerspective(np.full(source.shape, 255, np.uint8), warp, size) > 250
    mm_per_px = distance_mm / camera.focal_px / frame.px_per_px if distance_mm > 0 else 0.0
    return FrontOn(np.asarray(small, np.uint8), valid, frame.photo_from_front, frame.px_per_px, mm_per_px, frame.foot)


def face_frame(shape: tuple[int, ...], camera: Camera, normal: Array, longest_px: int = 800) -> FaceFrame:
    """Where the pixels of `face_plane` lie, for a photo of a shape (rows, columns)."""
    height, width = shape[:2]
    turn = rotation_taking_z_to(normal).T  # camera axes to axes that look along the normal
    k = camera.matrix
    front_from_photo = k @ turn @ np.linalg.inv(k)
    border = _border(width, height)
    lifted = np.column_stack([border, np.ones(len(border))]) @ front_from_photo.T
    ahead = lifted[:, 2] > 0.35 * float(np.max(lifted[:, 2]))
    seen = lifted[ahead, :2] / lifted[ahead, 2:3]
    low, high = seen.min(axis=0), seen.max(axis=0)
    # Steep views stretch the far side without adding detail: keep to twice the photo's own extent.
    middle, half = 0.5 * (low + high), 0.5 * np.minimum(high - low, 2.0 * max(width, height))
    scale = min(longest_px / float(2 * half.max()), 1.0)
    size = np.maximum((2 * half * scale).astype(int), 2)
    corner = scale * (middle - half)
    to_small = np.array([[scale, 0, -corner[0]], [0, scale, -corner[1]], [0, 0, 1]])
    foot = apply_homography(to_small, np.array([[camera.center_x_px, camera.center_y_px]]))[0]
    back = np.linalg.inv(to_small @ front_from_photo)
    return FaceFrame(np.asarray(back, float), scale, int(size[0]), int(size[1]), foot, normal)


def _border(width: int, height: int) -> Array:
    x, y = np.linspace(0, width - 1, 24), np.linspace(0, height - 1, 24)
    sides = [np.column_stack([x, 0 * x]), np.column_stack([x, 0 * x + height - 1])]
    sides += [np.column_stack([0 * y, y]), np.column_stack([0 * y + width - 1, y])]
    return np.concatenate(sides)


def _shrink_before_warp(gray: NDArray[np.uint8], scale: float) -> tuple[NDArray[np.uint8], Array]:
    """Area-average a large photo first so that the warp does not alias; returns it with photo_from_shrunk."""
    if scale >= 0.7:
        return gray, np.eye(3)
    factor = min(1.0, scale * 1.3)
    shrunk = cv2.resize(gray, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    sx, sy = gray.shape[1] / shrunk.shape[1], gray.shape[0] / shrunk.shape[0]
    back = np.array([[sx, 0, 0.5 * sx - 0.5], [0, sy, 0.5 * sy - 0.5], [0, 0, 1.0]])
    return np.asarray(shrunk, np.uint8), back
