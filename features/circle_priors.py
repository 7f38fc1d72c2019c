"""What is believed of the planes of all circles of a photo together, before any of them is solved."""

from collections.abc import Sequence

import numpy as np

from features.circle_fit import fit_circle
from features.circle_sighting import CirclePrior
from features.parts.finder import FoundCircle
from features.placement import FLANGE_FACE_LENGTHS, Place, circle_prior, flange_guess_mm
from features.plane_pose import PlanePose

_TURNS = 4
"""Of guessing depths by sizes and sizes by depths."""


def circle_priors(circles: Sequence[FoundCircle], pose: PlanePose, place: Place) -> list[CirclePrior]:
    """Belief about the plane of each circle.

    Depths go with sizes, and sizes as they are seen at the reference's distance go with depths: guessed in turns.
    """
    away_mm = float(pose.translation_mm[2])
    seen_mm = [2.0 * fit_circle(found.sighting.points_px)[1] * away_mm / pose.focal_px for found in circles]
    priors = _priors_of_sizes(circles, seen_mm, place)
    for _ in range(_TURNS):
        # However near a thing is seen, it stays on this side of the camera, and no pump is ten times as deep.
        stretch = [float(np.clip(1.0 + prior.offset_mm / away_mm, 0.3, 3.0)) for prior in priors]
        priors = _priors_of_sizes(circles, [mm * s for mm, s in zip(seen_mm, stretch, strict=True)], place)
    return priors


def _priors_of_sizes(circles: Sequence[FoundCircle], sizes_mm: Sequence[float], place: Place) -> list[CirclePrior]:
    """All that lies in a port's face lies as deep as its flange does, so one guess of the flange's size serves all."""
    names = [found.sighting.name for found in circles]
    known = dict(zip(names, sizes_mm, strict=True))
    flange_mm, joint_mm = known.get("flange_diameter"), known.get("chamber_diameter")

    def part_mm(name: str, size_mm: float) -> float:
        return flange_mm if flange_mm and name in FLANGE_FACE_LENGTHS else flange_guess_mm(name, size_mm)

    return [
        circle_prior(name, "near_end" if one.looks_away else place, part_mm(name, size), one.edge_shared_px, joint_mm)
        for name, size, one in zip(names, sizes_mm, circles, strict=True)
    ]
