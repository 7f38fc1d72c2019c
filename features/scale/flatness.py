"""How much a scale card is bent: a cylinder fitted to its corners, in mm."""

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from features.camera import Camera, Cameras, rotations_from_vectors
from features.least_squares import solve
from features.photo import FocalPrior
from features.plane_pose import PlanePose, poses_of_points
from features.reference_fit import seen_place, translations_of
from features.scale.card_boards import CardBoard

_LENS_K1_SD = 0.05
"""Spread of the first radial coefficient of phone cameras (common practice); it bends straight lines too."""

_OTHER_POSE = 4.0
"""A second pose by which flat corners would lie this many times as far off as by the first is none: bends are small."""

_MIN_SAGITTA_OF_DIAGONAL = 0.005
"""Bends below 0.5 % of the card's diagonal change no scale that matters and are not worth a word."""


@dataclass(frozen=True)
class Bend:
    """A card's bend.

    Attributes:
        sagitta_mm: how far the middle stands off the line between two ends, over the card's diagonal.
        sagitta_sd_mm: its standard uncertainty.
        limit_mm: what is not worth a word.
        scatter_px: what corners are off the bent card, degrees of freedom counted.
    """

    sagitta_mm: float
    sagitta_sd_mm: float
    limit_mm: float
    scatter_px: float

    @property
    def is_bent(self) -> bool:
        """True when the bend is both real and large enough to matter."""
        return self.sagitta_mm > max(self.limit_mm, 3.0 * self.sagitta_sd_mm)


def bend_of_card(
    card: CardBoard,
    mm: NDArray[np.float64],
    px: NDArray[np.float64],
    focal: FocalPrior,
    shape: tuple[int, ...],
    point_sd_px: float,
) -> Bend:
    """Fit pose, focal length and lens distortion (under their priors) and a bend to a card's corners.

    The bend is z = (a x^2 + 2 b x y + c y^2) / 2 about the card's middle, which holds any shallow cylinder.
    The pose ambiguity of a plane is lifted by trying both poses, where both may be.

    Args:
        card: which card.
        mm: (N, 2) its corners.
        px: (N, 2) where they were seen.
        focal: focal length prior.
        shape: picture shape.
        point_sd_px: expected scatter of a corner.
    """
    middle = card.outline_mm.mean(0)
    x, y = (mm - middle).T
    diagonal = float(np.hypot(card.width_mm, card.height_mm))
    unit = 8.0 / diagonal**2  # curvature that makes a sagitta of 1 mm over the diagonal

    flat = np.column_stack([x, y])
    powers = unit * np.stack([x * x, 2 * x * y, y * y]) / 2
    center = Camera.of_shape(shape, focal.focal_px)
    middle_px = np.array([center.center_x_px, center.center_y_px])

    def residuals(pose: PlanePose, p: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
        bent = np.concatenate([np.broadcast_to(flat, (len(p), *flat.shape)), (p[:, 6:9] @ powers)[..., None]], axis=2)
        cameras = Cameras(focal.focal_px * np.exp(p[:, 9]), np.tile(middle_px, (len(p), 1)), p[:, 10])
        rotations = rotations_from_vectors(p[:, :3]) @ pose.rotation
        away = translations_of(p[:, 3:6], np.zeros((len(p), 2)), cameras.focal_px, rotations, np.zeros(3))
        seen = cameras.project(bent @ np.swapaxes(rotations, 1, 2) + away[:, None])
        off = ((seen - px) / point_sd_px).reshape(len(p), -1)
        return {"corners": off, "priors": p[:, 9:] / np.array([focal.relative_sd, _LENS_K1_SD])}

    best = None
    poses = poses_of_points(mm - middle, px, center)
    for pose in (pose for pose in poses if pose.error_px <= _OTHER_POSE * max(poses[0].error_px, point_sd_px)):
        place = seen_place(pose.rotation, pose.translation_mm, focal.focal_px, np.zeros(3))
        start = np.concatenate([np.zeros(3), place, np.zeros(5)])
        steps = np.array([1e-5] * 3 + [0.01, 0.01, 1e-5] + [1e-3] * 3 + [1e-5] * 2)
        fit = solve(partial(residuals, pose), start, steps, iterations=40)
        if best is None or fit.cost < best.cost:
            best = fit
    limit = _MIN_SAGITTA_OF_DIAGONAL * diagonal
    if best is None:
        return Bend(0.0, 0.0, limit, np.inf)
    shape_matrix = np.array([[best.x[6], best.x[7]], [best.x[7], best.x[8]]])
    curvatures, axes = np.linalg.eigh(shape_matrix)
    k = int(np.argmax(np.abs(curvatures)))
    u, v = axes[:, k]
    gradient = np.zeros(11)
    gradient[6:9] = u * u, 2 * u * v, v * v
    covariance = best.covariance * max(1.0, 2 * best.cost / max(1, 2 * len(mm) - 9))
    scatter = point_sd_px * float(np.sqrt(np.sum(best.residuals["corners"] ** 2) / max(1, 2 * len(mm) - 9)))
    return Bend(abs(float(curvatures[k])), float(np.sqrt(gradient @ covariance @ gradient)), limit, scatter)
