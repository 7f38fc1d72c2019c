"""Whether four corners can be a rectangle of known size seen by this camera, and how well they fit.

Any four corners fit some homography; a pose of a rectangle of given sides has two unknowns fewer, and these two are
the test: the sides must be perpendicular and their ratio right, under a believable focal length.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from features.camera import Camera
from features.photo import FocalPrior
from features.plane_pose import PlanePose, poses_of_points

Array = NDArray[np.float64]

LEAST_CORNER_SD_PX = 0.3
"""Edges move by some tenths of a pixel with the camera's tone curve, sharpening and the thing's own side."""

_ITERATIONS = 15
"""Shapes that are rectangles settle in a few; the others need not settle."""

LENS_PART = 0.0005
"""What is left of the lens's distortion, as part of the diagonal."""


@dataclass(frozen=True, eq=False)
class RectangleFit:
    """Corners fitted by a rectangle of known size.

    Attributes:
        points_mm: (4, 2) corners in the plane frame; first to second runs along the width.
        points_px: (4, 2) the same corners, as seen.
        residual_px: largest distance a corner is off.
        diagonal_px: longer diagonal as seen.
        tilt_deg: angle between the normal and the line of sight.
        ratio_off: log of the ratio of sides the corners themselves ask for, over the known one.
        ratio_sd: its standard uncertainty; large where perspective and ratio cannot be told apart.
    """

    points_mm: Array
    points_px: Array
    residual_px: float
    diagonal_px: float
    tilt_deg: float
    ratio_off: float
    ratio_sd: float


def rough_misfit(corners_px: Array, ratio: float, focal: FocalPrior, shape: tuple[int, ...]) -> Array:
    """How far rough corners (..., 4, 2) are from a rectangle of a ratio of sides: (...) larger of its relative errors.

    With the focal length known the columns of K^-1 H are the rectangle's side vectors in space:
    perpendicular, and as long as the sides. Both ways round are tried.
    """
    a, b, c, d = np.moveaxis(corners_px, -2, 0)
    to_b, to_d, bent = b - c, d - c, a - b + c - d
    # H from the unit square (Heckbert 1989): its third row is (deep[0], deep[1], 1).
    area = _cross(to_b, to_d)
    deep = _cross(bent, to_d) / area, _cross(to_b, bent) / area
    center = [(shape[1] - 1) / 2, (shape[0] - 1) / 2]
    one, other = (
        np.concatenate([(end - a + (end - center) * z[..., None]) / focal.focal_px, z[..., None]], -1)
        for end, z in zip((b, d), deep, strict=True)
    )
    long, short = np.linalg.norm(one, axis=-1), np.linalg.norm(other, axis=-1)
    skew = np.abs(np.sum(one * other, axis=-1)) / (long * short)
    off = np.abs(np.abs(np.log(long / short)) - abs(np.log(ratio)))
    return np.asarray(np.maximum(skew, off))


def _cross(one: Array, other: Array) -> Array:
    return np.asarray(one[..., 0] * other[..., 1] - one[..., 1] * other[..., 0])


def fit_known_rectangle(
    corners_px: Array,
    corner_sd_px: float,
    size_mm: tuple[float, float],
    focal: FocalPrior,
    shape: tuple[int, ...],
) -> RectangleFit | None:
    """Fit a rectangle of known size, lying along or across.

    Args:
        corners_px: (4, 2) corners, clockwise as seen.
        corner_sd_px: standard uncertainty of a corner coordinate.
        size_mm: its longer and its shorter side.
        focal: focal length prior.
        shape: picture shape.

    Returns:
        The better of both ways round, with the width running rightward in the picture rather than leftward.
    """
    width, height = size_mm
    mm = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    fits = []
    for turn in (0, 1):
        px = np.roll(corners_px, -turn, axis=0)
        if (px[1] - px[0])[0] + 0.3 * (px[1] - px[0])[1] < 0:
            px = np.roll(px, -2, axis=0)
        fit = _fit(mm, px, corner_sd_px, focal, shape)
        if fit is not None:
            fits.append(fit)
    return min(fits, key=lambda f: f.residual_px) if fits else None


@dataclass(frozen=True, eq=False)
class PosedRectangle:
    """A rectangle of known size before a camera.

    Its parameters are a rotation vector (3), a translation (3), the focal length's logarithm over the one believed in,
    and the logarithm of its ratio of sides over the known one.

    Attributes:
        points_mm: (4, 3) corners about their middle; first to second runs along the width.
        focal: focal length prior; shape: of the picture.
    """

    points_mm: Array
    focal: FocalPrior
    shape: tuple[int, ...]

    @staticmethod
    def of(corners_mm: Array, focal: FocalPrior, shape: tuple[int, ...]) -> "PosedRectangle":
        """With corners (4, 2) anywhere in their plane."""
        return PosedRectangle(np.column_stack([corners_mm - corners_mm.mean(0), np.zeros(4)]), focal, shape)

    def starts(self, px: Array) -> list[Array]:
        """(8,) parameters of the poses in which its corners lie near (4, 2) pixels, the likeliest first."""
        poses = poses_of_points(self.points_mm[:, :2], px, Camera.of_shape(self.shape, self.focal.focal_px))
        return [
            np.concatenate([np.ravel(cv2.Rodrigues(pose.rotation)[0]), pose.translation_mm, [0.0, 0.0]])
            for pose in poses
        ]

    def project(self, p: Array) -> tuple[Array, Array]:
        """(4, 2) where the corners come to lie, and the (8, 8) derivatives."""
        K = Camera.of_shape(self.shape, self.focal.focal_px * float(np.exp(p[6]))).matrix
        stretched = self.points_mm * np.exp([p[7] / 2, -p[7] / 2, 0.0])
        px, slopes = cv2.projectPoints(stretched, p[:3], p[3:6], K, None)
        slopes = np.asarray(slopes, float)
        of_focal = K[0, 0] * (slopes[:, 6] + slopes[:, 7])
        moved = (stretched * [0.5, -0.5, 0.0]) @ np.asarray(cv2.Rodrigues(p[:3])[0], float).T
        of_ratio = np.sum(slopes[:, 3:6] * np.repeat(moved, 2, axis=0), axis=1)
        return np.asarray(px, float).reshape(4, 2), np.column_stack([slopes[:, :6], of_focal, of_ratio])

    def tilt_deg(self, p: Array) -> float:
        """Angle between the normal and the line of sight to the middle."""
        return PlanePose(np.asarray(cv2.Rodrigues(p[:3])[0]), p[3:6], self.focal.focal_px, 0.0).tilt_deg


@dataclass(frozen=True, eq=False)
class _Corners:
    """The residuals of four corners of a rectangle, and of its focal length."""

    rectangle: PosedRectangle
    px: Array
    sd: float

    def solve(self, start: Array, free: int) -> tuple[Array, float, Array]:
        """Levenberg-Marquardt over the first `free` parameters: (8,) solution, cost, (9, free) derivatives there."""
        p, damping = start.copy(), 1e-3
        off, slopes = self._residuals(p, free)
        cost = 0.5 * float(off @ off)
        for _ in range(_ITERATIONS):
            information = slopes.T @ slopes
            step = np.zeros(8)
            step[:free] = np.linalg.solve(
                information + damping * np.diag(np.diag(information) + 1e-12), -slopes.T @ off
            )
            tried, tried_slopes = self._residuals(p + step, free)
            tried_cost = 0.5 * float(tried @ tried)
            if not np.isfinite(tried_cost) or tried_cost > cost:
                damping *= 8.0
                if damping > 1e8:
                    break
                continue
            done = cost - tried_cost <= 1e-6 * (1.0 + cost)
            p, off, slopes, cost, damping = p + step, tried, tried_slopes, tried_cost, max(damping / 5.0, 1e-10)
            if done:
                break
        return p, cost, slopes

    def _residuals(self, p: Array, free: int) -> tuple[Array, Array]:
        px, slopes = self.rectangle.project(p)
        focal_sd = self.rectangle.focal.relative_sd
        prior = np.zeros(8)
        prior[6] = 1.0 / focal_sd
        off = np.append((px - self.px).ravel() / self.sd, p[6] / focal_sd)
        return off, np.vstack([slopes / self.sd, prior])[:, :free]


def _fit(mm: Array, px: Array, corner_sd_px: float, focal: FocalPrior, shape: tuple[int, ...]) -> RectangleFit | None:
    rectangle = PosedRectangle.of(mm, focal, shape)
    sd = float(np.hypot(max(corner_sd_px, LEAST_CORNER_SD_PX), LENS_PART * np.linalg.norm(px[0] - px[2])))
    corners = _Corners(rectangle, px, sd)
    best, least = None, np.inf
    for start in rectangle.starts(px):
        solved, cost, _ = corners.solve(start, 7)
        if cost < least:
            best, least = solved, cost
    if best is None or best[5] <= 0:
        return None
    with_ratio, _, slopes = corners.solve(best, 8)
    covariance = np.linalg.pinv(slopes.T @ slopes)
    off = np.linalg.norm(rectangle.project(best)[0] - px, axis=1)
    return RectangleFit(
        points_mm=mm,
        points_px=px,
        residual_px=float(off.max()),
        diagonal_px=float(max(np.linalg.norm(px[0] - px[2]), np.linalg.norm(px[1] - px[3]))),
        tilt_deg=rectangle.tilt_deg(best),
        ratio_off=float(with_ratio[7]),
        ratio_sd=float(np.sqrt(covariance[7, 7])),
    )
