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
        direct = direct_fits(points[None])[0]
        if not np.isfinite(direct).all():
            return NoEllipse("the points lie on no ellipse")
        return _refined(direct, points) if refine else _as_ellipse(direct, np.full((5, 5), np.nan), points)

    @property
    def conic_matrix(self) -> Array:
        """(3, 3) symmetric matrix C with p^T C p = 0 on the ellipse, negative inside."""
        return _conic(self.parameters)

    @property
    def parameters(self) -> Array:
        """(5,) x, y, log major, log minor, angle."""
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
        return sampson_px(self.parameters, np.asarray(points_px, float))

    def reach(self, points_px: Array) -> Array:
        """(N,) how far out points lie from its center, its own outline being 1 in every direction."""
        c, s = np.cos(self.angle_rad), np.sin(self.angle_rad)
        along = (np.asarray(points_px, float) - self.center_px) @ np.array([[c, -s], [s, c]])
        return np.asarray(np.linalg.norm(along / self.semi_axes_px, axis=1))


def direct_fits(points_px: Array) -> Array:
    """Algebraic ellipses through many sets of points at once.

    Args:
        points_px: (T, N, 2) finite points, N >= 6.

    Returns:
        (T, 5) of (x, y, log major, log minor, angle); nan where points lie on no ellipse.
    """
    shift = points_px.mean(axis=1)
    own = points_px - shift[:, None]
    scale = np.maximum(np.abs(own).max(axis=(1, 2)), 1e-9)
    own /= scale[:, None, None]
    x, y = own[..., 0], own[..., 1]
    terms = np.stack([x * x, x * y, y * y, x, y, np.ones_like(x)], axis=1)
    scatter = terms @ terms.transpose(0, 2, 1)
    s1, s2, s3 = scatter[:, :3, :3], scatter[:, :3, 3:], scatter[:, 3:, 3:]
    spread = np.linalg.eigvalsh(s3)
    good = spread[:, 2] < 1e12 * spread[:, 0]
    s3 = np.where(good[:, None, None], s3, np.eye(3))
    to_linear = -np.linalg.solve(s3, s2.transpose(0, 2, 1))
    reduced = s1 + s2 @ to_linear
    constrained = np.stack([reduced[:, 2] / 2, -reduced[:, 1], reduced[:, 0] / 2], axis=1)
    values, vectors = np.linalg.eig(constrained)
    vectors = np.where(np.abs(values.imag) < 1e-9, vectors.transpose(1, 0, 2).real, 0.0)  # by part, set and solution
    discriminant = 4 * vectors[0] * vectors[2] - vectors[1] ** 2
    sets = np.arange(len(points_px))
    best = discriminant.argmax(axis=1)
    good &= discriminant[sets, best] > 0
    square = vectors[:, sets, best].T
    linear = (to_linear @ square[..., None])[..., 0]
    with np.errstate(all="ignore"):  # what lies on no ellipse comes out as nan
        found = _ellipses_of(square, linear, shift, scale)
    found[~(good & np.isfinite(found).all(axis=1))] = np.nan
    return found


def _ellipses_of(square: Array, linear: Array, shift: Array, scale: Array) -> Array:
    """(T, 5) parameters of the conics a x^2 + b x y + c y^2 + d x + e y + f = 0, enlarged and moved."""
    (a, b, c), (d, e, f) = square.T, linear.T
    determinant = a * c - b * b / 4
    center = np.stack([b * e / 4 - c * d / 2, b * d / 4 - a * e / 2]) / determinant
    a, b, c = np.stack([a, b, c]) / -(f + 0.5 * (d * center[0] + e * center[1]))
    steepest = 0.5 * (a + c) + 0.5 * np.hypot(a - c, b)
    flattest = (a * c - b * b / 4) / steepest
    logs = np.log(scale) - 0.5 * np.log(np.stack([flattest, steepest]))
    return np.asarray(np.stack([*(scale * center + shift.T), *logs, 0.5 * np.arctan2(b, a - c) + np.pi / 2], axis=1))


def _refined(start: Array, points: Array) -> "Ellipse | NoEllipse":
    """Gauss-Newton on Sampson distances with Huber's weights."""
    width = max(1.4826 * float(np.median(np.abs(sampson_px(start, points)))), 0.05)
    size = float(np.exp(start[2]))
    x: Array = start.copy()
    scale = np.array([size, size, 1.0, 1.0, 1.0])
    for _ in range(25):
        distance, slopes = _sampson_slopes(x, points)
        weight = np.minimum(1.0, 2.0 * width / np.maximum(np.abs(distance), 1e-12)) / width**2
        slopes *= scale[:, None]
        weighted = slopes * weight
        information = weighted @ slopes.T + 1e-9 * np.eye(5) / width**2
        try:
            step = -np.linalg.solve(information, weighted @ distance)
        except np.linalg.LinAlgError:  # points as a circle has that reaches behind the camera lie on no ellipse
            return NoEllipse("the points lie on no ellipse")
        step *= min(1.0, 0.2 / float(np.abs(step).max() + 1e-300))
        x = x + scale * step
        if np.abs(step).max() < 1e-7:
            break
    if not np.isfinite(x).all() or x[2] - x[3] > 5 or np.exp(x[2]) > 50 * size:
        return NoEllipse("the fit ran away")
    covariance = np.asarray(np.linalg.inv(information) * np.outer(scale, scale), float)
    if x[3] > x[2]:
        x = np.array([x[0], x[1], x[3], x[2], x[4] + np.pi / 2])
        covariance = covariance[np.ix_([0, 1, 3, 2, 4], [0, 1, 3, 2, 4])]
    return _as_ellipse(x, covariance, points)


def _sampson_slopes(x: Array, points: Array) -> tuple[Array, Array]:
    """(N,) Sampson distances and their (5, N) derivatives by (x, y, log major, log minor, angle)."""
    c, s = np.cos(x[4]), np.sin(x[4])
    turn = np.array([[c, s], [-s, c]])
    uv = turn @ (points - x[:2]).T
    doubled = 2 * np.exp(-2 * x[2:4])[:, None]
    along = doubled * uv  # the value's gradient in the ellipse's own axes
    slope = np.maximum(np.hypot(*along), 1e-12)
    distance = (0.5 * (uv * along).sum(axis=0) - 1.0) / slope
    across = np.stack([uv[1], -uv[0]])  # how a turn moves u and v
    bent = doubled * along
    of_value, of_slope = np.empty((5, len(points))), np.empty((5, len(points)))
    of_value[:2], of_slope[:2] = -turn.T @ along, -turn.T @ bent
    of_value[2:4], of_slope[2:4] = -uv * along, -2 * along * along
    of_value[4], of_slope[4] = (across * along).sum(axis=0), (across * bent).sum(axis=0)
    return distance, np.asarray((of_value - distance / slope * of_slope) / slope)


def _as_ellipse(x: Array, covariance: Array, points: Array) -> Ellipse:
    angle = float((x[4] + np.pi / 2) % np.pi - np.pi / 2)
    rms = float(np.sqrt(np.mean(sampson_px(x, points) ** 2)))
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


def sampson_px(ellipses: Array, points: Array) -> Array:
    """(..., N) first-order distances (value over gradient) of points (N, 2) from ellipses (..., 5)."""
    x, y, major, minor, angle = np.moveaxis(ellipses, -1, 0)[..., None]
    across, down = points[:, 0] - x, points[:, 1] - y
    c, s = np.cos(angle), np.sin(angle)
    u, v = c * across + s * down, c * down - s * across
    wu, wv = np.exp(-2 * major), np.exp(-2 * minor)
    value = u * u * wu + v * v * wv - 1
    slope = 2 * np.hypot(u * wu, v * wv)
    return np.asarray(value / np.maximum(slope, 1e-12))
