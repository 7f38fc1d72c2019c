"""A circle as one photo saw it, and whether several photos may have seen the same one in the same place."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from features.circle_in_space import CircleInSpace
from features.circle_sighting import CirclePrior, CircleSighting
from features.landmarks import Landmarks
from features.photo import FocalPrior
from features.scale.reference import ScaleReference

Array = NDArray[np.float64]

_MOVED_SHARE, _MOVED_SHARE_STANDING, _MOVED_MM, _MOVED_BY_DEPTH = 0.06, 0.25, 12.0, 2.0
"""Circles whose middles lie further apart in the reference's frame than this cannot be one: not tried. What stands on
the reference's plane is placed less well by one photo; others so many standard uncertainties of the depth believed in
put aside."""


@dataclass(frozen=True, eq=False)
class SeenCircle:
    """A circle as one photo saw it, kept for solving several photos together.

    Attributes:
        sighting: its edge points; prior: what was believed of its plane.
        reference: of that photo; focal, image_center_px: its camera.
        solved: the solution by this photo alone.
        landmarks: what else that photo shows; None where nobody will ask.
    """

    sighting: CircleSighting
    prior: CirclePrior
    reference: ScaleReference
    focal: FocalPrior
    image_center_px: tuple[float, float]
    solved: CircleInSpace
    landmarks: Landmarks | None = None


def may_be_one(seen: Sequence[SeenCircle]) -> bool:
    """Whether sightings by several photos lie near enough for one circle by a reference left where it was."""
    first, stands = seen[0].solved, seen[0].prior.stands
    near = _MOVED_MM + (_MOVED_SHARE_STANDING if stands else _MOVED_SHARE) * first.length.value_mm
    return all(
        view.prior.stands == stands
        and view.reference.size_source == seen[0].reference.size_source
        and len(view.reference.points_mm) >= 4
        and not view.reference.is_circle
        and float(np.linalg.norm(view.solved.center_mm[:2] - first.center_mm[:2]))
        < near + (0.0 if stands else _MOVED_BY_DEPTH * _aside_by_depth_mm(view, seen[0]))
        for view in seen
    )


def _aside_by_depth_mm(one: SeenCircle, other: SeenCircle) -> float:
    """How far apart two lines of sight put a middle whose depth is off by its standard uncertainty."""
    a, b = (view.solved.center_mm + view.solved.rotation.T @ view.solved.translation_mm for view in (one, other))
    return one.prior.offset_sd_mm * float(np.linalg.norm(a[:2] / a[2] - b[:2] / b[2]))
