"""Find every scale reference in a photo: the one entry of this package."""

import cv2
import numpy as np

from features.photo import Photo
from features.problems import Problem
from features.scale.charuco_card import find_cards
from features.scale.points import reference_from_points
from features.scale.reference import ScaleFinding, ScaleReference, ScaleRequest


def find_scales(photo: Photo, request: ScaleRequest) -> ScaleFinding:
    """Find the scale references of one photo.

    Printed cards come first: their markers leave no doubt what they are. Then what the user asked for (sheet,
    coin, points), then a bank card, which is found by its shape alone.

    Args:
        photo: the photo.
        request: what the user said about the scale.

    Returns:
        References best first, and what was refused or noticed. An empty finding does not say "no scale": the
        pump's own flange may still become one.
    """
    gray = np.asarray(cv2.cvtColor(photo.pixels_rgb, cv2.COLOR_RGB2GRAY), np.uint8)
    cards = find_cards(gray, photo.focal)
    references: list[ScaleReference] = list(cards.references)
    problems: list[Problem] = list(cards.problems)
    if request.two_points_px is not None:
        points = reference_from_points(request.two_points_px, request.two_points_mm, gray.shape)
        if isinstance(points, ScaleReference):
            references.append(points)
        else:
            problems.append(points)
    return ScaleFinding(tuple(references), tuple(problems))
