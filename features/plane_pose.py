"""Where a plane of known points or a known circle lies before the camera, the focal length taken as true.

A flat thing seen nearly square on fits two poses almost equally well, and a single circle seen at a slant always fits
two. Both are returned; whoever measures keeps the one that explains the pump's own circles too, and says so when
neither wins.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from features.camera import Camera, rotation_from_vector
from features.photo import FocalPrior, Photo
from features.rim_shape import NoRim, RimShape, radius_at_slants
from features.scale.reference import ScaleReference
from features.slant import held_log_prior, slant_posterior, slant_rotations

Array = NDArray[np.float64]

_REFUSED = 15.0
"""Half the sum of squares by which a second pose must be worse to be dropped: e^-15, some correlation allowed for."""


@dataclass(frozen=True, eq=False)
class PlanePose:
    """Pose of a plane: X_camera = rotation @ X_plane + translation.

    Attributes:
        rotation: (3, 3) plane frame to camera axes.
        translation_mm: (3,) origin of the plane frame in camera axes.
        focal_px: focal length used.
        error_px: root mean square distance of the reference's points from their places.
    """

    rotation: Array
    translation_mm: Array
    focal_px: float
    error_px: float

    @property
    def tilt_deg(self) -> float:
        """Angle between the plane's normal and the viewing direction to its origin."""
        return self.tilt_at_deg(np.zeros(2))

    def tilt_at_deg(self, at_mm: Array) -> float:
        """Angle between the plane's normal and the line from the camera to one of its points (2,), 0..90 deg."""
        sight = self.rotation[:, :2] @ at_mm + self.translation_mm
        cosine = abs(float(self.rotation[:, 2] @ sight)) / float(np.linalg.norm(sight))
        return float(np.degrees(np.arccos(np.clip(cosine, 0, 1))))

    def on_plane_mm(self, camera: Camera, points_px: Array, offset_mm: float = 0.0) -> Array:
        """(N, 2) pixels to (N, 2) millimeters in the plane that lies `offset_mm` behind the reference plane."""
        directions = camera.rays(points_px) @ self.rotation
        origin = -self.rotation.T @ self.translation_mm
        reach = (offset_mm - origin[2]) / directions[:, 2]
        met: Array = origin + reach[:, None] * directions
        return met[:, :2]

    def mm_per_px(self, camera: Camera, at_px: Array) -> float:
        """Millimeters in the plane per pixel at a place of the photo, geometric mean over directions."""
        around = at_px + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
        a, b, c = self.on_plane_mm(camera, around)
        return float(np.sqrt(abs(np.linalg.det(np.stack([b - a, c - a])))))


def plane_poses(reference: ScaleReference, photo: Photo) -> tuple[PlanePose, ...]:
    """Starting poses of a reference's plane, better one first.

    Returns:
        One or two poses (two points give one, square on); none when its points fit no plane.
    """
    camera = Camera.of_size(photo.width_px, photo.height_px, photo.focal.focal_px)
    if reference.is_circle:
        return _coin_poses(reference, camera)
    if len(reference.points_mm) < 4:
        return (_square_on_pose(reference, camera),)
    return _believable(reference, camera, photo.focal)


def unscaled_pose(photo: Photo) -> PlanePose:
    """Pose of a plane square on where one unit is one pixel: the stand-in when a photo has no scale."""
    return PlanePose(np.eye(3), np.array([0.0, 0.0, photo.focal.focal_px]), photo.focal.focal_px, 0.0)


def _believable(reference: ScaleReference, camera: Camera, focal: FocalPrior) -> tuple[PlanePose, ...]:
    """Both poses, or the first alone where its points refuse the second one under every focal length that may be."""
    poses = poses_of_points(reference.points_mm, reference.points_px, camera)
    if len(poses) < 2:
        return poses
    misses = [np.array([pose.error_px for pose in poses])]
    for change in (-2.0, -1.0, 1.0, 2.0):
        other = replace(camera, focal_px=camera.focal_px * float(np.exp(change * focal.relative_sd)))
        # A pose nearly as turned as the first of the list is that one at another focal length.
        for pose in poses_of_points(reference.points_mm, reference.points_px, other):
            nearest = int(np.argmax([np.sum(pose.rotation * known.rotation) for known in poses]))
            misses.append(np.where(np.arange(2) == nearest, pose.error_px, np.inf))
    first, second = np.min(misses, axis=0)
    scatter = max(np.sqrt(2.0) * reference.point_sd_px, first)
    refused = 0.5 * len(reference.points_mm) * (second**2 - first**2) / scatter**2 > _REFUSED
    return poses[:1] if refused else poses


def poses_of_points(points_mm: Array, points_px: Array, camera: Camera) -> tuple[PlanePose, ...]:
    """Both poses that matched points of a plane allow (nearly equal in a frontal view), the better one first.

    Each is refined to its own least-squares minimum, so that it depends on the points and nothing else.

    Args:
        points_mm: (N >= 4, 2) points of the plane.
        points_px: (N, 2) the same points in the picture.
        camera: its distortion is ignored.
    """
    flat = np.concatenate([points_mm, np.zeros((len(points_mm), 1))], axis=1)
    image = np.ascontiguousarray(points_px, dtype=np.float64)
    found, vectors, moves, _ = cv2.solvePnPGeneric(flat, image, camera.matrix, None, flags=cv2.SOLVEPNP_IPPE)
    poses = []
    for vector, move in zip(vectors[:found], moves[:found], strict=True):
        vector, move = cv2.solvePnPRefineLM(flat, image, camera.matrix, None, vector, move)
        rotation = rotation_from_vector(np.asarray(vector, float).ravel())
        translation = np.asarray(move, float).ravel()
        miss = camera.project(flat @ rotation.T + translation) - image
        error = float(np.sqrt(np.mean(np.sum(miss**2, axis=1))))
        if np.isfinite(error) and translation[2] > 0:
            poses.append(PlanePose(rotation, translation, camera.focal_px, error))
    return tuple(sorted(poses, key=lambda pose: pose.error_px))


def _square_on_pose(reference: ScaleReference, camera: Camera) -> PlanePose:
    (a_mm, b_mm), (a_px, b_px) = reference.points_mm[:2], reference.points_px[:2]
    mm_per_px = float(np.linalg.norm(b_mm - a_mm) / np.linalg.norm(b_px - a_px))
    turn = np.arctan2(*(b_px - a_px)[::-1]) - np.arctan2(*(b_mm - a_mm)[::-1])
    rotation = rotation_from_vector(np.array([0.0, 0.0, turn]))
    middle_ray = camera.rays(0.5 * (a_px + b_px))
    middle_plane = np.append(0.5 * (a_mm + b_mm), 0.0)
    translation = middle_ray * mm_per_px * camera.focal_px - rotation @ middle_plane
    return PlanePose(rotation, translation, camera.focal_px, 0.0)


def coin_rim(reference: ScaleReference) -> RimShape | NoRim:
    """The rim of a coin; its flaws are as large as the doubt about its size."""
    return RimShape.of(reference.points_px, reference.size_relative_sd, reference.point_sd_px)


def _coin_poses(reference: ScaleReference, camera: Camera) -> tuple[PlanePose, ...]:
    """Poses by the coin's own rim and how phones are held, the likelier one first."""
    rim = coin_rim(reference)
    if not rim:
        return ()

    def log_density(slants: Array) -> Array:
        circle = radius_at_slants(rim, camera, slant_rotations(slants))
        return np.asarray(held_log_prior(slants) + circle.log_likelihood(rim))

    slants = slant_posterior(log_density).modes()
    rotations = slant_rotations(slants)
    circle = radius_at_slants(rim, camera, rotations)
    distance = 0.5 * reference.circle_diameter_mm * np.exp(-circle.log_radius)
    return tuple(
        PlanePose(turn, turn @ np.array([*(middle * far), far]), camera.focal_px, rim.rms_px)
        for turn, middle, far in zip(rotations, circle.center, distance, strict=True)
    )


def scale_at_reference(
    reference: ScaleReference | None, photo: Photo, poses: Sequence[PlanePose]
) -> tuple[float, float]:
    """Millimeters per pixel in the reference's plane at its middle, and its relative standard uncertainty."""
    if reference is None or not poses:
        return 0.0, 0.0
    camera = Camera.of_size(photo.width_px, photo.height_px, poses[0].focal_px)
    mm_per_px = poses[0].mm_per_px(camera, reference.points_px.mean(axis=0))
    extent_px = float(np.linalg.norm(np.ptp(reference.points_px, axis=0)))
    from_points = reference.point_sd_px * np.sqrt(2.0) / max(extent_px, 1.0)
    return mm_per_px, float(np.hypot(from_points, reference.size_relative_sd))
