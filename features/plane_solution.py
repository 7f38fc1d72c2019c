"""The plane of a scale reference solved by itself, and distances between points that lie in it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, final

import numpy as np
from numpy.typing import NDArray

from features.camera import CENTER_PRIOR_SD, Camera, Cameras, rotation_taking_z_to, rotations_from_vectors
from features.least_squares import Solution, solve
from features.measured import Contribution, ContributionName, MeasuredLength
from features.photo import FocalPrior, Photo
from features.plane_pose import PlanePose, plane_poses
from features.reference_fit import AboutReference, cameras_near, reference_residuals, translations_of
from features.scale.reference import ScaleReference

Array = NDArray[np.float64]

FOCAL, _LENS, _PRINT, _MIDDLE, _BEND = 6, 7, 8, slice(9, 11), slice(11, 14)
_STEPS = np.array([1e-5] * 3 + [0.01, 0.01] + [1e-5] * 6 + [1e-3] * 3)


@dataclass(frozen=True)
class NoPlane:
    """Why a plane could not be solved. Falsy."""

    reason: str

    def __bool__(self) -> Literal[False]:
        return False


@final
@dataclass(frozen=True, eq=False)
class PlaneProblem(AboutReference):
    """The residuals of a reference by itself.

    Parameters are a rotation vector increment (3), the reference's seen place (3, see `seen_place`), log focal, k1, log
    print size, the principal point's offset over the focal length (2) and the reference's bend (3).

    Attributes:
        start: pose of its plane to start from; reference: itself.
        focal, image_center_px: belief about the camera.
    """

    start: PlanePose
    reference: ScaleReference
    focal: FocalPrior
    image_center_px: tuple[float, float]

    def cameras_of(self, xs: Array) -> Cameras:
        """The cameras of (K, 14) guesses."""
        return cameras_near(self.focal, self.image_center_px, xs[:, FOCAL], xs[:, _LENS], xs[:, _MIDDLE])

    def poses_of(self, xs: Array) -> tuple[Array, Array]:
        """(K, 3, 3) and (K, 3) poses of the reference."""
        rotations = rotations_from_vectors(xs[:, :3]) @ self.start.rotation
        focal_px, axes_px = self.focal.focal_px * np.exp(xs[:, FOCAL]), self.focal.focal_px * xs[:, _MIDDLE]
        return rotations, translations_of(xs[:, 3:6], axes_px, focal_px, rotations, self.pivot_mm)

    def residuals(self, xs: Array) -> dict[str, Array]:
        """Whitened residuals of (K, 14) guesses by their cause."""
        return {
            **reference_residuals(self.reference, self.cameras_of(xs), *self.poses_of(xs), xs[:, _PRINT], xs[:, _BEND]),
            "camera": xs[:, [FOCAL]] / self.focal.relative_sd,
            "lens": xs[:, [_LENS]] / self.focal.k1_sd,
            "center": xs[:, _MIDDLE] / self.focal.center_sd,
            "print_scale": xs[:, [_PRINT]] / self.reference.size_relative_sd,
        }

    def solved(self) -> Solution:
        """The problem solved from its start."""
        guess = np.zeros(14)
        guess[3:6] = self.seen_start
        guess[FOCAL] = np.log(self.start.focal_px / self.focal.focal_px)
        return solve(self.residuals, guess, _STEPS)


@final
@dataclass(frozen=True, eq=False)
class SolvedPlane:
    """A reference's plane with everything that is uncertain about it.

    Attributes:
        problem: what was solved; solution: its parameters.
        photo: the photo's name.
    """

    problem: PlaneProblem
    solution: Solution
    photo: str

    def camera(self, x: Array | None = None) -> Camera:
        """The camera as solved (or for other parameters)."""
        x = self.solution.x if x is None else x
        return self.problem.cameras_of(x[None]).one(0)

    def pose(self, x: Array | None = None) -> PlanePose:
        """The plane as solved (or for other parameters), with the focal length as solved."""
        rotations, translations = self.problem.poses_of((self.solution.x if x is None else x)[None])
        miss = self.solution.residuals["reference"] * self.problem.reference.point_sd_px
        error_px = float(np.sqrt(2.0 * np.mean(miss**2)))
        return PlanePose(rotations[0], translations[0], self.camera(x).focal_px, error_px)

    def pose_from_middle(self) -> PlanePose:
        """The plane as a camera that looks through the picture's middle sees it alike about the reference.

        Of a cropped photo the lens may look through quite another place; searches and solutions begin at the middle.
        """
        pose, camera = self.pose(), self.camera()
        if self.problem.focal.center_sd <= CENTER_PRIOR_SD:
            return pose
        by_lens = pose.rotation @ self.problem.pivot_mm + pose.translation_mm
        from_middle_px = camera.project(by_lens) - self.problem.image_center_px
        by_middle = np.array([*(from_middle_px / camera.focal_px), 1.0])
        turn = _from_axis(by_middle) @ _from_axis(by_lens).T
        rotation = turn @ pose.rotation
        return replace(
            pose, rotation=rotation, translation_mm=by_lens[2] * by_middle - rotation @ self.problem.pivot_mm
        )

    def on_plane_mm(self, points_px: Array, offset_mm: float = 0.0, x: Array | None = None) -> Array:
        """(N, 2) pixels to (N, 2) millimeters on the plane `offset_mm` behind the reference."""
        return self.pose(x).on_plane_mm(self.camera(x), points_px, offset_mm)

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
        change = [log_length(x + d, ends) - log_length(x - d, ends) for d in np.diag(_STEPS)]
        slope = np.array(change) / (2 * _STEPS)
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
            "print_scale": ("print_scale", self.problem.reference.size_source),
            "slant": ("tilt", f"slant:{self.photo}"),
        }
        for group, (heading, source) in headings.items():
            if group in self.solution.loadings:
                response = slope @ self.solution.loadings[group]
                size = float(response[0]) if len(response) == 1 else float(np.linalg.norm(response))
                parts.append((heading, source, size))
        contributions = tuple(Contribution(n, s, r) for n, s, r in parts)
        return MeasuredLength(name, float(np.exp(log_length(x, ends))), contributions, (self.photo,), 0.0)


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
    return solved_planes(poses, reference, photo)[0]


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
    return tuple(plane.pose_from_middle() for plane in solved_planes(poses, reference, photo))


def solved_planes(poses: Sequence[PlanePose], reference: ScaleReference, photo: Photo) -> list[SolvedPlane]:
    """The plane of a reference of four points and more, solved from each of its poses, the likeliest first."""
    center_px = ((photo.width_px - 1) / 2, (photo.height_px - 1) / 2)
    problems = [PlaneProblem(pose, reference, photo.focal, center_px) for pose in poses]
    solved = [SolvedPlane(problem, problem.solved(), photo.name) for problem in problems]
    return sorted(solved, key=lambda plane: plane.solution.cost)


def _from_axis(direction: Array) -> Array:
    """(3, 3) turn of the camera's axis onto a direction (3,)."""
    return rotation_taking_z_to(direction / np.linalg.norm(direction))
