"""Measure the circles that were found in one photo, with the scale there is: a plane, a distance, or none."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from features.aside_port import mouth_aside, without_mouth_askew
from features.circle_in_space import CircleInSpace, solve_circle
from features.circle_priors import circle_priors
from features.circle_scale import RimToMeasure, measure_by_coin
from features.circle_sighting import CirclePrior, rim_of
from features.combine import says_something, tells_ratio
from features.common_axis import with_common_axis
from features.floor import measure_by_floor
from features.floor_seen import seems_on_floor
from features.lenses import ByLens, lenses_by_reference, log_weights, over_lenses
from features.measured import Contribution, MeasuredLength
from features.near_side import rim_from_aside
from features.one_plane import PUMP_DEPTH, circles_at_distance, circles_without_scale
from features.parts.finder import FoundCircle
from features.photo import Photo
from features.placement import (
    BEFORE_THE_JOINT,
    BEHIND_THE_FACE,
    FACE_FLATNESS_DEG,
    FACES_ANY_WAY_DEG,
    FLANGE_FACE_LENGTHS,
    MOUTHS,
    ON_A_FACE,
    ON_THE_FACE,
    RIM,
    UNSCALED_PRIOR,
    CardAt,
    Place,
    PortLevel,
    middle_prior,
    seeming_place,
)
from features.plane_pose import PlanePose
from features.problems import PLANES_DISAGREE, POSE_AMBIGUOUS, Problem
from features.reference_fit import middle_of
from features.rim_shape import NoRim, RimShape
from features.scale.reference import ScaleReference
from features.seen_circle import SeenCircle
from features.standing_circle import STANDING
from features.which_edge import with_edge_doubt

Array = NDArray[np.float64]

_SAME_COST = 5.0
"""Poses whose sums of squares differ by less than this (about 3 standard deviations) both stay possible."""

_TILT_PULL_SAID = 3.0
"""Standard uncertainties between a circle's own tilt and its plane's beyond which they are said to disagree."""

_ASIDE_COSINE = float(np.cos(np.radians(30.0)))
"""A face that leans further from the reference than this looks aside: ports face as chambers do, or at right angles."""

_LIES_IN_PLANE_DEG = 2.0
"""Circles believed to lie this nearly in the reference's plane are held to it; others may face any way."""


@dataclass(frozen=True, eq=False)
class MeasuredCircle:
    """One circle with its measured length, what was noticed, and what it takes to solve it with other photos.

    Attributes:
        cost: half the sum of squares with the reference, as it was first believed to lie; None where it was not solved
            with it.
    """

    found: FoundCircle
    solved: CircleInSpace
    length: MeasuredLength
    problems: tuple[Problem, ...] = ()
    seen: SeenCircle | None = None
    cost: float | None = None


def measure_circles(
    photo: Photo,
    circles: Sequence[FoundCircle],
    poses: Sequence[PlanePose],
    reference: ScaleReference | None,
    card_at: CardAt,
    port_level: PortLevel = "unknown",
    middle_chance: float = 0.5,
) -> tuple[MeasuredCircle, ...]:
    """Measure all circles found in one photo.

    Args:
        photo: for its camera prior.
        circles: what the part finder saw.
        poses: possible poses of the reference plane; none means that the reference cannot be used.
        reference: the scale reference, None when there is none.
        card_at: where it lies.
        port_level: where on the pump the port is whose circles were found.
        middle_chance: of ports that open in the middle of their manifolds, by the look of the pump.

    Returns:
        One entry a circle, in the same order; those whose points lie on no circle, or whose size cannot be a pump's, or
        stays so open that it says nothing, nor over another's of the same face, are left out.
    """
    apart = [found for found in circles if found.edge_on]
    circles = [found for found in circles if not found.edge_on and rim_of(found.sighting, UNSCALED_PRIOR)]
    measured: Sequence[MeasuredCircle]
    place: Place = "floor"
    if reference is None or not poses:
        measured = _without_scale(photo, circles)
    elif lies_on_floor(photo, reference, poses, circles, card_at):
        measured = _by_floor(photo, circles, poses, reference, port_level, middle_chance)
    else:
        place = seeming_place(card_at, reference.outline_px, _edges_of(circles))
        if reference.is_circle:
            circles, askew = without_mouth_askew(circles, place, middle_chance)
            apart = [*apart, *askew]
            measured = _by_coin(photo, circles, poses[0], reference, place)
        else:
            measured = _by_lenses(photo, circles, poses, reference, place)
    flanged = any(found.sighting.name == RIM for found in circles)
    if reference is not None and poses and not flanged:
        placed = [(one.found, replace(one.solved, length=one.length)) for one in measured]
        aside = mouth_aside(photo, placed, apart, poses[0], reference, place, middle_chance)
        others = [one for one in measured if not aside or one.found.sighting.name not in MOUTHS]
        measured = [*others, *(MeasuredCircle(found, solved, solved.length) for found, solved in aside)]
    doubted = [replace(circle, length=with_edge_doubt(circle.length, flanged)) for circle in measured]
    face = [circle.length for circle in doubted if circle.length.name in FLANGE_FACE_LENGTHS]
    return tuple(
        circle for circle in doubted
        if says_something(circle.length) or (circle.length in face and tells_ratio(circle.length, face))
    )  # fmt: skip


def lies_on_floor(
    photo: Photo,
    reference: ScaleReference,
    poses: Sequence[PlanePose],
    circles: Sequence[FoundCircle],
    card_at: CardAt,
) -> bool:
    """Whether a reference lies on the floor: as told, or as it leans where it is seen on no face of the pump.

    A card on a face that looks up leans as the floor does; before a face the floor is never seen.
    """
    if card_at != "unknown":
        return card_at == "floor"
    on_a_face = seeming_place("unknown", reference.outline_px, _edges_of(circles)) in ON_A_FACE
    return not on_a_face and seems_on_floor(reference, poses, circles, _center_px(photo), photo.focal.relative_sd)


def _edges_of(circles: Sequence[FoundCircle]) -> dict[str, Array]:
    return {found.sighting.name: found.sighting.points_px for found in circles if not found.looks_away}


def _center_px(photo: Photo) -> tuple[float, float]:
    return (photo.width_px - 1) / 2, (photo.height_px - 1) / 2


def _by_lenses(
    photo: Photo, circles: Sequence[FoundCircle], poses: Sequence[PlanePose], reference: ScaleReference, place: Place
) -> list[MeasuredCircle]:
    """Each in its own plane, under every lens that may have taken the photo, which all of them weigh together."""
    tried = lenses_by_reference(photo, poses, reference)
    under = [_in_planes(lens.photo, circles, lens.poses, reference, place) for lens in tried]
    weights = log_weights(tried, [[one.cost for one in measured] for measured in under])
    likeliest = np.argsort(-weights, kind="stable")
    out = []
    for same in zip(*(under[lens] for lens in likeliest), strict=True):
        by_lens = [
            ByLens(tried[lens].photo.focal, replace(one.solved, length=one.length), float(weights[lens]))
            for lens, one in zip(likeliest, same, strict=True)
        ]
        out.append(replace(same[0], length=over_lenses(by_lens, photo.name)))
    return out


def _in_planes(
    photo: Photo, circles: Sequence[FoundCircle], poses: Sequence[PlanePose], reference: ScaleReference, place: Place
) -> list[MeasuredCircle]:
    """Each in its own plane, as a face leans by its rim.

    Where the opening of a face lies in the reference's plane, its axis tells the others' depth.
    """

    def measured(found: FoundCircle, prior: CirclePrior) -> MeasuredCircle:
        of_flange = RIM in names and found.sighting.name in FLANGE_FACE_LENGTHS and place in BEFORE_THE_JOINT
        joint_mm = prior.guess_mm if "chamber_diameter" in names else None
        aside = middle_prior(place, prior.guess_mm, joint_mm) if of_flange else None
        return _in_plane(photo, found, poses, reference, prior, aside)

    names = [found.sighting.name for found in circles]
    priors = dict(zip(names, circle_priors(circles, poses[0], place), strict=True))
    rims = [measured(found, priors[RIM]) for found in circles if found.sighting.name == RIM]
    if rims and not says_something(rims[0].length):
        face = [found for found in circles if found.sighting.name in FLANGE_FACE_LENGTHS]
        others = [found for found in circles if found not in face]
        away_mm = float((poses[0].rotation @ middle_of(reference) + poses[0].translation_mm)[2])
        apart = (*_in_planes(photo, others, poses, reference, place), *_facing_aside(photo, face, away_mm))
        return [one for found in circles for one in apart if one.found is found]
    priors = {name: _leaning_as(rims, prior) if _lies_in_face(name) else prior for name, prior in priors.items()}
    first = [
        rims[0] if found.sighting.name == RIM else measured(found, priors[found.sighting.name]) for found in circles
    ]
    opening = next((one.solved for one in first if one.found.sighting.name == "port_bore"), None)
    if opening is None or place not in ON_THE_FACE:
        return first
    return [
        replace(measured(one.found, with_common_axis(priors[name], one.solved, opening)), cost=one.cost)
        if name in BEHIND_THE_FACE
        else one
        for name, one in zip(names, first, strict=True)
    ]


def _facing_aside(photo: Photo, face: Sequence[FoundCircle], away_mm: float) -> list[MeasuredCircle]:
    """Circles of a face that looks far aside from the reference, which is so far away along the camera's axis."""
    solved = circles_at_distance(photo, face, away_mm)
    aside = [Problem(PLANES_DISAGREE, found.sighting.name.replace("_", " ")) for found in face]
    return [MeasuredCircle(f, one, one.length, (said,)) for f, one, said in zip(face, solved, aside, strict=True)]


def _lies_in_face(name: str) -> bool:
    """Whether a circle lies in the face whose rim is another."""
    return name in FLANGE_FACE_LENGTHS and name != RIM


def _leaning_as(rims: Sequence[MeasuredCircle], prior: CirclePrior) -> CirclePrior:
    """What is believed of a circle of a face after a look at its rim: how a face leans its rim tells best.

    A ring of four holes fits every plane. Where the rim may lie in either of two planes, nothing is learned.
    """
    told = rims[0] if rims and rims[0].seen else None
    if told is None or told.seen is None or any(c.source.startswith("pose:") for c in told.length.contributions):
        return prior
    solved, believed = told.solved, told.seen.prior
    tilt_sd_deg = float(np.hypot(solved.tilt_sd_deg, FACE_FLATNESS_DEG))
    if tilt_sd_deg > prior.tilt_sd_deg and believed.tilt_sd_deg < FACES_ANY_WAY_DEG:
        return prior
    depth_sd_mm = max(prior.offset_sd_mm, believed.offset_sd_mm)
    lean = (float(solved.normal[0]), float(solved.normal[1]))
    if solved.normal[2] < _ASIDE_COSINE:
        prior = replace(prior, offset_mm=believed.offset_mm)
    return replace(prior, lean=lean, tilt_sd_deg=tilt_sd_deg, offset_sd_mm=depth_sd_mm)


def _in_plane(
    photo: Photo,
    found: FoundCircle,
    poses: Sequence[PlanePose],
    reference: ScaleReference,
    prior: CirclePrior,
    aside: CirclePrior | None,
) -> MeasuredCircle:
    """Under every possible pose of the reference; the best is kept, what comes near it widens the interval.

    What is seen to look aside from the reference lies as deep as `aside` has it, where that is known.
    """

    def under_all(prior: CirclePrior, rim: RimShape | NoRim | None = None) -> list[CircleInSpace]:
        solved = [solve_circle(sighting, pose, reference, photo.focal, center, prior, rim) for pose in poses]
        return sorted(solved, key=lambda circle: circle.cost)

    sighting, center = found.sighting, _center_px(photo)
    best = under_all(prior)
    disagreement, cost = _planes_disagree(found, best[0]), best[0].cost
    if best[0].tilt_pull > _TILT_PULL_SAID and prior.tilt_sd_deg > _LIES_IN_PLANE_DEG:
        # It faces another way than the reference: nothing is known of its plane then, but that it is of this pump.
        depth = max(prior.offset_sd_mm, PUMP_DEPTH * best[0].length.value_mm)
        prior = replace(prior, tilt_sd_deg=FACES_ANY_WAY_DEG, offset_sd_mm=depth)
        best = under_all(prior)
        if aside is not None and best[0].normal[2] < _ASIDE_COSINE:
            prior = replace(prior, offset_mm=aside.offset_mm, offset_sd_mm=aside.offset_sd_mm)
            best = under_all(prior)
    if sighting.name == RIM:
        best = under_all(prior, rim_from_aside(sighting, prior, best[0]))
    solved, length = best[0], best[0].length
    seen = SeenCircle(sighting, prior, reference, photo.focal, center, solved)
    problems = []
    if len(best) > 1 and best[1].cost - solved.cost < _SAME_COST:
        apart = float(np.log(best[1].length.value_mm / solved.length.value_mm))
        if abs(apart) > 0.004:
            problems.append(Problem(POSE_AMBIGUOUS, f"{sighting.name.replace('_', ' ')} differs by {abs(apart):.1%}"))
        pose_part = Contribution("tilt", f"pose:{photo.name}", apart / 2)
        length = replace(length, contributions=(*length.contributions, pose_part))
    return MeasuredCircle(found, solved, length, (*problems, *disagreement), seen, cost)


def _by_coin(
    photo: Photo, circles: Sequence[FoundCircle], pose: PlanePose, reference: ScaleReference, place: Place
) -> tuple[MeasuredCircle, ...]:
    """All circles at once, their slant in common."""
    priors = circle_priors(circles, pose, place)
    wanted = [RimToMeasure(found.sighting, prior) for found, prior in zip(circles, priors, strict=True)]
    pairs = zip(circles, measure_by_coin(photo, reference, wanted), strict=True)
    return tuple(MeasuredCircle(found, one, one.length, _planes_disagree(found, one)) for found, one in pairs)


def _by_floor(
    photo: Photo,
    circles: Sequence[FoundCircle],
    poses: Sequence[PlanePose],
    reference: ScaleReference,
    port_level: PortLevel,
    middle_chance: float,
) -> tuple[MeasuredCircle, ...]:
    """Each where it stands on the floor that the reference lies on."""
    sighted = [(found.sighting, found.edge_shared_px) for found in circles]
    measured = measure_by_floor(photo, sighted, poses, reference, port_level, middle_chance)
    out = []
    for found, one in zip(circles, measured, strict=True):
        seen = None
        if one.focal is not None and not reference.is_circle:
            # Which edges are seen from above and from below, several photos ask for every side (`features.near_side`).
            prior = replace(STANDING, edge_shared_px=found.edge_shared_px)
            seen = SeenCircle(found.sighting, prior, reference, one.focal, _center_px(photo), one.solved)
        out.append(MeasuredCircle(found, one.solved, one.solved.length, _planes_disagree(found, one.solved), seen))
    return tuple(out)


def _planes_disagree(found: FoundCircle, solved: CircleInSpace) -> tuple[Problem, ...]:
    if solved.tilt_pull <= _TILT_PULL_SAID:
        return ()
    return (Problem(PLANES_DISAGREE, found.sighting.name.replace("_", " ")),)


def _without_scale(photo: Photo, circles: Sequence[FoundCircle]) -> list[MeasuredCircle]:
    """Ratios only."""
    solved = circles_without_scale(photo, circles)
    return [MeasuredCircle(found, one, one.length) for found, one in zip(circles, solved, strict=True)]
