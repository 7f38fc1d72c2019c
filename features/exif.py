"""What a photo's EXIF says of its focal length in pixels, and how far it can be believed.

`FocalLengthIn35mmFilm` is a whole number of millimeters that fits a field of view onto a 36 x 24 mm frame.
The EXIF standard (CIPA DC-008, from memory) does not say which field: the diagonal (CIPA's guideline for
camera specifications, DCG-001, from memory, and what most phones do) or the width (3.9 % less for a 4:3
picture). Where the camera crops, to 16:9 or to a square, some phones keep the number of the whole sensor
and others give that of the crop. With digital zoom some include the zoom and others do not. So one tag has
several readings. Each gives a focal length, weighted by how common it is (common practice) and, for phones,
by how well the lens it implies agrees with a phone's main camera; unlikely ones are dropped, the rest give
mean and spread of log(focal).

For eight phones whose pixel pitch is published the diagonal reading was off by 2.3 % rms, 5.3 % at worst
(the test names them). Rounding (26 +/- 0.5 mm: 1 %) is part of that; focusing at half a meter adds up to
1 %. So 5 % is the least that is ever claimed.
"""

import math
from dataclasses import dataclass, replace
from typing import Literal

from features.camera import CENTER_PRIOR_SD, K1_PRIOR_SD, UNKNOWN_K1_SD
from features.cropping import Cropping, Frame, cropping
from features.decode_tags import CameraFacts
from features.photo_problems import FOCAL_DOUBTFUL, FOCAL_UNKNOWN, PHOTO_CROPPED, PHOTO_ZOOMED
from features.problems import Problem

FULL_FRAME_WIDTH_MM = 36.0
FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
"""The frame of 35 mm film, 24 x 36 mm (ISO 1007)."""

PHONE_EQUIVALENT_MM = 26.0
"""Main cameras of phones: 23 to 33 mm equivalent on the diagonal (common practice)."""

_PHONE_PRIOR_SD = 0.20
"""Of log(focal) when the file says nothing: main cameras spread by 10 %, and some pictures were cropped or
zoomed."""

_EXIF_SD = 0.05
_DOUBTFUL_SD = 0.08
_PHONE_FOCAL_MM = 10.0
"""Lenses of phones are shorter than this, lenses of cameras with a larger sensor mostly longer (common
practice)."""

_LEAST_SHARE = 0.05
"""Of the weightiest reading's weight; what weighs less is far-fetched."""

_ZOOM_INCLUDED = 0.6
_LEAST_PLAUSIBILITY = 0.05


_LEAST_PHONE_PX = 1000
"""Neither phones nor messaging apps make smaller pictures (common practice): a webcam or an unknown module did."""


@dataclass(frozen=True)
class FocalPrior:
    """What is believed of the focal length before the photo itself is asked.

    Attributes:
        focal_px: focal length in pixels of this photo.
        relative_sd: standard uncertainty of log(focal).
        source: where it comes from.
        k1_sd: standard deviation of the lens's distortion about 0.
        center_sd: standard deviation of the principal point about the middle, per axis, over the focal length.
    """

    focal_px: float
    relative_sd: float
    source: Literal["exif_35mm", "exif_sensor", "phone_prior"]
    k1_sd: float = K1_PRIOR_SD
    center_sd: float = CENTER_PRIOR_SD


@dataclass(frozen=True)
class _Reading:
    """One way to read the tags: a focal length in pixels of the stored picture, and its relative weight."""

    focal_px: float
    weight: float


def focal_prior(
    facts: CameraFacts, stored_width_px: int, stored_height_px: int
) -> tuple[FocalPrior, tuple[Problem, ...]]:
    """Focal length prior of a photo.

    Args:
        facts: what the file says of its camera.
        stored_width_px: the picture's real width (turning it upright changes nothing here).
        stored_height_px: its height.

    Returns:
        The prior, and what had to be assumed.
    """
    stored = Frame(max(stored_width_px, stored_height_px), min(stored_width_px, stored_height_px))
    cut = cropping(stored, _frame_written(facts))
    zoom = _valid(facts.digital_zoom, 1.02, 100.0) or 1.0
    equivalent = _valid_equivalent(facts)
    from_equivalent = _readings_of_equivalent(equivalent, zoom, stored, cut, facts) if equivalent else []
    from_sensor = _readings_of_sensor(facts, stored, cut, zoom)

    problems: list[Problem] = []
    if from_equivalent or from_sensor:
        mean, spread = _log_mean_and_spread(_either(from_equivalent, from_sensor))
        sd = math.hypot(_EXIF_SD, spread, cut.focal_sd)
        prior = FocalPrior(
            math.exp(mean), sd, "exif_35mm" if from_equivalent else "exif_sensor", center_sd=cut.center_sd
        )
        if sd > _DOUBTFUL_SD:
            problems.append(Problem(FOCAL_DOUBTFUL, f"known to about {100 * sd:.0f} %"))
    else:
        readings = _readings_of_equivalent(PHONE_EQUIVALENT_MM * zoom, zoom, stored, cut, CameraFacts())
        mean, spread = _log_mean_and_spread(readings)
        sd = math.hypot(_PHONE_PRIOR_SD, spread, cut.focal_sd)
        prior = FocalPrior(math.exp(mean), sd, "phone_prior", center_sd=cut.center_sd)
        if max(stored_width_px, stored_height_px) < _LEAST_PHONE_PX:
            prior = replace(prior, k1_sd=UNKNOWN_K1_SD)
        problems.append(Problem(FOCAL_UNKNOWN, _why_unknown(facts)))
    if cut.is_cropped:
        problems.append(Problem(PHOTO_CROPPED, f"{stored_width_px} x {stored_height_px} pixels left"))
    if zoom > 1.1:
        problems.append(Problem(PHOTO_ZOOMED, f"{zoom:.1f} times"))
    return prior, tuple(problems)


def _frame_written(facts: CameraFacts) -> Frame | None:
    width, height = _valid(facts.width_px, 16, 1e6), _valid(facts.height_px, 16, 1e6)
    return None if width is None or height is None else Frame(max(width, height), min(width, height))


def _valid(value: float | None, low: float, high: float) -> float | None:
    return value if value is not None and low <= value <= high else None


def _valid_equivalent(facts: CameraFacts) -> float | None:
    """The 35 mm-equivalent, unless it is 0 (unknown) or junk such as 65535 or the real focal length."""
    equivalent = _valid(facts.focal_35mm, 8.0, 800.0)
    if equivalent and facts.focal_mm and equivalent < 0.5 * facts.focal_mm:
        return None  # no common sensor is twice as large as 35 mm film
    return equivalent


def _why_unknown(facts: CameraFacts) -> str:
    return f"{facts.focal_35mm:.0f} mm makes no sense" if facts.focal_35mm else ""


def _readings_of_equivalent(
    equivalent_mm: float, zoom: float, stored: Frame, cut: Cropping, facts: CameraFacts
) -> list[_Reading]:
    taken = cut.taken
    by_phone = facts.focal_mm is None or facts.focal_mm < _PHONE_FOCAL_MM
    # Phones have 4:3 sensors, so the sensor is the smallest 4:3 frame round the picture (common practice).
    long_side = max(taken.long_px, taken.short_px * 4 / 3)
    sensor = Frame(long_side, long_side * 3 / 4) if by_phone else taken
    per_diagonal, per_width = equivalent_mm / FULL_FRAME_DIAGONAL_MM, equivalent_mm / FULL_FRAME_WIDTH_MM
    fields = (
        (per_diagonal * sensor.diagonal_px, 0.6),
        (per_width * sensor.long_px, 0.1),
        (per_diagonal * stored.diagonal_px, 0.2),
        (per_width * stored.long_px, 0.1),
    )
    readings: list[_Reading] = []
    for focal, weight in fields:
        for times, share in ((1.0, _ZOOM_INCLUDED), (zoom, 1.0 - _ZOOM_INCLUDED)):
            lens_mm = focal * times / zoom * FULL_FRAME_DIAGONAL_MM / sensor.diagonal_px
            plausible = _phone_plausibility(lens_mm) if by_phone else 1.0
            readings.append(_Reading(focal * times * cut.focal_times, weight * share * plausible))
    return readings


def _phone_plausibility(lens_mm: float) -> float:
    """How well an unzoomed equivalent on the sensor's diagonal agrees with a phone's main camera, never 0."""
    deviation = math.log(lens_mm / PHONE_EQUIVALENT_MM) / _PHONE_PRIOR_SD
    return _LEAST_PLAUSIBILITY + math.exp(-0.5 * deviation**2)


def _readings_of_sensor(facts: CameraFacts, stored: Frame, cut: Cropping, zoom: float) -> list[_Reading]:
    """Focal length times pixels per millimeter of the sensor (FocalPlaneXResolution)."""
    focal_mm, density = _valid(facts.focal_mm, 1.0, 2000.0), facts.focal_plane_px_per_mm
    if focal_mm is None or not density or density <= 0:
        return []
    sensor_width_mm = stored.long_px / (cut.scale * density)
    if not 3.0 <= sensor_width_mm <= 60.0:  # from the smallest phone to medium format
        return []
    focal_px = focal_mm * density * cut.scale
    return [_Reading(focal_px, _ZOOM_INCLUDED), _Reading(focal_px * zoom, 1.0 - _ZOOM_INCLUDED)]


def _either(from_equivalent: list[_Reading], from_sensor: list[_Reading]) -> list[_Reading]:
    """Both kinds of reading: the 35 mm-equivalent alone where the sensor bears it out, else both, equally."""
    if not (from_equivalent and from_sensor):
        return from_equivalent or from_sensor
    difference = _log_mean_and_spread(from_equivalent)[0] - _log_mean_and_spread(from_sensor)[0]
    if abs(difference) < 3 * _EXIF_SD:
        return from_equivalent
    totals = [sum(r.weight for r in readings) for readings in (from_equivalent, from_sensor)]
    return [
        _Reading(r.focal_px, r.weight / total)
        for readings, total in zip((from_equivalent, from_sensor), totals, strict=True)
        for r in readings
    ]


def _log_mean_and_spread(readings: list[_Reading]) -> tuple[float, float]:
    """Mean and standard deviation of log(focal) over the readings that are not far-fetched."""
    least = _LEAST_SHARE * max(r.weight for r in readings)
    kept = [(math.log(r.focal_px), r.weight) for r in readings if r.weight >= least]
    total = sum(weight for _, weight in kept)
    mean = sum(weight * value for value, weight in kept) / total
    variance = sum(weight * (value - mean) ** 2 for value, weight in kept) / total
    return mean, math.sqrt(variance)
