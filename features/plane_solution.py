"""The plane of a scale reference solved by itself, and distances between points that lie in it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, final

import numpy as np
from numpy.typing import NDArray

from features.camera import Camera, rotation_from_vector, rotations_from_vectors
from features.least_squares import Solution, solve
from features.measured import Contribution, ContributionName, MeasuredLength
from features.photo import Photo
from features.plane_pose import PlanePose, plane_poses
from features.reference_fit import cameras_near, reference_residuals
from features.scale.reference import ScaleReference

Array = NDArray[np.float64]

FOCAL, _LENS, _PRINT, _MIDDLE, _BEND = 6, 7, 8, slice(9, 11), slice(11, 14)


@dataclass(frozen=True)
class NoPlane:
    """Why a plane could not be solved. Falsy."""

    reason: str

    def __bool__(self) -> Literal[False]:
        return False


@final
@dataclass(frozen=True, eq=False)
class SolvedPlane:
    """A reference's plane with everything that is uncertain about it.

    Attributes:
        start: the pose the solution started from.
        solution: parameters (rotation vector increment, translation, log focal, k1, log print size, offset of
            the principal point over the focal length, the reference's bend).
        reference: what it was solved from.
        photo: the photo's name.
        prior_focal_px: focal length the prior states.
        center_px: principal point.
    """

    start: PlanePose
    solution: Solution
    reference: ScaleReference
    photo: str
    prior_focal_px: float
    center_px: tuple[float, float]

    def camera(self, x: Array | None = None) -> Camera:
        """The camera as solved (or for other parameters)."""
        x = self.solution.x if x is None else x
        return _camera(self.prior_focal_px, self.center_px, x)

    def pose(self) -> PlanePose:
        """The plane as solved, with the focal length as solved; where it started if that ran behind the camera."""
        x = self.solution.x
        if x[5] <= 0:
            return self.start
        miss = self.solution.residuals["reference"] * self.reference.point_sd_px
        error_px = float(np.sqrt(2.0 * np.mean(miss**2)))
        return PlanePose(rotation_from_vector(x[:3]) @ self.start.rotation, x[3:6], self.camera().focal_px, error_px)

    def on_plane_mm(self, points_px: Array, offset_mm: float = 0.0, x: Array | None = None) -> Array:
        """(N, 2) pixels to (N, 2) millimeters on the plane `offset_mm` behind the reference."""
        x = self.solution.x if x is None else x
        pose = PlanePose(rotation_from_vector(x[:3]) @ self.start.rotation, x[3:6], self.prior_focal_px, 0.0)
        return pose.on_plane_mm(self.camera(x), points_px, offset_mm)

    def distance(self, name: str, a_px: Array, b_px: Array, point_sd_px: float) -> MeasuredLength:
        """Distance in the plane between two points of the photo, with its budget.

        Args:
            name: of the length.
            a_px, b_px: (2,) the points.
            point_sd_px: standard uncertainty of each coordinate.
        """
        ends = np.stack([a_px, b_px])

        def log_length(x: Array, points: Array) -> float:
            a, b = self.on_plane_mm(points, x=x)
            return float(np.log(np.linalg.norm(b - a)))

        x = self.solution.x
        steps = np.array([1e-5] * 3 + [1e-5 * float(np.linalg.norm(x[3:6]))] * 3 + [1e-5] * 5 + [1e-3] * 3)
        change = [log_length(x + d, ends) - log_length(x - d, ends) for d in np.diag(steps)]
        slope = np.array(change) / (2 * steps)
        # Pixel error of the ends: along the line they move the length by one each, in opposite directions.
        along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
        per_px = log_length(x, ends + np.stack([-0.5 * along, 0.5 * along])) - log_length(x, ends)
        parts: list[tuple[ContributionName, str, float]] = [
            ("edge", f"edge:{self.photo}:{name}", per_px * np.sqrt(2.0) * point_sd_px)
        ]
        headings: dict[str, tuple[ContributionName, str]] = {
            "reference": ("reference", f"reference:{self.photo}"),
            "bend": ("reference", f"bend:{self.photo}"),
            "camera": ("camera", f"camera:{self.photo}"),
            "lens": ("lens", f"lens:{self.photo}"),
            "center": ("camera", f"center:{self.photo}"),
            "print_scale": ("print_scale", self.reference.size_source),
            "slant": ("tilt", f"slant:{self.photo}"),
        }
        for group, (heading, source) in headings.items():
            if group in self.solution.loadings:
                response = slope @ self.solution.loadings[group]
                size = float(response[0]) if len(response) == 1 else float(np.linalg.norm(response))
                parts.append((heading, source, size))
        contributions = tuple(Contribution(n, s, r) for n, s, r in parts)
        return MeasuredLength(name, float(np.exp(log_length(x, ends))), contributions, (self.photo,), 0.0)


def _camera(focal_px: float, center_px: tuple[float, float], x: Array) -> Camera:
    x_px, y_px = np.array(center_px) + focal_px * x[_MIDDLE]
    return Camera(focal_px * float(np.exp(x[FOCAL])), float(x_px), float(y_px), float(x[_LENS]))


def solve_plane(reference: ScaleReference, photo: Photo) -> SolvedPlane | NoPlane:
    """Solve a reference's plane with the focal length, the lens and the print size under their priors.

    Returns:
        The better of the possible poses, or a falsy reason.
    """
    if reference.is_circle:
        return NoPlane("a circle alone leaves the slant open")
    poses = plane_poses(reference, photo)
    if not poses:
        return NoPlane("the reference's outline fits no plane")
    center = ((photo.width_px - 1) / 2, (photo.height_px - 1) / 2)
    solved = [_solve_from(pose, reference, photo, center) for pose in poses]
    return min(solved, key=lambda plane: plane.solution.cost)


def poses_as_solved(reference: ScaleReference, photo: Photo, poses: Sequence[PlanePose]) -> tuple[PlanePose, ...]:
    """Poses of a reference's plane with lens, principal point and bend solved under their priors, likeliest first.

    A pose of points seen through a lens taken for a perfect one leans wrongly near the picture's border: of 131
    references in renders, in the plane of a circle, one in ten by 2 degrees and more, by 1.6 as solved. What leans by 6
    degrees squares a photo up so badly that a joint is no circle there, and no edge is followed.

    Args:
        reference: of four points and more; poses of any other are as they were.
        photo: for its camera; poses: to start from.
    """
    if reference.is_circle or len(reference.points_mm) < 4:
        return tuple(poses)
    center = ((photo.width_px - 1) / 2, (photo.height_px - 1) / 2)
    solved = [_solve_from(pose, reference, photo, center) for pose in poses]
    return tuple(plane.pose() for plane in sorted(solved, key=lambda plane: plane.solution.cost))


def _solve_from(pose: PlanePose, reference: ScaleReference, photo: Photo, center: tuple[float, float]) -> SolvedPlane:
    prior = photo.focal

    def residuals(xs: Array) -> dict[str, Array]:
        cameras = cameras_near(prior, center, xs[:, FOCAL], xs[:, _LENS], xs[:, _MIDDLE])
        rotations = rotations_from_vectors(xs[:, :3]) @ pose.rotation
        return {
            **reference_residuals(reference, cameras, rotations, xs[:, 3:6], xs[:, _PRINT], xs[:, _BEND]),
            "camera": xs[:, [FOCAL]] / prior.relative_sd,
            "lens": xs[:, [_LENS]] / prior.k1_sd,
            "center": xs[:, _MIDDLE] / prior.center_sd,
            "print_scale": xs[:, [_PRINT]] / reference.size_relative_sd,
        }

    start = np.zeros(14)
    start[3:6] = pose.translation_mm
    distance = float(np.linalg.norm(pose.translation_mm))
    steps = np.array([1e-5] * 3 + [1e-5 * distance] * 3 + [1e-5] * 5 + [1e-3] * 3)
    solution = solve(residuals, start, steps)
    return SolvedPlane(pose, solution, reference, photo.name, prior.focal_px, center)
