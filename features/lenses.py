"""Which of a phone's lenses took a photo that does not say so: the main one, or one of two or three times its length.

Phones have had second and third lenses for years, and a viewer who zooms in to a fixed step crops alike. A broad belief
about the focal length between them would be wrong for all; so each is tried, and the photo weighs them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from features.circle_in_space import CircleInSpace, solve_circle
from features.circle_sighting import CirclePrior, CircleSighting
from features.measured import Contribution, MeasuredLength
from features.photo import FocalPrior
from features.plane_pose import PlanePose
from features.rim_shape import NoRim, RimShape
from features.scale.reference import ScaleReference

MAIN_SHARE, LONGER = 0.75, ((2.0, 0.16, 0.6), (3.0, 0.09, 0.6))
"""How often the main lens is used for a thing within reach. Of longer ones their length over its, how often they are,
and how wide the belief about that is over the one about the main lens's, which stands for all kinds of cropping too
(common practice)."""
HARDLY = 0.02
"""Below this share of the weight a lens is not counted."""
SURELY = 1.0
"""By so much more must the logarithm of its weight lie below that for a lens not to be tried."""

_SAME_TURN = 1e-3
"""Solutions whose rotations and costs differ by less than this are one."""


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


def no_longer_lens(height: float, tried: Sequence[ByLens]) -> bool:
    """Whether a lens longer than those tried, with a height as `lenses` has it, can no longer count.

    Where the photo draws the last lens's focal length down, one that is believed to be longer still fits no better.
    """
    last = tried[-1]
    drawn_down = last.solved.camera.focal_px < last.focal.focal_px
    most = height - last.solved.cost
    return drawn_down and most < max(one.log_weight for one in tried) + np.log(HARDLY) - SURELY


def over_lenses(length: MeasuredLength, tried: Sequence[ByLens], photo: str) -> MeasuredLength:
    """The length, as the likeliest lens has it, moved to the mean over all lenses and widened by their spread."""
    weight = np.exp([one.log_weight - tried[0].log_weight for one in tried])
    weight /= weight.sum()
    weight = np.where(weight < HARDLY, 0.0, weight) / weight[weight >= HARDLY].sum()
    apart = np.log([one.solved.length.value_mm / length.value_mm for one in tried])
    mean = float(weight @ apart)
    spread = float(np.sqrt(weight @ (apart - mean) ** 2))
    if spread == 0.0:
        return length
    doubt = Contribution("camera", f"lens_taken:{photo}", spread)
    value_mm = length.value_mm * float(np.exp(mean))
    return replace(length, value_mm=value_mm, contributions=(*length.contributions, doubt))


def by_lenses(
    image_center_px: tuple[float, float],
    sighting: CircleSighting,
    poses: Sequence[PlanePose],
    reference: ScaleReference,
    prior: CirclePrior,
    may_be: Sequence[tuple[FocalPrior, float]],
    rim: RimShape | NoRim | None = None,
) -> tuple[list[CircleInSpace], list[ByLens]]:
    """The circle under all poses of the likeliest lens, best first, and under the best pose of every lens that counts.

    From lens to longer lens a solution begins where the last one ended.

    Args:
        image_center_px: middle of the photo.
        sighting, poses, reference, prior: as `features.circle_in_space.solve_circle` has them, poses to start from.
        may_be: the lenses, as `lenses` has them.
        rim: as `solve_circle` has it.
    """
    every: list[tuple[ByLens, list[CircleInSpace]]] = []
    starts = poses
    for focal, height in may_be:
        if every and no_longer_lens(height, [one for one, _ in every]):
            break
        solved = [solve_circle(sighting, pose, reference, focal, image_center_px, prior, rim) for pose in starts]
        solved.sort(key=lambda circle: circle.cost)
        every.append((ByLens(focal, solved[0], height - solved[0].cost), solved))
        starts = [circle.as_pose() for circle in solved if circle is solved[0] or not _is_same(circle, solved[0])]
    every.sort(key=lambda one: -one[0].log_weight)
    return every[0][1], [one for one, _ in every]


def _is_same(one: CircleInSpace, other: CircleInSpace) -> bool:
    """Whether two starts led to one solution."""
    turned = float(np.abs(one.rotation - other.rotation).max())
    return turned < _SAME_TURN and abs(one.cost - other.cost) < _SAME_TURN
