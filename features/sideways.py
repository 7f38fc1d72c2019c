"""Photos that lie on their side, measured upright and told in the pixels of the photo as it came.

A phone held over a pump on the ground does not know which way is up, and some programs drop what it wrote of that.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from features.parts.finder import LookAt, PartFinder
from features.photo import Photo
from features.photo_problems import PHOTO_SIDEWAYS
from features.photo_survey import FittedCircle, PhotoSurvey, SurveyRequest, survey_photo
from features.problems import Problem
from features.scale.reference import ScaleReference, ScaleRequest

Array = NDArray[np.float64]


def survey_upright(photo: Photo, request: SurveyRequest, finder: PartFinder) -> PhotoSurvey:
    """Survey one photo, and once more turned where its pump turns out to lie on its side."""
    survey = survey_photo(photo, request, finder)
    quarters = finder.quarter_turns(photo.pixels_rgb)
    if not quarters:
        return survey
    turned = survey_photo(turned_photo(photo, quarters), turned_request(request, photo, quarters), finder)
    return turned_back(turned, quarters)


def turned_photo(photo: Photo, quarters: int) -> Photo:
    """A photo turned by so many quarters, counterclockwise, which it says."""
    pixels = np.ascontiguousarray(np.rot90(photo.pixels_rgb, quarters))
    said = (*photo.problems, Problem(PHOTO_SIDEWAYS))
    return replace(photo, pixels_rgb=pixels, problems=said)


def turned_request(request: SurveyRequest, photo: Photo, quarters: int) -> SurveyRequest:
    """What was said of a photo, its places as they are in the turned one."""

    def moved(x: float, y: float) -> tuple[float, float]:
        x, y = turned_points(np.array([x, y], float), photo.width_px, photo.height_px, quarters)
        return float(x), float(y)

    def hint(one: LookAt) -> LookAt:
        x, y = moved(one.x_px, one.y_px)
        return replace(one, x_px=x, y_px=y)

    return replace(
        request,
        scale=_turned_scale(request.scale, moved),
        look_at=tuple(map(hint, request.look_at)),
    )


def turned_back(survey: PhotoSurvey, quarters: int) -> PhotoSurvey:
    """The survey of a turned photo, its places as they are in the photo that was turned."""

    def back(points_px: Array) -> Array:
        return turned_points(points_px, survey.width_px, survey.height_px, -quarters)

    def circle(one: FittedCircle) -> FittedCircle:
        return replace(one, outline_px=back(one.outline_px))

    def reference(one: ScaleReference) -> ScaleReference:
        return replace(one, points_px=back(one.points_px), outline_px=back(one.outline_px))

    return replace(
        survey,
        width_px=survey.height_px,
        height_px=survey.width_px,
        scale=reference(survey.scale) if survey.scale else None,
        circles=tuple(map(circle, survey.circles)),
        marks_px={name: back(points) for name, points in survey.marks_px.items()},
        private_px=tuple(map(back, survey.private_px)),
        spans=tuple(replace(span, ends_px=back(span.ends_px)) for span in survey.spans),
    )


def turned_points(points_px: Array, width_px: int, height_px: int, quarters: int) -> Array:
    """(..., 2) pixels of a picture of this size as they are once it is turned so many quarters, counterclockwise."""
    x, y = points_px[..., 0], points_px[..., 1]
    right, bottom = width_px - 1.0 - x, height_px - 1.0 - y
    return np.stack([(x, y), (y, right), (right, bottom), (bottom, x)][quarters % 4], axis=-1)


def _turned_scale(scale: ScaleRequest, moved: Callable[[float, float], tuple[float, float]]) -> ScaleRequest:
    ends, near = scale.two_points_px, scale.coin_near_px
    return replace(
        scale,
        two_points_px=(moved(*ends[0]), moved(*ends[1])) if ends else None,
        coin_near_px=(*moved(near[0], near[1]), near[2]) if near else None,
    )
