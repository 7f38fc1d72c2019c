"""One circle of the pump, solved together with the scale reference that was photographed with it.

Unknown are the pose of the reference, the focal length, the lens, the true size of the print, and the
circle's own center, depth behind the reference plane, tilt and diameter. What is known of each beforehand
enters as a prior, so the photo decides how much each matters: a card with many corners fixes the camera, a
coin leaves it to the prior, a circle seen at a slant tells its own tilt. The budget falls out of the same
solution, one term a cause (see `features.least_squares`).
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from features.camera import Camera, Cameras, rotation_taking_z_to, rotations_from_vectors
from features.circle_fit import fit_circle
from features.circle_sighting import CirclePrior, CircleSighting, SeenMiddle, rim_of
from features.least_squares import Solution, solve
from features.measured import NO_SCALE_RELATIVE_SD, Contribution, ContributionName, MeasuredLength
from features.photo import FocalPrior
from features.plane_pose import PlanePose
from features.reference_fit import (
    AboutReference,
    cameras_near,
    distances_in_planes_mm,
    normal_of_tilt,
    origins_of,
    places_in_planes_mm,
    reference_residuals,
    translations_of,
)
from features.rim_shape import NoRim, RimShape
from features.scale.reference import ScaleReference

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class CircleInSpace:
    """A solved circle.

    Attributes:
        length: the diameter with its budget.
        center_mm: (3,) in the reference frame.
        normal: (3,) unit, in the reference frame, +z is away from the viewer.
        camera: the camera as solved.
        rotation, translation_mm: reference frame to camera axes.
        edge_rms_px: spread of the edge points about the fitted circle.
        tilt_pull: how many standard uncertainties the circle's tilt lies from the reference plane.
        cost: half the sum of squares, to compare alternative starts.
        tilt_sd_deg: standard uncertainty of its tilt, the larger of two axes; 0 where nobody asked.
        middle_mm2: (2, 2) covariance of its center across the reference plane by its own edge; 0 where nobody asked.
    """

    length: MeasuredLength
    center_mm: Array
    normal: Array
    camera: Camera
    rotation: Array
    translation_mm: Array
    edge_rms_px: float
    tilt_pull: float
    cost: float
    tilt_sd_deg: float = 0.0
    middle_mm2: Array = field(default_factory=lambda: np.zeros((2, 2)))

    @property
    def center_in_camera_mm(self) -> Array:
        """(3,) the center in camera axes."""
        return np.asarray(self.rotation @ self.center_mm + self.translation_mm)

    @property
    def axis_in_camera(self) -> Array:
        """(3,) the circle's unit normal in camera axes, away from the camera."""
        axis = self.rotation @ self.normal
        return np.asarray(axis if axis @ self.center_in_camera_mm > 0 else -axis)

    @property
    def slant(self) -> float:
        """Angle between the circle's axis and the line of sight to its middle, rad."""
        center = self.center_in_camera_mm
        cosine = float(self.axis_in_camera @ center) / float(np.linalg.norm(center))
        return float(np.arccos(np.clip(cosine, 0.0, 1.0)))

    def as_pose(self) -> PlanePose:
        """The reference plane as this circle left it, for solving others of the same photo after it."""
        return PlanePose(self.rotation, self.translation_mm, self.camera.focal_px, 0.0)

    def outline_px(self, count: int = 180, diameter_mm: float | None = None) -> Array:
        """(count, 2) the circle (or a concentric one of other diameter) as it should appear in the photo."""
        radius = 0.5 * (diameter_mm if diameter_mm is not None else self.length.value_mm)
        angle = np.linspace(0, 2 * np.pi, count, endpoint=False)
        flat = np.stack([radius * np.cos(angle), radius * np.sin(angle), np.zeros(count)], axis=1)
        in_reference = flat @ rotation_taking_z_to(self.normal).T + self.center_mm
        return self.camera.project(in_reference @ self.rotation.T + self.translation_mm)


# Parameter vector: rotation vector increment (3), the reference's seen place (3, see `seen_place`), log focal, k1, log
# print scale, circle center x, y, depth (3), tilt x, y (2), log radius, principal point's offset over the focal
# length (2), the reference's bend (3, see `reference_residuals`).
_POSE, _MOVE, _FOCAL, _LENS, _PRINT = slice(0, 3), slice(3, 6), 6, 7, 8
CENTER, TILT, RADIUS, _MIDDLE, _BEND = slice(9, 12), slice(12, 14), 14, slice(15, 17), slice(17, 20)


@dataclass(frozen=True, eq=False)
class CircleProblem(AboutReference):
    """The residuals of one circle with its reference; its plane lies nearly parallel to the reference's.

    Attributes:
        start: pose of the reference plane to start from; reference: None for ratios only.
        focal, image_center_px: belief about the camera.
        rim: the circle as seen; prior: what is believed of its plane; middle: where its middle is seen, if it is.
    """

    start: PlanePose
    reference: ScaleReference | None
    focal: FocalPrior
    image_center_px: tuple[float, float]
    rim: RimShape
    prior: CirclePrior
    middle: SeenMiddle | None = None

    def cameras_of(self, xs: Array) -> Cameras:
        """The cameras of (K, 20) guesses."""
        return cameras_near(self.focal, self.image_center_px, xs[:, _FOCAL], xs[:, _LENS], xs[:, _MIDDLE])

    def poses_of(self, xs: Array) -> tuple[Array, Array]:
        """(K, 3, 3) and (K, 3) poses of the reference."""
        rotations = rotations_from_vectors(xs[:, _POSE]) @ self.start.rotation
        focal_px = self.focal.focal_px * np.exp(xs[:, _FOCAL])
        axis_px = self.focal.focal_px * xs[:, _MIDDLE]
        return rotations, translations_of(xs[:, _MOVE], axis_px, focal_px, rotations, self.pivot_mm)

    def first_guess(self) -> Array:
        """Parameters from an algebraic circle fit in the plane at the expected depth."""
        camera = Camera(self.start.focal_px, *self.image_center_px, 0.0)
        middle, radius = fit_circle(self.start.on_plane_mm(camera, self.rim.points_px, self.prior.offset_mm))
        return self.guess_at(np.array([*middle, self.prior.offset_mm]), radius)

    def guess_at(self, center_mm: Array, radius_mm: float) -> Array:
        """(20,) parameters of the reference's starting pose and a circle (3,) in its frame."""
        x = np.zeros(20)
        x[_MOVE] = self.seen_start
        x[_FOCAL] = np.log(self.start.focal_px / self.focal.focal_px)
        x[CENTER] = center_mm
        x[TILT] = np.arcsin(self.prior.lean)
        x[RADIUS] = np.log(max(radius_mm, 1e-3))
        return x

    def normals(self, xs: Array) -> Array:
        """(K, 3) normals of the circle's plane in the reference's frame."""
        return normal_of_tilt(xs[:, TILT])

    def plane_beliefs(self, xs: Array) -> dict[str, Array]:
        """Whitened residuals of where the circle's plane is believed to lie."""
        prior = self.prior
        larger_mm = 2.0 * np.exp(xs[:, RADIUS]) - prior.guess_mm
        depth_mm = xs[:, CENTER.stop - 1] - prior.offset_mm - prior.offset_share * larger_mm
        return {
            "offset": depth_mm[:, None] / prior.offset_sd_mm,
            "tilt": prior.lean_belief(xs[:, TILT]),
        }

    def residuals(self, xs: Array) -> dict[str, Array]:
        """Whitened residuals of (K, 20) guesses by their cause."""
        prior = self.prior
        cameras, (rotations, translations) = self.cameras_of(xs), self.poses_of(xs)
        origins = origins_of(rotations, translations)
        directions = cameras.rays(self.rim.points_px) @ rotations
        radial_mm = distances_in_planes_mm(directions, origins, xs[:, CENTER], self.normals(xs))
        out = {
            "edge": (np.log(radial_mm) - xs[:, RADIUS, None]) @ self.rim.whitening.T,
            "camera": xs[:, [_FOCAL]] / self.focal.relative_sd,
            "lens": xs[:, [_LENS]] / self.focal.k1_sd,
            "center": xs[:, _MIDDLE] / self.focal.center_sd,
            **self.plane_beliefs(xs),
        }
        if self.middle is not None:
            to_middle = cameras.rays(self.middle.place_px[None]) @ rotations
            aside_mm = places_in_planes_mm(to_middle, origins, xs[:, CENTER], self.normals(xs))[:, 0]
            out["middle"] = self.middle.pulls(aside_mm, xs[:, RADIUS, None], self.rim)
        if self.reference is None:
            # No scale: the plane is pinned where it starts, a pixel being a unit there; only ratios will mean anything.
            held = (xs[:, _MOVE] - self.seen_start) / (1e-6 * np.array([self.focal.focal_px, self.focal.focal_px, 1.0]))
            out["pin"] = np.concatenate([held, xs[:, [_PRINT]] / 1e-6, xs[:, _BEND]], axis=1)
            out["slant"] = xs[:, _POSE] / np.deg2rad([prior.slant_sd_deg, prior.slant_sd_deg, 1e-3])
            return out
        out |= reference_residuals(self.reference, cameras, rotations, translations, xs[:, _PRINT], xs[:, _BEND])
        out["print_scale"] = xs[:, [_PRINT]] / self.reference.size_relative_sd
        return out


def solve_circle(
    sighting: CircleSighting,
    start: PlanePose,
    reference: ScaleReference | None,
    focal: FocalPrior,
    image_center_px: tuple[float, float],
    prior: CirclePrior,
    rim: RimShape | NoRim | None = None,
) -> CircleInSpace:
    """Solve one circle with its reference.

    Args:
        sighting: edge points of the circle.
        start: pose of the reference plane to start from (see `features.plane_pose`).
        reference: the scale reference, None for ratios only. By a coin see `features.circle_scale`.
        focal: focal length prior.
        image_center_px: principal point.
        prior: beliefs about the circle's plane.
        rim: as seen, with what more is known to be wrong with it; as `rim_of` has it when None.

    Returns:
        The circle with its diameter, budget and pose.

    Raises:
        ValueError: the points lie on no circle (`rim_of` tells).
    """
    rim = rim or rim_of(sighting, prior)
    if not rim:
        raise ValueError(f"{sighting.name}: {rim.reason}")
    return solve_problem(sighting, CircleProblem(start, reference, focal, image_center_px, rim, prior, sighting.middle))


def solve_problem(sighting: CircleSighting, problem: CircleProblem) -> CircleInSpace:
    """Solve what was set up for a sighting."""
    distance = float(np.linalg.norm(problem.start.translation_mm))
    steps = np.array([1e-5] * 3 + [0.01, 0.01] + [1e-5] * 4 + [1e-5 * distance] * 3 + [1e-5] * 5 + [1e-3] * 3)
    solution = solve(problem.residuals, problem.first_guess(), steps)
    return _report(sighting, problem, solution)


def _report(sighting: CircleSighting, problem: CircleProblem, solution: Solution) -> CircleInSpace:
    x = solution.x
    rotations, translations = problem.poses_of(x[None])
    diameter = 2 * float(np.exp(x[RADIUS]))
    length = MeasuredLength(
        name=sighting.name,
        value_mm=diameter,
        contributions=_contributions(sighting, problem, solution),
        photos=(sighting.photo,),
        offset_mm=float(x[CENTER][2]),
        per_offset_mm=_per_offset(solution, problem, diameter),
    )
    pull = np.linalg.norm(solution.residuals["tilt"])
    camera = problem.cameras_of(x[None]).one(0)
    tilt_sd = np.degrees(np.sqrt(np.linalg.eigvalsh(solution.covariance[TILT, TILT])[-1]))
    by_edge = solution.loadings["edge"][CENTER][:2]
    return CircleInSpace(
        length, x[CENTER].copy(), problem.normals(x[None])[0], camera, rotations[0], translations[0],
        problem.rim.rms_px, float(pull), solution.cost, float(tilt_sd), by_edge @ by_edge.T,
    )  # fmt: skip


def _per_offset(solution: Solution, problem: CircleProblem, diameter_mm: float) -> float:
    """Change of the diameter per mm of assumed offset."""
    return float(solution.loadings["offset"][RADIUS, 0]) * diameter_mm / -problem.prior.offset_sd_mm


def _contributions(sighting: CircleSighting, problem: CircleProblem, solution: Solution) -> tuple[Contribution, ...]:
    photo, feature = sighting.photo, f"{sighting.photo}:{sighting.name}"
    shared = problem.prior.edge_shared_px / problem.rim.radius_px
    parts: list[tuple[ContributionName, str, float]] = [
        (
            "edge",
            f"edge:{feature}",
            float(np.hypot(np.hypot(_size(solution, "edge"), _size(solution, "middle")), shared)),
        ),
        ("camera", f"camera:{photo}", _signed(solution, "camera")),
        ("camera", f"center:{photo}", _size(solution, "center")),
        ("lens", f"lens:{photo}", _signed(solution, "lens")),
        ("offset", f"offset:{photo}:{problem.prior.plane or sighting.name}", _signed(solution, "offset")),
        ("tilt", f"tilt:{feature}", _size(solution, "tilt")),
    ]
    if "slant" in solution.loadings:
        parts.append(("tilt", f"slant:{photo}", _size(solution, "slant")))
    if problem.reference is None:
        parts.append(("scale", f"scale:{photo}", NO_SCALE_RELATIVE_SD))
    else:
        # The corner errors of one reference move all lengths of the photo nearly alike: one shared source.
        parts.append(("reference", f"reference:{photo}", _size(solution, "reference")))
        parts.append(("reference", f"bend:{photo}", _size(solution, "bend")))
        parts.append(("print_scale", problem.reference.size_source, _signed(solution, "print_scale")))
    return tuple(Contribution(name, source, relative) for name, source, relative in parts)


def _signed(solution: Solution, group: str) -> float:
    return float(solution.loadings[group][RADIUS, 0])


def _size(solution: Solution, group: str) -> float:
    return float(np.linalg.norm(solution.loadings[group][RADIUS])) if group in solution.loadings else 0.0
