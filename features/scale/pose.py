"""Poses of a flat thing for one focal length, enough to judge tilt and bend; the full solve is elsewhere."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from features.camera import Camera


@dataclass(frozen=True, eq=False)
class PlanePose:
    """One pose of a plane.

    Attributes:
        rotation: (3, 3) plane to camera.
        translation_mm: (3,) plane to camera.
        rms_px: what it leaves of the points.
    """

    rotation: NDArray[np.float64]
    translation_mm: NDArray[np.float64]
    rms_px: float


def camera_matrix(focal_px: float, shape: tuple[int, ...]) -> NDArray[np.float64]:
    """(3, 3) camera matrix of an uncropped photo."""
    return Camera.of_size(shape[1], shape[0], focal_px).matrix


def plane_poses(
    mm: NDArray[np.float64], px: NDArray[np.float64], focal_px: float, shape: tuple[int, ...]
) -> list[PlanePose]:
    """Both poses a plane's points allow (they are nearly equal in a frontal view), the better one first.

    Args:
        mm: (N >= 4, 2) points of the plane.
        px: (N, 2) the same points in the picture.
        focal_px: focal length taken as true.
        shape: picture shape.
    """
    points = np.column_stack([mm, np.zeros(len(mm))])
    K = camera_matrix(focal_px, shape)
    found, rotations, translations, _ = cv2.solvePnPGeneric(
        points.reshape(-1, 1, 3), px.reshape(-1, 1, 2), K, None, flags=cv2.SOLVEPNP_IPPE
    )
    poses = []
    for rvec, tvec in zip(rotations, translations, strict=True) if found else ():
        rvec, tvec = cv2.solvePnPRefineLM(points.reshape(-1, 1, 3), px.reshape(-1, 1, 2), K, None, rvec, tvec)
        back, _ = cv2.projectPoints(points, rvec, tvec, K, None)
        rms = float(np.sqrt(((np.reshape(back, (-1, 2)) - px) ** 2).mean()))
        if np.isfinite(rms):
            poses.append(PlanePose(np.asarray(cv2.Rodrigues(rvec)[0]), np.ravel(tvec), rms))
    return sorted(poses, key=lambda pose: pose.rms_px)


def line_of_sight_tilt_deg(pose: PlanePose, at_mm: NDArray[np.float64]) -> float:
    """Angle between the plane's normal and the line from the camera to one of its points, 0..90 deg."""
    sight = pose.rotation[:, :2] @ at_mm + pose.translation_mm
    cosine = abs(float(pose.rotation[:, 2] @ sight)) / float(np.linalg.norm(sight))
    return float(np.rad2deg(np.arccos(np.clip(cosine, 0, 1))))
