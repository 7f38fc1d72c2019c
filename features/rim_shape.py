"""A seen rim as few averaged points, with an error model in which the rim's own flaws are smooth.

What moves the seen edge of a coin, a casting or a band (shading, a bevel, a shadow, dirt) moves neighbors alike: it is
a smooth function of the angle round the rim, a sum of low harmonics whose spread falls as the inverse square of their
number (a Gaussian process on the circle). Harmonic 0 is an error of size, 1 of place. Harmonic 2 looks exactly like a
slant: its spread says how little one rim can tell of it. On six photographs of 157 euro coins the amplitudes of
harmonics 2, 3, 4, 6 came out at 0.7 to 1.7, 0.2, 0.13 and 0.09 % of the radius (rms) beside errors of size of 0.6 to
1.1 %, so harmonic 2 is given the spread of the size.
"""

from dataclasses import dataclass, replace
from typing import Literal, final

import numpy as np
from numpy.typing import NDArray

from features.camera import Camera
from features.circle_fit import fit_circle
from features.ellipse import Ellipse

Array = NDArray[np.float64]

BINS = 24
"""Directions that edge points are averaged in: enough for the harmonics that matter."""

_HARMONICS = np.arange(2, 9)
_FLAW_DEGREES = 3.0


@dataclass(frozen=True)
class NoRim:
    """Why edge points cannot be read as a rim. Falsy."""

    reason: str

    def __bool__(self) -> Literal[False]:
        return False


@final
@dataclass(frozen=True, eq=False)
class RimShape:
    """A seen rim.

    Attributes:
        points_px: (M, 2) averaged edge points.
        whitening: (M, M) W with W^T W the inverse covariance of the log of their distances from the center.
        radius_px: geometric mean of the semi-axes of the ellipse through them.
        rms_px: scatter of the edge points about that ellipse.
        no_slant_misfit: half the sum of squares that no slant can explain: flaws beyond harmonic 2.
    """

    points_px: Array
    whitening: Array
    radius_px: float
    rms_px: float
    no_slant_misfit: float

    @classmethod
    def of(cls, edge_px: Array, relative_sd: float, edge_sd_px: float = 0.5) -> "RimShape | NoRim":
        """Average edge points and give them their covariance; few points (bolts on a circle) are taken as they are.

        Args:
            edge_px: (N, 2) sub-pixel edge points of one rim.
            relative_sd: spread of harmonic 2 of the rim's flaws, relative to its radius.
            edge_sd_px: scatter of a single edge point; what is seen counts where it is larger.
        """
        ellipse = Ellipse.fit(edge_px)
        if not ellipse or len(edge_px) < BINS:
            return _few_points(edge_px, relative_sd, edge_sd_px)
        angle = _eccentric_angles(ellipse, edge_px)
        off = ellipse.distances_px(edge_px)
        which = np.floor(angle / (2 * np.pi) * BINS).astype(int) % BINS
        count = np.bincount(which, minlength=BINS)
        kept = np.flatnonzero(count)
        at = np.bincount(which, angle, BINS)[kept] / count[kept]
        outward = np.bincount(which, off, BINS)[kept] / count[kept]
        points = ellipse.at(at) + outward[:, None] * ellipse.normals(at)
        scatter = np.maximum(edge_sd_px, ellipse.rms_px) / np.sqrt(count[kept])
        radius = np.linalg.norm(points - ellipse.center_px, axis=1)
        whitening = _whitening(at, scatter / radius, relative_sd)
        left = _left_over(whitening, at, outward / radius)
        # Flaws larger than expected beyond harmonic 2 say that those in it are larger too.
        worse = float(np.sqrt(left @ left / max(len(kept) - 5, 1)))
        if worse > 1.0:
            whitening = _whitening(at, scatter / radius, worse * relative_sd)
            left = _left_over(whitening, at, outward / radius)
        size = float(np.sqrt(ellipse.semi_axes_px.prod()))
        return cls(points, whitening, size, ellipse.rms_px, 0.5 * float(left @ left))

    def with_errors(self, shapes: Array) -> "RimShape":
        """The rim with more that may be wrong with it: (M, K) standard deviations of K errors, relative distances."""
        covariance = np.linalg.inv(self.whitening.T @ self.whitening) + shapes @ shapes.T
        return replace(self, whitening=np.asarray(np.linalg.inv(np.linalg.cholesky(covariance))))


def _few_points(points_px: Array, relative_sd: float, edge_sd_px: float) -> RimShape | NoRim:
    """A rim of points too few, or on too short an arc, for an ellipse of its own."""
    if len(points_px) < 3 or np.linalg.matrix_rank(points_px - points_px.mean(axis=0), tol=1e-6) < 2:
        return NoRim("its points lie on no circle")
    center, radius = fit_circle(points_px)
    away = points_px - center
    distance = np.maximum(np.linalg.norm(away, axis=1), 1e-6)
    whitening = _whitening(np.arctan2(away[:, 1], away[:, 0]), edge_sd_px / distance, relative_sd)
    rms = float(np.sqrt(np.mean((distance - radius) ** 2)))
    return RimShape(np.asarray(points_px, float), whitening, radius, rms, 0.0)


def _eccentric_angles(ellipse: Ellipse, points_px: Array) -> Array:
    """Angles 0 .. 2 pi at which the ellipse passes the points."""
    c, s = np.cos(ellipse.angle_rad), np.sin(ellipse.angle_rad)
    u, v = ((points_px - ellipse.center_px) @ np.array([[c, -s], [s, c]]) / ellipse.semi_axes_px).T
    return np.asarray(np.arctan2(v, u) % (2 * np.pi))


def _whitening(angle: Array, scatter: Array, relative_sd: float) -> Array:
    """(M, M) inverse square root of the covariance of smooth flaws and of (M,) independent scatter."""
    apart = angle[:, None] - angle[None]
    covariance = np.diag(scatter**2)
    for h in _HARMONICS:
        covariance += (relative_sd * (2.0 / h) ** 2) ** 2 * np.cos(h * apart)
    return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)))


def _left_over(whitening: Array, angle: Array, off: Array) -> Array:
    """Whitened residuals after harmonics 0, 1 and 2 are taken out."""
    taken = np.stack([np.ones_like(angle), *(f(h * angle) for h in (1, 2) for f in (np.cos, np.sin))], axis=1)
    white, target = whitening @ taken, whitening @ off
    return np.asarray(target - white @ np.linalg.lstsq(white, target, rcond=None)[0])


@dataclass(frozen=True, eq=False)
class RadiusAtSlants:
    """A rim read as a circle of a plane at distance 1, for every slant of a list.

    Attributes:
        log_radius: (G,) its best value under each slant.
        variance: (G,) of that, from the edge and the circle's own tilt.
        center: (G, 2) in the plane.
        misfit: (G,) half the sum of squares left: how little each slant explains the rim.
        own_tilt: (G, 2) lean of its normal toward the plane frame's x and y, in standard uncertainties.
    """

    log_radius: Array
    variance: Array
    center: Array
    misfit: Array
    own_tilt: Array

    def log_likelihood(self, rim: RimShape) -> Array:
        """(G,) log likelihood of each slant, up to a constant.

        What a slant leaves beyond what none could explain is judged by Student's t (the flaws' spread is known from
        other rims only): one rim with a shadow along a side does not overrule the others.
        """
        return np.asarray(-0.5 * (_FLAW_DEGREES + 2) * np.log1p(2 * self._excess(rim) / _FLAW_DEGREES))

    def flaw_scale(self, rim: RimShape) -> Array:
        """(G,) how much larger than usual this rim's flaws are, its size's error among them; never below 1.

        The same Student's t: given what a slant leaves of harmonic 2, the flaws' variance is expected to be larger by
        (degrees + squares) / (degrees + 2). A shadow that bends a rim out of shape also makes it larger.
        """
        square = (_FLAW_DEGREES + 2 * self._excess(rim)) / (_FLAW_DEGREES + 2)
        return np.asarray(np.sqrt(np.maximum(square, 1.0)))

    def _excess(self, rim: RimShape) -> Array:
        return np.asarray(np.maximum(self.misfit - rim.no_slant_misfit, 0.0))


def radius_at_slants(rim: RimShape, camera: Camera, rotations: Array, tilt_sd_rad: float = 0.0) -> RadiusAtSlants:
    """Read a rim as a circle under many slants at once.

    Args:
        rim: as seen.
        camera: with its distortion.
        rotations: (G, 3, 3) plane frame to camera axes.
        tilt_sd_rad: standard uncertainty of the circle's own tilt against that plane, per axis.

    Returns:
        One entry a slant. Where a slant would put part of the rim behind the camera the misfit is infinite.
    """
    rays = camera.rays(rim.points_px)
    flat, ahead = _on_planes(rays, rotations)
    center = _circle_centers(flat)
    prior = np.diag([0.0, 0.0, 0.0, 1.0, 1.0])
    for _ in range(2):
        x, y = flat[..., 0] - center[:, :1], flat[..., 1] - center[:, 1:]
        distance = np.hypot(x, y)
        u, v = x / distance, y / distance
        # A plane turned by (a, b) about the circle's center meets the ray of p where log distance changes by
        # -(a u + b v) (p . outward), to first order.
        lean = -tilt_sd_rad * (flat[..., 0] * u + flat[..., 1] * v)
        log_distance = np.log(distance)
        middle = log_distance.mean(axis=1)
        basis = np.stack([np.ones_like(u), u, v, lean * u, lean * v], axis=2)
        white = rim.whitening @ basis
        target = (log_distance - middle[:, None]) @ rim.whitening.T
        information = np.swapaxes(white, 1, 2) @ white + prior
        pulled = (target[:, None] @ white)[:, 0]
        solved = np.linalg.solve(information, pulled[..., None])[..., 0]
        center = center + np.exp(middle)[:, None] * solved[:, 1:3]
    misfit = 0.5 * (np.sum(target**2, axis=1) - np.sum(pulled * solved, axis=1))
    variance = np.linalg.inv(information)[:, 0, 0]
    misfit = np.asarray(np.where(ahead, misfit, np.inf))
    log_radius = np.asarray(middle + solved[:, 0])
    return RadiusAtSlants(log_radius, np.asarray(variance), np.asarray(center), misfit, solved[:, 3:])


def _on_planes(rays: Array, rotations: Array) -> tuple[Array, NDArray[np.bool_]]:
    """(G, M, 2) where rays meet the plane at distance 1 under each slant, and whether all do (G,)."""
    turned = rays @ rotations
    depth = turned[..., 2:]
    return turned[..., :2] / np.maximum(depth, 0.05), np.asarray((depth[..., 0] > 0.05).all(axis=1))


def _circle_centers(flat: Array) -> Array:
    """(G, 2) centers of algebraic circles through (G, M, 2) points (Kasa 1976)."""
    middle = flat.mean(axis=1)
    x, y = flat[..., 0] - middle[:, :1], flat[..., 1] - middle[:, 1:]
    square = x * x + y * y
    xx, yy, xy = (np.einsum("gm,gm->g", a, b) for a, b in ((x, x), (y, y), (x, y)))
    right_x, right_y = (0.5 * np.einsum("gm,gm->g", a, square) for a in (x, y))
    determinant = xx * yy - xy * xy
    return np.asarray(
        middle + np.stack([yy * right_x - xy * right_y, xx * right_y - xy * right_x], axis=1) / determinant[:, None]
    )
