"""A chamber's joint that stands upright on the floor on which the reference lies, solved together with it.

The reference tells how the floor slants, the joint's own ellipse which way it faces, and its middle stands about as
high above what the pump stands on as the joint is wide. So the line of sight to the middle ends where that is so,
wherever on the floor the reference was laid.
"""

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from features.camera import Camera
from features.circle_fit import fit_circle
from features.circle_in_space import CENTER, RADIUS, TILT, CircleInSpace, CircleProblem, solve_problem
from features.circle_sighting import CirclePrior, CircleSighting, rim_of
from features.ellipse import Ellipse
from features.photo import FocalPrior
from features.plane_pose import PlanePose
from features.reference_fit import normal_of_tilt
from features.scale.reference import ScaleReference

Array = NDArray[np.float64]

HEIGHT_OF_DIAMETER, HEIGHT_SD = 0.97, 0.1
"""Height of a chamber's middle above what the pump stands on, over the chamber's diameter: half of it, a manifold and
feet (common practice; half the height over the diameter is 0.89 +/- 0.07 in the invented demo set, and the middle is
0.93 +/- 0.07 high on 197 rendered pumps of invented families, 0.99 +/- 0.10 on 400 free inventions, 1.04 +/- 0.07 on
19 pumps by a third hand: how high is a matter of who builds them)."""
HEIGHT_SOURCE = "height:joint"
"""Identity of that error: all photos of a pump have it alike."""
LEAN_SD_DEG = 3.0
"""How far a joint leans out of the upright, and the floor from level under it."""
_ANY_WAY_DEG = 60.0
_AZIMUTHS = np.deg2rad(np.arange(-60.0, 61.0, 10.0))

STANDING = CirclePrior(offset_mm=0.0, offset_sd_mm=1.0, tilt_sd_deg=LEAN_SD_DEG, plane="joint", stands=True)


_RIM_FROM_ABOVE = 0.012
"""Error of the radius, over it, of a joint that is looked down at: above one edge of its rim is seen, below the other,
and rims are a twentieth of the joint's diameter thick (common practice)."""


@dataclass(frozen=True)
class NotStanding:
    """Why a circle cannot stand on a floor. Falsy."""

    reason: str

    def __bool__(self) -> Literal[False]:
        return False


def upright_frame(away: Array) -> Array:
    """(3, 3) frame of an upright plane in the frame of the floor, z into the floor.

    Args:
        away: (3,) direction through the plane, away from the viewer; its level part counts.

    Returns:
        Its columns are down, aside, and level away from the viewer.
    """
    away = away * [1.0, 1.0, 0.0]
    away = away / np.linalg.norm(away)
    down = np.array([0.0, 0.0, 1.0])
    return np.stack([down, np.cross(away, down), away], axis=1)


def distance_by_height(
    floor: PlanePose, ray: Array, width: float, height: float, height_sd: float
) -> tuple[float, float]:
    """How far away a thing is whose middle stands at a height above the floor that goes with its width.

    Args:
        floor: pose of a reference on the floor, z into the floor.
        ray: (3,) line of sight to the middle, of length 1 along the camera's axis; width: the thing's at that distance.
        height, height_sd: of its middle over its width, and the standard uncertainty of that.

    Returns:
        Distance along the camera's axis in mm, not finite where the line of sight comes to no such place, and its
        relative standard uncertainty.
    """
    down = floor.rotation[:, 2]
    # At distance Z its height, down . (floor - Z ray), is to be the share of its width Z.
    falls = float(down @ ray) + height * width
    away = float(down @ floor.translation_mm) / falls if falls > 0 else np.inf
    return (away, height_sd * width / falls) if 0 < away < np.inf else (np.inf, np.inf)


@dataclass(frozen=True, eq=False)
class StandingProblem(CircleProblem):
    """The residuals of a circle that stands upright on the reference's plane, its middle at a height of its size."""

    @cached_property
    def seen(self) -> tuple[Array, float]:
        """(3,) line of sight to its middle, of length 1 along the axis, and its width at that distance."""
        ellipse = Ellipse.fit(self.rim.points_px)
        middle_px, radius_px = fit_circle(self.rim.points_px)
        if ellipse:
            middle_px, radius_px = ellipse.center_px, float(ellipse.semi_axes_px.max())
        camera = Camera(self.start.focal_px, *self.image_center_px)
        return camera.rays(middle_px), 2.0 * radius_px / self.start.focal_px

    @cached_property
    def facing(self) -> Array:
        """(3, 3) frame of an upright plane that faces the viewer."""
        return upright_frame(self.start.rotation.T @ self.seen[0])

    @cached_property
    def distance_mm(self) -> float:
        """Distance of its middle along the camera's axis by its height alone; not finite where it would be no way."""
        return distance_by_height(self.start, *self.seen, HEIGHT_OF_DIAMETER, HEIGHT_SD)[0]

    def first_guess(self) -> Array:
        """The best of several ways it may face, its middle where its height puts it."""
        ray = self.seen[0]
        center = self.start.rotation.T @ (self.distance_mm * ray - self.start.translation_mm)
        guess = self.guess_at(center, 0.5 * self.seen[1] * self.distance_mm)
        guesses = np.repeat(guess[None], len(_AZIMUTHS), axis=0)
        guesses[:, TILT.start + 1] = _AZIMUTHS
        misses = self.residuals(guesses)
        cost = sum(np.sum(misses[name] ** 2, axis=1) for name in ("edge", "tilt"))
        return np.asarray(guesses[int(np.argmin(cost))])

    def normals(self, xs: Array) -> Array:
        """(K, 3) normals of the circle's plane in the reference's frame."""
        return normal_of_tilt(xs[:, TILT]) @ self.facing.T

    def plane_beliefs(self, xs: Array) -> dict[str, Array]:
        """Whitened residuals of its height over its diameter, and of how it leans and faces."""
        return {
            "offset": height_belief(xs[:, CENTER], xs[:, RADIUS]),
            "tilt": upright_belief(xs[:, TILT]),
        }


def height_belief(centers_mm: Array, log_radius: Array) -> Array:
    """(K, 1) whitened residuals of the height of middles (K, 3) in the frame of the floor, by their radii (K,)."""
    share = -centers_mm[:, 2] / (2.0 * np.exp(log_radius))
    return np.asarray(((share - HEIGHT_OF_DIAMETER) / HEIGHT_SD)[:, None])


def upright_belief(tilts: Array) -> Array:
    """(K, 2) whitened residuals of how planes lean and face (K, 2), in rad, from an upright frame."""
    return np.asarray(tilts / np.deg2rad([LEAN_SD_DEG, _ANY_WAY_DEG]))


def solve_standing(
    sighting: CircleSighting,
    start: PlanePose,
    reference: ScaleReference,
    focal: FocalPrior,
    image_center_px: tuple[float, float],
    edge_shared_px: float,
) -> CircleInSpace | NotStanding:
    """Solve a joint that stands on the floor on which a reference lies.

    Args:
        sighting: edge points of the joint.
        start: pose of the reference, z into the floor, to start from.
        reference: what lies on the floor.
        focal: focal length prior; image_center_px: principal point.
        edge_shared_px: error of the radius that all edge points share.

    Returns:
        The joint, its depth's error shared by all photos of the pump; a falsy reason where it cannot stand there.
    """
    rim = rim_of(sighting, replace(STANDING, edge_shared_px=edge_shared_px))
    if not rim:
        return NotStanding(rim.reason)
    prior = replace(STANDING, edge_shared_px=max(edge_shared_px, _RIM_FROM_ABOVE * rim.radius_px))
    problem = StandingProblem(start, reference, focal, image_center_px, rim, prior)
    if not np.isfinite(problem.distance_mm):
        return NotStanding("below the floor")
    solved = solve_problem(sighting, problem)
    height = tuple(
        replace(part, source=HEIGHT_SOURCE) if part.name == "offset" else part for part in solved.length.contributions
    )
    length = replace(solved.length, contributions=height, offset_mm=None, per_offset_mm=0.0)
    return replace(solved, length=length)
