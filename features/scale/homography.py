"""Plane-to-picture homographies: fit, apply, and the local scale they give."""

from dataclasses import dataclass
from typing import Literal, final

import cv2
import numpy as np
from numpy.typing import NDArray

_PRIOR_STRENGTH = 4.0
"""How many residuals the expected scatter weighs as, when the scatter of few points is judged."""


@final
@dataclass(frozen=True, eq=False)
class HomographyFit:
    """A homography fitted to matched points.

    Attributes:
        px_from_mm: (3, 3).
        residuals_px: (N, 2) fitted minus seen.
    """

    px_from_mm: NDArray[np.float64]
    residuals_px: NDArray[np.float64]

    @property
    def degrees_of_freedom(self) -> int:
        """Residuals beyond the 8 unknowns."""
        return max(0, self.residuals_px.size - 8)

    @property
    def rms_px(self) -> float:
        """Scatter of one coordinate, degrees of freedom counted; 0 when there are none."""
        if self.degrees_of_freedom == 0:
            return 0.0
        return float(np.sqrt((self.residuals_px**2).sum() / self.degrees_of_freedom))

    def point_sd_px(self, expected_px: float) -> float:
        """Standard uncertainty of one coordinate: the scatter seen, steadied by the scatter expected.

        Four points leave no residuals at all, so the residuals alone would promise perfection.
        """
        square = (self.residuals_px**2).sum() + _PRIOR_STRENGTH * expected_px**2
        return float(np.sqrt(square / (self.degrees_of_freedom + _PRIOR_STRENGTH)))


@dataclass(frozen=True)
class NoHomography:
    """Why no homography came out. Falsy."""

    reason: str

    def __bool__(self) -> Literal[False]:
        return False


def fit_homography(
    mm: NDArray[np.float64], px: NDArray[np.float64], robust: bool = False
) -> HomographyFit | NoHomography:
    """Fit the homography from a plane in mm to the picture.

    Args:
        mm: (N, 2) points of the plane.
        px: (N, 2) the same points in the picture.
        robust: least median of squares first, for points with strays.
    """
    if len(mm) < 4:
        return NoHomography(f"{len(mm)} points, 4 are needed")
    H, _ = cv2.findHomography(mm, px, cv2.LMEDS if robust and len(mm) > 5 else 0)
    if H is None or not np.isfinite(H).all() or abs(np.linalg.det(H)) < 1e-12:
        return NoHomography("the points lie in a line")
    px_from_mm: NDArray[np.float64] = np.array(H, np.float64)
    return HomographyFit(px_from_mm, apply_homography(px_from_mm, mm) - px)


def apply_homography(H: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """(N, 2) points through a (3, 3) homography."""
    h = np.column_stack([points, np.ones(len(points))]) @ np.asarray(H).T
    return np.asarray(h[:, :2] / h[:, 2:])


def homography_jacobian(H: NDArray[np.float64], point: NDArray[np.float64]) -> NDArray[np.float64]:
    """(2, 2) derivative of the mapped point by the point."""
    u, v, w = H @ np.array([point[0], point[1], 1.0])
    top = H[:2, :2] / w
    return np.asarray(top - np.outer([u, v], H[2, :2]) / w**2)


def local_scale_px_per_mm(H: NDArray[np.float64], point_mm: NDArray[np.float64]) -> float:
    """Picture pixels a mm at one place of the plane: the root of the area scale."""
    return float(np.sqrt(abs(np.linalg.det(homography_jacobian(H, point_mm)))))
