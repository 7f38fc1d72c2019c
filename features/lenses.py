"""Which of a phone's lenses took a photo that does not say so: the main one, or one of two or three times its length.

Phones have had second and third lenses for years, and a viewer who zooms in to a fixed step crops alike. A broad belief
about the focal length between them would be wrong for all; so each is tried. One lens took the whole photo, so its
reference and all its circles weigh it together, the reference once.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from features.circle_in_space import CircleInSpace
from features.measured import Contribution, MeasuredLength
from features.photo import FocalPrior, Photo
from features.plane_pose import PlanePose, plane_poses
from features.plane_solution import solved_planes
from features.scale.reference import ScaleReference

Array = NDArray[np.float64]

MAIN_SHARE, LONGER = 0.75, ((2.0, 0.16, 0.6), (3.0, 0.09, 0.6))
"""How often the main lens is used for a thing within reach. Of longer ones their length over its, how often they are,
and how wide the belief about that is over the one about the main lens's, which stands for all kinds of cropping too
(common practice)."""
HARDLY = 0.02
"""Below this share of the weight a lens is not counted."""
SURELY = 4.0
"""By so much more must the logarithm of its weight by the reference alone lie below that for a lens not to be tried: in
139 rendered photos that leave two lenses or three, all circles together raised none by 2 over the others."""
MISTAKEN = 0.05
"""How often a circle is not what it is taken for: traced along another edge, or facing another way. It bounds what one
circle says of a lens. From a thousandth to a half it changes next to nothing in those photos."""


@dataclass(frozen=True, eq=False)
class ByLens:
    """A circle as one lens would have it.

    Attributes:
        focal: the belief about that lens; solved: the circle under it; log_weight: how well both are believed.
    """

    focal: FocalPrior
    solved: CircleInSpace
    log_weight: float


def lenses(focal: FocalPrior) -> tuple[tuple[FocalPrior, float], ...]:
    """The lenses that may have taken a photo, each with the log of its density's height, the one believed in first."""
    if focal.source != "phone_prior":
        return ((focal, 0.0),)
    longer = (
        (
            replace(focal, focal_px=length * focal.focal_px, relative_sd=width * focal.relative_sd),
            float(np.log(share / width)),
        )
        for length, share, width in LONGER
    )
    return ((focal, float(np.log(MAIN_SHARE))), *longer)


@dataclass(frozen=True, eq=False)
class LensByReference:
    """A lens that may have taken a photo, and what the photo's reference says of it.

    Attributes:
        photo: as taken by it; poses: the reference's then, the likeliest first.
        cost: half the sum of squares of the reference by itself; log_weight: how well both are believed.
    """

    photo: Photo
    poses: Sequence[PlanePose]
    cost: float
    log_weight: float


def lenses_by_reference(photo: Photo, poses: Sequence[PlanePose], reference: ScaleReference) -> list[LensByReference]:
    """The lenses that may have taken a photo with a reference, but for those that the reference alone rules out.

    Args:
        photo: for its camera.
        poses: of the reference as the lens has it that is believed in first.
        reference: where it has less than four points that lens is alone.
    """
    may_be = lenses(photo.focal)
    if len(may_be) == 1 or len(reference.points_mm) < 4:
        return [LensByReference(photo, poses, 0.0, 0.0)]
    found = []
    for focal, height in may_be:
        by_it = replace(photo, focal=focal)
        planes = solved_planes(poses if focal is photo.focal else plane_poses(reference, by_it), reference, by_it)
        if planes:
            cost = planes[0].solution.cost
            found.append(LensByReference(by_it, [plane.pose_from_middle() for plane in planes], cost, height - cost))
    most = max(lens.log_weight for lens in found)
    return [lens for lens in found if lens.log_weight > most + np.log(HARDLY) - SURELY]


def log_weights(tried: Sequence[LensByReference], costs: Sequence[Sequence[float | None]]) -> Array:
    """(K,) logarithms of the weights of K lenses, by the reference and the circles of their photo.

    Args:
        tried: the lenses.
        costs: by each lens of each circle, half the sum of squares with the reference; None of one it did not solve.
    """
    total = np.array([lens.log_weight for lens in tried])
    for circle in zip(*costs, strict=True):
        own = np.array([lens.cost - cost for lens, cost in zip(tried, circle, strict=True) if cost is not None])
        if len(own) == len(tried):
            total += np.log(MISTAKEN + (1.0 - MISTAKEN) * np.exp(own - own.max()))
    return total


def over_lenses(tried: Sequence[ByLens], photo: str) -> MeasuredLength:
    """The length, as the likeliest lens (the first) has it, moved to the mean over all and widened by their spread."""
    length = tried[0].solved.length
    mean, spread = mean_and_spread(
        [one.log_weight for one in tried],
        [np.log(one.solved.length.value_mm / length.value_mm) for one in tried],
        [one.focal.focal_px for one in tried],
    )
    if spread == 0.0:
        return length
    doubt = Contribution("camera", f"lens_taken:{photo}", spread)
    value_mm = length.value_mm * float(np.exp(mean))
    return replace(length, value_mm=value_mm, contributions=(*length.contributions, doubt))


def mean_and_spread(
    log_weight: Sequence[float], values: Sequence[float], focal_px: Sequence[float]
) -> tuple[float, float]:
    """Mean of a value over all lenses that count, and its spread, below 0 where longer lenses have it smaller.

    Lengths before a reference and behind it err in opposite ways by one lens.
    """
    weight = np.exp(np.array(log_weight) - max(log_weight))
    weight /= weight.sum()
    weight = np.where(weight < HARDLY, 0.0, weight) / weight[weight >= HARDLY].sum()
    apart, longer = (np.array(each) - weight @ each for each in (values, np.log(focal_px)))
    spread = float(np.sqrt(weight @ apart**2))
    return float(weight @ values), -spread if weight @ (apart * longer) < 0.0 else spread
