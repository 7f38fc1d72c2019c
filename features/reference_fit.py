"""A reference before guesses at its camera: poses by where it is seen, lines of sight, residuals of its points.

What one circle in one photo and one circle in several photos solve alike; K guesses are looked at together.
"""

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from features.camera import Cameras
from features.photo import FocalPrior
from features.plane_pose import PlanePose
from features.scale.reference import ScaleReference
from features.slant import HELD_SQUARE_SD_DEG

Array = NDArray[np.float64]


def cameras_near(
    focal: FocalPrior, image_center_px: tuple[float, float], log_focal: Array, k1: Array, middle: Array
) -> Cameras:
    """Cameras as solved.

    Args:
        focal: what was believed.
        image_center_px: (2,) middle of the picture.
        log_focal: (K,) logarithms of their focal lengths over the one believed.
        k1: (K,) distortions.
        middle: (K, 2) where the lens's axis meets the picture, from its middle, over the focal length believed.
    """
    return Cameras(focal.focal_px * np.exp(log_focal), np.array(image_center_px) + focal.focal_px * middle, k1)


def origins_of(rotations: Array, translations_mm: Array) -> Array:
    """(K, 3) where cameras stand in the reference's frame."""
    return np.asarray(-(translations_mm[:, None] @ rotations)[:, 0])


def distances_in_planes_mm(directions: Array, origins: Array, centers: Array, normals: Array) -> Array:
    """(K, N) distances from centers (K, 3) at which lines of sight meet planes (see `places_in_planes_mm`)."""
    met = places_in_planes_mm(directions, origins, centers, normals)
    return np.asarray(np.sqrt(np.einsum("kni,kni->kn", met, met)))


def places_in_planes_mm(directions: Array, origins: Array, centers: Array, normals: Array) -> Array:
    """(K, N, 3) where lines of sight meet planes, from a center in each, all in the reference's frame.

    Args:
        directions: (K, N, 3) of the lines; origins: (K, 3) where they start.
        centers, normals: (K, 3) of the planes.
    """
    along = np.einsum("ki,ki->k", normals, centers - origins)
    reach = along[:, None] / (directions @ normals[..., None])[..., 0]
    return np.asarray(reach[..., None] * directions + (origins - centers)[:, None])


def middle_of(reference: ScaleReference | None) -> Array:
    """(3,) middle of a reference in its own frame, its origin where there is none."""
    return np.zeros(3) if reference is None else np.array([*reference.points_mm.mean(axis=0), 0.0])


def seen_place(rotation: Array, translation_mm: Array, focal_px: float, middle_mm: Array) -> Array:
    """Where a pose puts the reference's middle in the picture: (2,) pixels from the lens's axis, log of mm per pixel.

    These the photo tells at once. A translation in mm would follow every change of the focal length along a curve,
    and a solution would take three times as many steps.
    """
    x, y, z = translation_mm + rotation @ middle_mm
    return np.array([x / z * focal_px, y / z * focal_px, np.log(z / focal_px)])


class AboutReference:
    """Where a problem's parameters start: at the reference's middle, as the starting pose puts it in the picture.

    Attributes:
        reference: None where there is none; start: pose of its plane.
    """

    reference: ScaleReference | None
    start: PlanePose

    @cached_property
    def pivot_mm(self) -> Array:
        """(3,) the reference's middle in its own frame."""
        return middle_of(self.reference)

    @cached_property
    def seen_start(self) -> Array:
        """(3,) where the starting pose puts the reference, as `seen_place` has it."""
        return seen_place(self.start.rotation, self.start.translation_mm, self.start.focal_px, self.pivot_mm)


def translations_of(places: Array, axes_px: Array, focal_px: Array, rotations: Array, middle_mm: Array) -> Array:
    """(K, 3) translations in mm that put the reference's middle at seen places.

    Args:
        places: (K, 3) as `seen_place` has them, their pixels from the picture's middle.
        axes_px: (K, 2) where the lens's axis meets the picture, from its middle.
        focal_px: (K,) focal lengths.
        rotations: (K, 3, 3) reference frame to camera axes.
        middle_mm: (3,) the reference's middle in its frame.
    """
    ahead = np.column_stack([places[:, :2] - axes_px, focal_px])
    return np.asarray(np.exp(places[:, 2:]) * ahead - rotations @ middle_mm)


def reference_residuals(
    reference: ScaleReference,
    cameras: Cameras,
    rotations: Array,
    translations_mm: Array,
    log_size: Array,
    bends: Array,
) -> dict[str, Array]:
    """Whitened residuals (K, N) of a reference's points, plus priors for what it cannot tell itself.

    Args:
        reference: the reference.
        cameras: K guesses; rotations: (K, 3, 3), translations_mm: (K, 3) its frame to the axes of each.
        log_size: (K,) logarithm of its true size over the stated one.
        bends: (K, 3) curvatures in x, in x and y, and in y about its middle, over what is believed of them: three
            hold any shallow cylinder, as in `features.scale.flatness`.
    """
    flat = reference.points_mm
    x, y = (flat - flat.mean(axis=0)).T
    depths = bends @ (reference.bend_sd_per_mm * np.stack([0.5 * x * x, x * y, 0.5 * y * y]))
    every = np.concatenate([np.broadcast_to(flat, (len(depths), *flat.shape)), depths[..., None]], axis=2)
    every = np.exp(log_size)[:, None, None] * every
    seen = cameras.project(every @ np.swapaxes(rotations, 1, 2) + translations_mm[:, None])
    miss = (seen - reference.points_px) / reference.point_sd_px
    out = {"reference": miss.reshape(len(miss), -1), "bend": bends}
    if len(reference.points_mm) < 3:
        # Two clicked points say nothing of the slant: people shoot roughly square on (common practice).
        tilt = rotations[:, :2, 2] / np.deg2rad(HELD_SQUARE_SD_DEG)
        spin = (rotations[:, 0, 1] - rotations[:, 1, 0])[:, None]
        out["slant"] = np.concatenate([tilt, spin / 10.0], axis=1)
    return out


def normal_of_tilt(tilt: Array) -> Array:
    """(..., 2) tilts toward x and y in rad to (..., 3) unit normals."""
    aside = np.sin(tilt)
    ahead = np.sqrt(np.maximum(1.0 - np.sum(aside**2, axis=-1, keepdims=True), 1e-6))
    return np.concatenate([aside, ahead], axis=-1)
