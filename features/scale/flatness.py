"""How much a scale card is bent: a cylinder fitted to its corners, in mm."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from features.camera import Camera
from features.photo import FocalPrior
from features.plane_pose import poses_of_points
from features.scale.card_boards import CardBoard

_LENS_K1_SD = 0.05
"""Spread of the first radial coefficient of phone cameras (common practice); it bends straight lines too."""

_MIN_SAGITTA_OF_DIAGONAL = 0.005
"""Bends below 0.5 % of the card's diagonal change no scale that matters and are not worth a word."""


@dataclass(frozen=True)
class Bend:
    """A card's bend.

    Attributes:
        sagitta_mm: how far the middle stands off the line between two ends, over the card's diagonal.
        sagitta_sd_mm: its standard uncertainty.
        limit_mm: what is not worth a word.
    """

    sagitta_mm: float
    sagitta_sd_mm: float
    limit_mm: float

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
    The pose ambiguity of a plane is lifted by trying both poses.

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

    def residuals(p: NDArray[np.float64]) -> NDArray[np.float64]:
        bent = np.column_stack([x, y, unit * (p[6] * x * x + 2 * p[7] * x * y + p[8] * y * y) / 2])
        K = Camera.of_shape(shape, focal.focal_px * float(np.exp(p[9]))).matrix
        back, _ = cv2.projectPoints(bent, p[:3], p[3:6], K, np.array([p[10], 0, 0, 0]))
        off = (np.reshape(back, (-1, 2)) - px).ravel() / point_sd_px
        return np.concatenate([off, [p[9] / focal.relative_sd, p[10] / _LENS_K1_SD]])

    best = None
    for pose in poses_of_points(mm - middle, px, Camera.of_shape(shape, focal.focal_px)):
        rvec = np.ravel(cv2.Rodrigues(pose.rotation)[0])
        start = np.concatenate([rvec, pose.translation_mm, np.zeros(5)])
        fit = least_squares(residuals, start, x_scale="jac", max_nfev=40)
        if best is None or fit.cost < best.cost:
            best = fit
    limit = _MIN_SAGITTA_OF_DIAGONAL * diagonal
    if best is None:
        return Bend(0.0, 0.0, limit)
    shape_matrix = np.array([[best.x[6], best.x[7]], [best.x[7], best.x[8]]])
    curvatures, axes = np.linalg.eigh(shape_matrix)
    k = int(np.argmax(np.abs(curvatures)))
    u, v = axes[:, k]
    gradient = np.zeros(11)
    gradient[6:9] = u * u, 2 * u * v, v * v
    covariance = np.linalg.pinv(best.jac.T @ best.jac) * max(1.0, 2 * best.cost / max(1, 2 * len(mm) - 9))
    return Bend(abs(float(curvatures[k])), float(np.sqrt(gradient @ covariance @ gradient)), limit)
