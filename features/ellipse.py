"""Ellipses through sub-pixel points: a direct fit, refined geometrically, with its covariance.

The direct fit is Halir and Flusser's numerically stable form of the ellipse-specific least squares (WSCG
1998); the refinement minimizes Sampson distances with a bounded influence of outliers.
"""

from dataclasses import dataclass
from typing import Literal, final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class NoEllipse:
    """Why no ellipse was fitted. Falsy."""

    reason: str

    def __bool__(self) -> Literal[False]:
        return False


@final
@dataclass(frozen=True, eq=False)
class Ellipse:
    """An ellipse in the picture.

    Attributes:
        center_px: (2,) its own center (not the image of a circle's center).
        semi_axes_px: (2,) major first.
        angle_rad: of the major axis, from x toward y.
        covariance: (5, 5) of (x, y, log major, log minor, angle).
        rms_px: root mean square distance of the points.
    """

    center_px: Array
    semi_axes_px: Array
    angle_rad: float
    covariance: Array
    rms_px: float

    @classmethod
    def fit(cls, points_px: Array, refine: bool = True) -> "Ellipse | NoEllipse":
        """Fit an ellipse to (N, 2) points, N >= 6.

        Returns:
            The ellipse, or a falsy reason when the points do not lie on one.
        """
        points = np.asarray(points_px, float)
        if len(points) < 6:
            return NoEllipse(f"{len(points)} points, at least 6 are needed")
        if not np.isfinite(points).all():
            return NoEllipse("points are not finite")
        direct = _direct_fit(points)
        if direct is None:
            return NoEllipse("the points lie on no ellipse")
        return _refined(direct, points) if refine else _as_ellipse(direct, np.full((5, 5), np.nan), points)

    @property
    def conic_matrix(self) -> Array:
        """(3, 3) symmetric matrix C with p^T C p = 0 on the ellipse, negative inside."""
        return _conic(self._vector)

    @property
    def _vector(self) -> Array:
        return np.array([*self.center_px, *np.log(self.semi_axes_px), self.angle_rad])

    def points_px(self, count: int = 180) -> Array:
        """(count, 2) points along the ellipse."""
        t = np.linspace(0, 2 * np.pi, count, endpoint=False)
        return self.at(t)

    def at(self, t: Array) -> Array:
        """Points at eccentric angles t (rad)."""
        c, s = np.cos(self.angle_rad), np.sin(self.angle_rad)
        u, v = self.semi_axes_px[0] * np.cos(t), self.semi_axes_px[1] * np.sin(t)
        return np.stack([self.center_px[0] + c * u - s * v, self.center_px[1] + s * u + c * v], axis=-1)

    def normals(self, t: Array) -> Array:
        """Outward unit normals at eccentric angles t."""
        c, s = np.cos(self.angle_rad), np.sin(self.angle_rad)
        u, v = np.cos(t) / self.semi_axes_px[0], np.sin(t) / self.semi_axes_px[1]
        normal = np.stack([c * u - s * v, s * u + c * v], axis=-1)
        unit: Array = normal / np.linalg.norm(normal, axis=-1, keepdims=True)
        return unit

    def distances_px(self, points_px: Array) -> Array:
        """Signed Sampson distances, positive outside."""
        return _sampson(self._vector, np.asarray(points_px, float))

    def reach(self, points_px: Array) -> Array:
        """(N,) how far out points lie from its center, its own outline being 1 in every direction."""
        c, s = np.cos(self.angle_rad), np.sin(self.angle_rad)
        along = (np.asarray(points_px, float) - self.center_px) @ np.array([[c, -s], [s, c]])
        return np.asarray(np.linalg.norm(along / self.semi_axes_px, axis=1))


def _direct_fit(points: Array) -> Array | None:
    """Ellipse-specific algebraic fit; returns (x, y, log major, log minor, angle)."""
    shift = points.mean(axis=0)
    scale = max(float(np.abs(points - shift).max()), 1e-9)
    x, y = ((points - shift) / scale).T
    quadratic = np.column_stack([x * x, x * y, y * y])
    linear = np.column_stack([x, y, np.ones_like(x)])
    s1, s2, s3 = quadratic.T @ quadratic, quadratic.T @ linear, linear.T @ linear
    if np.linalg.cond(s3) > 1e12:
        return None
    to_linear = -np.linalg.solve(s3, s2.T)
    reduced = s1 + s2 @ to_linear
    constrained = np.stack([reduced[2] / 2, -reduced[1], reduced[0] / 2])
    values, vectors = np.linalg.eig(constrained)
    vectors = np.real(vectors[:, np.abs(np.imag(values)) < 1e-9])
    discriminant = 4 * vectors[0] * vectors[2] - vectors[1] ** 2
    if vectors.size == 0 or not np.any(discriminant > 0):
        return None
    first = vectors[:, int(np.argmax(discriminant))]
    a, b, c, d, e, f = np.concatenate([first, to_linear @ first])
    matrix = np.array([[a, b / 2], [b / 2, c]])
    center = -0.5 * np.linalg.solve(matrix, [d, e])
    level = -(f + 0.5 * (d * center[0] + e * center[1]))
    axes, directions = np.linalg.eigh(matrix / level)
    if axes[0] <= 0:
        return None
    major, minor = 1 / np.sqrt(axes)
    angle = np.arctan2(directions[1, 0], directions[0, 0])
    out = np.array([*(center * scale + shift), np.log(major * scale), np.log(minor * scale), angle])
    return out if np.isfinite(out).all() else None


def _refined(start: Array, points: Array) -> "Ellipse | NoEllipse":
    """Gauss-Newton on Sampson distances with Huber's weights."""
    width = max(1.4826 * float(np.median(np.abs(_sampson(start, points)))), 0.05)
    x, size = start.copy(), float(np.exp(start[2]))
    scale = np.array([size, size, 1.0, 1.0, 1.0])
    for _ in range(25):
        distance, slopes = _sampson_slopes(x, points)
        weight = np.minimum(1.0, 2.0 * width / np.maximum(np.abs(distance), 1e-12)) / width**2
        slopes = slopes * scale
        information = (slopes * weight[:, None]).T @ slopes + 1e-9 * np.eye(5) / width**2
        step = -np.linalg.solve(information, (slopes * weight[:, None]).T @ distance)
        step *= min(1.0, 0.2 / float(np.abs(step).max() + 1e-300))
        x = x + scale * step
        if np.abs(step).max() < 1e-7:
            break
    if not np.isfinite(x).all() or x[2] - x[3] > 5 or np.exp(x[2]) > 50 * size:
        return NoEllipse("the fit ran away")
    covariance = np.linalg.inv(information) * np.outer(scale, scale)
    if x[3] > x[2]:
        x = np.array([x[0], x[1], x[3], x[2], x[4] + np.pi / 2])
        covariance = covariance[np.ix_([0, 1, 3, 2, 4], [0, 1, 3, 2, 4])]
    return _as_ellipse(x, covariance, points)


def _sampson_slopes(x: Array, points: Array) -> tuple[Array, Array]:
    """(N,) Sampson distances and their (N, 5) derivatives."""
    offset = points - x[:2]
    c, s = np.cos(x[4]), np.sin(x[4])
    u, v = offset @ np.array([c, s]), offset @ np.array([-s, c])
    wu, wv = np.exp(-2 * x[2]), np.exp(-2 * x[3])
    along_u, along_v = 2 * u * wu, 2 * v * wv
    slope = np.maximum(np.hypot(along_u, along_v), 1e-12)
    distance = (0.5 * (u * along_u + v * along_v) - 1.0) / slope
    none = np.zeros_like(u)
    # Of (x, y, log major, log minor, angle): derivatives of u and v, and of the logarithms of wu and wv.
    du, dv = np.stack([none - c, none - s, none, none, v]), np.stack([none + s, none - c, none, none, -u])
    log_wu, log_wv = np.array([0, 0, -2.0, 0, 0])[:, None], np.array([0, 0, 0, -2.0, 0])[:, None]
    value = along_u * (du + 0.5 * u * log_wu) + along_v * (dv + 0.5 * v * log_wv)
    of_slope = (along_u * (2 * wu * du + along_u * log_wu) + along_v * (2 * wv * dv + along_v * log_wv)) / slope
    return distance, np.asarray(((value - distance * of_slope) / slope).T)


def _as_ellipse(x: Array, covariance: Array, points: Array) -> Ellipse:
    angle = float((x[4] + np.pi / 2) % np.pi - np.pi / 2)
    rms = float(np.sqrt(np.mean(_sampson(x, points) ** 2)))
    return Ellipse(x[:2].copy(), np.exp(x[2:4]), angle, covariance, rms)


def _conic(x: Array) -> Array:
    c, s = np.cos(x[4]), np.sin(x[4])
    turn = np.array([[c, s], [-s, c]])
    quadratic = turn.T @ np.diag(np.exp(-2 * x[2:4])) @ turn
    linear = -quadratic @ x[:2]
    matrix: Array = np.block(
        [[quadratic, linear[:, None]], [linear[None], np.array([[x[:2] @ quadratic @ x[:2] - 1]])]]
    )
    return matrix


def _sampson(x: Array, points: Array) -> Array:
    """First-order distance (value over gradient) of points from the ellipse."""
    offset = points - x[:2]
    c, s = np.cos(x[4]), np.sin(x[4])
    u, v = offset @ np.array([c, s]), offset @ np.array([-s, c])
    wu, wv = np.exp(-2 * x[2]), np.exp(-2 * x[3])
    value = u * u * wu + v * v * wv - 1
    slope = 2 * np.hypot(u * wu, v * wv)
    distance: Array = value / np.maximum(slope, 1e-12)
    return distance
