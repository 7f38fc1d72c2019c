"""How deep a flange's rim and bolts lie behind its face, by the axis that they have in common with the opening.

A card lies on the raised face; rim and bolt circle lie behind it by a step that no photo shows from straight ahead. At
a slant the step shifts their middle aside against that of the opening, as a ruler's end shifts against a mark behind
it: by the step times the tangent of the angle of view.
"""

from dataclasses import replace

import numpy as np

from features.circle_in_space import CircleInSpace
from features.circle_sighting import CirclePrior

ASIDE_MM, ASIDE_SHARE = 0.4, 0.003
"""How far middles traced from edges lie off the axis, and the same as a share of the diameter (castings and molded
parts; common practice)."""
MOUTH_DEPTH_MM = 1.5
"""How far behind the face the edge of the opening may be that was traced: broken or rounded (common practice)."""
BELIEVABLE = 3.0
"""Standard uncertainties from the belief beyond which a depth is not told by an axis: the middles are not of one."""


def with_common_axis(prior: CirclePrior, circle: CircleInSpace, opening: CircleInSpace) -> CirclePrior:
    """The belief about a circle's depth, after a look at where its middle lies against the opening's.

    Args:
        prior: what was believed before.
        circle: as solved with that belief.
        opening: of the same face, in the reference's plane.
    """
    eye = -circle.rotation.T @ circle.translation_mm
    sight = circle.center_mm - eye
    slope = sight[:2] / sight[2]
    size = float(slope @ slope)
    if size < 1e-6:
        return prior
    aside = opening.center_mm[:2] - circle.center_mm[:2]
    told_mm = float(circle.center_mm[2] + aside @ slope / size)
    off_axis_mm2 = ASIDE_MM**2 + (ASIDE_SHARE * circle.length.value_mm) ** 2
    # Of a short arc the middle is hardly known along its bisector.
    traced_mm2 = float(slope @ (circle.middle_mm2 + opening.middle_mm2) @ slope) / size
    told_sd_mm = float(np.hypot(np.sqrt((off_axis_mm2 + traced_mm2) / size), MOUTH_DEPTH_MM))
    if abs(told_mm - prior.offset_mm) > BELIEVABLE * np.hypot(told_sd_mm, prior.offset_sd_mm):
        return prior
    weights = np.array([prior.offset_sd_mm, told_sd_mm]) ** -2.0
    mean_mm = float(weights @ [prior.offset_mm, told_mm] / weights.sum())
    return replace(prior, offset_mm=mean_mm, offset_sd_mm=float(weights.sum() ** -0.5))
