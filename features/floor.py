"""Circles of a pump measured by a reference that lies on the floor the pump stands on.

The floor's slant is known from the reference. A chamber's joint stands upright on it, its middle at a height that goes
with its size (`features.standing_circle`); what lies in a port's face stands in front of that joint as always. Where
no joint is seen the reference tells about how far away the pump is, and no more.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from features.aside_port import leans_aside
from features.camera import Camera, rotation_taking_z_to
from features.circle_fit import fit_circle
from features.circle_in_space import CircleInSpace, solve_circle
from features.circle_sighting import CircleSighting
from features.combine import SAYS_NOTHING
from features.ellipse import Ellipse
from features.floor_seen import poses_of_floor
from features.lenses import ByLens, lenses, over_lenses
from features.measured import Contribution, MeasuredLength
from features.parts.own_slant import circle_normals
from features.photo import FocalPrior, Photo
from features.placement import (
    FACE_FLATNESS_DEG,
    FACE_STEP_MM,
    FACES_ANY_WAY_DEG,
    FLANGE_FACE_LENGTHS,
    RIM,
    PortLevel,
    circle_prior,
    flange_guess_mm,
)
from features.plane_pose import PlanePose, plane_poses
from features.plane_solution import FOCAL, solve_plane
from features.port_height import BESIDE_SD, by_port_height
from features.reference_fit import middle_of
from features.scale.reference import ScaleReference
from features.standing_circle import LEAN_SD_DEG, distance_by_height, solve_standing, upright_frame

Array = NDArray[np.float64]

PORT_HEIGHT, PORT_HEIGHT_SD = 2.2, 1.7
"""Height of a port's middle over its flange's diameter: near the pump's top or near its feet, a pump being four or five
flanges high (common practice)."""
WALL_SD_DEG = 15.0
"""How far a port's face may turn from where its rim or the line of sight puts it, per axis."""
_COIN_FLAWS = 0.03
"""Error of a point of a coin's seen rim over its radius, so that 12 of them know the slant as well as the rim does."""
_SAME_FACE = 0.5
_OTHER_WAY_PULL = 3.0
_STRAYED = 0.4
"""A solution that is seen larger or smaller than its own edge by so much, in logarithms, does not fit it."""


@dataclass(frozen=True, eq=False)
class _Wall:
    """An upright plane that the pump's faces are parallel to.

    Attributes:
        rotation: (3, 3) its frame to camera axes; middle_mm: (3,) a place of it in camera axes.
        focal: the camera as known by then.
        slant_sd_deg: how far it may lean, per axis.
        distance_errors: relative errors that its distance brings to every length.
        joint_mm: diameter of the joint that lies in it; None where none does.
        depth_sd_mm, tilt_sd_deg: how nearly circles lie in it, and parallel to it, where it is no joint's.
        middle_chance: of ports that open at right angles to it, by the look of the pump.
    """

    rotation: Array
    middle_mm: Array
    focal: FocalPrior
    slant_sd_deg: float
    distance_errors: tuple[Contribution, ...]
    joint_mm: float | None
    depth_sd_mm: float = 1e-3
    tilt_sd_deg: float = LEAN_SD_DEG
    middle_chance: float = 0.5


@dataclass(frozen=True, eq=False)
class OnFloor:
    """A circle measured by a reference on the floor.

    Attributes:
        solved: the circle with its length.
        focal: the lens under which it was solved; None where it did not stand on the floor by itself.
    """

    solved: CircleInSpace
    focal: FocalPrior | None = None


def measure_by_floor(
    photo: Photo,
    circles: Sequence[tuple[CircleSighting, float]],
    poses: Sequence[PlanePose],
    reference: ScaleReference,
    port_level: PortLevel = "unknown",
    middle_chance: float = 0.5,
) -> tuple[OnFloor, ...]:
    """Measure circles by a reference on the floor.

    Args:
        photo: for its camera prior and size.
        circles: edge points of each, and the error of the radius that they share.
        poses: possible poses of the reference under the likeliest lens, one or two.
        reference: what lies on the floor.
        port_level: where on the pump the port is whose circles are among them.
        middle_chance: of ports that open in the middle of their manifolds, by the look of the pump.

    Returns:
        One each, in the same order.
    """
    seen = next((one for one in circles if one[0].name == "chamber_diameter"), None)
    if reference.is_circle:
        reference = as_its_pose_has_it(reference, poses[0], _center_px(photo))
    standing = [] if seen is None or len(reference.points_mm) < 4 else _standing(photo, *seen, poses, reference)
    if not standing:
        photo, poses = _by_the_reference(photo, poses, reference)
        floor = poses_of_floor(reference, poses)[0]
        wall = _wall_beside(photo, circles, floor, reference)
        beside_mm = _beside_mm(floor, reference)
        return tuple(OnFloor(one) for one in _with_joint(photo, circles, wall, None, floor, beside_mm, port_level))
    found = []
    for joint in (one.solved for one in standing):
        wall, floor = _wall_of(joint, middle_chance), joint.as_pose()
        beside_mm = _beside_mm(floor, reference)
        found.append(_with_joint(photo, circles, wall, joint, floor, beside_mm, port_level))
    out = []
    for number, (sighting, _) in enumerate(circles):
        tried = [replace(lens, solved=under[number]) for lens, under in zip(standing, found, strict=True)]
        solved = replace(tried[0].solved, length=over_lenses(tried, photo.name))
        out.append(OnFloor(solved, tried[0].focal if seen is not None and sighting is seen[0] else None))
    return tuple(out)


def _with_joint(
    photo: Photo,
    circles: Sequence[tuple[CircleSighting, float]],
    wall: _Wall,
    standing: CircleInSpace | None,
    floor: PlanePose,
    beside_mm: float,
    port_level: PortLevel,
) -> tuple[CircleInSpace, ...]:
    """All circles by the wall in which a joint stands, or by one beside the reference where none stands."""
    rim = next((_before_wall(photo, *one, wall) for one in circles if one[0].name == RIM), None)
    face = wall if rim is None else _face_of(rim)
    found = [
        standing if standing is not None and sighting.name == standing.length.name
        else rim if rim is not None and sighting.name == RIM
        else _before_wall(photo, sighting, shared_px, face if sighting.name in FLANGE_FACE_LENGTHS else wall)
        for sighting, shared_px in circles
    ]  # fmt: skip
    return by_port_height(found, standing, floor, beside_mm, port_level)


def _beside_mm(floor: PlanePose, reference: ScaleReference) -> float:
    """How far away a reference on the floor is, along the camera's axis."""
    return float((floor.rotation @ middle_of(reference) + floor.translation_mm)[2])


def _standing(
    photo: Photo, joint: CircleSighting, shared_px: float, poses: Sequence[PlanePose], reference: ScaleReference
) -> list[ByLens]:
    """The joint under every lens that counts, the best first; none where it can't stand so or says nothing."""
    tried = []
    for focal, height in lenses(photo.focal):
        starts = poses if focal is photo.focal else plane_poses(reference, replace(photo, focal=focal))
        for start in poses_of_floor(reference, starts):
            solved = solve_standing(joint, start, reference, focal, _center_px(photo), shared_px)
            # Under a wrong lens the best of a joint may lie behind the camera.
            if solved and np.isfinite(solved.cost) and solved.center_in_camera_mm[2] > 0.0:
                tried.append(ByLens(focal, solved, height - solved.cost))
    if not tried:
        return []
    tried.sort(key=lambda one: -one.log_weight)
    length = over_lenses(tried, photo.name)
    # A joint whose size stays so open was seen edge-on or is none: others are not measured by it.
    return tried if length.relative_sd < SAYS_NOTHING else []


def _by_the_reference(
    photo: Photo, poses: Sequence[PlanePose], reference: ScaleReference
) -> tuple[Photo, Sequence[PlanePose]]:
    """The photo with the focal length that a reference seen at such a slant tells by itself, and the poses under it."""
    if len(reference.points_mm) < 4:
        return photo, poses
    solved = []
    for focal, height in lenses(photo.focal):
        plane = solve_plane(reference, replace(photo, focal=focal))
        if plane:
            solved.append((height - plane.solution.cost, focal, plane))
    if not solved:
        return photo, poses
    _, focal, plane = max(solved, key=lambda one: one[0])
    sd = float(np.sqrt(plane.solution.covariance[FOCAL, FOCAL]))
    told = replace(photo, focal=replace(focal, focal_px=plane.camera().focal_px, relative_sd=sd))
    return told, plane_poses(reference, told) or poses


def as_its_pose_has_it(coin: ScaleReference, pose: PlanePose, center_px: tuple[float, float]) -> ScaleReference:
    """A coin's rim as points that are matched in angle: seen at such a slant as a floor's it tells its slant itself."""
    angle = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    points_mm = 0.5 * coin.circle_diameter_mm * np.column_stack([np.cos(angle), np.sin(angle)])
    there = np.column_stack([points_mm, 0 * angle]) @ pose.rotation.T + pose.translation_mm
    points_px = Camera(pose.focal_px, *center_px).project(there)
    radius_px = float(np.linalg.norm(np.ptp(points_px, axis=0))) / np.sqrt(8.0)
    sd_px = max(coin.point_sd_px, _COIN_FLAWS * radius_px)
    return replace(coin, points_mm=points_mm, points_px=points_px, point_sd_px=sd_px, is_circle=False)


def _center_px(photo: Photo) -> tuple[float, float]:
    return (photo.width_px - 1) / 2, (photo.height_px - 1) / 2


def _wall_of(joint: CircleInSpace, middle_chance: float) -> _Wall:
    """The joint's own plane."""
    frame = upright_frame(joint.normal)
    errors = tuple(part for part in joint.length.contributions if part.name != "edge")
    focal = FocalPrior(joint.camera.focal_px, 0.01, "exif_sensor", k1_sd=0.005)
    turn, place_mm = joint.rotation @ frame, joint.center_in_camera_mm
    return _Wall(turn, place_mm, focal, _SAME_FACE, errors, joint.length.value_mm, middle_chance=middle_chance)


def _face_of(rim: CircleInSpace) -> _Wall:
    """The plane of a flange's face as its rim tells it: a ring of four holes fits every plane."""
    errors = tuple(part for part in rim.length.contributions if part.name != "edge")
    focal = FocalPrior(rim.camera.focal_px, 1e-3, "exif_sensor", k1_sd=1e-3)
    turn = rim.rotation @ rotation_taking_z_to(rim.normal)
    return _Wall(turn, rim.center_in_camera_mm, focal, 1e-3, errors, None, FACE_STEP_MM, FACE_FLATNESS_DEG)


def _wall_beside(
    photo: Photo, circles: Sequence[tuple[CircleSighting, float]], pose: PlanePose, reference: ScaleReference
) -> _Wall:
    """An upright plane through a port, which may open near the pump's top or near its feet."""
    camera = Camera(photo.focal.focal_px, *_center_px(photo))
    beside = _beside_mm(pose, reference)
    logs, sds, ray = [np.log(beside)], [BESIDE_SD], np.array([0.0, 0.0, 1.0])
    port = next((sighting for sighting, _ in circles if sighting.name in FLANGE_FACE_LENGTHS), None)
    if port is not None:
        middle_px, radius_px = fit_circle(port.points_px)
        ray = camera.rays(middle_px)
        width = flange_guess_mm(port.name, 2.0 * radius_px) / camera.focal_px
        away, sd = distance_by_height(pose, ray, width, PORT_HEIGHT, PORT_HEIGHT_SD)
        if 0.3 * beside < away < 3.0 * beside:
            logs, sds = [*logs, np.log(away)], [*sds, sd]
    weights = np.array(sds) ** -2.0
    errors = (
        Contribution("offset", f"distance:{photo.name}", float(weights.sum() ** -0.5)),
        Contribution("print_scale", reference.size_source, reference.size_relative_sd),
    )
    middle = float(np.exp(weights @ logs / weights.sum())) * ray
    faces = ray if port is None else _upright_face(port, camera, pose, ray)
    turn = pose.rotation @ upright_frame(pose.rotation.T @ faces)
    return _Wall(turn, middle, photo.focal, WALL_SD_DEG, errors, None)


def _upright_face(port: CircleSighting, camera: Camera, pose: PlanePose, ray: Array) -> Array:
    """(3,) direction into a port's face, as its rim has it where that stands upright; else along its line of sight."""
    ellipse = Ellipse.fit(port.points_px)
    normals = circle_normals(ellipse, camera) if ellipse else []
    leans = [abs(float(np.degrees(np.arcsin(normal @ pose.rotation[:, 2])))) for normal in normals]
    return normals[int(np.argmin(leans))] if leans and min(leans) < WALL_SD_DEG else ray


def _before_wall(photo: Photo, sighting: CircleSighting, shared_px: float, wall: _Wall) -> CircleInSpace:
    """A circle in a plane of its own before the wall, its size as its distance has it."""
    start = PlanePose(wall.rotation, wall.middle_mm, wall.focal.focal_px, 0.0)
    camera = Camera(wall.focal.focal_px, *_center_px(photo))
    size_mm = 2.0 * fit_circle(start.on_plane_mm(camera, sighting.points_px))[1]
    guess_mm = flange_guess_mm(sighting.name, size_mm)
    prior = circle_prior(sighting.name, "rim", guess_mm, shared_px, wall.joint_mm)
    if wall.joint_mm is None:
        prior = replace(prior, offset_mm=0.0, offset_sd_mm=wall.depth_sd_mm, tilt_sd_deg=wall.tilt_sd_deg, plane="")
    prior = replace(prior, slant_sd_deg=wall.slant_sd_deg)
    solved = solve_circle(sighting, start, None, wall.focal, _center_px(photo), prior)
    ellipse = Ellipse.fit(sighting.points_px)
    strays = _strays(solved, ellipse) if ellipse else False
    if (strays or solved.tilt_pull > _OTHER_WAY_PULL) and wall.joint_mm is not None:
        any_way = replace(prior, tilt_sd_deg=FACES_ANY_WAY_DEG)
        normals = circle_normals(ellipse, camera) if ellipse else []
        if not normals or leans_aside(normals, wall.rotation[:, 2], wall.middle_chance):
            any_way = replace(any_way, offset_mm=0.0, offset_sd_mm=wall.joint_mm)
        solved = solve_circle(sighting, start, None, wall.focal, _center_px(photo), any_way)
    return replace(solved, length=_at_distance(solved.length, wall))


def _strays(solved: CircleInSpace, ellipse: Ellipse) -> bool:
    """Whether a solution ran off to a circle that is seen much larger or smaller than the edge that it should fit.

    From a short arc, squared up to a plane in which it does not lie, it may begin far off.
    """
    outline = solved.outline_px(48)
    long_px = float(np.linalg.norm(outline - outline.mean(axis=0), axis=1).max())
    return abs(float(np.log(long_px / ellipse.semi_axes_px[0]))) > _STRAYED


def _at_distance(length: MeasuredLength, wall: _Wall) -> MeasuredLength:
    own = tuple(part for part in length.contributions if part.name != "scale")
    return replace(length, contributions=(*own, *wall.distance_errors), offset_mm=None, per_offset_mm=0.0)
